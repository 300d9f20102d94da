"""A pen on a reportlab canvas: faces, fitted and wrapped text, halos, marks. It refuses what no face can print."""

import unicodedata
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache, lru_cache
from importlib.resources import files
from io import BytesIO
from itertools import groupby
from math import ceil
from pathlib import Path
from typing import Any

from testbench.certificate.data import Layout
from testbench.certificate.faces import embed_lean
from testbench.certificate.tagging import Tags
from testbench.errors import GlyphMissingError

REGULAR, STRONG, BOLD, FALLBACK = "Bench-Regular", "Bench-Strong", "Bench-Bold", "Bench-Fallback"
WHITE = "#ffffff"
PAPERS = {"A4": (595.2756, 841.8898), "Letter": (612.0, 792.0)}
LEADING = 1.15
"""From line to line of a paragraph, in sizes of its text."""
_ESCAPED = {code: f"\\{code:03o}" for code in (*range(32), *b"()\\", *range(127, 256))}
INVISIBLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


class Pen:
    """Draws on one document. The origin is the lower left corner; all lengths in points."""

    def __init__(self, layout: Layout, paper: str, dated: datetime, language: str = "en-GB") -> None:
        """Open a document.

        Args:
            layout: sizes and colours.
            paper: ``"A4"`` or ``"Letter"``.
            dated: the date written into the file, so that the same content gives the same bytes.
            language: what a screen reader is told, for example ``de-DE``.
        """
        from reportlab import rl_config
        from reportlab.pdfgen.canvas import Canvas

        register_faces(layout)
        rl_config.useA85 = 0
        self.layout = layout
        self.width, self.height = PAPERS[paper]
        self.buffer = BytesIO()
        plain: dict[str, Any] = {"initialFontName": REGULAR}  # else an unused Helvetica is named in the file
        self.canvas: Canvas = Canvas(
            self.buffer, pagesize=(self.width, self.height), pageCompression=1, invariant=1, pdfVersion=(1, 7),
            lang=language, **plain,
        )  # fmt: skip
        _date(self.canvas, dated)
        self.tags = Tags(self.canvas)
        """Marks nothing unless somebody begins a page of them."""
        self._places: dict[str, tuple[Any, tuple[float, float, float, float]]] = {}
        self.plates = False
        """Whether every text stands on a white plate: where something was drawn across the page before."""
        self.left, self.right = layout.margin, self.width - layout.margin
        self.top, self.bottom = self.height - layout.margin, layout.margin

    # Measuring -----------------------------------------------------------------------------------

    def width_of(self, text: str, face: str, size: float) -> float:
        """Length of a text."""
        return _width(self.printable(text), face) * size

    def fitted(self, text: str, face: str, size: float, width: float) -> float:
        """The largest size, at most ``size`` and at least the smallest allowed, at which a text fits a width."""
        while size > self.layout.smallest_text and self.width_of(text, face, size) > width:
            size = max(self.layout.smallest_text, size - 0.25)
        return size

    def wrapped(self, text: str, face: str, size: float, width: float) -> list[str]:
        """A text cut into lines; a word longer than a line is cut too."""
        lines: list[str] = []
        line = ""
        for word in text.split():
            longer = f"{line} {word}" if line else word
            if self.width_of(longer, face, size) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            line = word
            while self.width_of(line, face, size) > width:
                cut = self._longest_start(line, face, size, width)
                lines.append(line[:cut])
                line = line[cut:]
        return [*lines, line]

    def _longest_start(self, word: str, face: str, size: float, width: float) -> int:
        cut = len(word)
        while cut > 1 and self.width_of(word[:cut], face, size) > width:
            cut -= 1
        return cut

    def printable(self, text: str) -> str:
        """A text in composed form, its substitutes put in.

        Raises:
            GlyphMissingError: a character has no glyph, or would print nothing.
        """
        return printable(text, self.layout)

    # Writing -------------------------------------------------------------------------------------

    def ink(self, colour: str) -> None:
        """Colour of fills and strokes from now on."""
        self._fill(colour)
        self._stroke(colour)

    def _fill(self, colour: str) -> None:
        """Say a colour only where it is another: the canvas keeps which one is set, also across its saved states."""
        canvas: Any = self.canvas
        if canvas._fillColorObj is not _colour(colour):  # noqa: SLF001 - tested
            canvas.setFillColor(_colour(colour))

    def _stroke(self, colour: str) -> None:
        canvas: Any = self.canvas
        if canvas._strokeColorObj is not _colour(colour):  # noqa: SLF001 - as above
            canvas.setStrokeColor(_colour(colour))

    def operators(self, text: str) -> None:
        """Draw by operators of ISO 32000-1, annex A; the library's own paths cost a quarter of a page's time."""
        canvas: Any = self.canvas
        canvas._code.append(text)  # noqa: SLF001 - as in tagging; a test looks at the samples

    def text(
        self, x: float, y: float, text: str, face: str = REGULAR, size: float | None = None, *,
        colour: str | None = None, align: str = "left", halo: str = "",
    ) -> None:  # fmt: skip
        """Write one line; ``align`` is left, right or centre of ``x``, ``halo`` the colour of a plate behind it."""
        size = self.layout.sizes.body if size is None else size
        shown = self.printable(text)
        if not shown:
            return
        x -= {"left": 0.0, "right": 1.0, "centre": 0.5}[align] * self.width_of(text, face, size)
        if halo or (self.plates and colour != WHITE):
            self._fill(halo or WHITE)
            box = (x - 1.0, y - 0.22 * size, self.width_of(text, face, size) + 2.0, 0.98 * size)
            left, low, width, height = (round(edge, 1) for edge in box)
            self.canvas.rect(left, low, width, height, stroke=0, fill=1)
        self._fill(colour or self.layout.colours.ink)
        with self.tags.text():
            for part, own in runs(shown, face):
                self._show(x, y, part, own, size)
                x += _width(part, own) * size

    def _show(self, x: float, y: float, text: str, face: str, size: float) -> None:
        """Text operators of one face, and of each of its subsets in this document (ISO 32000-1, 9.4).

        The move to a next line, TL and T*, draws nothing: it tells those who take the text out that this one ends.
        """
        from reportlab.pdfbase.pdfmetrics import getFont

        canvas: Any = self.canvas
        font: Any = getFont(face)
        document, shown = canvas._doc, []  # noqa: SLF001 - as in tagging
        for subset, codes in font.splitString(text, document):
            name, letters = font.getSubsetInternalName(subset, document), codes.decode("latin-1")
            shown.append(f"{name} {size:g} Tf ({letters.translate(_ESCAPED)}) Tj")
        self.operators(f"BT {x:.4f} {y:.4f} Td {1.2 * size:g} TL {' '.join(shown)} T* ET")

    def paragraph(
        self, x: float, top: float, text: str, width: float, face: str = REGULAR, *,
        size: float | None = None, colour: str | None = None,
    ) -> float:  # fmt: skip
        """Write wrapped lines downwards from ``top`` and give the height used."""
        size = self.layout.sizes.small if size is None else size
        lines = self.wrapped(text, face, size, width)
        with self.tags.element("P"):
            for index, line in enumerate(lines):
                self.text(x, top - size * (1.0 + LEADING * index), line, face, size, colour=colour)
        return len(lines) * size * LEADING

    def paragraph_height(self, text: str, width: float, face: str = REGULAR, size: float | None = None) -> float:
        """What :meth:`paragraph` will use."""
        size = self.layout.sizes.small if size is None else size
        return len(self.wrapped(text, face, size, width)) * size * LEADING

    def rule(self, y: float, thickness: float, colour: str | None = None) -> None:
        """A line across the page."""
        self.line(self.left, y, self.right, y, thickness, colour=colour or self.layout.colours.rule)

    def line(
        self, x0: float, y0: float, x1: float, y1: float, thickness: float, *, colour: str,
        dash: tuple[float, ...] = (),
    ) -> None:  # fmt: skip
        """A straight line."""
        self.canvas.saveState()
        self._stroke(colour)
        dashed = f"[{' '.join(map(str, dash))}] 0 d " if dash else ""
        self.operators(f"{thickness:g} w {dashed}n {x0:.4f} {y0:.4f} m {x1:.4f} {y1:.4f} l S")
        self.canvas.restoreState()

    def polylines(self, lines: Sequence[Sequence[tuple[float, float]]]) -> None:
        """Stroke lines of many points, as they are set."""
        drawn = [f"{x:.1f} {y:.2f} {'l' if index else 'm'}" for points in lines for index, (x, y) in enumerate(points)]
        if drawn:
            self.operators(f"n {' '.join(drawn)} S")

    # Marks as shapes, so that no face needs them ---------------------------------------------------

    def tick(self, x: float, y: float, size: float, colour: str, thickness: float) -> None:
        """A tick in a square whose lower left corner is (x, y)."""
        self._mark([[(0.08, 0.48), (0.38, 0.14), (0.94, 0.86)]], (x, y, size), colour, thickness)

    def cross(self, x: float, y: float, size: float, colour: str, thickness: float) -> None:
        """A cross in a square whose lower left corner is (x, y)."""
        strokes = [[(0.12, 0.12), (0.88, 0.88)], [(0.12, 0.88), (0.88, 0.12)]]
        self._mark(strokes, (x, y, size), colour, thickness)

    def _mark(
        self,
        strokes: list[list[tuple[float, float]]],
        square: tuple[float, float, float],
        colour: str,
        thickness: float,
    ) -> None:
        x, y, size = square
        self.canvas.saveState()
        self.ink(colour)
        self.canvas.setLineWidth(thickness)
        self.canvas.setLineCap(1)
        self.canvas.setLineJoin(1)
        path = self.canvas.beginPath()
        for points in strokes:
            path.moveTo(x + points[0][0] * size, y + points[0][1] * size)
            for across, up in points[1:]:
                path.lineTo(x + across * size, y + up * size)
        self.canvas.drawPath(path, stroke=1, fill=0)
        self.canvas.restoreState()

    def hatch(
        self, x: float, y: float, width: float, height: float, *, step: float, colour: str, thickness: float
    ) -> None:
        """Diagonal lines in a rectangle; they survive where a tint does not."""
        self.canvas.saveState()
        clip = self.canvas.beginPath()
        clip.rect(x, y, width, height)
        self.canvas.clipPath(clip, stroke=0, fill=0)
        self._stroke(colour)
        self.canvas.setLineWidth(thickness)
        starts = (x - height + step * number for number in range(ceil((width + height) / step)))
        self.polylines([[(start, y), (start + height, y + height)] for start in starts])
        self.canvas.restoreState()

    def place(self, name: str, box: tuple[float, float, float, float]) -> None:
        """Name a rectangle of this page (left, bottom, right, top) as a destination; the first of a name counts."""
        canvas: Any = self.canvas
        self._places.setdefault(name, (canvas._doc.thisPageRef(), box))  # noqa: SLF001 - as in tagging; tested

    def _write_places(self) -> None:
        from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName

        canvas: Any = self.canvas
        said = {
            name: PDFArray([page, PDFName("FitR"), *(round(edge, 2) for edge in box)])
            for name, (page, box) in self._places.items()
        }
        if said:
            canvas._doc.Catalog.Dests = PDFDictionary(said)  # noqa: SLF001 - as in tagging; tested

    def finished(self) -> bytes:
        """Close the document and give its bytes."""
        self.tags.write()
        self._write_places()
        self.canvas.save()
        return self.buffer.getvalue()


def printable(text: str, layout: Layout) -> str:
    """A text in composed form, its substitutes put in; loads the faces only where it is not plain ASCII.

    Raises:
        GlyphMissingError: a character has no glyph, or would print nothing.
    """
    if text.isascii() and text.isprintable():
        return text
    register_faces(layout)
    composed = unicodedata.normalize("NFC", text)
    for character, stands_in in layout.substitutes.items():
        composed = composed.replace(character, stands_in)
    for character in composed:
        if unicodedata.category(character) in INVISIBLE:
            raise GlyphMissingError(text, character)
        if ord(character) not in _GLYPHS and not (_is_wide(character) and ord(character) in _fallback(layout)):
            raise GlyphMissingError(text, character)
    return composed


def runs(text: str, face: str) -> list[tuple[str, str]]:
    """A printable text in pieces of one face each: what the face lacks is set in the fallback."""
    if not _FALLBACK:
        return [(text, face)]
    pieces = groupby(text, lambda character: face if ord(character) in _GLYPHS else FALLBACK)
    return [("".join(characters), own) for own, characters in pieces]


def _is_wide(character: str) -> bool:
    """Whether it is of a script whose signs stand side by side, unjoined, from left to right: Han, kana, Hangul."""
    return unicodedata.east_asian_width(character) in {"W", "F"} and unicodedata.bidirectional(character) in {"L", "ON"}


def _fallback(layout: Layout) -> set[int]:
    """What the fallback face has; it is loaded when the first text asks for it, and empty where no file is there."""
    file = next((one for one in layout.fonts.fallback if Path(one).is_file()), None)
    if not _FALLBACK and file is not None:
        from reportlab.pdfbase.pdfmetrics import registerFont
        from reportlab.pdfbase.ttfonts import TTFont

        font = TTFont(FALLBACK, file)
        embed_lean(font)
        registerFont(font)
        _FALLBACK.update(font.face.charToGlyph)
        _width.cache_clear()
    return _FALLBACK


@cache
def _colour(text: str) -> Any:
    from reportlab.lib.colors import HexColor

    return HexColor(text)


@lru_cache(maxsize=4096)
def _width(text: str, face: str) -> float:
    """Length of a printable text at size 1."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return sum(float(stringWidth(part, own, 1000)) for part, own in runs(text, face)) / 1000


_GLYPHS: set[int] = set()
_FALLBACK: set[int] = set()


def register_faces(layout: Layout) -> None:
    """Load the faces once per process; what a character needs is a glyph in all three."""
    if _GLYPHS:
        return
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    folder = files("font_source_sans_pro") / "files"
    common: set[int] | None = None
    named = ((REGULAR, layout.fonts.regular), (STRONG, layout.fonts.strong), (BOLD, layout.fonts.bold))
    for name, file in named:
        font = TTFont(name, str(folder / file))
        embed_lean(font)
        registerFont(font)
        glyphs = set(font.face.charToGlyph)
        common = glyphs if common is None else common & glyphs
    assert common is not None
    _GLYPHS.update(common)


def _date(canvas: Any, dated: datetime) -> None:
    """Write a date of our own, in UTC: the library's own local times lose half-hour offsets."""
    import time

    from reportlab.lib.utils import TimeStamp

    stamp = TimeStamp(1)
    seconds = dated.astimezone(UTC).timestamp()
    moment = time.gmtime(seconds)
    stamp.t, stamp.lt, stamp.YMDhms = seconds, moment, tuple(moment)[:6]
    canvas._doc._timeStamp = stamp  # noqa: SLF001 - the only way to date an invariant document; a test covers it
