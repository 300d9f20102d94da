"""The volume that was caught, typed in large digits."""

from testbench.tui.canvas import Canvas
from testbench.tui.entries import Entry
from testbench.tui.glyphs import BIG, CAPTION, WORD, draw, largest, width
from testbench.tui.palette import FAINT, STRONG
from testbench.tui.widgets.drawn import Drawn


class VolumeEntry(Drawn[tuple[Entry, str]]):
    """What has been typed so far, its unit, and the limit it will be judged against."""

    def paint(self, canvas: Canvas) -> None:
        """Draw question, digits and unit."""
        entry, limit = self.value
        counted = entry.counted or "drops"
        unit = counted if entry.drops else "mL"
        question = f"How many {counted}?" if entry.drops else "Volume caught?"
        large = canvas.width >= 100 and canvas.height >= 12
        top = CAPTION.rows if large else 1
        if large:
            canvas.block(1, 0, draw(question, CAPTION), FAINT)
        else:
            canvas.put(1, 0, question, FAINT)
        text = f"{entry.text}_"
        room = canvas.width - width(unit, CAPTION) - 6
        size = largest(text, room, canvas.height - top - 2, (BIG, WORD, CAPTION)) or CAPTION
        canvas.block(1, top, draw(text, size), STRONG)
        canvas.block(3 + width(text, size), top + size.rows - CAPTION.rows, draw(unit, CAPTION), STRONG)
        canvas.put(1, canvas.height - 2, limit, FAINT)
        either = "" if entry.counted == "bubbles" else "← → mL or drops    "
        hint = f"0–9 type    Backspace corrects    {either}Enter take    Esc back"
        canvas.put(1, canvas.height - 1, hint, FAINT)
