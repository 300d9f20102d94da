"""Whether a channel is ready for a run, and why not: its readings, its calibration, its second gauge, its zero."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from testbench.errors import BenchError
from testbench.framing.readings import Reading
from testbench.procedure.requirements import Requirements
from testbench.quantities import Pressure
from testbench.run.channels import ChannelRecord, bare_scale
from testbench.station import readiness
from testbench.station.acquisition import Decoded, Polled, PortEvent, PortLost, PortOpened
from testbench.station.bench import ChannelEntry, Instrument
from testbench.station.line import Line
from testbench.station.watching import Watch


@dataclass(frozen=True, slots=True)
class Seen:
    """What a look at the channel brought."""

    values: int
    mean: Pressure | None
    """Of what it showed, as indicated; None where it showed nothing."""
    fault: str
    """Why there was no reading at the end; empty where there was one."""
    held_by_recorder: bool
    in_run: bool = False
    """Whether a run is open: then pressure is no fault."""


class Looking(Protocol):
    """A look at an instrument on a port of our own."""

    def take(self, event: PortEvent) -> None:
        """Take one event of its port."""

    def seen(self) -> Seen:
        """What it brought."""


class LookAtChannel:
    """At a pressure channel; an absolute one has the stated atmosphere taken off."""

    def __init__(self, entry: ChannelEntry) -> None:
        self._scale, self._watch = bare_scale(entry.unit, entry.places, entry.atmosphere), Watch(entry)
        self.take = self._watch.take

    def seen(self) -> Seen:
        """What it brought."""
        mean = self._watch.mean
        shown = None if mean is None else self._scale.pressure(mean / self._scale.per_count)
        return Seen(self._watch.values, shown, self._watch.sentence, held_by_recorder=False)


class LookAtMeter:
    """At the temperature channel, or at the sensor of the collecting vessel: does it say anything?"""

    def __init__(self, entry: Instrument) -> None:
        self._line, self._values, self._said = Line(entry), 0, ""

    def take(self, event: PortEvent) -> None:
        """Take one event of its port."""
        if isinstance(event, PortLost | PortOpened):
            self._said = event.sentence if isinstance(event, PortLost) else ""
        match self._line.take(event):
            case Decoded(_, found):
                self._values += sum(isinstance(item, Reading) for item in found)
            case Polled(_, _, answer):
                self._values += isinstance(answer, Reading)
            case _:
                pass

    def seen(self) -> Seen:
        """What it brought."""
        why = self._said or "no reading within the time of the look"
        return Seen(self._values, None, "" if self._values and not self._said else why, held_by_recorder=False)


@dataclass(frozen=True, slots=True)
class Check:
    """Ready or not, with the reasons either way."""

    tag: str
    ready: bool
    reasons: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """One line."""
        said = f"{self.tag}: {'ready' if self.ready else 'NOT ready'}: {'; '.join(self.reasons)}"
        return said if said.endswith("?") else f"{said}."


def check_channel(
    entry: ChannelEntry,
    channel: ChannelRecord | None,
    seen: Seen,
    orders: Sequence[Requirements],
    at: datetime,
    *,
    covers: bool = True,
) -> Check:
    """Judge a channel by everything that a run would ask of it.

    Args:
        entry: the channel of bench.toml.
        channel: the same with its calibration and gauge check; None without a calibration.
        seen: what a look at it brought.
        orders: what the valves on order demand; their zero tolerances and pressures are held against the channel.
        at: now.
        covers: whether its range must cover what the orders demand; not so where it neither decides nor is compared.
    """
    where = "held by our recorder" if seen.held_by_recorder else "port free"
    bad: list[str] = []
    good = [where]
    if seen.fault:
        bad.append(seen.fault.rstrip("."))
    elif seen.mean is not None:
        good.append(f"{seen.values} readings, newest about {seen.mean.text(2)}")
    try:
        calibrated = readiness.calibrated(entry, channel, at.date())
    except BenchError as refusal:
        return Check(entry.tag, ready=False, reasons=(*bad, str(refusal).rstrip(".")))
    good.append(f"calibrated {calibrated.lowest} to {calibrated.highest}, due {calibrated.due_on}")
    bad += _refused(calibrated, entry, orders if covers else (), at)
    if seen.mean is not None and not seen.in_run:
        bad += _zero(entry, seen.mean, orders)
    return Check(entry.tag, not bad, tuple(bad) or tuple(good))


def _refused(channel: ChannelRecord, entry: ChannelEntry, orders: Sequence[Requirements], at: datetime) -> list[str]:
    found: list[str] = []
    if not channel.calibration.in_date(at.date()):
        found.append(f"its calibration was due on {channel.due_on}")
    try:
        readiness.check_second_gauge(channel, entry.gauge_check_every_h, at)
    except BenchError as refusal:
        found.append(str(refusal).rstrip("."))
    for demanded in orders:
        try:
            readiness.check_channel(channel, demanded, min(at.date(), channel.due_on))
        except BenchError as refusal:
            found.append(str(refusal).rstrip("."))
    return list(dict.fromkeys(found))


def _zero(entry: ChannelEntry, mean: Pressure, orders: Sequence[Requirements]) -> list[str]:
    if not orders:
        return []
    allowed = min(demanded.zero_tolerance for demanded in orders)
    if abs(mean) <= allowed:
        return []
    return [
        f"{entry.tag} shows {mean.text(2)}, at atmosphere at most {allowed.text(2)} is allowed: is it under pressure?"
    ]
