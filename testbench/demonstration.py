"""The demonstration: a bench home, a rig, a recorder and a simulated operator, brought together and taken apart."""

import json
import subprocess
import threading
from contextlib import ExitStack
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from testbench.errors import RecorderNotRunningError, RigNotRunningError, RigStartFailedError
from testbench.link.client import LinkClient
from testbench.rig.client import RigClient
from testbench.rig.operator import SimulatedOperator, Step
from testbench.station import messages as m
from testbench.wiring import attach, attach_or_start, end_recorder, make_home, program, read_store, wait_for

SCENARIO = Path(str(files("testbench"))) / "rig" / "scenario"
DOCUMENTS_S = 30.0
RIG_START_S = 10.0


class Demonstration:
    """A simulated bench for as long as the ``with`` block lasts; its home stays.

    Args:
        folder: home of the bench; made anew.
        speed: times faster than life.
        seed: of the rig's noise.
    """

    def __init__(self, folder: Path, speed: float, seed: int) -> None:
        self._folder = folder
        self._rig_link, self.control, self._clock = folder / "rig.tty", folder / "rig.sock", folder / "rig.clock"
        self.home = make_home(folder, self._bench_toml())
        (folder / "orders" / "HL-2041.toml").write_text((SCENARIO / "HL-2041.toml").read_text())
        self._speed, self._seed = speed, seed
        self._closing = ExitStack()

    def __enter__(self) -> Self:
        self._start_rig()
        try:
            attach_or_start(self.home).close()
        except BaseException:
            self._closing.close()
            raise
        self._closing.callback(end_recorder, self.home)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.close()

    def work_alone(self) -> None:
        """Let the simulated operator test every valve of the order, and wait for the documents."""
        operator = SimulatedOperator()
        with RigClient(self.control) as rig:
            link = attach(self.home)
            link.send(m.Attach(request="attach"))
            _carry(operator, link, rig, threading.Event(), hands_only=False)
            link.close()

    def with_screen(self, *, hands_only: bool) -> None:
        """Open the operator's screen, with a simulated operator beside it.

        Args:
            hands_only: leave the keys to the person; only the rig is worked.
        """
        from testbench.tui.app import run

        ended = threading.Event()
        worker = threading.Thread(target=self._beside, args=(ended, hands_only), daemon=True)
        worker.start()
        run(attach(self.home))
        ended.set()
        worker.join(timeout=5)

    def runs(self) -> list[dict[str, Any]]:
        """What was recorded, oldest first, once every document is written."""
        wait_for(self._documents_written, DOCUMENTS_S, lambda: False)
        with read_store(self.home) as store:
            found = reversed(store.history(limit=1000))
        return [
            {
                "run": run.run,
                "serial": run.serial,
                "verdict": run.verdict or "void",
                "ended": run.ended,
                "document": run.document,
            }
            for run in found
        ]

    def _documents_written(self) -> bool | None:
        with read_store(self.home) as store:
            owed = [run for run in store.history(limit=1000) if run.verdict in {"accepted", "rejected"}]
        return True if all(run.document for run in owed) else None

    def _beside(self, ended: threading.Event, hands_only: bool) -> None:  # noqa: FBT001 - a thread's argument
        try:
            with RigClient(self.control) as rig:
                link = attach(self.home)
                link.send(m.Attach(request="attach"))
                _carry(SimulatedOperator(), link, rig, ended, hands_only=hands_only)
                link.close()
        except (RigNotRunningError, RecorderNotRunningError):
            return  # the screen says what is missing

    def _bench_toml(self) -> str:
        today = date.today()  # noqa: DTZ011 - the calibration of an invented transmitter
        return (
            (SCENARIO / "bench.toml")
            .read_text()
            .replace("@PORT@", str(self._rig_link))
            .replace("@CLOCK@", str(self._clock))
            .replace("@CALIBRATED@", str(today - timedelta(days=100)))
            .replace("@DUE@", str(today + timedelta(days=265)))
        )

    def _start_rig(self) -> None:
        command = [
            *program(), "rig", "--link", str(self._rig_link), "--control", str(self.control),
            "--clock", str(self._clock), "--speed", str(self._speed), "--seed", str(self._seed), "--json",
        ]  # fmt: skip
        rig = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
        assert rig.stdout is not None
        announced = rig.stdout.readline()
        if not announced:
            raise RigStartFailedError(str(self.control), "it ended before it named its port")
        json.loads(announced)
        self._closing.callback(self._end_rig, rig)

    def _end_rig(self, rig: subprocess.Popen[str]) -> None:
        rig.terminate()
        rig.wait(timeout=10)
        assert rig.stdout is not None
        rig.stdout.close()


def _carry(
    operator: SimulatedOperator, link: LinkClient, rig: RigClient, ended: threading.Event, *, hands_only: bool
) -> None:
    """Bring updates to the operator, commands to the rig and requests to the recorder, until all is done."""
    while link.connected and not operator.finished and not ended.is_set():
        newest: m.Update | None = None
        for message in link.receive(0.5):
            if isinstance(message, m.Answer):
                operator.answered(message)
            else:
                newest = message
        if newest is None:
            continue
        _do(operator, operator.see(newest), link, rig, hands_only=hands_only)


def _do(operator: SimulatedOperator, step: Step, link: LinkClient, rig: RigClient, *, hands_only: bool) -> None:
    for command in step.commands:
        operator.rig_answered(command, rig.ask(command))
    for request in step.requests:
        if hands_only:
            operator.answered(m.Answer(id=request.id, done=True))
        else:
            link.send(request)
