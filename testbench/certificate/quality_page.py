"""Yields, Pareto lists and control charts as a file: a page of PDF or an SVG picture. They are not signed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal
from xml.sax.saxutils import escape

from testbench.certificate.data import layout
from testbench.certificate.history_words import history_words
from testbench.certificate.languages import Words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.certificate.quality_drawings import (
    MOST_ROWS,
    control_drawing,
    pareto_drawing,
    study_drawing,
    yields_drawing,
)
from testbench.certificate.residual_plot import SVG_FACES

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing

    from testbench.metrology.gauge_study import GaugeStudy
    from testbench.run.quality import Control, ReasonLine
    from testbench.run.yields import Yield


@dataclass(frozen=True, slots=True)
class Printed:
    """What every such page says of itself."""

    asked: str
    """Which runs, in words."""
    works: str
    at: datetime
    form: Literal["pdf", "svg"]


WIDTH = 535.0
CHART_HEIGHT = 330.0
MOST_SIGNALS = 16


def yields_drawn(found: "Sequence[Yield]", everything: "Yield", by: str, printed: Printed) -> bytes:
    """First-pass yields as PDF or SVG."""
    say, exact = history_words(), everything.clopper_pearson
    told = [say("quality.yield_how", low=f"{100 * exact.low:.2f}", high=f"{100 * exact.high:.2f}")]
    if len(found) > MOST_ROWS:
        told.append(say("quality.yield_more", shown=MOST_ROWS, all=len(found)))
    drawing = yields_drawing(found, everything, WIDTH, layout(), say)
    return _Sheet(say("quality.yield_title", by=by), printed).as_(drawing, told)


def pareto_drawn(found: "Sequence[ReasonLine]", printed: Printed) -> bytes:
    """A Pareto list as PDF or SVG."""
    say = history_words()
    told = [say("quality.pareto_how")]
    if len(found) > MOST_ROWS:
        told.append(say("quality.pareto_more", shown=MOST_ROWS, all=len(found)))
    return _Sheet(say("quality.pareto_title"), printed).as_(pareto_drawing(found, WIDTH, layout(), say), told)


def control_drawn(found: "Control", what: str, printed: Printed) -> bytes:
    """A control chart as PDF or SVG."""
    say = history_words()
    told = [say("quality.chart_how", base=found.base), _capability(found, say), *_signals(found, say)]
    drawing = control_drawing(found, WIDTH, CHART_HEIGHT, layout(), say)
    return _Sheet(say("quality.chart_title", what=what), printed).as_(drawing, told)


def study_drawn(study: "GaugeStudy", unit: str, tolerance: float | None, printed: Printed) -> bytes:
    """A gauge study as PDF or SVG.

    Args:
        study: worked out.
        unit: of its values.
        tolerance: its width in that unit; None where none is stated.
        printed: what the page says of itself.
    """
    say, anova = history_words(), study.anova
    told = [
        say("quality.study_how", parts=anova.parts, operators=anova.operators, trials=anova.trials),
        say("quality.study_pooled" if study.pooled else "quality.study_apart", p=f"{anova.interaction_p:.4f}"),
        say("quality.study_categories", ndc=study.ndc) if study.ndc is not None else say("quality.study_no_categories"),
    ]
    if tolerance is not None:
        told.append(say("quality.study_tolerance", share=f"{100 * 6 * study.gauge / tolerance:.1f}"))
    return _Sheet(say("quality.study_title"), printed).as_(study_drawing(study, unit, WIDTH, layout(), say), told)


def _capability(found: "Control", say: Words) -> str:
    if found.capability is None:
        return say("quality.no_capability", why=found.why_no_capability)
    interval = found.capability.cpk_interval()
    return say(
        "quality.capability",
        cpk=f"{found.capability.cpk:.3f}",
        upper=f"{found.capability.upper:.4g}",
        unit=found.unit,
        low=f"{interval.low:.3f}",
        high=f"{interval.high:.3f}",
        n=found.capability.n,
    )


def _signals(found: "Control", say: Words) -> list[str]:
    told = found.told
    if not told:
        return [say("quality.chart_none")]
    shown = told[-MOST_SIGNALS:]
    lines = [say("quality.chart_signals", shown=len(shown), all=len(told))]
    for point, rules in shown:
        facts = {"run": point.run, "day": point.day, "serial": point.serial, "value": f"{point.value:.4g}"}
        lines.append(say("quality.chart_signal", **facts, unit=found.unit, rules="; ".join(rules)))
    return lines


class _Sheet:
    """Title, what was asked, the drawing, and what is said of it."""

    def __init__(self, title: str, printed: Printed) -> None:
        say = history_words()
        self._title, self._at, self._form = title, printed.at.astimezone(UTC), printed.form
        self._asked = say("quality.asked", asked=printed.asked)
        self._printed = say("quality.printed", at=f"{self._at:%Y-%m-%d %H:%M}", works=printed.works)

    def as_(self, drawing: "Drawing", told: Sequence[str]) -> bytes:
        return self._svg(drawing, told) if self._form == "svg" else self._pdf(drawing, told)

    def _pdf(self, drawing: "Drawing", told: Sequence[str]) -> bytes:
        from reportlab.graphics import renderPDF

        pen = Pen(layout(), "A4", self._at)
        pen.canvas.setTitle(self._title)
        sizes = pen.layout.sizes
        pen.text(
            pen.left, pen.top - 13, self._title, BOLD, pen.fitted(self._title, BOLD, sizes.title, pen.right - pen.left)
        )
        pen.rule(pen.top - 20, 1.6, pen.layout.colours.ink)
        top = pen.top - 24
        for text, face in ((self._asked, STRONG), (self._printed, REGULAR)):
            top -= pen.paragraph(pen.left, top, text, pen.right - pen.left, face, size=sizes.body)
        top -= 10 + drawing.height
        renderPDF.draw(drawing, pen.canvas, pen.left, top)
        top -= 8
        for text in told:
            top -= pen.paragraph(pen.left, top, text, pen.right - pen.left, size=sizes.body) + 2
        pen.canvas.showPage()
        return pen.finished()

    def _svg(self, drawing: "Drawing", told: Sequence[str]) -> bytes:
        from reportlab.graphics import renderSVG

        drawn = str(renderSVG.drawToString(drawing))
        ground = '<rect width="100%" height="100%" fill="white"/>'
        about = escape(" ".join((self._asked, self._printed, *told)))
        drawn = drawn.replace("<title>...</title>", f"<title>{escape(self._title)}</title>")
        drawn = drawn.replace("<desc>...</desc>", f"<desc>{about}</desc>{ground}")
        return drawn.replace(BOLD, f"{SVG_FACES}; font-weight: bold").replace(REGULAR, SVG_FACES).encode()
