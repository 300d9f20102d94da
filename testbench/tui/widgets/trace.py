"""The live trace: an area of eighth blocks with the limits drawn in, seen from 3 m."""

from dataclasses import dataclass

from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import CAPTION, draw, width
from testbench.tui.palette import AREA, DIM, EDGE, FAINT, GROUND, SPREAD, STRONG, WHITE, YELLOW, ink
from testbench.tui.trace_memory import Column
from testbench.tui.widgets.drawn import Drawn

EIGHTHS = " ▁▂▃▄▅▆▇█"
LIMIT_FROM_BELOW = 0.3
"""Where the limit line lies when the view is zoomed to the band round it."""
LIMIT_FROM_BELOW_FULL = 0.8
LEAST_ROWS = 3
"""In fewer rows a trace says nothing."""
SPANS = (1, 2, 5)


@dataclass(frozen=True, slots=True)
class Line:
    """A limit drawn across the trace."""

    at: float
    label: str
    name: str


@dataclass(frozen=True, slots=True)
class Trace:
    """What is drawn: columns from left to right, lines, and whether the view is zoomed."""

    columns: tuple[Column, ...]
    lines: tuple[Line, ...]
    zoomed: bool
    caption: str


@dataclass(frozen=True, slots=True)
class Scale:
    """Pressure to eighths of a cell, counted from below."""

    base: float
    per_unit: float

    def eighths(self, value: float) -> float:
        """Height of a value."""
        return (value - self.base) * self.per_unit


def scale_for(trace: Trace, rows: int) -> Scale:
    """A scale on which the first line falls into the middle of a row, where its stroke is drawn.

    Zoomed, the view spans a round number of units that holds what was seen; else it starts from zero.
    """
    if not trace.lines:
        top = max((column[1] for column in trace.columns if column), default=1.0)
        return Scale(0.0, 8 * rows / max(top * 1.1, 1.0))
    limit = trace.lines[0].at
    part = LIMIT_FROM_BELOW if trace.zoomed else LIMIT_FROM_BELOW_FULL
    row = min(rows - 1, max(0, int(rows * part)))
    height = 8 * row + 4
    if not trace.zoomed:
        return Scale(0.0, height / limit if limit > 0 else 1.0)
    above = max((column[1] - limit for column in trace.columns if column), default=1.0)
    per_unit = (8 * rows - height - 2) / _round_span(max(above, limit / 500))
    return Scale(limit - height / per_unit, per_unit)


def _round_span(at_least: float) -> float:
    power = 1e-3
    while True:
        for step in SPANS:
            if step * power >= at_least:
                return step * power
        power *= 10


class TraceView(Drawn[Trace]):
    """The area with its lines, and at the left their labels."""

    def label_columns(self) -> int:
        """Columns kept for the labels."""
        return 22 if self._large() else 9

    def plot_columns(self) -> int:
        """How many columns the trace itself has."""
        return max(1, self.size.width - self.label_columns() - 1)

    def _large(self) -> bool:
        return self.size.width >= 110 and self.size.height >= 6

    def paint(self, canvas: Canvas) -> None:
        """Draw area, lines and labels."""
        rows = canvas.height
        if rows < LEAST_ROWS or not (self.value.lines or self.value.columns):
            return
        scale = scale_for(self.value, rows)
        left = self.label_columns()
        canvas.fill(left, 0, canvas.width - left, rows, ink(WHITE, GROUND))
        for x, column in enumerate(self.value.columns[: canvas.width - left]):
            if column is not None:
                self._column(canvas, left + x, scale.eighths(column[0]), scale.eighths(column[1]))
        taken: list[int] = []
        for line in self.value.lines:
            self._line(canvas, left, line, scale, taken)
        canvas.put(canvas.width - len(self.value.caption) - 1, 0, self.value.caption, FAINT)

    @staticmethod
    def _column(canvas: Canvas, x: int, low: float, high: float) -> None:
        """Solid up to the smallest value of the column, lighter from there to the largest."""
        for row in range(canvas.height):
            y = canvas.height - 1 - row
            solid, spread = _part(low, row), _part(high, row)
            if 0 < solid < 8 and spread == 8:
                canvas.put(x, y, EIGHTHS[solid], ink(AREA, SPREAD))
            elif solid:
                # Both ends in one cell: a cell has two colours only, so the peak is drawn and the dip is not.
                canvas.put(x, y, EIGHTHS[max(solid, spread)], ink(AREA, GROUND))
            elif spread:
                canvas.put(x, y, EIGHTHS[spread], ink(SPREAD, GROUND))

    def _line(self, canvas: Canvas, left: int, line: Line, scale: Scale, taken: list[int]) -> None:
        row = int(scale.eighths(line.at) // 8)
        if not 0 <= row < canvas.height:
            return
        y = canvas.height - 1 - row
        for x, column in enumerate([*self.value.columns, *[None] * canvas.width][: canvas.width - left]):
            filled = column is not None and _filled(column, scale, row)
            canvas.put(left + x, y, "━" if x % 2 == 0 or line.name == "limit" else " ",
                       ink(YELLOW if line.name == "limit" else DIM, AREA if filled else GROUND))  # fmt: skip
        if all(abs(y - other) >= (4 if self._large() else 2) for other in taken):
            taken.append(y)
            self._label(canvas, left, line, y)

    def _label(self, canvas: Canvas, left: int, line: Line, y: int) -> None:
        if self._large() and width(line.label, CAPTION) <= left - 3:
            top = min(max(y - 1, 0), canvas.height - 3)
            canvas.block(left - 2 - width(line.label, CAPTION), top, draw(line.label, CAPTION), STRONG)
            canvas.put(0, y, line.name[: left - 3 - width(line.label, CAPTION)], FAINT)
        else:
            canvas.put(left - 1 - len(line.label), y, line.label, STRONG)
        canvas.put(left - 1, y, "┝", ink(EDGE, GROUND))


def _part(level: float, row: int) -> int:
    return max(0, min(8, round(level) - 8 * row))


def _filled(column: tuple[float, float], scale: Scale, row: int) -> bool:
    return scale.eighths(column[0]) >= 8 * row + 4
