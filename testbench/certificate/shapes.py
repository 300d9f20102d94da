"""The faces of a page: for each code the letter that it stands for, the shape that it draws, and how far it moves.

A text layer that says one thing while the shapes say another is the oldest trick with a PDF. A shape is therefore the
whole face to the byte, where the same texts were drawn. Where they were not (a plot without its readings), the faces
hold other signs; a shape is then all that decides how one looks: its outline, its instructions and those of the whole
face, and its bearing. Only TrueType outlines are known, as our faces have them.
"""

import re
import struct
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
TRUETYPE, ENTRIES, ENTRY = 0x10000, 12, 16
"""Kind of a font file, where its directory begins, and the bytes of an entry there (OpenType, table directory)."""
NOWHERE = "\N{REPLACEMENT CHARACTER}"
_TEXTS = re.compile(
    rb"/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n/CIDSystemInfo\n"
    rb"<< /Registry \(([A-Za-z0-9+-]+)\)\n/Ordering \(\1\)\n/Supplement 0\n>> def\n/CMapName /\1 def\n/CMapType 2 def\n"
    rb"1 begincodespacerange\n<00> <([0-9A-F]{2})>\nendcodespacerange\n"
    rb"([0-9]+) beginbfchar\n((?:<[0-9A-F]{2}> <[0-9A-F]{4}>\n)+)endbfchar\nendcmap\n"
    rb"CMapName currentdict /CMap defineresource pop\nend\nend\s?"
)
"""The one form that is written. Whatever else such a table may hold (ISO 32000-1, 9.10.3) is a text of its own to some
readers and none to others."""


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


def faces_of(page: Any, *, whole: bool = True) -> dict[str, Face]:
    """The faces of a page by the names that it uses.

    Args:
        page: as pikepdf gives it.
        whole: False where faces that hold other signs beside the same ones are alike.

    Raises:
        NotOursError: a face is of another kind than ours.
    """
    return {str(name): _face(font, whole=whole) for name, font in page.Resources.Font.items()}


def letters_of(font: Any) -> dict[int, str]:
    """What a face's codes stand for, by its own table.

    Raises:
        NotOursError: the table is not written as in a page of ours.
    """
    found = _TEXTS.fullmatch(bytes(font.ToUnicode.read_bytes()))
    lines = [] if found is None else found[4].split(b"\n")[:-1]
    codes = [int(line[1:3], 16) for line in lines]
    if found is None or codes != list(range(int(found[3]))) or codes[-1] != int(found[2], 16):
        raise NotOursError("The text of a face is told otherwise than in a page of ours.")
    return {
        code: bytes.fromhex(line[6:10].decode()).decode("utf-16-be") for code, line in zip(codes, lines, strict=True)
    }


def _face(font: Any, *, whole: bool) -> Face:
    descriptor = font.FontDescriptor
    strange = str(font.Subtype) != "/TrueType" or set(font.keys()) - KEYS
    if strange or "/FontFile" in descriptor or "/FontFile3" in descriptor:
        raise NotOursError("It writes with a face of another kind than ours.")
    first = int(font.FirstChar)
    widths = {first + number: float(one) / 1000 for number, one in enumerate(font.Widths)}
    data = bytes(descriptor.FontFile2.read_bytes())
    flags, letters = int(descriptor.Flags), letters_of(font)
    if whole:
        digest = sha256(b"%d " % flags + data).hexdigest()
        return Face(letters, {code: f"{code} {digest}" for code in widths}, widths)
    return Face(letters, _shapes(data, flags), widths)


def _shapes(data: bytes, flags: int) -> dict[int, str]:
    from fontTools.ttLib import TTFont

    if not _is_plain(data):
        raise NotOursError("It writes with a face of another kind than ours.")
    with TTFont(BytesIO(data)) as font:
        if set(font.keys()) - TABLES:
            raise NotOursError("It writes with a face that holds more than outlines.")
        head = font["head"]
        common = [flags, head.unitsPerEm, head.flags, *(_raw(font, name) for name in ("fpgm", "prep", "cvt "))]
        (table,) = font["cmap"].tables
        if (table.platformID, table.platEncID, table.format) != (1, 0, 6):
            raise NotOursError("It writes with a face whose codes are told otherwise than in ours.")
        looks = {code: (common, _outline(font, name)) for code, name in table.cmap.items()}
        return {code: sha256(repr(look).encode()).hexdigest() for code, look in looks.items()}


def _is_plain(data: bytes) -> bool:
    """Whether a face is one TrueType font, each table there once, in order, and clear of the others.

    Of two tables of one tag some readers take the first and others the last.
    """
    kind, count = struct.unpack_from(">LH", data)
    entries = [struct.unpack_from(">4sLLL", data, ENTRIES + ENTRY * index) for index in range(count)]
    tags = [tag for tag, _, _, _ in entries]
    places = sorted((start, start + length) for _, _, start, length in entries)
    ends = [ENTRIES + ENTRY * count, *(end for _, end in places)]
    clear = all(start >= end for (start, _), end in zip(places, ends, strict=False))
    return kind == TRUETYPE and tags == sorted(set(tags)) and clear and ends[-1] <= len(data)


def _raw(font: Any, name: str) -> bytes:
    return bytes(font.reader[name]) if name in font.reader.keys() else b""  # noqa: SIM118 - no mapping


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
