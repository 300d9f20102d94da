"""CSV tables with the unit in the header of each column: ``time_s,pressure_psi``.

A table is refused with file, line and column; nothing is skipped, filled in or guessed. Empty lines and lines that
begin with ``#`` do not count. Columns that nobody asked for are named in ``ignored``.
"""

import csv
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from testbench.errors import FileRefusedError, FileUnreadableError

LARGEST_FILE = 200_000_000  # bytes; a week at 10 readings a second
DELIMITERS = ",;\t"
ANY_UNIT = ("*",)
SECONDS: Mapping[str, float] = {"s": 1.0, "min": 60.0, "h": 3600.0, "ms": 1e-3}


@dataclass(frozen=True, slots=True)
class Column:
    """The numbers of one column as written, and their unit."""

    name: str
    unit: str
    values: NDArray[np.float64]
    last_place: float
    """What the last written digit stands for: 0.01 if the longest number has two decimals."""

    @property
    def header(self) -> str:
        """As it stands in the file."""
        return f"{self.name}_{self.unit}" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Table:
    """The columns that were asked for, and the line each row stands on."""

    file: str
    columns: Mapping[str, Column]
    words: Mapping[str, tuple[str, ...]]
    """The columns of words."""
    lines: tuple[int, ...]
    ignored: tuple[str, ...]

    def __getitem__(self, name: str) -> Column:
        return self.columns[name]

    def __contains__(self, name: object) -> bool:
        return name in self.columns

    def __len__(self) -> int:
        return len(self.lines)

    def refuse(self, row: int, column: str, found: str, allowed: str) -> FileRefusedError:
        """A refusal that names a row by its line in the file."""
        header = self.columns[column].header if column in self.columns else column
        return FileRefusedError(self.file, header, found, allowed, self.lines[row])

    def seconds(self, name: str = "time") -> NDArray[np.float64]:
        """A column of times that rise from row to row [s]. Seconds since 1970 are fine.

        Raises:
            FileRefusedError: a time is not later than the one before.
        """
        column = self.columns[name]
        late = np.flatnonzero(np.diff(column.values) <= 0)
        if late.size:
            row = int(late[0]) + 1
            before, found = column.values[row - 1], column.values[row]
            raise self.refuse(row, name, f"{found:.15g} after {before:.15g}", "times must rise from line to line")
        return column.values * SECONDS[column.unit]


def read_table(
    path: Path,
    wanted: Mapping[str, tuple[str, ...]],
    optional: Mapping[str, tuple[str, ...]] | None = None,
    *,
    words: tuple[str, ...] = (),
    optional_words: tuple[str, ...] = (),
    least_rows: int = 3,
) -> Table:
    """Read a CSV file.

    Args:
        path: the file: UTF-8, header in the first line, fields parted by comma, semicolon or tab, decimal points.
        wanted: for each column that must be there the units it may have, the usual one first; () for a plain number,
            ``ANY_UNIT`` for whatever the header says.
        optional: the same for columns that may be there.
        words: columns of words that must be there; no field of theirs may be empty.
        optional_words: columns of words that may be there; their fields may be empty.
        least_rows: fewest rows.

    Raises:
        FileRefusedError: the file cannot be read, a column is missing, twice there or has an unknown unit, a number
            cannot be read, or there are too few rows.
    """
    needed = {**dict.fromkeys(words, ()), **wanted}
    asked = {**needed, **(optional or {}), **dict.fromkeys(optional_words, ())}
    rows = _rows(path)
    line, header = next(rows, (None, []))
    if line is None:
        raise FileRefusedError(str(path), "header", "nothing", f"a line such as {_example(needed)} is needed")
    places = _places(path, line, header, asked)
    for name, units in needed.items():
        if name not in places:
            column = f"a column {_headers(name, units)} is needed"
            raise FileRefusedError(str(path), name, ", ".join(header), column, line)
    lines, fields = _fields(path, rows, header)
    if len(lines) < least_rows:
        raise FileRefusedError(str(path), "rows", str(len(lines)), f"at least {least_rows} are needed")
    texts = {name: [row[place] for row in fields] for name, (place, _) in places.items()}
    for name in words:
        if "" in texts[name]:
            raise FileRefusedError(str(path), name, "nothing", "a word is needed", lines[texts[name].index("")])
    said = {name: tuple(texts.pop(name)) for name in (*words, *optional_words) if name in texts}
    columns = {name: _column(path, name, places[name][1], column, lines) for name, column in texts.items()}
    used = {place for place, _ in places.values()}
    ignored = tuple(text for place, text in enumerate(header) if place not in used)
    return Table(str(path), columns, said, tuple(lines), ignored)


def header_of(path: Path) -> list[str]:
    """The headers of a file's columns, none if it is empty.

    Raises:
        FileRefusedError: the file cannot be read.
    """
    return next((header for _, header in _rows(path)), [])


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Line number and fields of every line that counts."""
    lines = _text_of(path).splitlines()
    first = next((line for line in lines if _counts(line)), "")
    delimiter = max(DELIMITERS, key=first.count)
    for number, line in enumerate(lines, 1):
        if _counts(line):
            yield number, [field.strip() for field in next(csv.reader([line], delimiter=delimiter))]


def _counts(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _text_of(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_FILE:
            found = f"{path.stat().st_size} bytes"
            raise FileRefusedError(str(path), "the file", found, f"at most {LARGEST_FILE} bytes are read")
        return path.read_text(encoding="utf-8-sig")
    except OSError as failure:
        found = failure.strerror or str(failure)
        raise FileUnreadableError(str(path), "the file", found, "a readable file is needed") from failure
    except UnicodeDecodeError as failure:
        found = f"byte {failure.start} is not UTF-8"
        raise FileRefusedError(str(path), "the file", found, "a text file in UTF-8 is needed") from failure


def _places(
    path: Path, line: int, header: list[str], asked: Mapping[str, tuple[str, ...]]
) -> dict[str, tuple[int, str]]:
    """Where each asked column stands, and its unit."""
    places: dict[str, tuple[int, str]] = {}
    for place, text in enumerate(header):
        names = [name for name in asked if text == name or text.startswith(f"{name}_")]
        if not names:
            continue
        name = max(names, key=len)
        unit = text[len(name) + 1 :]
        units = asked[name] or ("",)
        if units != ANY_UNIT and unit not in units:
            found = f"unit '{unit}'" if unit else "no unit"
            allowed = f"allowed are {', '.join(units)}" if asked[name] else "it is a number without a unit"
            raise FileRefusedError(str(path), text, found, allowed, line)
        if name in places:
            raise FileRefusedError(str(path), text, f"a second column of {name}", "one is needed", line)
        places[name] = (place, unit)
    return places


def _fields(path: Path, rows: Iterator[tuple[int, list[str]]], header: list[str]) -> tuple[list[int], list[list[str]]]:
    lines, fields = [], []
    for number, row in rows:
        if len(row) != len(header):
            raise FileRefusedError(str(path), "fields", str(len(row)), f"the header has {len(header)}", number)
        lines.append(number)
        fields.append(row)
    return lines, fields


def _column(path: Path, name: str, unit: str, texts: list[str], lines: list[int]) -> Column:
    values = np.empty(len(texts))
    header = f"{name}_{unit}" if unit else name
    for row, text in enumerate(texts):
        values[row] = number = _number(text)
        if not math.isfinite(number):
            found = f"'{text}'" if text else "nothing"
            raise FileRefusedError(str(path), header, found, "a number with a decimal point is needed", lines[row])
    decimals = max((len(text.partition(".")[2]) for text in texts if "e" not in text.lower()), default=0)
    return Column(name, unit, values, 10.0**-decimals)


def _number(text: str) -> float:
    """The number, or NaN where there is none. Python's digit groups (1_000) are no numbers here."""
    try:
        return math.nan if "_" in text else float(text)
    except ValueError:
        return math.nan


def _headers(name: str, units: tuple[str, ...]) -> str:
    return " or ".join(_header(name, unit) for unit in units) or name


def _example(wanted: Mapping[str, tuple[str, ...]]) -> str:
    return ",".join(_header(name, units[0]) if units else name for name, units in wanted.items())


def _header(name: str, unit: str) -> str:
    return f"{name}_{'unit' if (unit,) == ANY_UNIT else unit}" if unit else name
