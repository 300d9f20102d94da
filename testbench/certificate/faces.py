"""A TrueType face with what a page needs of it: outlines and widths, neither instructions nor names.

Instructions move outlines onto the pixels of coarse screens (OpenType, glyf, cvt, fpgm, prep); printers and the viewers
of today do not follow them. With the names they are two fifths of what is embedded.
"""

import struct
from functools import lru_cache
from itertools import pairwise
from typing import Any

ENTRY = 16
"""Bytes of a table's entry in the directory: tag, checksum, offset, length."""
LEFT_OUT = {"cvt ", "fpgm", "prep", "name"}
REPEATED, AXES = 0x8, ((0x2, 0x10), (0x4, 0x20))
"""Flags of points of a simple glyph: its flag counts for more than one; of x and of y, short and same as before."""
WORDS, SCALE, MORE, TWO_SCALES, FOUR_SCALES, INSTRUCTED = 0x1, 0x8, 0x20, 0x40, 0x80, 0x100
"""Flags of a part of a composite glyph."""


def embed_lean(font: Any) -> None:
    """Let a face of the drawing library embed no more than is needed."""
    own = font.face.makeSubset
    font.face.makeSubset = lambda subset: lean(own(subset))


def lean(font: bytes) -> bytes:
    """A font file without instructions and names.

    Args:
        font: of one face, with glyf outlines.
    """
    from reportlab.pdfbase.ttfonts import TTFontMaker

    (count,) = struct.unpack_from(">H", font, 4)
    entries = [struct.unpack_from(">4sLLL", font, 12 + ENTRY * index) for index in range(count)]
    tables = {tag.decode(): font[start : start + length] for tag, _, start, length in entries}
    long = struct.unpack_from(">h", tables["head"], 50) != (0,)
    tables["glyf"], tables["loca"] = _outlines(tables["glyf"], tables["loca"], ">L" if long else ">H")
    maker: Any = TTFontMaker()
    for tag in sorted(tables.keys() - LEFT_OUT):
        maker.add(tag, tables[tag])
    return bytes(maker.makeStream())


def _outlines(glyphs: bytes, places: bytes, kind: str) -> tuple[bytes, bytes]:
    """The tables glyf and loca, written anew; each glyph begins at a multiple of four."""
    unit = 1 if kind == ">L" else 2
    starts = [unit * place for (place,) in struct.iter_unpack(kind, places)]
    found, begins = bytearray(), [0]
    for start, end in pairwise(starts):
        glyph = _bare(glyphs[start:end])
        found += glyph + bytes(-len(glyph) % 4)
        begins.append(len(found) // unit)
    return bytes(found), b"".join(struct.pack(kind, place) for place in begins)


@lru_cache(maxsize=4096)
def _bare(glyph: bytes) -> bytes:
    """One glyph without its instructions, and without what fills it up behind its end."""
    if not glyph:
        return glyph
    (contours,) = struct.unpack_from(">h", glyph)
    if contours < 0:
        return _bare_composite(glyph)
    at = 10 + 2 * contours
    points = struct.unpack_from(">H", glyph, at - 2)[0] + 1 if contours else 0
    (length,) = struct.unpack_from(">H", glyph, at)
    outline = at + 2 + length
    return glyph[:at] + b"\0\0" + glyph[outline : _end(glyph, outline, points)]


def _end(glyph: bytes, at: int, points: int) -> int:
    """Where the coordinates of so many points end, whose flags begin here."""
    coordinates = 0
    while points > 0:
        flag, times = glyph[at], 1
        at += 1
        if flag & REPEATED:
            times += glyph[at]
            at += 1
        coordinates += times * sum(1 if flag & short else 0 if flag & same else 2 for short, same in AXES)
        points -= times
    return at + coordinates


def _bare_composite(glyph: bytes) -> bytes:
    found, at, flags = bytearray(glyph), 10, MORE
    while flags & MORE:
        (flags,) = struct.unpack_from(">H", glyph, at)
        struct.pack_into(">H", found, at, flags & ~INSTRUCTED)
        scales = 2 if flags & SCALE else 4 if flags & TWO_SCALES else 8 if flags & FOUR_SCALES else 0
        at += 4 + (4 if flags & WORDS else 2) + scales
    return bytes(found[:at])
