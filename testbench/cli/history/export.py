"""``testbench history export``."""

import json
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import counted, home_of, home_option, json_option, say, say_json
from testbench.cli.searching import TO_STDOUT, check_free, search_options, write_all

if TYPE_CHECKING:
    from testbench.station.searching import FoundRun


@click.command()
@click.argument("file", type=click.Path(path_type=Path, allow_dash=True))
@click.option(
    "--format", "form", type=click.Choice(["csv", "jsonl"]),
    help="CSV (UTF-8 with byte-order mark) or JSON lines; default: by the ending of FILE.",
)  # fmt: skip
@search_options()
@home_option
@json_option
def command(*, file: Path, form: str | None, home: Path | None, as_json: bool, **written: str | None) -> None:
    """Write the runs that fit, newest first, to FILE, which is not there yet, or to standard output (-).

    A cell of the CSV that a spreadsheet would take for a formula begins with an apostrophe.
    """
    from testbench.station.searching import search_of
    from testbench.wiring import Home, read_store

    asked, form = search_of(**written), form or _form_of(file)
    if str(file) != TO_STDOUT:
        check_free(file)
    count = _Count()
    with read_store(Home(home_of(home))) as store:
        runs = count.of(store.search_all(asked), store.recalled())
        pieces = _csv(runs) if form == "csv" else (f"{_json(run)}\n".encode() for run in runs)
        if str(file) == TO_STDOUT:
            sys.stdout.buffer.writelines(pieces)
            return
        write_all(file, pieces)
    if as_json:
        say_json({"runs": count.runs, "file": str(file), "format": form})
    else:
        say(f"Wrote {counted(count.runs, 'run')} to {file} ({asked.in_words}).")


def _form_of(file: Path) -> str:
    form = {".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl"}.get(file.suffix.lower())
    if form is None:
        raise click.UsageError("Say --format csv or --format jsonl, or give FILE one of these endings.")
    return form


class _Count:
    def __init__(self) -> None:
        self.runs = 0

    def of(self, found: "Iterable[FoundRun]", recalled: Mapping[str, Sequence[str]]) -> "Iterator[dict[str, object]]":
        """Each run with the recalls in force that name it."""
        for run in found:
            self.runs += 1
            yield {**asdict(run), "recalled": " ".join(recalled.get(run.run, ()))}


def _csv(runs: "Iterable[dict[str, object]]") -> Iterator[bytes]:
    from dataclasses import fields

    from testbench.procedure_files.order_csv import csv_lines
    from testbench.station.searching import FoundRun

    yield "\ufeff".encode()
    for line in csv_lines([*(one.name for one in fields(FoundRun)), "recalled"], runs):
        yield line.encode()


def _json(run: "dict[str, object]") -> str:
    return json.dumps(run, ensure_ascii=False)
