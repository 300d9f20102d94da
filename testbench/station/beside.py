"""The pressure channels beside the deciding one: read, kept and compared, but they drive nothing."""

from collections import deque
from collections.abc import Iterator, Sequence
from datetime import datetime

from testbench.errors import ChannelsDisagreeError, NoReadingError, PressureNotReleasedError
from testbench.procedure.requirements import Requirements, StageRequirement
from testbench.run.cross_check import Comparison, pairs_of
from testbench.run.machine import Phase
from testbench.run.progress import Happening, Stage, StageState
from testbench.run.record import BesideRecord, BesideTrace, ChannelRecord, RunRecord, TraceReference
from testbench.run.samples import Gap, Sample, Samples, Trace, to_ticks
from testbench.station import readiness
from testbench.station.acquisition import Acquisition, LineEvent, Taken
from testbench.station.bench import Bench, ChannelEntry
from testbench.station.ports import CalibrationRegister
from testbench.station.register import channel_of

SAID_AFTER_S = 2.0
"""A channel on a line of its own may be a moment behind."""
_RELEASING = {Phase.RELEASING_TO_VENT, Phase.DEPRESSURIZING}


def on_run(gap: Gap, since: int) -> Gap:
    """A gap on the ticks of a run that began at a tick."""
    return Gap(since=max(0, gap.since - since), until=gap.until - since, reason=gap.reason)


class Companion:
    """One channel beside the deciding one, with what it gave in the stage under way.

    Args:
        entry: of bench.toml.
    """

    def __init__(self, entry: ChannelEntry) -> None:
        self.entry = entry
        self.acquisition = Acquisition(entry)
        self.channel: ChannelRecord | None = None
        """As calibrated now, or as the open run has it; None without a calibration."""
        self.heard = 0
        """Tick of the newest event of its line."""
        self.recent: deque[Sample] = deque(maxlen=4096)
        self.samples = Samples()
        self.gaps: list[Gap] = []
        self.rejected_lines = 0

    def take(self, event: LineEvent) -> Taken:
        """Take one event of its line."""
        taken = self.acquisition.take(event)
        self.heard = max(self.heard, to_ticks(event.at_s))
        self.recent.extend(taken.samples)
        self.acquisition.silent_since(self.heard)
        return taken

    def keep(self, taken: Taken, run_since: int, *, in_stage: bool) -> tuple[list[Sample], list[Gap]]:
        """What it gave, on the ticks of the run; gaps only within a stage."""
        samples = [sample.on(run_since) for sample in taken.samples]
        gaps = [on_run(gap, run_since) for gap in taken.gaps] if in_stage else []
        if in_stage:
            for sample in samples:
                self.samples.append(sample)
            self.gaps.extend(gaps)
            self.rejected_lines += len(taken.rejected)
        return samples, gaps

    def begin(self) -> None:
        """A stage begins."""
        self.samples, self.gaps, self.rejected_lines = Samples(), [], 0

    @property
    def is_silent(self) -> bool:
        """Whether there is no usable reading now; judged in the order of its own line."""
        return self.acquisition.newest is None or self.acquisition.silent_since(self.heard) is not None

    @property
    def silent_for(self) -> int:
        """How long ago the newest usable reading was [ticks], in the order of its own line."""
        newest = self.acquisition.newest
        return self.heard if newest is None else self.heard - newest.at

    def trace(self) -> Trace:
        """All samples of the stage."""
        return self.samples.trace(gaps=tuple(self.gaps))

    def record(self) -> BesideTrace:
        """What the record of the stage says of it."""
        trace = self.trace()
        return BesideTrace(
            tag=self.entry.tag,
            gaps=trace.gaps,
            rejected_lines=self.rejected_lines,
            trace=TraceReference(samples=len(trace), sha256=trace.sha256()),
        )


class Beside:
    """All of them, and the cross-checks.

    Args:
        bench: its channels and what is compared.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.channels = tuple(Companion(entry) for entry in bench.beside)
        self._comparisons: tuple[Comparison, ...] = ()
        self._run = ""
        """Whose ticks the comparisons are on."""
        self._held_since: int | None = None
        """Since when another channel alone reads pressure in this stage's release, and whether that was said."""
        self._held_said = False

    def __iter__(self) -> Iterator[Companion]:
        return iter(self.channels)

    def read_register(self, store: CalibrationRegister, at: datetime) -> None:
        """Take calibrations and gauge checks as they stand now."""
        for one in self:
            serial = one.entry.serial
            one.channel = channel_of(one.entry, store.calibrations_of(serial), store.gauge_checks_of(serial), at)
            one.acquisition.calibrated(one.channel)

    def let_pass(self, now: int, longest: int) -> None:
        """Take a channel for silent whose line has not even said that it is quiet: whoever reads it is gone [ticks]."""
        for one in self:
            if now - one.heard > longest:
                one.heard = now

    # A run ---------------------------------------------------------------------------------------

    def opening(self, requirements: Requirements, at: datetime) -> tuple[BesideRecord, ...]:
        """What a run begins with; each channel is held to what the deciding one is held to.

        Raises:
            BenchError: one cannot be used; the sentence names its tag.
        """
        return tuple(self._opened(one, requirements, at) for one in self)

    def _opened(self, one: Companion, requirements: Requirements, at: datetime) -> BesideRecord:
        channel = readiness.calibrated(one.entry, one.channel, at.date())
        readiness.check_in_date(channel, at.date())
        if one.entry.tag in self._compared:
            readiness.check_covers(channel, requirements)
        readiness.check_second_gauge(channel, one.entry.gauge_check_every_h, at)
        if one.is_silent:
            raise NoReadingError(one.entry.tag, one.acquisition.why_silent)
        zero = readiness.zero_check(tuple(one.recent), one.heard, channel, requirements)
        checked = channel.with_zero(zero.mean_millicounts)
        return BesideRecord(channel=checked, zero_check=zero.model_copy(update={"at": 0}))

    @property
    def _compared(self) -> set[str]:
        """Tags of all channels that are compared, the deciding one's perhaps among them."""
        return {tag for check in self._bench.cross_check for tag in check.channels}

    def begin(self, run: RunRecord, fluid: str = "water") -> None:
        """A run begins, or a stage of it: what is compared from now on."""
        for one, record in zip(self, run.beside, strict=True):
            one.channel = record.channel
        pairs = pairs_of(run, fluid)
        if run.run != self._run or pairs != tuple(comparison.pair for comparison in self._comparisons):
            self._run, self._comparisons = run.run, tuple(Comparison(pair) for pair in pairs)

    # A stage -------------------------------------------------------------------------------------

    def begin_stage(self, run: RunRecord, required: StageRequirement) -> None:
        """A stage begins.

        Raises:
            NoReadingError: a channel that is compared gives no reading.
            ChannelsDisagreeError: two of them disagree.
            PressureNotReleasedError: one of them still reads pressure.
        """
        for one in self:
            if one.entry.tag in self._compared and one.is_silent:
                raise NoReadingError(one.entry.tag, one.acquisition.why_silent)
        if sentence := self.disagreement:
            raise ChannelsDisagreeError(sentence)
        self.begin(run, required.fluid)
        if found := self.under_pressure(required):
            raise PressureNotReleasedError(found, required.safe_below.text(1))
        self._held_since, self._held_said = None, False
        for one in self:
            one.begin()

    def compare(self, tag: str, samples: Sequence[Sample]) -> None:
        """Hold readings, on the ticks of the run, against those of the other channels."""
        for comparison in self._comparisons:
            for which, channel in enumerate(comparison.pair.channels):
                if channel.tag == tag:
                    for sample in samples:
                        comparison.take(which, sample)

    def compare_anew(self) -> None:
        """A channel was silent for too long: what it read before is nothing to compare with."""
        self._comparisons = tuple(Comparison(comparison.pair) for comparison in self._comparisons)

    @property
    def disagreement(self) -> str:
        """A disagreement that has lasted, without its stop; empty where all agree."""
        return next((found.sentence for found in self._comparisons if found.sentence), "")

    def silent(self, longest: int) -> str:
        """Tag of a channel that is compared and silent for longer than so many ticks; empty where there is none."""
        return next((one.entry.tag for one in self if one.entry.tag in self._compared and one.silent_for > longest), "")

    def under_pressure(self, required: StageRequirement) -> str:
        """What a channel that is compared still reads above the safe limit; empty where none does."""
        for one in self:
            newest = one.acquisition.newest
            if one.channel is None or newest is None or one.entry.tag not in self._compared or one.is_silent:
                continue
            scale = one.channel.scale.for_fluid(required.fluid)
            if newest.counts > scale.most_counts(required.safe_below):
                return f"{scale.pressure(newest.counts).text(1)} ({one.entry.tag})"
        return ""

    def pressure_elsewhere(self, rules: Stage, state: StageState, sample: Sample) -> tuple[bool, list[Happening]]:
        """Whether a compared channel reads pressure where the deciding one reads none; said once it has lasted."""
        if not self._comparisons or sample.counts > rules.thresholds.safe:
            return False, []
        found = self.under_pressure(rules.requirement)
        if not found or state.phase not in _RELEASING:
            return bool(found), []
        if self._held_since is None:
            self._held_since = sample.at
        if self._held_said or sample.at - self._held_since < to_ticks(SAID_AFTER_S):
            return True, []
        self._held_said = True
        said = f"There are still {found}: the pressure is not released."
        return True, [Happening(sample.at, "still under pressure", said)]

    def traces(self) -> tuple[Trace, ...]:
        """The samples of the stage under way."""
        return tuple(one.trace() for one in self)

    def records(self) -> tuple[BesideTrace, ...]:
        """What the record of the stage says of each."""
        return tuple(one.record() for one in self)
