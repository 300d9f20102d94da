"""The table of criteria: required, met at, measured, uncertainty, judged; the same edges for every stage of a page."""

from collections.abc import Callable
from dataclasses import dataclass

from testbench.certificate.languages import Words
from testbench.certificate.lines import TableLine
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.metrology.decision_rule import Conformity

ROW, DETAIL = 9.4, 8.0
"""Heights of a row and of a line below it [pt]."""


@dataclass(frozen=True, slots=True)
class Block:
    """A part of a page. ``draw(top)`` paints it below ``top`` [pt]."""

    height: float
    draw: Callable[[float], None]
    again: "Block | None" = None
    """The label of what it continues, where it begins a page."""


def mark(pen: Pen, x: float, y: float, size: float, conformity: Conformity) -> None:
    """Tick, cross, or a dash for what was left undecided."""
    colours = pen.layout.colours
    if conformity is Conformity.CONFORMS:
        pen.tick(x, y, size, colours.accepted, size / 5)
    elif conformity is Conformity.DOES_NOT_CONFORM:
        pen.cross(x, y, size, colours.rejected, size / 5)
    else:
        pen.line(x, y + size / 2, x + size, y + size / 2, size / 5, colour=colours.ink)


@dataclass(frozen=True, slots=True)
class Columns:
    """Edges of the table [pt], from layout.toml: numbers stand on their decimal points, words end on the same line."""

    unit: float
    required: float
    met_at: float
    measured: float
    uncertainty: float
    judged: float

    @classmethod
    def of(cls, pen: Pen) -> "Columns":
        """The same edges for every stage of a page."""
        width, x = pen.right - pen.left, pen.left
        return cls(**{name: x + share * width for name, share in pen.layout.columns.model_dump().items()})


def table_block(pen: Pen, lines: tuple[TableLine, ...], words: Words) -> Block:
    """All lines of one stage below a quiet head."""
    columns = Columns.of(pen)
    room = columns.unit - pen.left - 6
    small = pen.layout.sizes.small
    detail_room = pen.right - pen.left - 8
    details = [pen.wrapped(line.detail, REGULAR, small, detail_room) if line.detail else [] for line in lines]
    names = [pen.wrapped(line.criterion, REGULAR, pen.fitted(line.criterion, REGULAR, 8, room), room) for line in lines]
    below = [len(line.others) + len(detail) for line, detail in zip(lines, details, strict=True)]
    height = 11 + sum(ROW * len(name) + DETAIL * more for name, more in zip(names, below, strict=True)) + 1

    def paint(top: float) -> None:
        with pen.tags.group("Table"):
            with pen.tags.group("TR"):
                _table_head(pen, columns, words, top)
            y = top - 11
            for line, name, detail in zip(lines, names, details, strict=True):
                with pen.tags.group("TR"):
                    _table_line(pen, columns, line, name, y - 8)
                y -= ROW * len(name)
                for other in line.others:
                    _other_unit(pen, columns, other, y - 6.4)
                    y -= DETAIL
                _details(pen, detail, y)
                y -= DETAIL * len(detail)
                pen.rule(y - 0.4, 0.3, pen.layout.colours.hairline)

    return Block(height, paint)


def _details(pen: Pen, lines: list[str], y: float) -> None:
    """What stands below a row, across all columns: a row of its own for who hears the page."""
    if not lines:
        return
    with pen.tags.group("TR"), pen.tags.element("TD", ColSpan=COLUMNS):
        for index, text in enumerate(lines):
            x, base = pen.left + 8, y - 6.4 - DETAIL * index
            pen.text(x, base, text, REGULAR, pen.layout.sizes.small, colour=pen.layout.colours.label)


def _table_head(pen: Pen, columns: Columns, words: Words, top: float) -> None:
    small, label = pen.layout.sizes.small, pen.layout.colours.label
    for key, x, align in (
        ("criterion", pen.left, "left"),
        ("unit", columns.unit, "left"),
        ("required", columns.required + TAIL, "right"),
        ("limit", columns.met_at + TAIL, "right"),
        ("measured", columns.measured + TAIL, "right"),
        ("uncertainty", columns.uncertainty + TAIL, "right"),
        ("judged", columns.judged, "left"),
        ("risk", pen.right, "right"),
    ):
        with pen.tags.element("TH", Scope="Column"):
            pen.text(x, top - 8, words(f"table.{key}"), REGULAR, small, colour=label, align=align)


TAIL, COLUMNS = 11.0, 8
"""Room right of a decimal point; words of a column end there [pt]. How many columns there are."""


def _table_line(pen: Pen, columns: Columns, line: TableLine, name: list[str], y: float) -> None:
    small, label = pen.layout.sizes.small, pen.layout.colours.label
    size = pen.fitted(line.criterion, REGULAR, 8, columns.unit - pen.left - 6)
    with pen.tags.element("TH", Scope="Row"):
        for index, text in enumerate(name):
            pen.text(pen.left, y - ROW * index, text, REGULAR, size)
    failed = line.conformity is Conformity.DOES_NOT_CONFORM
    with pen.tags.element("TD"):
        pen.text(columns.unit, y, line.unit, REGULAR, 8 if line.unit != line.uncertainty else small, colour=label)
    _cell(pen, columns.required, y, line.required, REGULAR)
    _cell(pen, columns.met_at, y, line.met_at, REGULAR)
    _cell(pen, columns.measured, y, line.measured, BOLD if failed else STRONG)
    _cell(pen, columns.uncertainty, y, line.uncertainty, REGULAR)
    mark(pen, columns.judged, y - 0.5, 6.4, line.conformity)
    with pen.tags.element("TD"):
        pen.text(columns.judged + 10, y, line.judged, BOLD if failed else REGULAR, 8)
    with pen.tags.element("TD"):
        pen.text(pen.right, y, line.risk, REGULAR, 8, align="right")


def _other_unit(pen: Pen, columns: Columns, line: TableLine, y: float) -> None:
    """The numbers of a row in another unit, small, on the same decimal points; what has none is not said again."""
    small, cells = pen.layout.sizes.small, (line.required, line.met_at, line.measured, line.uncertainty)
    edges = (columns.required, columns.met_at, columns.measured, columns.uncertainty)
    with pen.tags.group("TR"):
        for text in ("", line.unit):
            with pen.tags.element("TD"):
                pen.text(columns.unit, y, text, REGULAR, small, colour=pen.layout.colours.label)
        for x, text in zip(edges, cells, strict=True):
            _cell(pen, x, y, text if _is_number(text) else "", REGULAR, size=small)
        with pen.tags.element("TD", ColSpan=2):
            pass  # judged once, in the first unit


def _is_number(text: str) -> bool:
    return any(character.isdigit() for character in text)


def _cell(pen: Pen, x: float, y: float, text: str, face: str, *, size: float = 8) -> None:
    """A number on its decimal point, or words that end at the column's edge."""
    with pen.tags.element("TD"):
        if _is_number(text):
            whole = text.partition("," if "," in text else ".")[0]
            # One text, so that it is read and copied as one number.
            pen.text(x - pen.width_of(whole, face, size), y, text, face, size)
            return
        quiet = face == REGULAR
        colour = pen.layout.colours.label if quiet else None
        pen.text(x + TAIL, y, text, face, 7 if quiet else 8, colour=colour, align="right")
