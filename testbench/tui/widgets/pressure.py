"""The pressure in the largest type that fits; blank, and said so, where it is not known."""

from decimal import ROUND_FLOOR, Decimal

from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import BIG, CAPTION, WORD, Size, capitals, draw, width
from testbench.tui.lines import wrapped
from testbench.tui.palette import BLACK, FAINT, STRONG, VERMILLION, ink
from testbench.tui.widgets.drawn import Drawn
from testbench.tui.words import Reading


class Pressure(Drawn[Reading]):
    """Caption, number, and a line of detail for whoever stands near."""

    def paint(self, canvas: Canvas) -> None:
        """Draw the caption above the number."""
        top = caption(canvas, self.value.caption)
        if not (self.value.number or self.value.missing):
            return
        if self.value.missing:
            self._missing(canvas, top)
        else:
            text, size = fitted(self.value.number, canvas.width - 2, canvas.height - top)
            canvas.block(1, top, draw(text, size), STRONG)
        canvas.put(1, canvas.height - 1, self.value.detail[: canvas.width - 2], FAINT)

    def _missing(self, canvas: Canvas, top: int) -> None:
        """In place of the number: that there is none, for how long, and why."""
        style = ink(BLACK, VERMILLION, bold=True)
        rows = canvas.height - top - 1
        canvas.fill(1, top, canvas.width - 2, rows, style)
        size = WORD if width(self.value.missing, WORD) <= canvas.width - 4 else CAPTION
        canvas.block(3, top + (rows >= 6), draw(self.value.missing, size), style)
        for down, line in enumerate(wrapped(self.value.why, canvas.width - 6)):
            if size.rows + (rows >= 6) + down < rows:
                canvas.put(3, top + (rows >= 6) + size.rows + down, line, style)


def caption(canvas: Canvas, text: str) -> int:
    """Write a caption at the top: block type where the widget is high enough. Returns the rows taken."""
    if canvas.height >= 11:
        if width(text, CAPTION) <= canvas.width - 1:
            canvas.block(1, 0, draw(text, CAPTION, lowered=True), FAINT)
        else:
            canvas.put(1, CAPTION.rows - 1, capitals(text), FAINT)
        return CAPTION.rows + 1
    canvas.put(1, 0, capitals(text), FAINT)
    return 1


def fitted(number: str, columns: int, rows: int) -> tuple[str, Size]:
    """The number in the largest size that fits; one decimal fewer is better than small type.

    A decimal that is left out is cut off, never rounded up: 500.96 must not read 501.0 against a limit of 501.
    """
    _, point, decimals = number.partition(".")
    shorter = [number]
    if point and len(decimals) > 1:
        quantum = Decimal(1).scaleb(1 - len(decimals))
        shorter.append(str(Decimal(number).quantize(quantum, rounding=ROUND_FLOOR)))
    for size in (BIG, WORD):
        for text in shorter:
            if size.rows <= rows and width(text, size) <= columns:
                return text, size
    return number, CAPTION
