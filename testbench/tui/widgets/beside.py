"""What stands beside the pressure: the time left, how steady it is, or which valve it is."""

from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import BIG, CAPTION, WORD, draw, largest
from testbench.tui.lines import wrapped
from testbench.tui.palette import FAINT, STRONG
from testbench.tui.widgets.drawn import Drawn
from testbench.tui.widgets.pressure import caption
from testbench.tui.words import Beside


class BesidePressure(Drawn[Beside]):
    """Caption, a number or a name, and a line of detail."""

    def paint(self, canvas: Canvas) -> None:
        """Draw the caption above the number."""
        found = self.value
        top = caption(canvas, found.caption) if found.caption else 0
        size = largest(found.number, canvas.width - 2, canvas.height - top, (BIG, WORD, CAPTION))
        if size is not None and found.number:
            canvas.block(1, top, draw(found.number, size, lowered=size is CAPTION), STRONG)
        elif found.number:
            canvas.put(1, top, found.number, STRONG)
        below = top + (size.rows if size else 1) if found.number else top
        lines = wrapped(found.detail, canvas.width - 2)
        if not found.caption:
            canvas.block(1, below + (1 if canvas.height > 8 else 0), lines, STRONG)
        else:
            canvas.block(1, max(below, canvas.height - len(lines)), lines, FAINT)
