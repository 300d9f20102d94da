"""Tags for screen readers: what is a heading, a paragraph, a figure with its words, and what is decoration.

The drawing library writes none, so they are put between its own operators: text belongs to an element, everything else
is an artifact. The elements stand under one Document in the order in which they were drawn, which is the reading order.
The table of a stage has rows and cells; in an object stream they cost 1.3 kB a page, compressed.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

ARTIFACT = "/Artifact BMC"
CLOSE = "EMC"


@dataclass(slots=True)
class Element:
    """One element of the structure: a role of ISO 32000-1, 14.8.4, and its pieces on one page."""

    role: str
    alt: str
    page: int
    within: int | None = None
    """Number of the group that it belongs to; None: the document itself."""
    pieces: list[int] = field(default_factory=list)
    """Of a group: nothing; its elements follow it."""
    table: dict[str, Any] = field(default_factory=dict)
    """What a cell says of itself (ISO 32000-1, 14.8.5.7): ``Scope`` of a heading, ``ColSpan``."""


class Tags:
    """Marks what is drawn on a canvas, page by page; ``write`` puts the structure into the document."""

    def __init__(self, canvas: Any) -> None:
        self._canvas = canvas
        self._elements: list[Element] = []
        self._open: Element | None = None
        self._group: int | None = None
        """Number of the table or row that is open."""
        self._silent = True
        """Nothing is marked: between pages, in an artifact, in a figure that is marked as a whole."""
        self._pages: list[Any] = []
        self._parents: list[list[int]] = []
        """Of each page, the element to which each of its pieces belongs."""

    def begin_page(self) -> None:
        """From here on the page is drawn: an artifact, until a text says otherwise."""
        self._pages.append(self._canvas._doc.thisPageRef())  # noqa: SLF001 - the library has no other way; tested
        self._parents.append([])
        self._silent = False
        self._say(ARTIFACT)

    def end_page(self) -> None:
        """The page is drawn."""
        self._say(CLOSE)
        self._silent = True

    @contextmanager
    def element(self, role: str, alt: str = "", **table: Any) -> Iterator[None]:
        """Everything that is written inside belongs to one element; one inside another changes nothing.

        With ``alt`` it is a whole: drawing and writing together, told by these words. A cell is there though nothing
        is written in it; ``table`` is what it says of itself.
        """
        if self._open is not None or self._silent:
            yield
            return
        self._open = Element(role, alt, len(self._pages) - 1, self._group, table=table)
        if alt:
            with self._piece(), self.artifact():
                yield
        else:
            yield
        if self._open.pieces or role == "TD":
            self._elements.append(self._open)
        self._open = None

    @contextmanager
    def group(self, role: str) -> Iterator[None]:
        """What is written inside are elements of one table, or of one row of it."""
        if self._silent:
            yield
            return
        outer = self._group
        self._elements.append(Element(role, "", len(self._pages) - 1, outer))
        self._group = len(self._elements) - 1
        yield
        self._group = outer

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """What is written inside is repeated on every page, or part of a figure: no element of its own."""
        before, self._silent = self._silent, True
        yield
        self._silent = before

    @contextmanager
    def text(self) -> Iterator[None]:
        """A text: a piece of the open element, else a paragraph of its own."""
        if self._silent:
            yield
            return
        with self.element("P"), self._piece():
            yield

    @contextmanager
    def _piece(self) -> Iterator[None]:
        assert self._open is not None
        number = len(self._parents[-1])
        self._parents[-1].append(len(self._elements))
        self._open.pieces.append(number)
        self._say(f"{CLOSE} /{self._open.role} <</MCID {number}>> BDC")
        yield
        self._say(f"{CLOSE} {ARTIFACT}")

    def _say(self, operators: str) -> None:
        self._canvas._code.append(operators)  # noqa: SLF001 - the library has no other way; tested

    def write(self) -> None:
        """Put the structure tree into the document, before it is saved."""
        if not self._pages:
            return
        from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName

        document = self._canvas._doc  # noqa: SLF001 - see above
        root, top = PDFDictionary({"Type": PDFName("StructTreeRoot")}), PDFDictionary({"S": PDFName("Document")})
        root_ref, top_ref = document.Reference(root), document.Reference(top)
        said = [PDFDictionary(self._told(one)) for one in self._elements]
        kids = [document.Reference(one) for one in said]
        below: list[list[Any]] = [[] for _ in kids]
        whole: list[Any] = []
        for one, dictionary, kid in zip(self._elements, said, kids, strict=True):
            (whole if one.within is None else below[one.within]).append(kid)
            dictionary["P"] = top_ref if one.within is None else kids[one.within]
        for one, dictionary, parts in zip(self._elements, said, below, strict=True):
            dictionary["K"] = PDFArray(one.pieces or parts)
        top["P"], top["K"] = root_ref, PDFArray(whole)
        numbers: list[Any] = []
        for page, pieces in enumerate(self._parents):
            numbers += [page, PDFArray([kids[element] for element in pieces])]
        root["K"], root["ParentTree"] = top_ref, PDFDictionary({"Nums": PDFArray(numbers)})
        document.Catalog.StructTreeRoot = root_ref
        document.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})
        for number, page in enumerate(document.Pages.pages):
            page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
            page.StructParents, page.Tabs = number, PDFName("S")

    def _told(self, one: Element) -> dict[str, Any]:
        """What an element says of itself, without its place in the tree."""
        from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFName, PDFString

        told: dict[str, Any] = {"S": PDFName(one.role)}
        if one.pieces:
            told["Pg"] = self._pages[one.page]
        if one.alt:
            told["Alt"] = PDFString(one.alt)
        if one.table:
            own = {key: PDFName(value) if isinstance(value, str) else value for key, value in one.table.items()}
            told["A"] = PDFDictionary({"O": PDFName("Table")} | own)
        return told
