"""From what was found on a line to samples and gaps. Knows no port and no clock: both come in as values.

Silence is a gap with a reason, never a value. A reading outside the calibrated range or one that stands still to
the last digit is a fault, never a steady pressure; one that changed faster than pressure can is kept, with a gap that
says so, for a burst pipe looks like that as well. Readings that come in one heap after a standstill of this
program cannot be placed in time and count as a gap.
"""

from dataclasses import asdict, dataclass

from testbench.framing.readings import Found, Reading, Rejected, RejectReason
from testbench.run.record import ChannelRecord
from testbench.run.samples import Gap, GapReason, Sample, Scale, to_ticks
from testbench.station import faults
from testbench.station.bench import ChannelEntry

HEAP = 20
"""Readings in one delivery, after silence, that betray a standstill of this program."""
MOST_COUNTS = 10**10
"""More than any transmitter can write."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """Bytes from the port, stamped once when the read returned [s on the station's clock]."""

    at_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class PortOpened:
    """The port was opened; what comes first may be half a line."""

    at_s: float
    settings: str
    counting: bool = False
    """Whether its driver counts errors."""


@dataclass(frozen=True, slots=True)
class PortLost:
    """The port is away, or could not be opened."""

    at_s: float
    sentence: str
    remedy: str
    shared: bool = False
    """Whether it is given up because another program takes bytes from it."""


@dataclass(frozen=True, slots=True)
class Quiet:
    """The port was waited for and had nothing to say.

    Silence is told in the order of the readings, so that a station that is behind with its work never takes readings
    that wait in its queue for silence.
    """

    at_s: float


@dataclass(frozen=True, slots=True)
class Polled:
    """What came of a query, with both ends: the value was measured between them [s on the station's clock]."""

    at_s: float
    """When the answer was complete, or given up."""
    sent_s: float
    found: Found


@dataclass(frozen=True, slots=True)
class Decoded:
    """What was found in bytes that arrived, in their order; see ``station/line``."""

    at_s: float
    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class LineErrors:
    """Errors that the kernel's driver has counted since the port was opened. Only drivers of real lines count."""

    at_s: float
    framing: int
    overrun: int
    """Bytes lost in the adapter."""
    parity: int
    breaks: int
    buffer_overrun: int
    """Bytes lost in the kernel."""

    @property
    def counters(self) -> tuple[int, ...]:
        """The five numbers, in this order."""
        return self.framing, self.overrun, self.parity, self.breaks, self.buffer_overrun


@dataclass(frozen=True, slots=True)
class Suspended:
    """The machine slept, by its own clocks: what the pressure did meanwhile nobody knows."""

    at_s: float
    since_s: float
    """When the clocks were last seen in step."""
    seconds: float


@dataclass(frozen=True, slots=True)
class ClockSet:
    """The time of day was set; nothing is timed by it."""

    at_s: float
    seconds: float
    """Ahead, or back where negative."""


PortEvent = Arrived | Polled | PortOpened | PortLost | Quiet | LineErrors | Suspended | ClockSet
LineEvent = PortEvent | Decoded
"""What a channel takes; bytes come to it decoded."""


class LineHistory:
    """How a line has fared since the recorder started: what was set, how often it was opened, counted errors."""

    def __init__(self) -> None:
        self.settings = ""
        self.opened_times = 0
        self.errors: dict[str, int] | None = None
        """Counted by the driver over all openings; None where it does not count."""
        self._told: dict[str, int] = {}

    def opened(self, event: PortOpened) -> None:
        """The line was opened; the driver counts from 0."""
        self.settings = event.settings
        self.opened_times += 1
        if event.counting:
            self._told = {}
            self.counted(LineErrors(event.at_s, 0, 0, 0, 0, 0))

    def counted(self, event: LineErrors) -> None:
        """The driver has counted."""
        now = {name: found for name, found in asdict(event).items() if name != "at_s"}
        before = self.errors or dict.fromkeys(now, 0)
        self.errors = {name: before[name] + found - self._told.get(name, 0) for name, found in now.items()}
        self._told = now


@dataclass(frozen=True, slots=True)
class Taken:
    """What one port event amounted to. Rejected bytes come with their ticks."""

    samples: tuple[Sample, ...] = ()
    gaps: tuple[Gap, ...] = ()
    rejected: tuple[tuple[int, Rejected], ...] = ()
    above_range: tuple[int, ...] = ()
    """Ticks of readings above the calibrated range: no value, but the pressure may have been anything."""
    below_range: tuple[int, ...] = ()


NO_GARBAGE = {RejectReason.FIRST_PARTIAL, RejectReason.NO_ANSWER}
"""Reasons that say nothing against the line's settings."""

SIMULATED_RIG = b"SIMULATED RIG"
"""A line with these bytes is how a simulated rig says what it is; its runs are marked whatever bench.toml says."""


class Acquisition:
    """Turns the deliveries of one channel into samples and gaps, and knows how the signal stands."""

    def __init__(self, channel: ChannelEntry) -> None:
        self._channel = channel
        self._index = channel.index
        self._least, self._most = -MOST_COUNTS, MOST_COUNTS
        scale, fastest = Scale(unit=channel.unit, decimals=channel.places), channel.fastest_change_per_s
        self._counts_per_tick = None if fastest is None else scale.exact_counts(fastest) / to_ticks(1)
        self._same_since: int | None = None
        self._same_counts: int | None = None
        self.newest: Sample | None = None
        """The newest usable reading."""
        self.fault: GapReason | None = GapReason.SILENT
        """Why there is no usable reading now; None while there is one."""
        self.fault_since: int = 0
        self.port_sentence = "the port has not been opened yet"
        self.port_remedy = "Wait a moment."
        self.rejected_lines = 0
        self.line_errors: LineErrors | None = None
        """What the driver counted since the port was opened; None where it does not count."""
        self._detail = ""
        self._late = False
        """Whether an answer has come too late since the newest reading: then the silence is not that of a dead line."""
        self.simulated = False
        """Whether the line was ever that of a simulated rig."""

    def calibrated(self, channel: ChannelRecord | None) -> None:
        """From now on a reading outside this channel's calibrated range is a fault; None: nothing is known of it."""
        self._least, self._most = -MOST_COUNTS, MOST_COUNTS
        if channel is not None:
            scale = channel.scale.model_copy(update={"head_millicounts": 0})
            self._least = scale.least_counts(channel.lowest - (channel.highest - channel.lowest) * 0.05)
            self._most = scale.most_counts(channel.highest)

    def take(self, event: LineEvent) -> Taken:
        """Take one event of the line."""
        match event:
            case Decoded(at_s, found):
                return self._found(to_ticks(at_s), found)
            case Polled(at_s, sent_s, answer):
                return self._found(to_ticks(at_s), (answer,), to_ticks(sent_s))
            case Suspended(at_s, since_s, _):
                gap = Gap(since=to_ticks(since_s), until=to_ticks(at_s), reason=GapReason.SUSPENDED)
                return Taken(gaps=(gap,))
            case PortOpened():
                self.line_errors = None
                self.port_sentence = self.port_remedy = ""
            case PortLost(at_s, sentence, remedy, shared):
                self.port_sentence, self.port_remedy = sentence, remedy
                self._fail(GapReason.TWO_AT_ONCE if shared else GapReason.UNPLUGGED, to_ticks(at_s))
            case LineErrors():
                self.line_errors = event
            case Quiet() | ClockSet() | Arrived():
                pass
        return Taken()

    def silent_since(self, now: int) -> int | None:
        """Since when there has been nothing usable; None while the signal is good.

        Args:
            now: ticks on the station's clock.
        """
        if self.fault is not None:
            return self.fault_since
        assert self.newest is not None
        if now - self.newest.at > to_ticks(self._channel.stale_after_s):
            self._fail(GapReason.LATE_ANSWER if self._late else GapReason.SILENT, self.newest.at)
            return self.newest.at
        return None

    def _fail(self, reason: GapReason, since: int) -> None:
        if reason is not self.fault:
            self._detail = ""
        if self.fault is None:
            self.fault_since = self.newest.at if reason is not GapReason.FROZEN and self.newest else since
        self.fault = reason

    def _found(self, at: int, found: tuple[Found, ...], asked: int | None = None) -> Taken:
        bad = [item for item in found if isinstance(item, Rejected)]
        banners = [item for item in bad if SIMULATED_RIG in item.raw]
        self.simulated = self.simulated or bool(banners)
        rejected = tuple((at, item) for item in bad if item not in banners)
        garbage = sum(item.reason not in NO_GARBAGE for _, item in rejected)
        self.rejected_lines += garbage
        for _, one in rejected:
            self._late = one.reason is RejectReason.LATE or (self._late and one.reason is not RejectReason.NO_ANSWER)
        readings = [item for item in found if isinstance(item, Reading)]
        if garbage and not readings and self.silent_since(at) is not None:
            self._name_fault([item for _, item in rejected])
        if len(readings) > HEAP and self.silent_since(at) is not None:
            self._fail(GapReason.LATE, at)
            return Taken(rejected=rejected)
        samples: list[Sample] = []
        gaps: list[Gap] = []
        for item in found:
            if isinstance(item, Reading):
                self._reading(Sample(at, item.of(self._index), asked), samples, gaps)
            elif item.reason in {RejectReason.OVER_RANGE, RejectReason.UNDER_RANGE}:
                self._fail(GapReason.OUT_OF_RANGE, at)
        if len(samples) == len(found):  # nothing stood outside the range
            return Taken(tuple(samples), tuple(gaps))
        above = tuple(at for item in found if self._is_above(item))
        below = tuple(at for item in found if self._is_below(item))
        return Taken(tuple(samples), tuple(gaps), rejected, above, below)

    def _name_fault(self, bad: list[Rejected]) -> None:
        """Take the name of a fault from the bytes; what follows from it does not rename it."""
        for item in bad:
            named = faults.fault_of(item)
            kept = {GapReason.FROZEN, GapReason.OUT_OF_RANGE}
            kept |= {GapReason.FRAMING, GapReason.TWO_AT_ONCE} if named is GapReason.GARBAGE else set()
            if named is not None and self.fault not in kept:
                self.fault, self._detail = named, item.detail

    @property
    def sentence(self) -> str:
        """Why there is no usable reading, and what to do; empty while there is one."""
        if self.port_sentence:
            return f"{self.port_sentence} {self.port_remedy}".rstrip()
        return "" if self.fault is None else faults.sentence_of(self.fault, self._detail)

    @property
    def remedy(self) -> str:
        """What to do about it; empty while there is a usable reading."""
        return self.port_remedy if self.port_sentence or self.fault is None else faults.remedy_of(self.fault)

    @property
    def why_silent(self) -> str:
        """Why there is no usable reading, as the end of a sentence without its stop."""
        return self.port_sentence.rstrip(".") or str(self.fault)

    def _is_above(self, item: Found) -> bool:
        """Above the range by its number, or by the instrument's own word."""
        return (
            item.of(self._index) > self._most if isinstance(item, Reading) else item.reason is RejectReason.OVER_RANGE
        )

    def _is_below(self, item: Found) -> bool:
        return (
            item.of(self._index) < self._least if isinstance(item, Reading) else item.reason is RejectReason.UNDER_RANGE
        )

    def _reading(self, sample: Sample, samples: list[Sample], gaps: list[Gap]) -> None:
        if not self._least <= sample.counts <= self._most:
            self._fail(GapReason.OUT_OF_RANGE, sample.at)
            return
        if self._stands_still(sample):
            assert self._same_since is not None
            self._fail(GapReason.FROZEN, self._same_since)
            return
        self.silent_since(sample.at)  # notices a silence that this reading ends
        if self.fault is not None and self.newest is not None:
            gaps.append(Gap(since=self.fault_since, until=sample.at, reason=self.fault))
        elif self._jumped_to(sample):
            assert self.newest is not None
            gaps.append(Gap(since=self.newest.at, until=sample.at, reason=GapReason.JUMPED))
        self.fault, self._late = None, False
        self.newest = sample
        samples.append(sample)

    def _jumped_to(self, sample: Sample) -> bool:
        if self._counts_per_tick is None or self.newest is None or sample.at == self.newest.at:
            return False  # several readings of one delivery have one stamp and no rate
        return abs(sample.counts - self.newest.counts) > self._counts_per_tick * (sample.at - self.newest.at)

    def _stands_still(self, sample: Sample) -> bool:
        if sample.counts != self._same_counts:
            self._same_counts, self._same_since = sample.counts, sample.at
        assert self._same_since is not None
        return sample.at - self._same_since > to_ticks(self._channel.frozen_after_s)
