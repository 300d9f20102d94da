"""Procedure, bench and order files: TOML text in, models out, refusals with file, line and field."""

import hashlib
import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from testbench.errors import FileRefusedError, HomeMissingError, ProcedureUnknownError
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Order
from testbench.station.bench import Bench

Model = TypeVar("Model", bound=BaseModel)
LARGEST_FILE = 1_000_000  # bytes; a procedure is a few kilobytes


def load_procedure(path: Path) -> tuple[Procedure, str]:
    """Read a procedure file.

    Returns:
        The procedure and the SHA-256 of the file's bytes.

    Raises:
        FileRefusedError: it breaks a rule; the sentence names file, line and field.
    """
    data = _bytes_of(path)
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
    return _read(Bench, path, _bytes_of(path))


def load_orders(home: Path) -> tuple[Order, ...]:
    """Read every order file below ``orders/`` of a home folder, by file name.

    Raises:
        FileRefusedError: one breaks a rule.
    """
    return tuple(_read(Order, path, _bytes_of(path)) for path in sorted((home / "orders").glob("*.toml")))


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


def _bytes_of(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_FILE:
            found = f"{path.stat().st_size} bytes"
            raise FileRefusedError(str(path), "the file", found, f"at most {LARGEST_FILE} bytes are read")
        return path.read_bytes()
    except OSError as failure:
        raise FileRefusedError(
            str(path), "the file", failure.strerror or str(failure), "a readable file is needed"
        ) from failure


def _read(model: type[Model], path: Path, data: bytes) -> Model:
    try:
        text = data.decode()
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


def _refusal(path: Path, text: str, failure: ValidationError) -> FileRefusedError:
    first = failure.errors()[0]
    place = [part for part in first["loc"] if part not in {"no-visible-leakage", "largest-leakage-rate"}]
    field = ".".join(str(part) for part in place) or "the file"
    found = "nothing" if first["type"] == "missing" else repr(first["input"])
    if len(found) > 60:
        found = f"{found[:57]}…"
    said = first["msg"].removeprefix("Value error, ")
    if said.partition(":")[0] != said and first["type"] == "value_error" and field == "the file":
        field, _, said = said.partition(": ")
        found = "a broken rule"
    return FileRefusedError(str(path), field, found, said, _line_of(text, place))


def _line_of(text: str, place: list[str | int]) -> int | None:
    """The line that a field stands on: the table header is followed first, then the key below it."""
    lines = text.splitlines()
    at, table = 0, ""
    found: int | None = None
    for part in place:
        if isinstance(part, int):
            header = re.compile(rf"\s*\[\[\s*{re.escape(table)}\s*\]\]")
            hits = [number for number, line in enumerate(lines[at:], at) if header.match(line)]
            if part < len(hits):
                at = found = hits[part]
            continue
        table = f"{table}.{part}" if table else part
        wanted = re.compile(rf"\s*(\[+\s*{re.escape(table)}\s*\]+|\"?{re.escape(part)}\"?\s*=)")
        for number, line in enumerate(lines[at:], at):
            if wanted.match(line):
                at = found = number
                break
    return None if found is None else found + 1


def bench_template() -> str:
    """A commented bench.toml to begin with."""
    return (Path(__file__).parent / "bench-template.toml").read_text()
