"""The state, as wide as the screen: a shape, a word, a fill."""

from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import CAPTION, WORD, draw, largest, width
from testbench.tui.palette import BLACK, ink
from testbench.tui.shapes import shape
from testbench.tui.widgets.drawn import Drawn
from testbench.tui.words import Band

SHAPE_COLUMNS = 12


class StateBand(Drawn[tuple[Band, int]]):
    """The band and the mark that moves each time the recorder is heard."""

    def paint(self, canvas: Canvas) -> None:
        """Draw the shape, the word and, at the right edge, the stage and the moving mark."""
        band, pulse = self.value
        style = ink(BLACK, band.fill, bold=True)
        canvas.fill(0, 0, canvas.width, canvas.height, style)
        room = canvas.width - SHAPE_COLUMNS - 6
        size = largest(band.word, room, canvas.height, (WORD, CAPTION)) or CAPTION
        top = (canvas.height - WORD.rows) // 2
        canvas.block(2, top, shape(band.shape), style)
        canvas.block(SHAPE_COLUMNS + 1, top + (size is CAPTION), draw(band.word, size), style)
        self._stage(canvas, band, room - width(band.word, size))
        self._mark(canvas, pulse, band.fill)

    def _stage(self, canvas: Canvas, band: Band, room: int) -> None:
        """The stage in block type where it has room, else in ordinary letters."""
        style = ink(BLACK, band.fill, bold=True)
        right = canvas.width - 5
        text = " ".join(band.beside)
        fitting = (short for short in (text, *band.beside[:1]) if short and width(short, CAPTION) + 2 <= room)
        block = next(fitting, "")
        if block and canvas.height >= 6:
            canvas.block(right - width(block, CAPTION), 1, draw(block, CAPTION), style)
        else:
            canvas.put(right - len(text), 0, text, style)
        canvas.put(right - len(band.note), canvas.height - 1, band.note, style)

    def _mark(self, canvas: Canvas, pulse: int, fill: str) -> None:
        """One cell pair going up and down at the right edge: a frozen screen does not do that."""
        lap = 2 * (canvas.height - 1)
        step = pulse % lap
        row = min(step, lap - step)
        canvas.fill(canvas.width - 3, 0, 3, canvas.height, ink(BLACK, fill))
        canvas.put(canvas.width - 3, row, "███", ink(BLACK, fill))
