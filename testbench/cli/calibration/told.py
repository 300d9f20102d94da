"""What follows from a calibration, as facts and as lines; and the register that the commands read."""

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.measure.budget import number
from testbench.cli.measure.calibration import curvature, point_facts, quadratic_facts, zero_in_words
from testbench.cli.output import home_of
from testbench.metrology.uncertainty import expanded_text
from testbench.station.register import AsFound, Assessment, assess, find, in_force
from testbench.wiring import Home, read_store

if TYPE_CHECKING:
    from testbench.station.bench import Bench, CalibrationEntry, ChannelEntry
    from testbench.station.calibrations import CalibrationReport

day = click.DateTime(["%Y-%m-%d"])
serial_option = click.option("--serial", help="Of which instrument, where several have a certificate of this number.")
LONGEST_USUAL_YEARS = 5
"""A due date later than this after the calibration is asked about; common practice is one year."""
DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class Register:
    """A bench and its calibrations."""

    home: Home
    bench: "Bench"
    reports: "tuple[CalibrationReport, ...]"

    @classmethod
    def of(cls, folder: Path | None) -> "Register":
        """Read it beside the recorder."""
        home = Home(home_of(folder))
        bench = home.bench()
        with read_store(home) as store:
            return cls(home, bench, store.calibrations())

    def find(self, certificate: str, serial: str | None) -> "CalibrationReport | CalibrationEntry":
        """A calibration by its number: of the register, or the simple one of bench.toml."""
        return find(self.reports, self.owner_of(certificate, serial), certificate, serial)

    def owner_of(self, certificate: str, serial: str | None = None) -> "ChannelEntry":
        """The channel whose simple calibration of bench.toml has this number; else the deciding one."""
        own = [
            channel
            for channel in self.bench.pressure_channels
            if channel.calibration is not None
            and channel.calibration.certificate_number == certificate
            and serial in {None, channel.serial}
        ]
        return own[0] if own else self.bench.channel

    def assess(self, report: "CalibrationReport") -> Assessment:
        """What follows from a report."""
        return assess(report, self.reports, self.bench.channel_with(report.serial))

    def in_force(self, report: "CalibrationReport", on: date) -> bool:
        """Whether it is the one that runs measure with on a day."""
        return in_force(self.reports, report.serial, on) == report

    def nothing_else_in_force(self, channel: "ChannelEntry", on: date) -> bool:
        """Whether runs measure with a channel's simple calibration of bench.toml on a day."""
        return in_force(self.reports, channel.serial, on) is None


def today() -> date:
    """The day by the clock, UTC, as runs are dated."""
    from testbench.instruments.clocks import SystemClock

    return SystemClock().utc().date()


# Facts ------------------------------------------------------------------------------------------


def facts_of(found: Assessment, *, on: date, in_force: bool) -> dict[str, Any]:
    """Everything for JSON."""
    report, calibrated = found.report, found.calibrated
    fit, curve = calibrated.fit, calibrated.curve
    stated = report.model_dump(mode="json", exclude={"points", "as_found", "format"})
    return stated | {
        "on": str(on),
        "in_force": in_force,
        "in_date": report.calibrated_on <= on <= report.due_on,
        "curve": {"constant": curve.constant, "linear": curve.linear, "square": curve.square, "bent": calibrated.bent},
        "u_intercept": fit.line.u_intercept,
        "u_slope": fit.line.u_slope,
        "residual_sd": fit.line.residual_sd,
        "dof": fit.line.dof,
        "n": fit.line.n,
        "quadratic": quadratic_facts(fit.quadratic, report.permissible),
        "zero_deviation": fit.zero_deviation,
        "expanded_uncertainty": calibrated.for_channel.expanded_uncertainty.to(report.unit),
        "residuals": residuals(found),
        "points": [
            point_facts(point.result)
            | {
                "deviation": point.deviation,
                "error_span": point.error_span,
                "deviation_in_run": point.deviation_in_run,
                "uncertainty_in_run": point.uncertainty_in_run,
            }
            for point in calibrated.points
        ],
        "previous": None if found.old is None else found.old.certificate_number,
        "changes": [
            {"reference": one.reference, "change": one.drift, "allowed": one.allowed, "significant": one.significant}
            for one in found.changes
        ],
        "as_found": None if found.as_found is None else as_found_facts(found.as_found),
    }


def residuals(found: Assessment) -> list[dict[str, Any]]:
    """Reference less curve, point by point as taken."""
    curve = found.calibrated.curve
    return [
        {
            "reference": point.reference,
            "indication": point.indication,
            "direction": point.direction,
            "residual": point.reference - curve.at(point.indication),
        }
        for point in found.calibrated.fit.points
    ]


def as_found_facts(found: AsFound) -> dict[str, Any]:
    """The verdict before adjustment and every error."""
    return {
        "passed": found.passed,
        "points": [
            {
                "reference": point.reference,
                "error": point.error,
                "error_in_run": point.error_in_run,
                "allowed": number(point.allowed),
                "passed": point.passed,
            }
            for point in found.points
        ],
    }


# Lines ------------------------------------------------------------------------------------------


def summary(found: Assessment) -> list[str]:
    """What follows from a calibration, in a few lines."""
    report, calibrated, unit = found.report, found.calibrated, found.report.unit
    fit, points = calibrated.fit, calibrated.points
    largest = max(points, key=lambda point: point.uncertainty_in_run)
    lowest, highest = points[0].result.reference, points[-1].result.reference
    at, k = largest.result.reference, largest.result.budget.coverage_factor()
    u, off = largest.result.expanded_uncertainty, abs(largest.deviation_in_run)
    lines = [
        f"certificate {report.certificate_number}, {report.laboratory}; {report.channel}, serial {report.serial}",
        f"calibrated  {report.calibrated_on}, due {report.due_on}; reference: {report.reference_instrument}",
        f"range       {lowest:g} to {highest:g} {unit}, {fit.line.n} points at {len(points)} pressures",
        f"curve       {curve_in_words(found)}",
        f"curvature   {curvature(quadratic_facts(fit.quadratic, report.permissible), unit)}",
        f"residuals   SD {fit.line.residual_sd:.4g} {unit} beside the line, {fit.line.dof} degrees of freedom",
        f"zero        {zero_in_words(fit.zero_deviation, unit)}",
        f"U in a run  {expanded_text(largest.uncertainty_in_run)} {unit} at most (95 %, k = {k:.2f}), at {at:g} {unit}",
        f"            {off:.4g} deviation from the zero that a run takes at atmosphere, and U {expanded_text(u)}",
    ]
    return [*lines, *_changed(found), *_came(found)]


def notes(report: "CalibrationReport", serial: str, on: date) -> list[str]:
    """What somebody who enters a calibration should look at again.

    Args:
        report: as it is entered.
        serial: of this bench's transmitter.
        on: today.
    """
    said = []
    if report.serial != serial:
        said.append(f"{report.serial} is not this bench's transmitter ({serial}); nothing on this bench changes.")
    if report.due_on < on:
        said.append(f"It is overdue: it was due on {report.due_on}, and no run starts on it.")
    years = (report.due_on - report.calibrated_on).days / DAYS_A_YEAR
    if years > LONGEST_USUAL_YEARS:
        said.append(
            f"It is due {years:.1f} years after the calibration, more than {LONGEST_USUAL_YEARS}; compare the due date "
            "with the certificate."
        )
    return said


def corrected_in_words(report: "CalibrationReport") -> str:
    """Who corrected what was entered before, when and why; or who entered it."""
    entered = f"{report.entered_on} by {report.entered_by}"
    return f"corrected {entered}: {report.correction}" if report.correction else f"entered {entered}"


def simple_facts(entry: "CalibrationEntry", channel: "ChannelEntry", on: date, *, in_force: bool) -> dict[str, Any]:
    """The simple calibration of bench.toml for JSON."""
    stated = entry.model_dump(mode="json") | {"channel": channel.tag, "serial": channel.serial, "source": "bench.toml"}
    in_date = entry.calibrated_on <= on <= entry.due_on
    return stated | {"on": str(on), "in_force": in_force, "in_date": in_date}


def simple_lines(entry: "CalibrationEntry", channel: "ChannelEntry") -> list[str]:
    """The simple calibration of bench.toml, in a few lines."""
    return [
        f"certificate {entry.certificate_number}, {entry.laboratory}; {channel.tag}, serial {channel.serial}",
        f"calibrated  {entry.calibrated_on}, due {entry.due_on}",
        f"range       {entry.lowest} to {entry.highest}",
        f"U in a run  {entry.expanded_uncertainty} over the whole range (k = 2)",
        "entered     in bench.toml, without points: no curve, no budget, no drift",
    ]


def curve_in_words(found: Assessment) -> str:
    """The curve that runs use."""
    curve, unit = found.calibrated.curve, found.report.unit
    bend = f" + {curve.square:.6g}·indication²" if found.calibrated.bent else ""
    return (
        f"{unit} = {curve.constant:.6g} + {curve.linear:.9g}·indication{bend}; a run takes its own zero at atmosphere"
    )


def _changed(found: Assessment) -> list[str]:
    if found.old is None:
        return ["drift       no calibration before is known"]
    if not found.changes:
        return [f"drift       {found.old.certificate_number} of bench.toml has no points to compare"]
    worst = max(found.changes, key=lambda one: abs(one.drift) / one.allowed)
    moved = f"{worst.drift:+.4g} {found.report.unit} at {worst.reference:g} since {found.old.certificate_number}"
    seen = "more" if worst.significant else "not more"
    adjusted = ", an adjustment included" if found.report.as_found else ""
    lines = [f"drift       {moved}, {seen} than both U ({expanded_text(worst.allowed)}){adjusted}"]
    if worst.significant:
        number, days = found.report.certificate_number, (found.report.due_on - found.report.calibrated_on).days
        lines.append(
            f"            shorten the interval of {days} days; look at the runs since {found.old.calibrated_on}:"
        )
        lines.append(f"            testbench calibration impact {number}")
    return lines


def _came(found: Assessment) -> list[str]:
    came, unit = found.as_found, found.report.unit
    if came is None:
        return ["as found    not stated"]
    worst = came.worst
    error = f"error {worst.error:+.4g} {unit} at {worst.reference:g} {unit}"
    if came.passed is None:
        return [
            f"as found    not judged: {error} is the largest; neither a tolerance nor a calibration before is known"
        ]
    by = "the tolerance" if found.report.tolerance is not None else "the calibration before and U of the reference"
    verdict = "passed" if came.passed else "FAILED"
    lines = [f"as found    {verdict}: {error}, {worst.allowed:.4g} allowed by {by}"]
    if not came.passed:
        lines.append(f"            what that undoes: testbench calibration impact {found.report.certificate_number}")
    return lines


def residual_lines(found: Assessment, width: int = 41) -> list[str]:
    """The residuals as a plot of letters: u going up, d going down, ! outside the error of U."""
    rows, middle = residuals(found), width // 2
    most = max((abs(row["residual"]) for row in rows), default=0.0) or 1.0
    scale = 10 ** math.floor(math.log10(most))
    most = math.ceil(most / scale) * scale
    lines = [f"{'':>12} {-most:<+{middle}g}0{most:>+{middle}g} {found.report.unit}, reference less curve"]
    levels = sorted({row["reference"] for row in rows})
    for level in levels:
        cells = [" "] * width
        cells[middle] = "|"
        for row in rows:
            if row["reference"] == level:
                cells[middle + round(row["residual"] / most * middle)] = (row["direction"] or "o")[0]
        lines.append(f"{level:>12g} {''.join(cells)}")
    return lines
