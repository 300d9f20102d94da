"""One calibration on one page: identity, result, residual plot, points, and the budget where U is largest."""

from datetime import UTC, datetime
from fractions import Fraction
from typing import TYPE_CHECKING

from testbench.certificate.blocks import facts_block, section
from testbench.certificate.data import layout
from testbench.certificate.evidence import Fact
from testbench.certificate.figures import decimals_of, written, written_up
from testbench.certificate.languages import Words, words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.certificate.residual_plot import residual_drawing
from testbench.metrology.uncertainty import expanded_text
from testbench.station.bench import Works
from testbench.station.calibrations import CalibratedPoint
from testbench.station.register import AsFound

if TYPE_CHECKING:
    from testbench.station.register import Assessment

ROW = 9.6
PLOT_HIGHEST, PLOT_LOWEST = 250.0, 120.0
MOST_LEVELS = 21
"""More pressures than this do not fit beside plot and budget; the table then shows evenly chosen ones."""


def sheet_pdf(found: "Assessment", works: Works, paper: str) -> bytes:
    """Draw a calibration sheet.

    Args:
        found: the calibration and what follows from it.
        works: the letterhead.
        paper: ``"A4"`` or ``"Letter"``.

    Returns:
        A PDF of one page, not signed; the same bytes for the same content.

    Raises:
        GlyphMissingError: a text holds a character that cannot be printed.
    """
    entered = datetime.fromisoformat(found.report.entered_at)
    pen, say = Pen(layout(), paper, entered.astimezone(UTC)), words()
    number = found.report.certificate_number
    pen.canvas.setTitle(f"{say('calibration.title')} {number}")
    pen.canvas.setAuthor(works.name)
    top = _head(pen, works, number, say)
    top = _identity(pen, found, say, top)
    room = top - pen.bottom - _table_height(_chosen(found)) - _budget_height(found) - 46
    height = max(PLOT_LOWEST, min(PLOT_HIGHEST, room))
    top = _plot(pen, found, say, top, height)
    top = _points(pen, found, say, top)
    top = _budget(pen, found, say, top)
    pen.paragraph(pen.left, top - 4, say("calibration.how"), pen.right - pen.left, colour=pen.layout.colours.label)
    pen.canvas.showPage()
    return pen.finished()


def _head(pen: Pen, works: Works, number: str, say: Words) -> float:
    sizes = pen.layout.sizes
    title = f"{say('calibration.title')} {number}"
    size = pen.fitted(title, BOLD, sizes.title, 0.6 * (pen.right - pen.left))
    room = pen.right - pen.left - pen.width_of(title, BOLD, size) - 20
    pen.text(pen.left, pen.top - 13, works.name, STRONG, pen.fitted(works.name, STRONG, sizes.works, room))
    pen.text(pen.right, pen.top - 13, title, BOLD, size, align="right")
    pen.rule(pen.top - 20, 1.6, pen.layout.colours.ink)
    return pen.top - 26


# Facts ------------------------------------------------------------------------------------------


def _identity(pen: Pen, found: "Assessment", say: Words, top: float) -> float:
    middle = pen.left + 0.40 * (pen.right - pen.left)
    left = facts_block(
        pen,
        say("calibration.identity"),
        _stated(found, say),
        x=pen.left,
        width=middle - 14 - pen.left,
        label_width=66.0,
    )
    right = facts_block(
        pen, say("calibration.result"), _result(found, say), x=middle, width=pen.right - middle, label_width=62.0
    )
    left.draw(top)
    right.draw(top)
    return top - max(left.height, right.height) - 6


def _stated(found: "Assessment", say: Words) -> tuple[Fact, ...]:
    report = found.report
    entered = say("calibration.entered_by", who=report.entered_by, on=report.entered_on)
    if report.correction:
        entered += say("calibration.corrected", why=report.correction)
    values = {
        "channel": report.channel,
        "serial": report.serial,
        "laboratory": report.laboratory,
        "calibrated": say("calibration.dates", calibrated=report.calibrated_on, due=report.due_on),
        "reference_instrument": report.reference_instrument,
        "environment": report.environment or say("calibration.not_stated"),
        "tolerance": say("calibration.not_stated") if report.tolerance is None else f"± {report.tolerance}",
        "entered": entered,
    }
    return tuple(Fact(say(f"calibration.{key}"), value) for key, value in values.items())


def _result(found: "Assessment", say: Words) -> tuple[Fact, ...]:
    calibrated, unit = found.calibrated, found.report.unit
    line, curve = calibrated.fit.line, calibrated.curve
    largest = _largest(found)
    written = {"constant": _number(curve.constant, 6), "linear": f"{curve.linear:.8g}", "unit": unit}
    shape = (
        say("calibration.curve_value", **written, square=_number(curve.square, 4))
        if calibrated.bent
        else say("calibration.line_value", **written)
    )
    values = {
        "curve": shape,
        "fit": say(
            "calibration.fit_value", n=line.n, sd=_number(line.residual_sd), unit=unit, dof=line.dof,
            u_slope=_number(line.u_slope),
        ),
        "zero": _zero(calibrated.fit.zero_deviation, unit, say),
        "largest": say(
            "calibration.largest_value", u=expanded_text(largest.uncertainty_in_run), unit=unit,
            at=f"{largest.result.reference:g}", k=f"{largest.result.budget.coverage_factor():.2f}",
        ),
        "drift": _drift(found, say),
        "as_found": say("calibration.not_stated") if found.as_found is None else _came(found.as_found, unit, say),
    }  # fmt: skip
    return tuple(Fact(say(f"calibration.{key}"), value) for key, value in values.items())


def _zero(width: float | None, unit: str, say: Words) -> str:
    if width is None:
        return say("calibration.not_seen")
    return say("calibration.zero_value", width=_number(width), unit=unit)


def _drift(found: "Assessment", say: Words) -> str:
    if not found.changes or found.old is None:
        return say("calibration.drift_unknown")
    worst = max(found.changes, key=lambda one: abs(one.drift) / one.allowed)
    return say(
        "calibration.drift_value", drift=_number(worst.drift), unit=found.report.unit, at=f"{worst.reference:g}",
        previous=found.old.certificate_number, allowed=_number(worst.allowed),
    )  # fmt: skip


def _came(came: AsFound, unit: str, say: Words) -> str:
    worst = came.worst
    facts = {"error": _number(worst.error), "unit": unit, "at": f"{worst.reference:g}"}
    if worst.allowed is None:
        return say("calibration.as_found_not_judged", **facts)
    verdict = "calibration.as_found_passed" if came.passed else "calibration.as_found_failed"
    return say(verdict, **facts, allowed=_number(worst.allowed))


# Plot, points, budget ---------------------------------------------------------------------------


def _plot(pen: Pen, found: "Assessment", say: Words, top: float, height: float) -> float:
    from reportlab.graphics import renderPDF

    section(pen, say("calibration.plot"), pen.left, pen.right, top)
    drawing = residual_drawing(found, pen.right - pen.left, height - 14, pen.layout, say)
    renderPDF.draw(drawing, pen.canvas, pen.left, top - height)
    return top - height - 6


POINT_COLUMNS = ("reference", "deviation", "repeatability", "hysteresis", "u", "k", "in_run", "u_in_run")


def _points(pen: Pen, found: "Assessment", say: Words, top: float) -> float:
    section(pen, say("calibration.points", unit=found.report.unit), pen.left, pen.right, top)
    edges = [
        pen.left + (index + 1) / len(POINT_COLUMNS) * (pen.right - pen.left) for index in range(len(POINT_COLUMNS))
    ]
    y = top - 21
    _row(pen, edges, [say(f"calibration.{name}") for name in POINT_COLUMNS], y, quiet=True)
    smallest = min(point.result.expanded_uncertainty for point in found.calibrated.points)
    decimals = decimals_of(Fraction(smallest))
    for point in _chosen(found):
        y -= ROW
        _row(pen, edges, _cells(point, say, decimals), y)
    return y - 8


def _cells(point: CalibratedPoint, say: Words, decimals: int) -> list[str]:
    result = point.result
    widths = (result.repeatability, result.hysteresis)
    return [
        f"{result.reference:g}",
        _fixed(point.deviation, decimals),
        *(say("calibration.not_seen") if width is None else _fixed(width, decimals) for width in widths),
        written_up(Fraction(result.expanded_uncertainty), decimals),
        f"{result.budget.coverage_factor():.2f}",
        _fixed(point.deviation_in_run, decimals),
        written_up(Fraction(point.uncertainty_in_run), decimals),
    ]


def _budget(pen: Pen, found: "Assessment", say: Words, top: float) -> float:
    largest, unit = _largest(found), found.report.unit
    budget = largest.result.budget
    heading = say("calibration.budget", at=f"{largest.result.reference:g}", unit=unit)
    section(pen, heading, pen.left, pen.right, top)
    width = pen.right - pen.left
    edges = [pen.left + share * width for share in (0.0, 0.5, 0.66, 0.85, 1.0)]
    y = top - 21
    names = (
        say("calibration.standard", unit=unit),
        *(say(f"calibration.{key}") for key in ("sensitivity", "dof", "share")),
    )
    pen.text(
        pen.left, y, say("calibration.component"), REGULAR, pen.layout.sizes.small, colour=pen.layout.colours.label
    )
    _row(pen, edges[1:], list(names), y, quiet=True)
    for component in budget.components:
        y -= ROW
        pen.text(pen.left, y, component.name, REGULAR, 8)
        cells = [_number(component.standard_uncertainty), f"{component.sensitivity:g}", _dof(component.dof, say)]
        _row(pen, edges[1:], [*cells, f"{100 * budget.share(component):.1f} %"], y)
    y -= ROW + 2
    pen.text(pen.left, y, say("calibration.combined"), STRONG, 8)
    _row(pen, edges[1:3], [_number(budget.combined), ""], y)
    _row(pen, edges[3:4], [_dof(budget.effective_dof, say)], y)
    y -= ROW
    total = say(
        "calibration.expanded", u=expanded_text(budget.expanded()), unit=unit, k=f"{budget.coverage_factor():.2f}"
    )
    pen.text(pen.left, y, total, STRONG, 8)
    return y - 4


def _row(pen: Pen, edges: list[float], cells: list[str], y: float, *, quiet: bool = False) -> None:
    size, colour = (pen.layout.sizes.small, pen.layout.colours.label) if quiet else (8.0, None)
    for x, text in zip(edges, cells, strict=True):
        pen.text(x, y, text, REGULAR, size, colour=colour, align="right")


def _chosen(found: "Assessment") -> list[CalibratedPoint]:
    """Every calibrated pressure, or evenly chosen ones with both ends and the largest U."""
    points = found.calibrated.points
    if len(points) <= MOST_LEVELS:
        return list(points)
    step = (len(points) - 1) / (MOST_LEVELS - 2)
    kept = {round(index * step) for index in range(MOST_LEVELS - 1)} | {points.index(_largest(found))}
    return [points[index] for index in sorted(kept)]


def _table_height(points: list[CalibratedPoint]) -> float:
    return 29 + ROW * len(points)


def _budget_height(found: "Assessment") -> float:
    return 27 + ROW * (len(_largest(found).result.budget.components) + 2)


def _largest(found: "Assessment") -> CalibratedPoint:
    return max(found.calibrated.points, key=lambda point: point.uncertainty_in_run)


def _number(value: float, digits: int = 3) -> str:
    """For reading, with a true minus."""
    return f"{value:.{digits}g}".replace("-", "−")


def _fixed(value: float, decimals: int) -> str:
    return written(Fraction(value), decimals)


def _dof(dof: float, say: Words) -> str:
    return say("calibration.infinite") if dof == float("inf") else f"{dof:.4g}"
