"""The rig as a program: physics and transmitter on a line, in time with a clock, told what to do over a socket.

With a published clock the rig's time is the recorder's time too. It then holds its breath while the recorder has a
line unread, so that a held-up machine slows the simulation instead of heaping up samples.
"""

import json
import selectors
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from testbench.errors import BenchError, RigCommandError, RigStartFailedError
from testbench.rig.clock import PublishedClock
from testbench.rig.commands import Facts, Quit, SetFault, Shift, carry_out, handles, read_command, refusal
from testbench.rig.control import ControlSocket
from testbench.rig.physics import RigPhysics, RigSettings
from testbench.rig.transmitter import Fault, Transmitter, TransmitterSettings
from testbench.rig.wire import SocketWire, TerminalWire, Wire
from testbench.station.acquisition import SIMULATED_RIG

now = time.monotonic  # noqa: TID251 - the rig is a world of its own, beyond any station

LONGEST_WAIT_S = 1.0
"""Wall time that an unread line is waited for; then the reader counts as away until it reads again."""
CATCH_UP_S = 0.5
"""Wall time by which lines may run late and still be caught up."""
PEEK_S = 0.0002
NAP_S = 0.2
"""Wall time after which a signal is noticed at the latest."""


BANNER = SIMULATED_RIG + b"\r\n"
BANNER_EVERY = 300
"""Lines after which the rig says again what it is: a recorder marks its runs whatever its configuration says."""


@dataclass(frozen=True, slots=True)
class ServerSettings:
    """How the rig is run."""

    control: Path
    link: Path | None = None
    listen: tuple[str, int] | None = None
    """Address of a TCP port instead of a terminal."""
    clock: Path | None = None
    speed: float = 1.0
    rate_hz: float = 10.0
    """Lines per simulated second."""
    serial: str | None = None
    """Valve mounted from the start."""
    physics: RigSettings = field(default_factory=RigSettings)
    transmitter: TransmitterSettings = field(default_factory=TransmitterSettings)


class RigServer:
    """Owns the line, the control socket and the clock file from ``run`` begins until it ends.

    Args:
        settings: how it is run.
        announce: hears of the port, at the start and whenever it was plugged in again.
    """

    def __init__(self, settings: ServerSettings, announce: Callable[[Facts], None]) -> None:
        self.settings = settings
        self.rig = RigPhysics(settings.physics)
        self.transmitter = Transmitter(settings.transmitter)
        self.lines = 0
        self._announce = announce
        self._wire: Wire = SocketWire(*settings.listen) if settings.listen else TerminalWire(settings.link)
        self._selector = selectors.SelectSelector()  # its time-outs are finer than a millisecond
        self._clock: PublishedClock | None = None
        self._reader_away = False
        self._stopping = False
        if settings.serial:
            carry_out(self.rig, read_command(json.dumps({"command": "mount", "serial": settings.serial}).encode()))

    def stop(self) -> None:
        """End the loop soon; safe in a signal handler."""
        self._stopping = True

    def run(self) -> None:
        """Serve until ``stop`` or ``quit``.

        Raises:
            RigStartFailedError: the port, the control socket or the clock file cannot be made.
        """
        control = ControlSocket(self.settings.control, self._selector, self._answer)
        try:
            self._open_clock()
            self._plug()
            self._announce(self.facts())
            self._loop()
        finally:
            self._wire.unplug()
            control.close()
            self._selector.close()
            if self._clock:
                self._clock.close()

    def facts(self) -> Facts:
        """Where to find the rig."""
        return {
            "port": self._wire.port,
            "control": str(self.settings.control),
            "clock": str(self.settings.clock) if self.settings.clock else None,
        }

    def _open_clock(self) -> None:
        if self.settings.clock is None:
            return
        try:
            self._clock = PublishedClock(self.settings.clock)
        except OSError as failure:
            raise RigStartFailedError(str(self.settings.clock), failure.strerror or str(failure)) from failure

    def _plug(self) -> None:
        try:
            self._wire.plug()
        except OSError as failure:
            raise RigStartFailedError(self._wire.port or "a terminal", failure.strerror or str(failure)) from failure

    # Time ----------------------------------------------------------------------------------------

    def _loop(self) -> None:
        dt_s = 1 / self.settings.rate_hz
        period_s = dt_s / self.settings.speed
        due = now()
        while not self._stopping:
            due += period_s
            self._serve_until(due)
            if self._clock is not None:
                self._wait_for_reader()
            late_s = now() - due
            if late_s > (period_s if self._clock is not None else CATCH_UP_S):
                due = now()
            self.tick(dt_s)

    def tick(self, dt_s: float) -> None:
        """One line: let the rig's time pass [s], publish it, and only then write."""
        self.rig.step(dt_s)
        line = self.transmitter.line(self.rig.psi)
        if self._clock is not None:
            self._clock.publish(self.rig.at_s)
        if not line:
            return
        if self.lines % BANNER_EVERY == 0:
            line = BANNER + line
        self.lines += 1
        if self._reader_away:
            self._wire.refused_bytes += len(line)
        else:
            self._wire.write(line)

    def _serve_until(self, due: float) -> None:
        """Answer on the control socket until it is time."""
        while True:
            left_s = due - now()
            for key, _ in self._selector.select(min(max(0.0, left_s), NAP_S)):
                key.data()
            if left_s <= 0 or self._stopping:
                return

    def _wait_for_reader(self) -> None:
        """Let no time pass while the newest line is unread, but do not wait for ever for a reader that is away."""
        if not self._wire.unread():
            self._reader_away = False
            return
        give_up = now() + LONGEST_WAIT_S
        while not self._reader_away and not self._stopping and self._wire.unread():
            self._serve_until(now() + PEEK_S)
            self._reader_away = now() > give_up

    # Control -------------------------------------------------------------------------------------

    def _answer(self, line: bytes) -> bytes:
        try:
            facts = self._carry_out(line)
        except BenchError as refused:
            facts = refusal(refused)
        return json.dumps(facts, ensure_ascii=False).encode()

    def _carry_out(self, line: bytes) -> Facts:
        command = read_command(line)
        found: Facts = {"done": True, "command": command.command}
        match command:
            case Quit():
                self._stopping = True
            case SetFault(kind=kind):
                self._break(kind)
            case Shift(value=value, psi=psi):
                self._shift(value, psi)
            case _:
                found |= carry_out(self.rig, command)
                if command.command == "state":
                    found |= self.facts() | {"fault": self.transmitter.fault, "lines": self.lines}
                    found |= {"refused_bytes": self._wire.refused_bytes}
        return found | {"handles": handles(self.rig)}

    def _shift(self, value: int, psi: float) -> None:
        shifts = self.transmitter.shifts
        if value > len(shifts):
            raise RigCommandError(f"'shift' of value {value}", f"values 1 to {len(shifts)}")
        shifts[value - 1] = psi

    def _break(self, kind: Fault) -> None:
        self.transmitter.fault = kind
        if kind is Fault.UNPLUGGED:
            self._wire.unplug()
        elif not self._wire.plugged:
            self._plug()
            self._announce(self.facts())
