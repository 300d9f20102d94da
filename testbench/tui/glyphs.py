"""Block type that is read from 3 m: two own tables of glyphs, drawn in three sizes.

The tables below are the type: what is seen here is what is seen on the screen. ``BIG`` draws the tall table with two
cells a point and one row a point (7 rows); ``WORD`` draws it in half blocks (4 rows); ``CAPTION`` draws the low table
in half blocks (3 rows). Digits of one table are equally wide, so that a number stands still while it changes.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

_TALL = """
A     B     C     D     E     F     G     H     I     J     K     L     M     N
·███· ████· ·███· ████· █████ █████ ·███· █···█ ███   ··███ █···█ █···· █···█ █···█
█···█ █···█ █···█ █···█ █···· █···· █···█ █···█ ·█·   ···█· █··█· █···· ██·██ ██··█
█···█ █···█ █···· █···█ █···· █···· █···· █···█ ·█·   ···█· █·█·· █···· █·█·█ ██··█
█████ ████· █···· █···█ ████· ████· █·███ █████ ·█·   ···█· ██··· █···· █·█·█ █·█·█
█···█ █···█ █···· █···█ █···· █···· █···█ █···█ ·█·   ···█· █·█·· █···· █···█ █··██
█···█ █···█ █···█ █···█ █···· █···· █···█ █···█ ·█·   █··█· █··█· █···· █···█ █··██
█···█ ████· ·███· ████· █████ █···· ·███· █···█ ███   ·██·· █···█ █████ █···█ █···█
O     P     Q     R     S     T     U     V     W     X     Y     Z     0     1
·███· ████· ·███· ████· ·████ █████ █···█ █···█ █···█ █···█ █···█ █████ ·███· ··█··
█···█ █···█ █···█ █···█ █···· ··█·· █···█ █···█ █···█ █···█ █···█ ····█ █···█ ·██··
█···█ █···█ █···█ █···█ █···· ··█·· █···█ █···█ █···█ ·█·█· ·█·█· ···█· █···█ ··█··
█···█ ████· █···█ ████· ·███· ··█·· █···█ █···█ █·█·█ ··█·· ··█·· ··█·· █···█ ··█··
█···█ █···· █·█·█ █·█·· ····█ ··█·· █···█ █···█ █·█·█ ·█·█· ··█·· ·█··· █···█ ··█··
█···█ █···· █··█· █··█· ····█ ··█·· █···█ ·█·█· ██·██ █···█ ··█·· █···· █···█ ··█··
·███· █···· ·██·█ █···█ ████· ··█·· ·███· ··█·· █···█ █···█ ··█·· █████ ·███· ·███·
2     3     4     5     6     7     8     9     .     ,     :     ;     -     –
·███· ·███· ···█· █████ ·███· █████ ·███· ·███· ··    ··    ··    ··    ····  ·····
█···█ █···█ ··██· █···· █···· ····█ █···█ █···█ ··    ··    ██    ██    ····  ·····
····█ ····█ ·█·█· ████· █···· ···█· █···█ █···█ ··    ··    ██    ██    ····  ·····
···█· ··██· █··█· ····█ ████· ··█·· ·███· ·████ ··    ··    ··    ··    ████  █████
··█·· ····█ █████ ····█ █···█ ·█··· █···█ ····█ ··    ██    ██    ██    ····  ·····
·█··· █···█ ···█· █···█ █···█ ·█··· █···█ ····█ ██    ·█    ██    ·█    ····  ·····
█████ ·███· ···█· ·███· ·███· ·█··· ·███· ·███· ██    █·    ··    █·    ····  ·····
+     /     (     )     ?     !     %     '     =     ≤     ≥     ±     &     #
····· ····█ ·█    █·    ·███· ██    ██··█ █     ····  ···█  █···  ··█·· ·██·· ·█·█·
··█·· ····█ █·    ·█    █···█ ██    ██··█ ·     ····  ··█·  ·█··  ··█·· █··█· ·█·█·
··█·· ···█· █·    ·█    ····█ ██    ···█· ·     ████  ·█··  ··█·  █████ █·█·· █████
█████ ··█·· █·    ·█    ···█· ██    ··█·· ·     ····  ··█·  ·█··  ··█·· ·█··· ·█·█·
··█·· ·█··· █·    ·█    ··█·· ··    ·█··· ·     ████  ···█  █···  ··█·· █·█·█ █████
··█·· █···· █·    ·█    ····· ██    █··██ ·     ····  ····  ····  ····· █··█· ·█·█·
····· █···· ·█    █·    ··█·· ██    █··██ ·     ····  ████  ████  █████ ·██·█ ·█·█·
_     ·     ×     →     ↑     ↓     °     m
····· ··    ····· ····· ··█·· ··█·· ·█·   ·····
····· ··    █···█ ··█·· ·███· ··█·· █·█   ·····
····· ··    ·█·█· ···█· █·█·█ ··█·· ·█·   ██·█·
····· ██    ··█·· █████ ··█·· ··█·· ···   █·█·█
····· ██    ·█·█· ···█· ··█·· █·█·█ ···   █·█·█
····· ··    █···█ ··█·· ··█·· ·███· ···   █·█·█
█████ ··    ····· ····· ··█·· ··█·· ···   █·█·█
"""

_LOW = """
A     B     C     D     E     F     G     H     I     J     K     L     M     N
·█·   ██·   ·██   ██·   ███   ███   ·███  █·█   █     ··█   █··█  █··   █···█ █··█
█·█   █·█   █··   █·█   █··   █··   █···  █·█   █     ··█   █·█·  █··   ██·██ ██·█
███   ██·   █··   █·█   ██·   ██·   █·██  ███   █     ··█   ██··  █··   █·█·█ █·██
█·█   █·█   █··   █·█   █··   █··   █··█  █·█   █     █·█   █·█·  █··   █···█ █··█
█·█   ██·   ·██   ██·   ███   █··   ·███  █·█   █     ·█·   █··█  ███   █···█ █··█
O     P     Q     R     S     T     U     V     W     X     Y     Z     0     1
·██·  ██·   ·██·  ██·   ·██   ███   █··█  █·█   █···█ █·█   █·█   ███   ███   ·█·
█··█  █·█   █··█  █·█   █··   ·█·   █··█  █·█   █···█ █·█   █·█   ··█   █·█   ██·
█··█  ██·   █··█  ██·   ·█·   ·█·   █··█  █·█   █·█·█ ·█·   ·█·   ·█·   █·█   ·█·
█··█  █··   █·██  █·█   ··█   ·█·   █··█  █·█   ██·██ █·█   ·█·   █··   █·█   ·█·
·██·  █··   ·███  █·█   ██·   ·█·   ·██·  ·█·   █···█ █·█   ·█·   ███   ███   ███
2     3     4     5     6     7     8     9     .     ,     :     ;     -     –
███   ███   █·█   ███   ███   ███   ███   ███   ·     ··    ·     ··    ··    ···
··█   ··█   █·█   █··   █··   ··█   █·█   █·█   ·     ··    █     ·█    ··    ···
███   ·██   ███   ███   ███   ··█   ███   ███   ·     ··    ·     ··    ██    ███
█··   ··█   ··█   ··█   █·█   ·█·   █·█   ··█   ·     ·█    █     ·█    ··    ···
███   ███   ··█   ███   ███   ·█·   ███   ███   █     █·    ·     █·    ··    ···
+     /     (     )     ?     !     %     '     =     ≤     ≥     ±     &     #
···   ··█   ·█    █·    ██·   █     █··█  █     ···   ··██  ██··  ·█·   ·█··  ·█·█·
·█·   ··█   █·    ·█    ··█   █     ··█·  █     ███   ██··  ··██  ███   █·█·  █████
███   ·█·   █·    ·█    ·█·   █     ·█··  ·     ···   ··██  ██··  ·█·   ·█··  ·█·█·
·█·   █··   █·    ·█    ···   ·     █··█  ·     ███   ····  ····  ···   █·█·  █████
···   █··   ·█    █·    ·█·   █     ····  ·     ···   ████  ████  ███   ·█·█  ·█·█·
_     ·     ×     →     ↑     ↓     °     m
···   ·     ···   ··█·· ··█·· ··█·· ██    ·····
···   ·     █·█   ···█· ·███· ··█·· ██    ██·█·
···   █     ·█·   █████ █·█·█ █·█·█ ··    █·█·█
···   ·     █·█   ···█· ··█·· ·███· ··    █·█·█
███   ·     ···   ··█·· ··█·· ··█·· ··    █·█·█
"""


def _read(table: str, height: int) -> dict[str, tuple[str, ...]]:
    """Glyphs of a table drawn side by side, six columns each, under a line that names them."""
    lines = table.strip("\n").splitlines()
    glyphs = {}
    for top in range(0, len(lines), height + 1):
        names, *art = lines[top : top + height + 1]
        for left in range(0, len(names), 6):
            glyphs[names[left]] = tuple(row[left : left + 6].rstrip() for row in art)
    return glyphs


@dataclass(frozen=True, eq=False)
class Size:
    """One size of block type."""

    rows: int
    glyphs: Mapping[str, tuple[str, ...]]
    space: int
    """Width of a blank [points]."""
    full_cells: bool
    """Two cells a point and one row a point; otherwise one cell a point and two points a row."""


_TALL_GLYPHS, _LOW_GLYPHS = _read(_TALL, 7), _read(_LOW, 5)
BIG = Size(7, _TALL_GLYPHS, 3, full_cells=True)
WORD = Size(4, _TALL_GLYPHS, 3, full_cells=False)
CAPTION = Size(3, _LOW_GLYPHS, 2, full_cells=False)


def capitals(text: str) -> str:
    """The text in capitals, but millilitres stay mL: ML would be a thousand million times as much."""
    return re.sub(r"\bML\b", "mL", text.upper())


def width(text: str, size: Size) -> int:
    """How many cells a text takes."""
    return len(draw(text, size)[0])


@lru_cache(maxsize=512)
def draw(text: str, size: Size, *, lowered: bool = False) -> tuple[str, ...]:
    """A text as rows of full and half blocks, all equally long. A sign that the table lacks becomes ``?``.

    Half blocks leave half a row free below the text; ``lowered`` leaves it above.
    """
    points = _points(capitals(text), size)
    if lowered and not size.full_cells:
        points = [[False] * len(points[0]), *points]
    if size.full_cells:
        return tuple("".join("██" if dot else "  " for dot in row) for row in points)
    return tuple(halves(points))


def halves(points: Sequence[Sequence[bool]]) -> list[str]:
    """Rows of points as half blocks, two rows of points in one row of cells."""
    even = [*points, [False] * len(points[0])] if len(points) % 2 else points
    return [
        "".join(" ▄▀█"[2 * upper + lower] for upper, lower in zip(top, bottom, strict=True))
        for top, bottom in zip(even[::2], even[1::2], strict=True)
    ]


def wrap(text: str, size: Size, columns: int) -> list[str]:
    """Break a text into lines of at most ``columns`` cells; a word that is longer stands alone."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width(longer, size) <= columns:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def largest(text: str, columns: int, rows: int, sizes: Sequence[Size] = (BIG, WORD, CAPTION)) -> Size | None:
    """The first size in which the text fits on one line; None if it fits in none."""
    return next((size for size in sizes if size.rows <= rows and width(text, size) <= columns), None)


def _points(text: str, size: Size) -> list[list[bool]]:
    height = len(size.glyphs["0"])
    rows: list[list[bool]] = [[] for _ in range(height)]
    for sign in text:
        art = ("·" * size.space,) * height if sign == " " else size.glyphs.get(sign, size.glyphs["?"])
        for row, dots in zip(rows, art, strict=True):
            row.extend([False] * bool(row))
            row.extend(dot == "█" for dot in dots)
    return rows
