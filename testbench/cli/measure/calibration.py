"""``testbench measure calibration``."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from testbench.cli.measure.budget import budget_facts, number
from testbench.cli.output import json_option, say, say_json
from testbench.cli.tables import ANY_UNIT, read_table
from testbench.errors import FileRefusedError
from testbench.metrology.calibration_fit import CalibrationFit, KnownUncertainties, PointResult, drift, fit_calibration
from testbench.metrology.calibration_series import CalibrationPoint, Direction
from testbench.metrology.line_fit import Quadratic, fit_line

at_least_zero = click.FloatRange(min=0)


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--reference-uncertainty", "reference", type=at_least_zero, default=0.0, help="U (k = 2), unit of the reference."
)
@click.option("--reference-percent", "percent", type=at_least_zero, default=0.0, help="U (k = 2), % of the reference.")
@click.option("--resolution", type=at_least_zero, default=0.0, help="Smallest step of the indication, in its own unit.")
@click.option("--temperature-uncertainty", "temperature", type=at_least_zero, default=0.0, help="U (k = 2).")
@click.option("--head-uncertainty", "head", type=at_least_zero, default=0.0, help="U (k = 2) of the hydrostatic head.")
@click.option("--tolerance", type=click.FloatRange(min=0, min_open=True), help="To judge whether a line will do.")
@click.option("--previous", type=click.Path(path_type=Path), help="Points of the previous calibration: drift.")
@json_option
def command(
    *,
    file: Path,
    reference: float,
    percent: float,
    resolution: float,
    temperature: float,
    head: float,
    tolerance: float | None,
    previous: Path | None,
    as_json: bool,
) -> None:
    """Fit the calibration points of FILE (reference_psi,indication_psi) and state the uncertainty at each.

    reference = intercept + slope·indication. A column 'direction' (up or down) names the series; without it, complete
    series are recognized by themselves. Uncertainties are in the unit of the reference.
    """
    units, points = _read(file)
    slope = fit_line([point.indication for point in points], [point.reference for point in points]).slope
    known = KnownUncertainties(reference, resolution * abs(slope), temperature, head, percent / 100)
    fit = fit_calibration(points, known)
    facts = _facts(fit, units, tolerance)
    if previous is not None:
        facts["drift"] = _drift(fit, previous, units, known)
    if as_json:
        say_json(facts)
        return
    _tell(fit, units, facts)


def _read(file: Path) -> tuple[tuple[str, str], list[CalibrationPoint]]:
    """The units of reference and indication, and the points."""
    table = read_table(file, {"reference": ANY_UNIT, "indication": ANY_UNIT}, optional_words=("direction",))
    directions: list[Direction | None] = []
    for row, word in enumerate(table.words.get("direction", [""] * len(table))):
        if word not in {"", *Direction}:
            raise table.refuse(row, "direction", f"'{word}'", "up, down or nothing")
        directions.append(Direction(word) if word else None)
    reference, indication = table["reference"], table["indication"]
    rows = zip(reference.values, indication.values, directions, strict=True)
    return (reference.unit, indication.unit), [CalibrationPoint(float(y), float(x), way) for y, x, way in rows]


def _facts(fit: CalibrationFit, units: tuple[str, str], tolerance: float | None) -> dict[str, Any]:
    line = fit.line
    return {
        "unit": units[0],
        "indication_unit": units[1],
        "intercept": line.intercept,
        "slope": line.slope,
        "u_intercept": line.u_intercept,
        "u_slope": line.u_slope,
        "correlation": line.correlation,
        "residual_sd": line.residual_sd,
        "dof": line.dof,
        "n": line.n,
        "zero_deviation": fit.zero_deviation,
        "residuals": list(fit.residuals),
        "quadratic": quadratic_facts(fit.quadratic, tolerance),
        "points": [point_facts(result) for result in fit.results],
    }


def quadratic_facts(term: Quadratic | None, tolerance: float | None) -> dict[str, Any] | None:
    """The quadratic term, and whether a tolerance lets it be earned."""
    if term is None:
        return None
    return {
        "coefficients": list(term.coefficients),
        "significant": term.significant,
        "largest": term.largest,
        "earned": None if tolerance is None else term.earned(tolerance),
    }


def point_facts(result: PointResult) -> dict[str, Any]:
    """One calibrated value with its whole budget."""
    return {
        "reference": result.reference,
        "indication": result.indication,
        "deviation": result.deviation,
        "repeatability": result.repeatability,
        "hysteresis": result.hysteresis,
        "u_line": result.u_line,
        "standard_uncertainty": result.budget.combined,
        "coverage_factor": result.budget.coverage_factor(),
        "dof": number(result.budget.effective_dof),
        "expanded_uncertainty": result.expanded_uncertainty,
        "error_span": result.error_span,
        "components": budget_facts(result.budget),
    }


def _drift(
    fit: CalibrationFit, previous: Path, units: tuple[str, str], known: KnownUncertainties
) -> list[dict[str, float]]:
    before, points = _read(previous)
    if before != units:
        raise FileRefusedError(str(previous), "units", " and ".join(before), f"{' and '.join(units)} are needed")
    old = fit_calibration(points, known).line
    moved = drift(old, fit.line, [result.indication for result in fit.results])
    return [
        {"reference": result.reference, "drift": change, "expanded_uncertainty": result.expanded_uncertainty}
        for result, change in zip(fit.results, moved, strict=True)
    ]


def _tell(fit: CalibrationFit, units: tuple[str, str], facts: dict[str, Any]) -> None:
    line, unit = fit.line, units[0]
    say(f"line        {unit or 'reference'} = {line.intercept:.7g} + {line.slope:.9g}·{units[1] or 'indication'}")
    say(f"            u(intercept) {line.u_intercept:.3g}, u(slope) {line.u_slope:.3g}, r {line.correlation:.3f}")
    say(f"residuals   SD {line.residual_sd:.4g} {unit}, {line.dof} degrees of freedom")
    say(f"zero        {shown(fit.zero_deviation)} {unit} between series")
    say(f"curvature   {curvature(facts['quadratic'], unit)}")
    say("reference   deviation  repeatability  hysteresis  U          k     error span")
    for result in fit.results:
        say(
            f"{result.reference:<11g} {result.deviation:<+10.4f} {shown(result.repeatability):<14} "
            f"{shown(result.hysteresis):<11} {result.expanded_uncertainty:<10.4g} "
            f"{result.budget.coverage_factor():<5.2f} {result.error_span:.4g}"
        )
    _tell_drift(facts.get("drift", []), unit)


def _tell_drift(moved: Sequence[dict[str, float]], unit: str) -> None:
    for one in moved:
        known = "more" if abs(one["drift"]) > one["expanded_uncertainty"] else "not more"
        say(f"drift at {one['reference']:g} {unit}: {one['drift']:+.4g} {unit}, {known} than U")


def shown(width: float | None) -> str:
    """A width that the series may not have shown."""
    return "not seen" if width is None else f"{width:.4f}"


def curvature(term: dict[str, Any] | None, unit: str) -> str:
    """Whether the line will do, in words."""
    if term is None:
        return "too few points to see any"
    if not term["significant"]:
        return "none that is significant"
    size = f"significant, up to {term['largest']:.3g} {unit}"
    if term["earned"] is None:
        return f"{size}; name a --tolerance to judge it"
    if not term["earned"]:
        return f"{size}; below a quarter of the tolerance, the line will do"
    a, b, c = term["coefficients"]
    return f"{size}; the line will not do, use {a:.7g} + {b:.9g}·x + {c:.6g}·x²"
