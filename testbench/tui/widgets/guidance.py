"""What to do next, in the operator's words and as large as fits; under it the cautions of this moment."""

from dataclasses import dataclass

from rich.style import Style

from testbench.tui.canvas import Canvas
from testbench.tui.entries import Said
from testbench.tui.glyphs import CAPTION, draw, wrap
from testbench.tui.lines import sentences, wrapped
from testbench.tui.palette import BLACK, CAUTION, STRONG, VERMILLION, WHITE, ink
from testbench.tui.widgets.drawn import Drawn

NARROWEST_FOR_BLOCKS = 100


@dataclass(frozen=True, slots=True)
class Advice:
    """What is to be said, and how many rows it may take."""

    instruction: str
    cautions: tuple[str, ...] = ()
    said: Said | None = None
    most_rows: int = 6


@dataclass(frozen=True, slots=True)
class _Part:
    rows: list[str]
    style: Style
    indent: int = 1


class Guidance(Drawn[Advice]):
    """An instruction, or in its place a refusal with its remedy."""

    def rows(self, width: int) -> int:
        """As many as its parts take."""
        return sum(len(part.rows) for part in self._parts(width))

    def paint(self, canvas: Canvas) -> None:
        """Draw the parts below each other, each on its ground."""
        top = 0
        for part in self._parts(canvas.width):
            canvas.fill(0, top, canvas.width, len(part.rows), part.style)
            canvas.block(part.indent, top, part.rows, part.style)
            top += len(part.rows)

    def _parts(self, width: int) -> list[_Part]:
        advice = self.value
        if advice.said is not None:
            colour = VERMILLION if advice.said.grave else WHITE
            parts = [_Part(self._said(advice.said, width), ink(BLACK, colour, bold=True))]
        else:
            parts = [_Part(_large(advice.instruction, width, advice.most_rows), STRONG)]
        room = advice.most_rows - len(parts[0].rows)
        parts.extend(_Part(found, CAUTION) for found in self._cautions(width, room))
        return parts

    def _said(self, said: Said, width: int) -> list[str]:
        rows = _large(said.sentence, width, self.value.most_rows)
        return [*rows, *wrapped(said.remedy, width - 2)] if said.remedy else rows

    def _cautions(self, width: int, room: int) -> list[list[str]]:
        """In block type where every one of them has room; never left out."""
        if width >= NARROWEST_FOR_BLOCKS:
            large = [_hanging(_blocks(text, width - 4)) for text in self.value.cautions]
            if sum(map(len, large)) <= room:
                return large
        return [_hanging(wrapped(text, width - 4)) for text in self.value.cautions]


def _large(text: str, width: int, most_rows: int) -> list[str]:
    """Block type where it fits, else one sentence a line."""
    if width >= NARROWEST_FOR_BLOCKS:
        rows = _blocks(text, width - 2)
        if len(rows) <= most_rows:
            return rows
    parts = sentences(text)
    if width >= NARROWEST_FOR_BLOCKS and 2 <= len(parts) <= 3:
        rows = [row for part in parts for row in _either(part, width)]
        if len(rows) <= most_rows:
            return rows
    spaced = len(parts) > 3 and 2 * len(parts) <= most_rows
    rows = []
    for number, part in enumerate(parts, 1):
        if spaced and rows:
            rows.append("")
        rows.extend(wrapped(f"{number}  {part}" if len(parts) > 3 else part, width - 2))
    return rows


def _hanging(rows: list[str]) -> list[str]:
    """A warning sign before the first row, the rest under each other."""
    return [f"{'▲' if at == 0 else ' '} {row}" for at, row in enumerate(rows)]


def _either(sentence: str, width: int) -> list[str]:
    """One of a few sentences: block type if one line takes it."""
    rows = _blocks(sentence, width - 2)
    return rows if len(rows) == CAPTION.rows else wrapped(sentence, width - 2)


def _blocks(text: str, columns: int) -> list[str]:
    return [row for line in wrap(text, CAPTION, columns) for row in draw(line, CAPTION)]
