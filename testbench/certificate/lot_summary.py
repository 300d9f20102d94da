"""The summary of an order: every serial number on a line, on as many pages as it takes. Not signed, no certificate."""

from datetime import UTC, datetime

from testbench.certificate.data import layout
from testbench.certificate.history_words import history_words
from testbench.certificate.pen import BOLD, REGULAR, STRONG, Pen
from testbench.station.lot import Lot, LotLine

ROW = 13.0
FOOT = 18.0
_COLUMNS = (("serial", 0.0), ("product", 0.21), ("verdict", 0.47), ("attempts", 0.62), ("run", 0.68), ("day", 0.79),
            ("document", 0.885))  # fmt: skip
"""Where each column begins, as a share of the width."""


def lot_pdf(lot: Lot, works: str, paper: str, at: datetime) -> bytes:
    """Draw the summary.

    Args:
        lot: the order, with at least one line.
        works: the name on the page.
        paper: ``"A4"`` or ``"Letter"``.
        at: when it is printed.

    Raises:
        GlyphMissingError: a text holds a character that cannot be printed.
    """
    return _Summary(lot, works, paper, at).draw()


class _Summary:
    def __init__(self, lot: Lot, works: str, paper: str, at: datetime) -> None:
        self._lot, self._works, self._at = lot, works, at.astimezone(UTC)
        self._say = history_words()
        self._pen = Pen(layout(), paper, self._at)
        pen = self._pen
        self._title = self._say("lot.title", order=lot.order)
        pen.canvas.setTitle(self._title)
        self._width = pen.right - pen.left

    def draw(self) -> bytes:
        pen, lines = self._pen, list(self._lot.lines)
        pages: list[list[LotLine]] = []
        first = int((self._facts(draw=False) - pen.bottom - FOOT - 2 * ROW) // ROW)
        rest = int((self._head(draw=False) - pen.bottom - FOOT - 2 * ROW) // ROW)
        pages.append(lines[:first])
        pages += [lines[begin : begin + rest] for begin in range(first, len(lines), rest)]
        for number, page in enumerate(pages, 1):
            top = self._facts() if number == 1 else self._head()
            self._table(top, page)
            self._foot(number, len(pages))
            pen.canvas.showPage()
        return pen.finished()

    def _head(self, *, draw: bool = True) -> float:
        """Title and what this page is not; gives the height at which it ends."""
        pen, sizes = self._pen, self._pen.layout.sizes
        if draw:
            size = pen.fitted(self._title, BOLD, sizes.title, 0.65 * self._width)
            pen.text(pen.left, pen.top - 13, self._title, BOLD, size)
            pen.text(pen.right, pen.top - 13, self._works, STRONG, sizes.section, align="right")
            pen.rule(pen.top - 20, 1.6, pen.layout.colours.ink)
            pen.paragraph(
                pen.left, pen.top - 23, self._say("lot.no_certificate"), self._width, STRONG, size=sizes.section
            )
        height = pen.paragraph_height(self._say("lot.no_certificate"), self._width, STRONG, sizes.section)
        return pen.top - 26 - height

    def _facts(self, *, draw: bool = True) -> float:
        """The head of the first page, with the order's facts."""
        pen, say, lot = self._pen, self._say, self._lot
        top = self._head(draw=draw) - 2
        told = {
            "customer": lot.customer, "customer_order": lot.customer_order, "procedure": ", ".join(lot.procedures),
        }  # fmt: skip
        facts = [(say(f"lot.{key}"), value) for key, value in told.items() if value]
        counts = {state.replace(" ", "_"): count for state, count in lot.counts.items()}
        facts.append(("", say("lot.counts", valves=len(lot.lines), **counts)))
        if any(line.specimen for line in lot.lines):
            facts.append(("", say("lot.specimen")))
        for label, value in facts:
            if draw and label:
                pen.text(pen.left, top - 9, label, REGULAR, colour=pen.layout.colours.label)
            x = pen.left + (90 if label else 0)
            room = pen.right - x
            if draw:
                pen.paragraph(x, top - 1, value, room, REGULAR if label else STRONG, size=pen.layout.sizes.body)
            top -= pen.paragraph_height(value, room, REGULAR if label else STRONG, pen.layout.sizes.body) + 2
        return top - 4

    def _table(self, top: float, lines: list[LotLine]) -> None:
        pen, colours = self._pen, self._pen.layout.colours
        for name, share in _COLUMNS:
            pen.text(pen.left + share * self._width, top - 10, self._say(f"lot.{name}"), REGULAR, colour=colours.label)
        pen.rule(top - 14, 0.5)
        y = top - 14
        for line in lines:
            y -= ROW
            refused = line.verdict != "accepted"
            verdict = f"{line.verdict} *" if line.specimen else line.verdict
            cells = (line.serial, line.product, verdict, f"{line.runs}", line.run, line.day, line.document)
            edges = [share for _, share in _COLUMNS[1:]] + [1.0]
            for (name, share), cell, end in zip(_COLUMNS, cells, edges, strict=True):
                room = (end - share) * self._width - (3 if end < 1 else 0)
                face = BOLD if name == "verdict" and refused else STRONG if name == "serial" else REGULAR
                self._cell(pen.left + share * self._width, y + 3.6, cell, face, room)
            pen.rule(y, 0.3, colours.hairline)

    def _cell(self, x: float, y: float, text: str, face: str, room: float) -> None:
        """A text in its column: smaller where it must be, then cut with an ellipsis."""
        pen = self._pen
        size = pen.fitted(text, face, pen.layout.sizes.body, room)
        if pen.width_of(text, face, size) > room:
            while text and pen.width_of(f"{text}…", face, size) > room:
                text = text[:-1]
            text = f"{text}…"
        if text:
            pen.text(x, y, text, face, size)

    def _foot(self, number: int, pages: int) -> None:
        pen, y = self._pen, self._pen.bottom + 2
        printed = self._say("quality.printed", at=f"{self._at:%Y-%m-%d %H:%M}", works=self._works)
        pen.text(pen.left, y, printed, REGULAR, pen.layout.sizes.small, colour=pen.layout.colours.label)
        page = self._say("lot.page", page=number, pages=pages)
        pen.text(pen.right, y, page, REGULAR, pen.layout.sizes.small, colour=pen.layout.colours.label, align="right")
