"""A field of cells to draw on, given out as Textual strips."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from testbench.tui.palette import PLAIN


class Canvas:
    """``width`` × ``height`` cells; what lies outside is cut off."""

    def __init__(self, width: int, height: int, style: Style = PLAIN) -> None:
        self.width, self.height = width, height
        self._characters = [[" "] * width for _ in range(height)]
        self._styles = [[style] * width for _ in range(height)]

    def put(self, x: int, y: int, text: str, style: Style) -> None:
        """Write a line of text. A character two cells wide takes both."""
        if not 0 <= y < self.height:
            return
        characters, styles = self._characters[y], self._styles[y]
        if x >= 0 and cell_len(text) == len(text):  # the usual case, in one go
            shown = text[: max(0, self.width - x)]
            characters[x : x + len(shown)] = shown
            styles[x : x + len(shown)] = [style] * len(shown)
            return
        for character in text:
            wide = cell_len(character)
            if wide and x >= 0 and x + wide <= self.width:
                characters[x : x + wide] = [character, *[""] * (wide - 1)]
                styles[x : x + wide] = [style] * wide
            x += wide

    def block(self, x: int, y: int, rows: Sequence[str], style: Style) -> None:
        """Write rows of text below each other."""
        for down, row in enumerate(rows):
            self.put(x, y + down, row, style)

    def fill(self, x: int, y: int, width: int, height: int, style: Style) -> None:
        """Blank a rectangle in the style's ground."""
        self.block(x, y, [" " * width] * height, style)

    def strips(self) -> list[Strip]:
        """The rows, neighbours of one style joined."""
        return [
            Strip(list(_runs(characters, styles)), self.width)
            for characters, styles in zip(self._characters, self._styles, strict=True)
        ]


def _runs(characters: list[str], styles: list[Style]) -> Iterator[Segment]:
    """The cells of a row, neighbours of one style joined."""
    begin = 0
    for style, cells in groupby(styles):
        end = begin + sum(1 for _ in cells)
        yield Segment("".join(characters[begin:end]), style)
        begin = end
