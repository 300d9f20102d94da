"""Which runs a calibration calls into question when the instrument came to it outside its tolerance."""

from dataclasses import dataclass
from datetime import date

from testbench.metrology.decision_rule import Conformity, judge_lower_limit
from testbench.procedure.stages import StageName
from testbench.quantities import Pressure
from testbench.run.leakage import BY_DECAY
from testbench.run.record import ChannelRecord, RunRecord, StageRecord, Verdict
from testbench.station.calibrations import CalibrationReport
from testbench.station.register import AsFound, Predecessor, Reports, current


@dataclass(frozen=True, slots=True)
class StageImpact:
    """An accepted stage, read again with the error that was found."""

    stage: StageName
    attempt: int
    required: Pressure
    lowest: Pressure
    """Of the hold, as it was read."""
    lowest_corrected: Pressure
    upper_limit: Pressure
    highest_corrected: Pressure
    guard_band: Pressure
    """Of the stage's decision rule, with U as the run knew it."""
    by_decay: bool
    """Whether its leakage was judged by the decay of the pressure: that is not read again here."""

    @property
    def conformity(self) -> Conformity:
        """Whether the hold reached the required pressure after all, by the rule it was judged by."""
        return judge_lower_limit(self.lowest_corrected, self.guard_band, self.required)

    @property
    def too_high(self) -> bool:
        """Whether the upper limit was exceeded unseen."""
        return self.highest_corrected > self.upper_limit

    @property
    def affected(self) -> bool:
        """Whether the acceptance cannot stand."""
        return self.too_high or self.conformity is not Conformity.CONFORMS

    @property
    def sentence(self) -> str:
        """What the hold was, what it comes to, what was required, and what follows."""
        unit, acceptance = self.required.unit, self.required + self.guard_band
        lowest, found = self.lowest.text(2, unit), self.lowest_corrected.text_beside(acceptance)
        said = f"{self.stage}: lowest {lowest}, less the error {found}, required {self.required}"
        if self.guard_band.exact:
            said += f", with the guard band {acceptance.text(2, unit)}"
        decay = "; its leakage was judged by pressure decay, which is not looked at" if self.by_decay else ""
        if self.too_high:
            highest = self.highest_corrected.text_beside(self.upper_limit)
            return f"{said}; highest {highest}, above the upper limit {self.upper_limit}: NO LONGER MET{decay}"
        return f"{said}: {_IN_WORDS[self.conformity]}{decay}"


_IN_WORDS = {
    Conformity.CONFORMS: "stands",
    Conformity.WITHIN_GUARD_BAND: "in the guard band, NOT SHOWN",
    Conformity.DOES_NOT_CONFORM: "NO LONGER MET",
}


@dataclass(frozen=True, slots=True)
class RunImpact:
    """One run with the instrument, and what the error makes of its accepted stages."""

    record: RunRecord
    document: str
    stages: tuple[StageImpact, ...]

    @property
    def affected(self) -> bool:
        """Whether its acceptance cannot stand; a run that was not accepted has none."""
        return self.record.verdict is Verdict.ACCEPTED and any(stage.affected for stage in self.stages)


def questioned(record: RunRecord, report: CalibrationReport, reports: Reports, old: Predecessor | None) -> bool:
    """Whether a run was measured with the instrument between the last good calibration and this one.

    Where nothing is known before, every run counts. Whether the instrument decided or was read beside is another
    question.
    """
    channels = (record.channel, *(one.channel for one in record.beside))
    channel = next((one for one in channels if one.serial == report.serial), None)
    if channel is None:
        return False
    later = {
        other.certificate_number
        for other in current(reports)
        if other.serial == report.serial and other.calibrated_on >= report.calibrated_on
    }
    on = date.fromisoformat(record.started[:10])
    return channel.certificate_number not in later and (old is None or on >= old.calibrated_on)


def impact_on(record: RunRecord, document: str, found: AsFound) -> RunImpact:
    """What the errors found make of a run's accepted stages."""
    stages = tuple(
        _stage(stage, found, record.channel)
        for stage in record.stages
        if stage.finding is not None and stage.finding.verdict is Verdict.ACCEPTED
    )
    return RunImpact(record, document, stages)


def _stage(stage: StageRecord, found: AsFound, channel: ChannelRecord) -> StageImpact:
    assert stage.finding is not None
    lowest, highest = stage.finding.lowest, stage.finding.highest
    return StageImpact(
        stage=stage.stage,
        attempt=stage.attempt,
        required=stage.requirement.required,
        lowest=lowest,
        lowest_corrected=lowest - found.error_in_run_at(lowest, reads_high=True),
        upper_limit=stage.requirement.upper_limit,
        highest_corrected=highest - found.error_in_run_at(highest, reads_high=False),
        guard_band=channel.guard_band(stage.requirement),
        by_decay=any(criterion.required == BY_DECAY for criterion in stage.finding.criteria),
    )
