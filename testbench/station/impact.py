"""Which runs a calibration calls into question when the instrument came to it outside its tolerance."""

from dataclasses import dataclass
from datetime import date

from testbench.procedure.stages import StageName
from testbench.quantities import Pressure
from testbench.run.record import RunRecord, StageRecord, Verdict
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

    @property
    def too_low(self) -> bool:
        """Whether the hold did not reach the required pressure after all."""
        return self.lowest_corrected < self.required

    @property
    def too_high(self) -> bool:
        """Whether the upper limit was exceeded unseen."""
        return self.highest_corrected > self.upper_limit

    @property
    def affected(self) -> bool:
        """Whether the acceptance cannot stand."""
        return self.too_low or self.too_high

    @property
    def sentence(self) -> str:
        """What the hold was, what it comes to, and what was required."""
        unit = self.required.unit
        lowest, found = self.lowest.text(2, unit), self.lowest_corrected.text_beside(self.required)
        said = f"{self.stage}: lowest {lowest}, less the error {found}, required {self.required}"
        if self.too_high:
            highest = self.highest_corrected.text_beside(self.upper_limit)
            return f"{said}; highest {highest}, above the upper limit {self.upper_limit}: NOT ACCEPTABLE"
        return f"{said}: {'NOT ACCEPTABLE' if self.too_low else 'stands'}"


@dataclass(frozen=True, slots=True)
class RunImpact:
    """One run with the instrument, and what the error makes of its accepted stages."""

    record: RunRecord
    document: str
    stages: tuple[StageImpact, ...]

    @property
    def affected(self) -> bool:
        """Whether the acceptance of a stage cannot stand."""
        return any(stage.affected for stage in self.stages)


def questioned(record: RunRecord, report: CalibrationReport, reports: Reports, old: Predecessor | None) -> bool:
    """Whether a run was measured with the instrument between the last good calibration and this one.

    Where nothing is known before, every run counts.
    """
    if record.channel.serial != report.serial:
        return False
    later = {
        other.certificate_number
        for other in current(reports)
        if other.serial == report.serial and other.calibrated_on >= report.calibrated_on
    }
    on = date.fromisoformat(record.started[:10])
    return record.channel.certificate_number not in later and (old is None or on >= old.calibrated_on)


def impact_on(record: RunRecord, document: str, found: AsFound) -> RunImpact:
    """What the errors found make of a run's accepted stages."""
    stages = tuple(
        _stage(stage, found)
        for stage in record.stages
        if stage.finding is not None and stage.finding.verdict is Verdict.ACCEPTED
    )
    return RunImpact(record, document, stages)


def _stage(stage: StageRecord, found: AsFound) -> StageImpact:
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
    )
