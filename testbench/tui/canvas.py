"""A field of cells to draw on, given out as Textual strips."""

from collections.abc import Sequence
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
        self._cells: list[list[tuple[str, Style]]] = [[(" ", style)] * width for _ in range(height)]

    def put(self, x: int, y: int, text: str, style: Style) -> None:
        """Write a line of text. A character two cells wide takes both."""
        if not 0 <= y < self.height:
            return
        row = self._cells[y]
        if x >= 0 and cell_len(text) == len(text):  # the usual case, in one go
            shown = text[: max(0, self.width - x)]
            row[x : x + len(shown)] = [(character, style) for character in shown]
            return
        for character in text:
            wide = cell_len(character)
            if wide and x >= 0 and x + wide <= self.width:
                row[x] = (character, style)
                row[x + 1 : x + wide] = [("", style)] * (wide - 1)
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
            Strip(
                [
                    Segment("".join(character for character, _ in run), style)
                    for style, run in ((style, list(run)) for style, run in groupby(row, key=lambda cell: cell[1]))
                ],
                self.width,
            )
            for row in self._cells
        ]
