"""The PIN as large dots, and above it whose it is and what is signed with it."""

from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import CAPTION, draw
from testbench.tui.lines import wrapped
from testbench.tui.palette import FAINT, PLAIN, STRONG
from testbench.tui.pin import PinEntry
from testbench.tui.widgets.drawn import Drawn

DOT, BESIDE = 4, 7
"""Columns of a dot, and from one to the next."""


class PinDots(Drawn[PinEntry]):
    """Shows how many digits were typed, never which."""

    def paint(self, canvas: Canvas) -> None:
        """Draw question, statement and dots."""
        entry = self.value
        question = f"PIN of {entry.operator}?"
        large = canvas.width >= 100 and canvas.height >= 10
        if large:
            canvas.block(1, 0, draw(question, CAPTION), FAINT)
        else:
            canvas.put(1, 0, question, STRONG)
        top = CAPTION.rows if large else 1
        said = wrapped(f"You sign: {entry.statement}", canvas.width - 2) if entry.statement else []
        canvas.block(1, top, said, PLAIN)
        top += len(said) + (1 if large else 0)
        rows = 2 if canvas.height - top >= 4 else 1
        for place in range(len(entry.typed)):
            canvas.block(2 + place * BESIDE, top, ["█" * DOT] * rows, STRONG)
        canvas.put(2 + len(entry.typed) * BESIDE, top + rows - 1, "____", STRONG)
        canvas.put(1, canvas.height - 1, "0–9 type    Backspace corrects    Enter take    Esc back", FAINT)
