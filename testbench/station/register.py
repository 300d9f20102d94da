"""The register of calibrations: which one holds on a day, what changed since, how an instrument came to it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from testbench.errors import CalibrationRefusedError, CalibrationUnknownError
from testbench.metrology.calibration_fit import Curve
from testbench.procedure.valve import Value
from testbench.quantities import Pressure
from testbench.run.record import ChannelRecord, SecondGaugeCheck
from testbench.station.bench import ChannelCalibration, ChannelEntry
from testbench.station.calibrations import Calibrated, CalibrationReading, CalibrationReport, check_sheet

Reports = Sequence[CalibrationReport]


class GaugeCheck(Value):
    """A check against a second gauge as it is kept."""

    channel: str
    serial: str
    certificate_number: str
    """The calibration that was in force."""
    check: SecondGaugeCheck


# Which one holds --------------------------------------------------------------------------------


def current(reports: Reports) -> tuple[CalibrationReport, ...]:
    """The newest entry of every certificate, in the order of entry."""
    newest = {(report.serial, report.certificate_number): report for report in reports}
    return tuple(report for report in reports if newest[report.serial, report.certificate_number] is report)


def in_force(reports: Reports, serial: str, on: date) -> CalibrationReport | None:
    """The newest calibration of an instrument that was made by a day, in date or overdue; never one of the future."""
    made = [report for report in current(reports) if report.serial == serial and report.calibrated_on <= on]
    return _newest(made)


def before(reports: Reports, report: CalibrationReport) -> CalibrationReport | None:
    """The calibration of the same instrument before this one."""
    earlier = [
        other
        for other in current(reports)
        if other.serial == report.serial
        and other.certificate_number != report.certificate_number
        and other.calibrated_on < report.calibrated_on
    ]
    return _newest(earlier)


def find(reports: Reports, certificate: str) -> CalibrationReport:
    """A calibration by its certificate number.

    Raises:
        CalibrationUnknownError: the register does not hold it.
    """
    found = [report for report in current(reports) if report.certificate_number == certificate]
    if not found:
        raise CalibrationUnknownError(certificate, tuple(report.certificate_number for report in current(reports)))
    return found[-1]


def _newest(reports: Sequence[CalibrationReport]) -> CalibrationReport | None:
    # Of two of one day the one entered later; ``max`` would give the first.
    return sorted(reports, key=lambda report: report.calibrated_on)[-1] if reports else None


def check_entry(report: CalibrationReport, reports: Reports, channel: ChannelEntry) -> None:
    """Refuse a report that cannot be right, that is there already, or that this bench cannot use.

    Raises:
        CalibrationRefusedError: names the field.
    """
    check_sheet(report)
    number = report.certificate_number
    if report.calibrated_on > report.entered_on:
        found = f"{report.calibrated_on}, after the day of entry"
        raise CalibrationRefusedError(number, "calibrated_on", found, f"it is {report.entered_on} today")
    if channel.serial == report.serial and channel.unit != report.unit:
        allowed = f"channel {channel.tag} of this bench reads in {channel.unit}"
        raise CalibrationRefusedError(number, "unit", report.unit, allowed)
    known = any(old.serial == report.serial and old.certificate_number == number for old in reports)
    if known and not report.correction:
        found = f"{number}, which the register holds for {report.serial}"
        allowed = "a number is entered once; say what an entry corrects (--corrects)"
        raise CalibrationRefusedError(number, "certificate_number", found, allowed)
    if report.correction and not known:
        found, allowed = "a correction", f"the register holds no {number} of {report.serial} to correct"
        raise CalibrationRefusedError(number, "correction", found, allowed)


# What a channel has now -------------------------------------------------------------------------


def calibration_of(entry: ChannelEntry, reports: Reports, on: date) -> ChannelCalibration | None:
    """What a channel measures with on a day: the register's calibration, else bench.toml's."""
    report = in_force(reports, entry.serial, on)
    if report is not None:
        return Calibrated.of(report).for_channel
    return None if entry.calibration is None else ChannelCalibration(**dict(entry.calibration))


def channel_of(
    entry: ChannelEntry, reports: Reports, checks: Sequence[GaugeCheck], at: datetime
) -> ChannelRecord | None:
    """The channel with its calibration and its newest check against a second gauge; None without a calibration."""
    calibration = calibration_of(entry, reports, at.date())
    if calibration is None:
        return None
    return entry.record(calibration, check_in_force(checks, calibration))


def check_in_force(checks: Sequence[GaugeCheck], calibration: ChannelCalibration) -> SecondGaugeCheck | None:
    """The newest check that still says something: none from before the calibration does."""
    for kept in reversed(checks):
        made = date.fromisoformat(kept.check.at[:10])
        same = made == calibration.calibrated_on and kept.certificate_number == calibration.certificate_number
        if made > calibration.calibrated_on or same:
            return kept.check
    return None


# What changed -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """How much more one indication means than by the calibration before, in the unit of the report."""

    reference: float
    drift: float
    allowed: float
    """Root of the sum of the squares of both U: more than that is seen, not guessed."""

    @property
    def significant(self) -> bool:
        """Whether it is more than both uncertainties explain."""
        return abs(self.drift) > self.allowed


def changes(now: Calibrated, old: Calibrated) -> tuple[Change, ...]:
    """The change at every calibrated pressure; an adjustment in between is in it."""
    found = []
    for point in now.points:
        result = point.result
        moved = now.curve.at(result.indication) - old.curve.at(result.indication)
        both = float(np.hypot(result.expanded_uncertainty, old.error_span_at(result.reference)))
        found.append(Change(result.reference, moved, both))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Predecessor:
    """The calibration before, as far as it says how the instrument was read until now."""

    certificate_number: str
    calibrated_on: date
    curve: Curve
    calibrated: Calibrated | None
    """None where only bench.toml knew it, with one U."""
    uncertainty: float

    def span_at(self, pressure: float) -> float:
        """How far a reading could be off by that calibration."""
        return self.uncertainty if self.calibrated is None else self.calibrated.error_span_at(pressure)


def predecessor(report: CalibrationReport, reports: Reports, channel: ChannelEntry) -> Predecessor | None:
    """The calibration before this one: the register's, else that of bench.toml if it is of the same instrument."""
    old = before(reports, report)
    if old is not None:
        calibrated = Calibrated.of(old)
        return Predecessor(old.certificate_number, old.calibrated_on, calibrated.curve, calibrated, 0.0)
    entry = channel.calibration
    if entry is None or channel.serial != report.serial or entry.calibrated_on >= report.calibrated_on:
        return None
    uncertainty = entry.expanded_uncertainty.to(report.unit)
    return Predecessor(entry.certificate_number, entry.calibrated_on, Curve(0.0, 1.0), None, uncertainty)


@dataclass(frozen=True, slots=True)
class AsFoundPoint:
    """One reading before adjustment, through the curve that was in use until then; in the unit of the report."""

    reference: float
    error: float
    """Reading less reference."""
    error_in_run: float
    """The same with the zero taken off at atmosphere, as every run did."""
    allowed: float | None
    """None where nothing says what is allowed."""

    @property
    def passed(self) -> bool:
        """Whether the error is allowed; one that nothing limits is."""
        return self.allowed is None or abs(self.error) <= self.allowed


@dataclass(frozen=True, slots=True)
class AsFound:
    """How the instrument came to its calibration."""

    points: tuple[AsFoundPoint, ...]
    unit: str

    @property
    def passed(self) -> bool | None:
        """Whether every error was allowed; None where nothing says what is allowed."""
        return None if self.points[0].allowed is None else all(point.passed for point in self.points)

    @property
    def worst(self) -> AsFoundPoint:
        """The point with the largest error, measured by what is allowed where that is known."""
        return max(self.points, key=lambda point: abs(point.error) / (point.allowed or 1.0))

    def error_in_run_at(self, pressure: Pressure, *, reads_high: bool) -> Pressure:
        """What a run's reading was off by; of several visits to a pressure the worst.

        Args:
            pressure: as the run read it; between two points the error lies on a line, beyond them it is the last one.
            reads_high: whether the worst is the reading that was most too high, or most too low.
        """
        worst: dict[float, float] = {}
        pick = max if reads_high else min
        for point in self.points:
            worst[point.reference] = pick(point.error_in_run, worst.get(point.reference, point.error_in_run))
        levels = sorted(worst)
        read, errors = [level + worst[level] for level in levels], [worst[level] for level in levels]
        return Pressure.of(f"{np.interp(pressure.to(self.unit), read, errors):.9f}", self.unit)


def as_found_of(report: CalibrationReport, old: Predecessor | None) -> AsFound | None:
    """Judge the readings before adjustment: by the tolerance, else by what the calibration before promised.

    Returns:
        None where the certificate has no such readings.
    """
    if not report.as_found:
        return None
    curve = Curve(0.0, 1.0) if old is None else old.curve
    zeros = [curve.at(float(reading.indication)) for reading in report.as_found if float(reading.reference) == 0.0]
    zero = sum(zeros) / len(zeros)
    points = []
    for reading in report.as_found:
        reference, read = float(reading.reference), curve.at(float(reading.indication))
        points.append(
            AsFoundPoint(reference, read - reference, read - zero - reference, _allowed(report, old, reading))
        )
    return AsFound(tuple(points), report.unit)


def _allowed(report: CalibrationReport, old: Predecessor | None, reading: CalibrationReading) -> float | None:
    if report.permissible is not None or old is None:
        return report.permissible
    reference = float(reading.reference)
    u_reference = 2 * report.known.components(reference)[0].standard_uncertainty
    return old.span_at(reference) + u_reference


@dataclass(frozen=True, slots=True)
class Assessment:
    """A calibration with all that the register makes of it."""

    report: CalibrationReport
    calibrated: Calibrated
    old: Predecessor | None
    changes: tuple[Change, ...]
    """Empty where the register holds no calibration before."""
    as_found: AsFound | None


def assess(report: CalibrationReport, reports: Reports, channel: ChannelEntry) -> Assessment:
    """Fit a calibration and compare it with the one before.

    Args:
        report: it need not be in the register yet.
        reports: the register.
        channel: of bench.toml; its simple entry may be the calibration before.
    """
    calibrated, old = Calibrated.of(report), predecessor(report, reports, channel)
    changed = () if old is None or old.calibrated is None else changes(calibrated, old.calibrated)
    return Assessment(report, calibrated, old, changed, as_found_of(report, old))
