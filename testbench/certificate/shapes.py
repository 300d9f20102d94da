"""The faces of a page: for each code the letter that it stands for, the shape that it draws, and how far it moves.

A text layer that says one thing while the shapes say another is the oldest trick with a PDF. A shape is therefore all
that decides how a sign looks: its outline, its instructions and those of the whole face, its bearing, and whichever
table a reader takes it by. Only TrueType outlines are known, as our faces have them.
"""

import re
from dataclasses import dataclass
from hashlib import sha256
from io import BytesIO
from typing import Any

KEYS = frozenset({
    "/Type", "/Subtype", "/BaseFont", "/FirstChar", "/LastChar", "/Widths", "/ToUnicode", "/FontDescriptor", "/Name",
})  # fmt: skip
TABLES = frozenset({
    "GlyphOrder", "head", "hhea", "maxp", "OS/2", "hmtx", "cmap", "fpgm", "prep", "cvt ", "loca", "glyf", "name",
    "post",
})  # fmt: skip
NOWHERE = "\N{REPLACEMENT CHARACTER}"
_CODES = re.compile(rb"<([0-9A-Fa-f]+)> <([0-9A-Fa-f]+)>")


class NotOursError(Exception):
    """A page draws as no page of ours does; the message is a sentence."""


@dataclass(frozen=True, slots=True)
class Face:
    """One embedded face."""

    letters: dict[int, str]
    shapes: dict[int, str]
    """SHA-256 of whatever decides how it looks."""
    widths: dict[int, float]
    """In sizes of the text."""

    def sign(self, code: int) -> tuple[str, str, float]:
        """Letter, shape and advance of a code.

        Raises:
            NotOursError: the face has no such code.
        """
        if code not in self.widths:
            raise NotOursError("It writes with codes that its faces do not have.")
        return self.letters.get(code, NOWHERE), self.shapes.get(code, ""), self.widths[code]


def faces_of(page: Any) -> dict[str, Face]:
    """The faces of a page by the names that it uses.

    Raises:
        NotOursError: a face is of another kind than ours.
    """
    return {str(name): _face(font) for name, font in page.Resources.Font.items()}


def letters_of(font: Any) -> dict[int, str]:
    """What a face's codes stand for, by its own table."""
    told = bytes(font.ToUnicode.read_bytes()).partition(b"beginbfchar")[2]
    return {int(code, 16): bytes.fromhex(text.decode()).decode("utf-16-be") for code, text in _CODES.findall(told)}


def _face(font: Any) -> Face:
    descriptor = font.FontDescriptor
    strange = str(font.Subtype) != "/TrueType" or set(font.keys()) - KEYS
    if strange or "/FontFile" in descriptor or "/FontFile3" in descriptor:
        raise NotOursError("It writes with a face of another kind than ours.")
    first = int(font.FirstChar)
    widths = {first + number: float(one) / 1000 for number, one in enumerate(font.Widths)}
    data = bytes(descriptor.FontFile2.read_bytes())
    return Face(letters_of(font), _shapes(data, int(descriptor.Flags)), widths)


def _shapes(data: bytes, flags: int) -> dict[int, str]:
    from fontTools.ttLib import TTFont

    with TTFont(BytesIO(data)) as font:
        if set(font.keys()) - TABLES:
            raise NotOursError("It writes with a face that holds more than outlines.")
        head = font["head"]
        common = [flags, head.unitsPerEm, head.flags, *(_raw(font, name) for name in ("fpgm", "prep", "cvt "))]
        tables = sorted(font["cmap"].tables, key=lambda one: (one.platformID, one.platEncID))
        codes = {code for table in tables for code in table.cmap}
        return {code: _shape(font, code, tables, common) for code in codes}


def _raw(font: Any, name: str) -> bytes:
    return bytes(font.reader[name]) if name in font.reader.keys() else b""  # noqa: SIM118 - no mapping


def _shape(font: Any, code: int, tables: list[Any], common: list[Any]) -> str:
    looks = [(one.platformID, one.platEncID, _outline(font, one.cmap.get(code, ".notdef"))) for one in tables]
    return sha256(repr((common, looks)).encode()).hexdigest()


def _outline(font: Any, name: str, deep: int = 8) -> tuple[Any, ...]:
    """A glyph with its bearing and instructions; the parts of a composed one in the place of their numbers."""
    glyph = font["glyf"][name]
    glyph.expand(font["glyf"])
    told = bytes(glyph.program.getBytecode()) if hasattr(glyph, "program") else b""
    if not glyph.isComposite():
        points = glyph.getCoordinates(font["glyf"]) if glyph.numberOfContours else ()
        return (font["hmtx"][name], told, *(_listed(one) for one in points))
    if deep == 0:
        raise NotOursError("It writes with a sign composed of too many others.")
    parts = [
        (part.flags, part.getComponentInfo()[1], vars(part).get("firstPt"), _outline(font, part.glyphName, deep - 1))
        for part in glyph.components
    ]
    return font["hmtx"][name], told, *parts


def _listed(values: Any) -> tuple[Any, ...]:
    return tuple(tuple(one) if isinstance(one, tuple) else one for one in values)
