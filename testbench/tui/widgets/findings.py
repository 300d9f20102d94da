"""What a stage or a run showed, criterion by criterion."""

from dataclasses import dataclass

from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import CAPTION, draw, wrap
from testbench.tui.lines import wrapped
from testbench.tui.palette import BLACK, FAINT, PLAIN, SKY, STRONG, VERMILLION, WHITE, ink
from testbench.tui.widgets.drawn import Drawn

NARROWEST_FOR_BLOCKS = 100
GOOD = ("conforms", "accepted")
MARKS = {
    "conforms": ("✓", SKY),
    "accepted": ("✓", SKY),
    "does not conform": ("✗", VERMILLION),
    "rejected": ("✗", VERMILLION),
    "void": ("∅", VERMILLION),
    "within the guard band": ("?", WHITE),
    "inconclusive": ("?", WHITE),
}


@dataclass(frozen=True, slots=True)
class FoundLine:
    """One criterion or stage: what it came to, and the sentence with the figures."""

    found: str
    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Found:
    """The headline, the lines, and where the document lies."""

    headline: str
    lines: tuple[FoundLine, ...]
    document: str = ""


class Findings(Drawn[Found]):
    """The verdict's reasons."""

    def paint(self, canvas: Canvas) -> None:
        """Draw the headline in block type where it fits, then one entry a criterion."""
        top = self._headline(canvas)
        for line in self.value.lines:
            mark, colour = MARKS.get(line.found, ("·", WHITE))
            canvas.put(2, top, f" {mark} ", ink(BLACK, colour, bold=True))
            canvas.put(6, top, line.name, STRONG)
            canvas.put(32, top, line.found, FAINT)
            rows = self._rows(canvas, line)
            canvas.block(6, top + 1, rows, PLAIN)
            top += 1 + len(rows)
        if self.value.document:
            canvas.put(2, min(top + 1, canvas.height - 1), f"Written: {self.value.document}", STRONG)

    def _rows(self, canvas: Canvas, line: FoundLine) -> list[str]:
        """The sentence of a line; what went well gives way where there is no room for all."""
        sentences = {one: wrapped(one.sentence, canvas.width - 8) for one in self.value.lines}
        roomy = sum(1 + len(rows) for rows in sentences.values()) <= canvas.height
        return sentences[line] if roomy or line.found not in GOOD else []

    def _headline(self, canvas: Canvas) -> int:
        """In block type, in ordinary letters or not at all, as the lines leave room. Returns the rows taken."""
        text, columns = self.value.headline, canvas.width - 4
        spare = canvas.height - sum(1 + len(self._rows(canvas, line)) for line in self.value.lines)
        lines = wrap(text, CAPTION, columns)
        if canvas.width >= NARROWEST_FOR_BLOCKS and CAPTION.rows * len(lines) <= spare:
            for down, line in enumerate(lines):
                canvas.block(2, CAPTION.rows * down, draw(line, CAPTION), STRONG)
            return CAPTION.rows * len(lines)
        rows = wrapped(text, columns)
        if len(rows) > spare:
            return 0
        canvas.block(2, 0, rows, STRONG)
        return len(rows)
