"""The verdict of a run across the screen: a shape, a word, a fill; and whose it is."""

from testbench.station.review_models import RunPage
from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import CAPTION, WORD, draw, largest, width
from testbench.tui.palette import BLACK, SKY, VERMILLION, WHITE, ink
from testbench.tui.shapes import shape
from testbench.tui.widgets.drawn import Drawn

SHAPE_COLUMNS = 12
LOOKS = {
    "accepted": ("accepted", SKY),
    "rejected": ("rejected", VERMILLION),
    "inconclusive": ("undecided", WHITE),
    "void": ("void", VERMILLION),
}


class VerdictBand(Drawn[RunPage]):
    """Run, serial number and order at the right, each whole on a narrow terminal; below, how it is decided again."""

    def paint(self, canvas: Canvas) -> None:
        """Draw it."""
        page = self.value
        name, fill = LOOKS[page.verdict]
        style = ink(BLACK, fill, bold=True)
        canvas.fill(0, 0, canvas.width, canvas.height, style)
        facts = (
            f"{page.run}{' SPECIMEN' if page.specimen else ''}",
            f"{page.serial}   {page.valve}",
            f"order {page.order}",
            f"Decided again: {'the same' if page.again.same else 'DIFFERS'}",
        )
        beside = max(map(len, facts)) + 2
        size = largest(page.verdict, canvas.width - SHAPE_COLUMNS - beside, WORD.rows, (WORD, CAPTION)) or CAPTION
        canvas.block(2, 0, shape(name), style)
        canvas.block(SHAPE_COLUMNS + 1, size is CAPTION, draw(page.verdict, size), style)
        left = max(SHAPE_COLUMNS + 3 + width(page.verdict, size), canvas.width - beside)
        canvas.block(left, 0, [fact[: max(0, canvas.width - left)] for fact in facts], style)
