"""A document about many runs: letterhead, what it is about, a table that flows over pages, its seal. Drawing only."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from testbench.certificate.blocks import Strip, colour_of, facts_block, letterhead, section, verdict_strip
from testbench.certificate.content import Content
from testbench.certificate.data import Layout
from testbench.certificate.evidence import Fact
from testbench.certificate.frame import Frame, flow, paint
from testbench.certificate.languages import Words
from testbench.certificate.page import closing_block, opened, sheets_of
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.certificate.table import DETAIL, ROW, Block, mark
from testbench.metrology.decision_rule import Conformity
from testbench.run.record import Verdict
from testbench.station.bench import Works
from testbench.station.summed_up import SummedRow, SummedUp


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the table."""

    label: str
    edge: float
    """Where it begins, as a share of the width."""


@dataclass(frozen=True, slots=True)
class Row:
    """One valve or one run."""

    cells: tuple[str, ...]
    verdict: Verdict | None
    """None: void, not tested, or accepted and in doubt."""
    judged: str
    """The verdict in words: the last cell."""
    details: tuple[str, ...]
    facts: SummedRow
    """The same as facts."""

    @property
    def doubted(self) -> bool:
        """Whether it was accepted and does not count as such."""
        return self.verdict is None and self.facts.verdict == Verdict.ACCEPTED

    @property
    def listed(self) -> SummedRow:
        """Facts, and what is printed of them."""
        return self.facts.model_copy(update={"printed": (*self.cells, self.judged, *self.details)})


@dataclass(frozen=True, slots=True)
class Told:
    """What a summary says and its list does not hold."""

    software: str
    specimens: int
    """How many of the runs make it a specimen."""
    about: tuple[tuple[str, str], ...]
    """What stands beside the subject: keys of the wording, and values."""
    offsets: tuple[int, ...]
    """Of a shift: minutes ahead of UTC in which beginning and end are written."""
    pages: bool
    """Whether the pages of valves follow."""
    dated: datetime
    """The date of the unsigned file."""


@dataclass(frozen=True, slots=True)
class Summary:
    """All words and numbers of a summary."""

    title: str
    number: Fact
    about: Fact
    word: str
    """The answer to the reader's first question; empty where none is given."""
    good: bool
    reasons: tuple[str, ...]
    specimen: str
    """The sentence that says how many runs make it a specimen; empty where none does."""
    mark: str
    """The same in short, for the foot."""
    works: Works
    issued: str
    left_heading: str
    left: tuple[Fact, ...]
    heading: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    closing: tuple[Fact, ...]
    how_to_verify: str
    software: str
    listed: SummedUp
    """The list that is attached."""
    told: Told

    @property
    def code(self) -> str:
        """What the QR code holds."""
        return self.listed.code


def draw_summary(
    found: Summary, layout: Layout, words: Words, paper: str, pages: Sequence[Content] = (), *, total: int | None = None
) -> bytes:
    """Draw a summary, and the page of each of these runs after it; sheets are numbered through.

    Args:
        found: its words and numbers.
        layout: sizes and colours.
        words: labels of the page.
        paper: ``"A4"`` or ``"Letter"``.
        pages: of the runs.
        total: how many sheets the whole document has, where this is only its beginning.

    Returns:
        An unsigned PDF 1.7; the same bytes for the same arguments.

    Raises:
        GlyphMissingError: a text holds a character that cannot be printed.
    """
    named = (f"{found.title} {found.number.value}", found.works.name, found.code, found.software)
    pen = opened(layout, words, paper, found.told.dated, named)
    shown = Verdict.ACCEPTED if found.good else Verdict.REJECTED
    frame = Frame(
        found.title, found.number.value, found.about.value, found.word,
        colour_of(pen, shown if found.word else None), found.software, found.mark,
    )  # fmt: skip
    closing = closing_block(pen, found.closing, found.how_to_verify, found.code, words)
    sheets = flow(pen, frame, _blocks(pen, found, words), closing, ending=len(found.notes) + len(found.cautions) + 1)
    for content in pages:
        sheets += sheets_of(pen, content, words)
    return paint(pen, sheets, words, total)


def _blocks(pen: Pen, found: Summary, words: Words) -> list[Block]:
    issued = f"{words('head.issued')} {found.issued}"
    specimen = words("specimen.word") if found.specimen else ""
    head = [letterhead(pen, found.works, found.title)]
    facts = found.left
    if found.word:
        head.append(verdict_strip(pen, Strip(found.good, found.word, found.about, found.number, issued, specimen)))
    else:
        facts = (found.about, found.number, Fact(words("head.issued"), found.issued), *facts)
    width = pen.right - pen.left
    said = [_paragraph(pen, text, STRONG, 9.0) for text in (*found.reasons, *filter(None, [found.specimen]))]
    identity = facts_block(pen, found.left_heading, facts, x=pen.left, width=width, label_width=90.0)
    labels = Block(12.0, lambda top: _labels(pen, found, top + 3))
    rows = [replace(_row(pen, found, row), again=labels) for row in found.rows]
    table = [_table_head(pen, found), *rows]
    rest = [_paragraph(pen, text, REGULAR, pen.layout.sizes.small) for text in (*found.notes, *found.cautions)]
    return [*head, *said, _space(3), identity, _space(6), *table, _space(5), *rest]


def _space(height: float) -> Block:
    return Block(height, lambda _: None)


def _paragraph(pen: Pen, text: str, face: str, size: float) -> Block:
    width = pen.right - pen.left
    height = pen.paragraph_height(text, width, face, size) + 2

    def paint_it(top: float) -> None:
        pen.paragraph(pen.left, top, text, width, face, size=size)

    return Block(height, paint_it)


def _edges(pen: Pen, found: Summary) -> list[float]:
    return [pen.left + column.edge * (pen.right - pen.left) for column in found.columns] + [pen.right]


def _table_head(pen: Pen, found: Summary) -> Block:
    """Section head and the labels of the columns; the last is that of the verdict."""

    def paint_it(top: float) -> None:
        section(pen, found.heading, pen.left, pen.right, top)
        _labels(pen, found, top - 12)

    return Block(25.0, paint_it)


def _labels(pen: Pen, found: Summary, top: float) -> None:
    small, label, edges = pen.layout.sizes.small, pen.layout.colours.label, _edges(pen, found)
    with pen.tags.element("P"):
        for column, x in zip(found.columns, edges, strict=False):
            pen.text(x, top - 9, column.label, REGULAR, small, colour=label)
    pen.rule(top - 12, 0.4)


def _row(pen: Pen, found: Summary, row: Row) -> Block:
    """Cells that wrap, the verdict with its mark, and below it what was measured; never parted by the end of a page."""
    edges, small = _edges(pen, found), pen.layout.sizes.small
    cells = [
        pen.wrapped(cell, STRONG if index == 1 else REGULAR, 8, edges[index + 1] - edges[index] - 5)
        for index, cell in enumerate(row.cells)
    ]
    indent = edges[1]
    details = [line for text in row.details for line in pen.wrapped(text, REGULAR, small, pen.right - indent)]
    tall = max(len(lines) for lines in cells)
    height = ROW * tall + DETAIL * len(details) + 3

    def paint_it(top: float) -> None:
        with pen.tags.element("P"):
            for index, lines in enumerate(cells):
                for number, line in enumerate(lines):
                    face = STRONG if index == 1 else REGULAR
                    pen.text(edges[index], top - 8 - ROW * number, line, face, 8)
            last = edges[len(row.cells)]
            mark(pen, last, top - 8.5, 6.4, _as_mark(row.verdict))
            face = BOLD if row.verdict is Verdict.REJECTED else REGULAR
            pen.text(last + 10, top - 8, row.judged, face, 8)
            for number, line in enumerate(details):
                y = top - ROW * tall - 6.4 - DETAIL * number
                pen.text(indent, y, line, REGULAR, small, colour=pen.layout.colours.label)
        pen.rule(top - height + 1, 0.3, pen.layout.colours.hairline)

    return Block(height, paint_it)


def _as_mark(verdict: Verdict | None) -> Conformity:
    if verdict is Verdict.ACCEPTED:
        return Conformity.CONFORMS
    return Conformity.DOES_NOT_CONFORM if verdict is Verdict.REJECTED else Conformity.WITHIN_GUARD_BAND
