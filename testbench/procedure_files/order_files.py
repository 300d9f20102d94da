"""The order files of a home, written whole or not at all."""

import fcntl
import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from testbench.errors import OrderNotWrittenError
from testbench.procedure.valve import Order
from testbench.procedure_files.loader import ORDERS


@contextmanager
def orders_locked(home: Path) -> Iterator[None]:
    """Let nobody else add an order meanwhile: what was compared stays true until it is written.

    Raises:
        OrderNotWrittenError: the folder cannot be used.
    """
    try:
        (home / ORDERS).mkdir(exist_ok=True)
        folder = os.open(home / ORDERS, os.O_RDONLY)
    except OSError as failure:
        raise OrderNotWrittenError(str(home / ORDERS), failure.strerror or str(failure)) from failure
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def keep_order(home: Path, order: Order) -> Path:
    """Write an order to its file, while ``orders_locked``.

    Raises:
        OrderNotWrittenError: a file of this name is there, or it could not be written; nothing of it is there.
    """
    path = home / ORDERS / f"{file_name(order.number)}.toml"
    if path.exists():
        raise OrderNotWrittenError(str(path), "there is a file of this name already")
    for left in path.parent.glob(".*.part"):  # by an import that was killed; nobody else writes now
        left.unlink(missing_ok=True)
    keep(path, order_text(order).encode())
    return path


def keep(path: Path, data: bytes) -> None:
    """A file that is complete and on disk under its name, or as it was before.

    Raises:
        OrderNotWrittenError: it could not be written.
    """
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            with unfinished.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            unfinished.rename(path)
        finally:
            unfinished.unlink(missing_ok=True)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as failure:
        raise OrderNotWrittenError(str(path), failure.strerror or str(failure)) from failure


def file_name(number: str) -> str:
    """A file name for an order: its number, with whatever no file name should hold as ``_``."""
    return re.sub(r"[^\w.-]", "_", number).lstrip(".-") or "_"


def order_text(order: Order) -> str:
    """An order as TOML, one key a line, one block a valve; what says nothing is left out."""
    facts = order.model_dump(mode="json", exclude_defaults=True)
    valves = facts.pop("valves")
    parts = [_table(facts), *(f"[[valves]]\n{_table(valve)}" for valve in valves)]
    return "\n".join(parts)


def _table(facts: dict[str, object]) -> str:
    return "".join(f"{key} = {_value(found)}\n" for key, found in facts.items())


def _value(found: object) -> str:
    """A TOML value; JSON's strings and numbers are TOML's, but for one sign."""
    if isinstance(found, dict):
        return f"{{{', '.join(f'{key} = {_value(inner)}' for key, inner in found.items())}}}"
    if isinstance(found, list):
        return f"[{', '.join(map(_value, found))}]"
    return json.dumps(found, ensure_ascii=False).replace("\x7f", "\\u007f")
