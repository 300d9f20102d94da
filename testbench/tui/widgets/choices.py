"""A list under the arrow keys, as large as it fits."""

from testbench.tui.canvas import Canvas
from testbench.tui.entries import Choice, Choosing
from testbench.tui.glyphs import CAPTION, draw, width
from testbench.tui.palette import BLACK, FAINT, PLAIN, STRONG, WHITE, YELLOW, ink
from testbench.tui.widgets.drawn import Drawn

NARROWEST_FOR_BLOCKS = 100
ALL_LARGE_FROM_ROWS = 12
ONE_LARGE_FROM_ROWS = 8


class Choices(Drawn[tuple[Choosing | None, str]]):
    """The title, the lines round the selected one, and what was typed or scanned."""

    def paint(self, canvas: Canvas) -> None:
        """Draw the list; where there is little room only the selected line is in block type."""
        choosing, scanned = self.value
        if choosing is None:
            return
        wide = canvas.width >= NARROWEST_FOR_BLOCKS
        all_large = wide and canvas.height >= ALL_LARGE_FROM_ROWS
        top = self._title(canvas, choosing, scanned, large=all_large)
        lines = _lines(choosing)
        selected = next((at for at, (_, chosen) in enumerate(lines) if chosen), None)
        large = [wide and (all_large or (chosen and canvas.height >= ONE_LARGE_FROM_ROWS)) for _, chosen in lines]
        first = _first_shown([CAPTION.rows if one else 1 for one in large], selected or 0, canvas.height - top - 1)
        for (choice, chosen), big in list(zip(lines, large, strict=True))[first:]:
            if top + (CAPTION.rows if big else 1) > canvas.height - 1:
                break
            self._line(canvas, top, choice, large=big, selected=chosen)
            top += CAPTION.rows if big else 1
        count = f"{len(choosing.choices)} lines    " if first or len(lines) > canvas.height else ""
        canvas.put(1, canvas.height - 1, f"{count}↑ ↓ choose    Enter take    Esc back", FAINT)

    @staticmethod
    def _title(canvas: Canvas, choosing: Choosing, scanned: str, *, large: bool) -> int:
        said = f"scanned {scanned}" if scanned else ""
        if not large:
            canvas.put(1, 0, f"{choosing.title}   {said}", STRONG)
            return 1
        canvas.block(1, 0, draw(choosing.title, CAPTION), FAINT)
        if said and width(choosing.title, CAPTION) + width(said, CAPTION) + 6 <= canvas.width:
            canvas.block(canvas.width - width(said, CAPTION) - 2, 0, draw(said, CAPTION), ink(YELLOW))
        return CAPTION.rows

    @staticmethod
    def _line(canvas: Canvas, y: int, choice: Choice, *, large: bool, selected: bool) -> None:
        style = ink(BLACK, WHITE, bold=True) if selected else PLAIN
        faint = style if selected else FAINT
        mark = "▶" if selected else " "
        if not large:
            canvas.fill(0, y, canvas.width, 1, style)
            canvas.put(1, y, f"{mark} {choice.label}", style)
            canvas.put(max(18, len(choice.label) + 5), y, choice.detail, faint)
            return
        canvas.fill(0, y, canvas.width, CAPTION.rows, style)
        canvas.put(1, y + 1, mark, style)
        canvas.block(4, y, draw(choice.label, CAPTION), style)
        left = max(46, width(choice.label, CAPTION) + 7)
        canvas.block(left, y, choice.detail.split(" · ", 2), faint)


def _lines(choosing: Choosing) -> list[tuple[Choice, bool]]:
    """The lines, each with whether it is the one that Enter takes; at the end what may be typed instead."""
    lines = [(choice, at == choosing.selected) for at, choice in enumerate(choosing.choices)]
    if choosing.typed is not None:
        lines.append((Choice(f"or type: {choosing.typed}_"), bool(choosing.typed)))
    return lines


def _first_shown(heights: list[int], selected: int, room: int) -> int:
    """The first line to draw, so that the selected one and, where it can be, one after it is in sight."""
    first = 0
    last = min(selected + 1, len(heights) - 1)
    while first < selected and sum(heights[first : last + 1]) > room:
        first += 1
    return first
