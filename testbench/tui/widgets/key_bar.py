"""The function keys with what they ask for, in the order in which they lie on the keyboard."""

from testbench.tui.canvas import Canvas
from testbench.tui.glyphs import CAPTION, draw, width
from testbench.tui.keys import KeyOffered
from testbench.tui.lines import wrapped
from testbench.tui.palette import BLACK, SKY, VERMILLION, WHITE, ink
from testbench.tui.widgets.drawn import Drawn

NARROWEST_FOR_BLOCKS = 100
WIDEST = 44
SMALLEST = 16
"""Columns of a key whose label is in ordinary letters."""


class KeyBar(Drawn[tuple[KeyOffered, ...]]):
    """Only the keys that do something now, in block type as far as there is room.

    The two answers to an observation come first and are always equally large, so that none is suggested; then the
    way forward, then Stop.
    """

    def paint(self, canvas: Canvas) -> None:
        """Draw the keys from left to right, over the whole width."""
        widths = self._widths(canvas.width)
        spare = canvas.width - sum(widths)
        left = 0
        for key, columns in zip(self.value, widths, strict=True):
            wider = min(columns + spare // len(widths), max(columns, WIDEST))
            self._key(canvas, left, wider, key, large=columns > SMALLEST)
            left += wider

    def _widths(self, columns: int) -> list[int]:
        count = len(self.value)
        if columns < NARROWEST_FOR_BLOCKS:
            return [min(SMALLEST, columns // max(1, count))] * count
        wanted = {key.key: max(width(_large(key), CAPTION) + 4, SMALLEST + 1) for key in self.value}
        given = dict.fromkeys(wanted, SMALLEST)
        for group in (("f3", "f4"), ("f2",), ("f10",), *((name,) for name in wanted if name not in {"f3", "f4"})):
            wider = given | {name: wanted[name] for name in group if name in wanted}
            if sum(wider.values()) <= columns:
                given = wider
        return list(given.values())

    @staticmethod
    def _key(canvas: Canvas, left: int, columns: int, key: KeyOffered, *, large: bool) -> None:
        fill = {"f2": WHITE, "f10": VERMILLION}.get(key.key, SKY)
        style = ink(BLACK, fill, bold=True)
        canvas.fill(left, 0, columns - 1, canvas.height, style)
        if large:
            canvas.block(left + 1, 0, draw(_large(key), CAPTION, lowered=True), style)
            return
        twice = "  twice" if key.twice else ""
        canvas.put(left + 1, 0, f"{key.key.upper()}{twice}"[: columns - 2], style)
        canvas.block(left + 1, 1, wrapped(key.label, columns - 3)[: canvas.height - 1], style)


def _large(key: KeyOffered) -> str:
    return f"{key.key} {key.label}"
