"""Procedure, bench and order files: TOML text in, models out, refusals with file, line and field."""

import hashlib
import re
import tomllib
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from testbench.errors import FileRefusedError, FileUnreadableError, HomeMissingError, ProcedureUnknownError
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Order
from testbench.station.bench import Bench
from testbench.station.calibrations import CalibrationSheet

Model = TypeVar("Model", bound=BaseModel)
ORDERS = "orders"
"""Folder of a home with its order files."""
LARGEST_FILE = 200_000  # bytes; a procedure is a few kilobytes
LARGEST_ORDER = 20_000_000  # bytes; an order of MOST_VALVES has ten million
MOST_DOTS = 500  # in a line; a key of many thousand parts would keep the reader busy for minutes


def load_procedure(path: Path) -> tuple[Procedure, str]:
    """Read a procedure file.

    Returns:
        The procedure and the SHA-256 of the file's bytes.

    Raises:
        FileRefusedError: it breaks a rule; the sentence names file, line and field.
    """
    data = bytes_of(path)
    return _read(Procedure, path, data), hashlib.sha256(data).hexdigest()


def load_bench(home: Path) -> Bench:
    """Read ``bench.toml`` of a home folder.

    Raises:
        HomeMissingError: there is none.
        FileRefusedError: it breaks a rule.
    """
    path = home / "bench.toml"
    if not path.is_file():
        raise HomeMissingError(str(home))
    return _read(Bench, path, bytes_of(path))


def load_order(path: Path) -> Order:
    """Read one order file.

    Raises:
        FileRefusedError: it breaks a rule.
    """
    return _read(Order, path, bytes_of(path, LARGEST_ORDER))


def load_orders(home: Path) -> tuple[tuple[Order, ...], tuple[FileRefusedError, ...]]:
    """Read every order file below ``orders/`` of a home folder, by file name.

    Returns:
        The orders, and a refusal for each file that breaks a rule: one bad order does not stop the others.
    """
    return OrderShelf(home)()


@dataclass
class OrderShelf:
    """The orders of a home, asked for again and again: a file is read anew only where it is another than before."""

    home: Path
    _read: dict[Path, tuple[tuple[int, ...], Order | FileRefusedError]] = field(default_factory=dict)

    def __call__(self) -> tuple[tuple[Order, ...], tuple[FileRefusedError, ...]]:
        """As ``load_orders`` has it."""
        now = {}
        for path in sorted((self.home / ORDERS).glob("*.toml")):
            seen, kept = _stamp(path), self._read.get(path)
            now[path] = kept if kept is not None and kept[0] == seen else (seen, _order_or_refusal(path))
        self._read = {path: kept for path, kept in now.items() if kept[0]}
        found = [order for _, order in now.values()]
        return (
            tuple(order for order in found if isinstance(order, Order)),
            tuple(refusal for refusal in found if isinstance(refusal, FileRefusedError)),
        )


def _stamp(path: Path) -> tuple[int, ...]:
    """What changes with a file; nothing where it cannot be told."""
    try:
        at = path.stat()
    except OSError:
        return ()
    return at.st_mtime_ns, at.st_ctime_ns, at.st_size, at.st_ino


def _order_or_refusal(path: Path) -> Order | FileRefusedError:
    try:
        return load_order(path)
    except FileRefusedError as refusal:
        return refusal


def load_calibration(path: Path) -> CalibrationSheet:
    """Read what a calibration certificate says.

    Raises:
        FileRefusedError: it breaks a rule.
    """
    return _read(CalibrationSheet, path, bytes_of(path))


def shipped_folder() -> Path:
    """The procedures that come with the program."""
    installed = Path(str(files("testbench"))) / "data" / "procedures"
    return installed if installed.is_dir() else Path(str(files("testbench"))).parent / "procedures"


def procedures_at_hand(home: Path | None) -> dict[str, Path]:
    """Id → file of every procedure: the shipped ones, then the house's own, which may replace them."""
    found = {path.stem: path for path in sorted(shipped_folder().glob("*.toml"))}
    if home is not None:
        found |= {path.stem: path for path in sorted((home / "procedures").glob("*.toml"))}
    return found


def find_procedure(name: str, home: Path | None) -> tuple[Procedure, str]:
    """Load a procedure by its id.

    Raises:
        ProcedureUnknownError: none has this id.
        FileRefusedError: its file breaks a rule.
    """
    at_hand = procedures_at_hand(home)
    if name not in at_hand:
        raise ProcedureUnknownError(name, tuple(at_hand))
    return load_procedure(at_hand[name])


def bytes_of(path: Path, largest: int = LARGEST_FILE) -> bytes:
    """The bytes of an ordinary file that is not too large.

    Raises:
        FileUnreadableError: it is not there, is no ordinary file, or is not handed out.
        FileRefusedError: it is too large.
    """
    try:
        if not path.is_file():
            raise FileUnreadableError(str(path), "the file", "no ordinary file", "an ordinary file is needed")
        if path.stat().st_size > largest:
            found = f"{path.stat().st_size} bytes"
            raise FileRefusedError(str(path), "the file", found, f"at most {largest} bytes are read")
        return path.read_bytes()
    except OSError as failure:
        raise FileUnreadableError(
            str(path), "the file", failure.strerror or str(failure), "a readable file is needed"
        ) from failure


def _read(model: type[Model], path: Path, data: bytes) -> Model:
    try:
        text = data.decode()
        deepest = max((line.count(".") for line in text.splitlines()), default=0)
        if deepest > MOST_DOTS:
            raise FileRefusedError(str(path), "the text", f"a line with {deepest} dots", "flat tables are needed")
        content = tomllib.loads(text)
    except UnicodeDecodeError as failure:
        raise FileRefusedError(str(path), "the file", "bytes that are not UTF-8", "UTF-8 is needed") from failure
    except tomllib.TOMLDecodeError as failure:
        line = re.search(r"line (\d+)", str(failure))
        number = int(line[1]) if line else None
        raise FileRefusedError(str(path), "the text", str(failure), "valid TOML is needed", number) from failure
    except RecursionError as failure:
        raise FileRefusedError(str(path), "the text", "nesting without end", "flat tables are needed") from failure
    try:
        return model.model_validate(content)
    except ValidationError as failure:
        raise _refusal(path, text, failure) from failure


_PLAINLY = {"extra_forbidden": "this key is not known here", "missing": "this field is needed"}


def _refusal(path: Path, text: str, failure: ValidationError) -> FileRefusedError:
    first = failure.errors()[0]
    place = _place_in_file(first["loc"])
    found = repr(first["input"]) if len(repr(first["input"])) <= 60 else ""
    said = _PLAINLY.get(first["type"], first["msg"].removeprefix("Value error, ").removesuffix("."))
    if first["type"].startswith("union_tag"):
        place.append(first["ctx"]["discriminator"].strip("'"))
        found = repr(first["ctx"]["tag"]) if "tag" in first["ctx"] else found
        said = f"allowed are {first['ctx']['expected_tags']}" if "tag" in first["ctx"] else _PLAINLY["missing"]
    if first["type"] in ("missing", "union_tag_not_found"):
        found = "nothing"
    head, colon, rest = said.partition(": ")
    if first["type"] == "value_error" and colon and " " not in head:  # a rule across fields names its field itself
        inner = [int(part) if part.isdigit() else part for part in re.findall(r"[^.\[\]]+", head)]
        place, said, found = [*place, *inner], rest, ""
    return FileRefusedError(str(path), _written(place), found, said, _line_of(text, place))


def _place_in_file(place: tuple[str | int, ...]) -> list[str | int]:
    """The place without the kind of a rule, criterion, line or part, which pydantic names and a file does not."""
    return [
        part
        for number, part in enumerate(place)
        if not (
            place[number - 1 : number] in {("pressure",), ("line",)}
            or place[number - 2 : number - 1] in {("criteria",), ("parts",)}
        )
    ]


def _written(place: list[str | int]) -> str:
    """A place as a person writes it: ``stages[0].hold``, counted from 1 as people count."""
    text = ""
    for part in place:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".") or "the file"


def _line_of(text: str, place: list[str | int]) -> int | None:
    """The line of a field: table headers are followed first, then the key below; an inline value ends the search."""
    lines = text.splitlines()
    at, table, found = 0, "", None
    for depth, part in enumerate(place):
        if isinstance(part, int):
            header = re.compile(rf"\s*\[\[\s*{re.escape(table)}\s*\]\]")
            hits = [number for number, line in enumerate(lines[at:], at) if header.match(line)]
            if part >= len(hits):
                break  # an inline list: its key is near enough
            at = found = hits[part]
            continue
        table = f"{table}.{part}" if table else part
        here = _header_or_key(lines, at, table, part)
        if here is None:
            break
        found, is_header = here
        if not is_header:
            found = _row_of(lines, found, place[depth + 1 :])
            break
        at = found
    return None if found is None else found + 1


def _row_of(lines: list[str], key: int, rest: list[str | int]) -> int:
    """The line of a row in a list that stands row by row below its key; else the key's own line."""
    index = next((part for part in rest if isinstance(part, int)), None)
    if index is None or not re.search(r"\[\s*(#.*)?$", lines[key]):
        return key
    rows = []
    for number, line in enumerate(lines[key + 1 :], key + 1):
        if line.startswith("]"):
            break
        rows.append(number)
    return rows[index] if index < len(rows) else key


def _header_or_key(lines: list[str], at: int, table: str, key: str) -> tuple[int, bool] | None:
    header = re.compile(rf"\s*\[+\s*{re.escape(table)}\s*\]+")
    parent = f"{table.rpartition('.')[0]}."
    assigned = re.compile(rf"\s*\"?{re.escape(key)}\"?\s*=")
    for number, line in enumerate(lines[at:], at):
        if header.match(line):
            return number, True
        if assigned.match(line):
            return number, False
        if number > at > 0 and line.startswith("[") and not line.lstrip("[ ").startswith(parent):
            return None  # another table begins
    return None


def bench_template() -> str:
    """A commented bench.toml to begin with."""
    return (Path(__file__).parent / "bench-template.toml").read_text()


def line_examples() -> dict[str, str]:
    """File name → a commented [channel.line] of each protocol."""
    return _texts("examples")


def bench_examples() -> dict[str, str]:
    """File name → a commented bench.toml for what the template does not show."""
    return _texts("bench_examples")


def _texts(folder: str) -> dict[str, str]:
    return {path.name: path.read_text() for path in sorted((Path(__file__).parent / folder).glob("*.toml"))}


def order_template() -> str:
    """A commented order to begin with."""
    return (Path(__file__).parent / "order-template.txt").read_text()
