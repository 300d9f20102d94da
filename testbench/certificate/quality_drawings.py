"""First-pass yields, Pareto lists and control charts as drawings: the same for an SVG file and for a page.

Nothing is told by colour alone: a point that signals is a filled diamond, the others are open discs; limits are dashed.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from testbench.certificate.axes import ticks, tidy
from testbench.certificate.data import Layout
from testbench.certificate.languages import Words
from testbench.certificate.pen import BOLD, REGULAR, printable, register_faces

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing

    from testbench.metrology.charts import Chart
    from testbench.metrology.gauge_study import GaugeStudy
    from testbench.run.quality import Control, ReasonLine
    from testbench.run.yields import Yield

ROW = 15.0
MOST_ROWS = 36
MOST_MARKS = 250
"""More points than this are drawn as a band from the lowest to the highest of each column."""
DASH = [3, 2]
LABELS, FIGURES = 0.34, 0.24
"""Shares of the width for names at the left and figures at the right, which leaves room for a wider face in SVG."""
FIGURES_FROM = 10.0


class _Canvas:
    """Shapes in the layout's colours and faces."""

    def __init__(self, width: float, height: float, look: Layout) -> None:
        from reportlab.graphics.shapes import Drawing

        register_faces(look)
        self.drawing: Drawing = Drawing(width, height)
        self.width, self.height, self.look = width, height, look
        self.small = look.sizes.small

    def colour(self, written: str) -> Any:
        from reportlab.lib.colors import HexColor

        return HexColor(written)

    def line(
        self, x0: float, y0: float, x1: float, y1: float, *, colour: str, thick: float = 0.5, dash: Any = None
    ) -> None:
        from reportlab.graphics.shapes import Line

        stroke = self.colour(colour)
        self.drawing.add(Line(x0, y0, x1, y1, strokeColor=stroke, strokeWidth=thick, strokeDashArray=dash))

    def text(
        self, x: float, y: float, text: str, anchor: Literal["start", "middle", "end"] = "start", face: str = REGULAR
    ) -> None:
        from reportlab.graphics.shapes import String

        ink, shown = self.colour(self.look.colours.ink), printable(text, self.look)
        self.drawing.add(String(x, y, shown, fontName=face, fontSize=self.small, fillColor=ink, textAnchor=anchor))

    def fitted(self, text: str, room: float, face: str = REGULAR) -> str:
        """A text cut to a width, with an ellipsis where it was cut."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        if stringWidth(text, face, self.small) <= room:
            return text
        while text and stringWidth(f"{text}…", face, self.small) > room:
            text = text[:-1]
        return f"{text}…"

    def box(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        from reportlab.graphics.shapes import Rect

        self.drawing.add(Rect(x, y, width, height, fillColor=self.colour(fill), strokeColor=self.colour(fill)))

    def disc(self, x: float, y: float, *, filled: bool) -> None:
        from reportlab.graphics.shapes import Circle

        ink = self.colour(self.look.colours.trace)
        fill = ink if filled else self.colour("#ffffff")
        self.drawing.add(Circle(x, y, 1.7, fillColor=fill, strokeColor=ink, strokeWidth=0.7))

    def diamond(self, x: float, y: float) -> None:
        from reportlab.graphics.shapes import Polygon

        ink, r = self.colour(self.look.colours.rejected), 3.6
        self.drawing.add(Polygon([x - r, y, x, y + r, x + r, y, x, y - r], fillColor=ink, strokeColor=ink))


# Rows -------------------------------------------------------------------------------------------


def yields_drawing(found: "Sequence[Yield]", everything: "Yield", width: float, look: Layout, say: Words) -> "Drawing":
    """Each group with its share and Wilson's interval, the newest ``MOST_ROWS``, and all together below."""
    shown = (*found[-MOST_ROWS:], everything)
    canvas = _Canvas(width, ROW * len(shown) + 26, look)
    left, right = LABELS * width, (1 - FIGURES) * width
    begin = min(0.9, max(0.0, min(one.wilson.low for one in shown) // 0.1 * 0.1))

    def across(share: float) -> float:
        return left + (share - begin) / (1 - begin) * (right - left)

    for tick in ticks(100 * begin, 100, 6):
        canvas.line(across(tick / 100), 14, across(tick / 100), canvas.height - 6, colour=look.colours.hairline)
        canvas.text(across(tick / 100), 4, f"{tidy(tick)} %", "middle")
    for index, one in enumerate(shown):
        y = canvas.height - 6 - ROW * (index + 0.5)
        whole = one is everything
        face = BOLD if whole else REGULAR
        if whole:
            canvas.line(0, y + ROW / 2, width, y + ROW / 2, colour=look.colours.ink, thick=0.8)
        canvas.text(0, y - 2.4, canvas.fitted(one.group, left - 8, face), face=face)
        low, high = across(one.wilson.low), across(one.wilson.high)
        canvas.line(low, y, high, y, colour=look.colours.trace, thick=1.0)
        for end in (low, high):
            canvas.line(end, y - 3, end, y + 3, colour=look.colours.trace, thick=1.0)
        canvas.disc(across(one.passed / one.tested), y, filled=True)
        row = say("quality.yield_row", passed=one.passed, tested=one.tested, percent=one.percent)
        canvas.text(right + FIGURES_FROM, y - 2.4, row, face=face)
    return canvas.drawing


def pareto_drawing(found: "Sequence[ReasonLine]", width: float, look: Layout, say: Words) -> "Drawing":
    """A bar for each reason, the longest first."""
    shown = found[:MOST_ROWS]
    canvas = _Canvas(width, ROW * len(shown) + 8, look)
    left, right = LABELS * width, (1 - FIGURES) * width
    for index, line in enumerate(shown):
        y = canvas.height - 4 - ROW * (index + 0.5)
        canvas.text(0, y - 2.4, canvas.fitted(line.reason, left - 8))
        canvas.box(left, y - 4, (right - left) * line.share / shown[0].share, 8, look.colours.trace)
        shares = {"share": f"{100 * line.share:.1f}", "cumulated": f"{100 * line.cumulated:.1f}"}
        canvas.text(right + FIGURES_FROM, y - 2.4, say("quality.pareto_row", runs=line.runs, **shares))
    return canvas.drawing


def study_drawing(study: "GaugeStudy", unit: str, width: float, look: Layout, say: Words) -> "Drawing":
    """A bar for each source of variation: its standard deviation as part of the total."""
    sources = {
        "repeatability": study.repeatability, "reproducibility": study.reproducibility, "gauge": study.gauge,
        "part": study.part,
    }  # fmt: skip
    canvas = _Canvas(width, ROW * len(sources) + 8, look)
    left, right = LABELS * width, (1 - FIGURES) * width
    for index, (name, deviation) in enumerate(sources.items()):
        y = canvas.height - 4 - ROW * (index + 0.5)
        share = study.share_of_variation(deviation)
        canvas.text(0, y - 2.4, canvas.fitted(say(f"quality.study_{name}"), left - 8))
        canvas.box(left, y - 4, (right - left) * share, 8, look.colours.trace)
        row = say("quality.study_row", deviation=f"{deviation:.4g}", unit=unit, share=f"{100 * share:.1f}")
        canvas.text(right + FIGURES_FROM, y - 2.4, row)
    return canvas.drawing


# Charts -----------------------------------------------------------------------------------------


def control_drawing(found: "Control", width: float, height: float, look: Layout, say: Words) -> "Drawing":
    """Single values above, moving ranges below, each between its limits."""
    canvas = _Canvas(width, height, look)
    below = 0.32 * height
    values = {one.index for one in found.signals}
    ranges = {one.index for one in found.range_signals}
    _Panel(canvas, found.values, values, (below + 22, height - 14), columns=len(found.points)).draw()
    canvas.text(0, height - 9, say("quality.chart_values", unit=found.unit), face=BOLD)
    _Panel(canvas, found.ranges, ranges, (18, below - 6), columns=len(found.points), shift=1).draw()
    canvas.text(0, below - 1, say("quality.chart_ranges", unit=found.unit), face=BOLD)
    days = {"first": found.points[0].day, "last": found.points[-1].day}
    canvas.text(width / 2, 4, say("quality.chart_axis", **days), "middle")
    return canvas.drawing


class _Panel:
    """One chart on its part of the drawing."""

    LEFT, RIGHT = 40.0, 74.0

    def __init__(
        self, canvas: _Canvas, chart: "Chart", signals: set[int], room: tuple[float, float], *,
        columns: int, shift: int = 0,
    ) -> None:  # fmt: skip
        self._canvas, self._chart, self._signals, self._shift = canvas, chart, signals, shift
        self._y0, self._y1 = room
        self._x0, self._x1 = self.LEFT, canvas.width - self.RIGHT
        self._columns = max(columns - 1, 1)
        least = min(*chart.points, chart.lower[0], chart.centre)
        most = max(*chart.points, chart.upper[0], chart.centre)
        spare = 0.06 * ((most - least) or 1.0)
        self._low, self._high = least - spare, most + spare

    def draw(self) -> None:
        """Frame, lines, points."""
        canvas, colours, chart = self._canvas, self._canvas.look.colours, self._chart
        for tick in ticks(self._low, self._high, 5):
            canvas.line(self._x0, self._up(tick), self._x1, self._up(tick), colour=colours.hairline)
            canvas.text(self._x0 - 4, self._up(tick) - 2.4, tidy(tick), "end")
        canvas.line(self._x0, self._y0, self._x0, self._y1, colour=colours.rule)
        if len(chart.points) > MOST_MARKS:
            self._band()
        else:
            self._points()
        for value, name, dash in (
            (chart.upper[0], "UCL", DASH),
            (chart.lower[0], "LCL", DASH),
            (chart.centre, "", None),
        ):
            y = self._up(value)
            canvas.line(self._x0, y, self._x1, y, colour=colours.ink, thick=0.8, dash=dash)
            canvas.text(self._x1 + 4, y - 2.4, f"{name} {value:.4g}".strip())
        for index in sorted(self._signals):
            canvas.diamond(self._across(index), self._up(chart.points[index]))

    def _points(self) -> None:
        from reportlab.graphics.shapes import PolyLine

        places = [(self._across(index), self._up(value)) for index, value in enumerate(self._chart.points)]
        ink = self._canvas.colour(self._canvas.look.colours.hatch)
        self._canvas.drawing.add(
            PolyLine([value for place in places for value in place], strokeColor=ink, strokeWidth=0.6)
        )
        for index, (x, y) in enumerate(places):
            if index not in self._signals:
                self._canvas.disc(x, y, filled=False)

    def _band(self) -> None:
        """One upright line for each half point of paper: from the lowest to the highest value there."""
        columns: dict[int, list[float]] = {}
        for index, value in enumerate(self._chart.points):
            columns.setdefault(round(2 * self._across(index)), []).append(value)
        for column, values in columns.items():
            y0, y1 = self._up(min(values)), self._up(max(values))
            colour = self._canvas.look.colours.hatch
            self._canvas.line(column / 2, y0 - 0.3, column / 2, y1 + 0.3, colour=colour, thick=0.6)

    def _across(self, index: int) -> float:
        return self._x0 + (index + self._shift) / self._columns * (self._x1 - self._x0)

    def _up(self, value: float) -> float:
        return self._y0 + (value - self._low) / (self._high - self._low) * (self._y1 - self._y0)
