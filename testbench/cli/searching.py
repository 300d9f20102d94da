"""The options of a search, and files that are written while they are read."""

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from testbench.errors import ExportNotWrittenError, SearchRefusedError

TO_STDOUT = "-"
"""A file of this name is standard output."""
_VERDICTS = ("accepted", "rejected", "inconclusive", "void")
_ORIGINS = ("live", "simulated", "replayed")
_OPTIONS: dict[str, dict[str, Any]] = {
    "serial": {"help": "A whole serial number; capitals make no difference."},
    "prefix": {"help": "How a serial number begins."},
    "part": {"help": "What stands somewhere in a serial number; three signs at least."},
    "order": {"help": "Number of an order."},
    "product": {"help": "Part of the product's name."},
    "procedure": {"help": "Part of the procedure's id or of its standard."},
    "verdict": {"type": click.Choice(_VERDICTS), "help": "Verdict of the run."},
    "operator": {"help": "Part of the operator's name."},
    "bench": {"help": "Name of the bench."},
    "origin": {"type": click.Choice(_ORIGINS), "help": "Where the readings came from."},
    "since": {"metavar": "DAY", "help": "First day, UTC: 2026-11-20, or a month or year."},
    "until": {"metavar": "DAY", "help": "Last day, the same."},
}


def search_options(*without: str, **defaults: str) -> Callable[[Any], Any]:
    """Give a command the options of a search, all but some; their values are what ``search_of`` takes."""

    def decorate(command: Any) -> Any:
        for name, about in reversed(_OPTIONS.items()):
            if name not in without:
                more: dict[str, Any] = {"default": defaults[name], "show_default": True} if name in defaults else {}
                command = click.option(f"--{name}", callback=_said, **(about | more))(command)
        return command

    return decorate


def _said(_: click.Context, option: click.Parameter, value: str | None) -> str | None:
    """An option that says nothing is a slip, a variable that was not set, say: it would ask for everything."""
    if value is not None and not value.strip():
        raise SearchRefusedError(str(option.name), value, "something to look for; leave it out to ask for all")
    return value


def check_free(file: Path) -> None:
    """Refuse a file that is there already, before anything is read for it.

    Raises:
        ExportNotWrittenError: it is.
    """
    if file.exists():
        raise ExportNotWrittenError(str(file), "there is a file of this name already")


def write_all(file: Path, pieces: Iterable[bytes]) -> None:
    """Write a file piece by piece: complete and on disk under its name, or not there.

    Raises:
        ExportNotWrittenError: a file of this name is there, or it could not be written.
    """
    check_free(file)
    unfinished = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        with unfinished.open("xb") as out:
            out.writelines(pieces)
            out.flush()
            os.fsync(out.fileno())
        check_free(file)
        unfinished.rename(file)  # a link would not take the place of a file that came just now; a stick may know none
    except OSError as failure:
        raise ExportNotWrittenError(str(file), failure.strerror or str(failure)) from failure
    finally:
        with suppress(OSError):
            unfinished.unlink()
