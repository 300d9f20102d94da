"""An order as CSV: bytes in, rows out; and out again, safe against formulas.

Encoding and delimiter are found out, never guessed: a byte-order mark or UTF-8 without fault, and the delimiter that
makes columns of the names in the header.
"""

import codecs
import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from testbench.errors import EncodingRefusedError, FileRefusedError
from testbench.procedure.order_rows import COLUMNS, NEEDED, BadCell, Row
from testbench.procedure.serials import MOST_VALVES, begins_a_formula
from testbench.procedure_files.loader import bytes_of

LARGEST_CSV = 20_000_000  # bytes; 20,000 rows of a thousand signs
LONGEST_HEADER = 10_000
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
ALLOWED = "UTF-8, or UTF-16 with a byte-order mark, is needed"


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of a file, and how it was read."""

    rows: tuple[Row, ...]
    unread: tuple[BadCell, ...]
    """Rows whose cells cannot be told to columns."""
    encoding: str
    delimiter: str
    """In a word: comma, semicolon or tab."""
    empty: int
    """Rows in which no cell says anything; they do not count."""


def read_sheet(path: Path, common: Iterable[str] = ()) -> Sheet:
    """Read the rows of an order.

    Args:
        path: the file; its first row names the columns (``order_rows.COLUMNS``).
        common: columns that are given for all rows, so that the file must not have them.

    Raises:
        EncodingRefusedError: it is neither UTF-8 nor UTF-16 with a byte-order mark.
        FileRefusedError: it cannot be read or is too large, its header is wrong, a quotation mark is never closed, or
            there are no rows or too many.
    """
    file = str(path)
    text, encoding = decoded(bytes_of(path, LARGEST_CSV), file)
    delimiter = _delimiter(text)
    rows: list[Row] = []
    unread: list[BadCell] = []
    header: list[str] | None = None
    empty = 0
    for line, cells in _records(text, delimiter, file):
        if header is None:
            header = [] if cells[0].startswith("sep=") else _header(cells, set(common), file, line)
            header = header or None
            continue
        if not any(cells):
            empty += 1
            continue
        row = _row(line, cells, header)
        if isinstance(row, Row):
            rows.append(row)
        else:
            unread.append(row)
        if len(rows) + len(unread) > MOST_VALVES:
            allowed = f"at most {MOST_VALVES} rows make an order; part it into several"
            raise FileRefusedError(file, "rows", f"more than {MOST_VALVES}", allowed, line)
    if not rows and not unread:
        raise FileRefusedError(file, "rows", "none", "a header and at least one row are needed")
    return Sheet(tuple(rows), tuple(unread), encoding, DELIMITERS[delimiter], empty)


def decoded(data: bytes, file: str) -> tuple[str, str]:
    """Text and name of its encoding.

    Raises:
        EncodingRefusedError: the bytes do not say what they are.
    """
    encoding, mark = "utf-8", b""
    for name, found in (
        ("utf-8", codecs.BOM_UTF8),
        ("utf-16-le", codecs.BOM_UTF16_LE),
        ("utf-16-be", codecs.BOM_UTF16_BE),
    ):
        if data.startswith(found):
            encoding, mark = name, found
    body = data[len(mark) :]
    try:
        text = body.decode(encoding)
    except UnicodeDecodeError as failure:
        line = body[: failure.start].decode(encoding, "replace").count("\n") + 1
        told = f"byte {body[failure.start]:#04x}, which no {encoding[:6].upper()} text has there"
        raise EncodingRefusedError(file, "encoding", told, ALLOWED, line) from failure
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise EncodingRefusedError(file, "encoding", "a NUL byte", ALLOWED, line)
    return text, f"{encoding[:6].upper()}{' with byte-order mark' if mark else ''}"


def _delimiter(text: str) -> str:
    """The one that makes known columns of the most cells of the header; a comma where none does."""
    lines = [line for line in text[:LONGEST_HEADER].splitlines()[:2] if line.strip()]
    if lines and lines[0][:4] == "sep=" and lines[0][4:] in DELIMITERS:
        return lines[0][4:]
    header = lines[0] if lines else ""
    return max(DELIMITERS, key=lambda sign: sum(_named(cell) in COLUMNS for cell in header.split(sign)))


def _records(text: str, delimiter: str, file: str) -> Iterable[tuple[int, list[str]]]:
    """Line on which each record begins, and its cells without the spaces at their ends."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    begins = 1
    try:
        for cells in reader:
            if cells:
                yield begins, [_stripped(cell) for cell in cells]
            begins = reader.line_num + 1
    except csv.Error as failure:
        what = "a quotation mark that is not closed, or not doubled, or a cell without end"
        raise FileRefusedError(
            file, "cells", what, "quotation marks stand round a cell, doubled within", begins
        ) from failure


def _stripped(cell: str) -> str:
    """Spaces at the ends mean nothing; a tab or a carriage return in front does, to a spreadsheet."""
    return cell.rstrip().lstrip(" \u00a0\ufeff")


def _named(cell: str) -> str:
    return cell.strip().strip('"').strip().casefold().replace(" ", "_").replace("-", "_")


def _header(cells: Sequence[str], common: set[str], file: str, line: int) -> list[str]:
    names = [_named(cell) for cell in cells]
    for name, cell in zip(names, cells, strict=True):
        if name and name not in COLUMNS:
            raise FileRefusedError(file, "header", repr(cell[:60]), f"columns are {', '.join(COLUMNS)}", line)
        if name and names.count(name) > 1:
            raise FileRefusedError(file, "header", f"'{name}' twice", "a column stands there once", line)
        if name in common:
            raise FileRefusedError(file, "header", f"'{name}'", "it is given for all rows by an option", line)
    for name in NEEDED:
        if name not in names and name not in common:
            raise FileRefusedError(file, "header", f"no column '{name}'", "it is needed, here or as an option", line)
    return names


def _row(line: int, cells: Sequence[str], header: Sequence[str]) -> Row | BadCell:
    if len(cells) != len(header):
        return BadCell(line, "row", f"{len(cells)} cells", f"the header has {len(header)}")
    named = dict(zip(header, cells, strict=True))
    if nameless := next((cell for name, cell in zip(header, cells, strict=True) if cell and not name), ""):
        return BadCell(line, "row", repr(nameless[:60]), "its column has no name in the header")
    return Row(line, {name: cell for name, cell in named.items() if cell})


# Out --------------------------------------------------------------------------------------------


def safe(text: str) -> str:
    """A cell that no spreadsheet takes for a formula: what begins like one, or with an apostrophe, gets an apostrophe.

    Whoever reads the file with a program takes one leading apostrophe off and has the text again.
    """
    return f"'{text}" if begins_a_formula(text) or text.startswith("'") else text


def csv_text(header: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    """Rows as CSV (RFC 4180: commas, CRLF), every cell safe against formulas; None is an empty cell."""
    return "".join(csv_lines(header, rows))


def csv_lines(header: Sequence[str], rows: Iterable[Mapping[str, object]]) -> Iterator[str]:
    """The same line by line, so that any number of rows takes little memory."""
    yield _line(header)
    for row in rows:
        yield _line([safe("" if row[name] is None else str(row[name])) for name in header])


def _line(cells: Sequence[str]) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue()
