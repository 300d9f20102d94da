"""``testbench ledger``: walk the chain behind the records, sign how far it has come."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.store.ledger_check import LedgerReport

WITHOUT_KEYS = "The keys of this home cannot be read: its own checkpoints were checked with the keys that they name."


@click.group()
def command() -> None:
    """The chain behind the records: walk it, sign how far it has come."""


@command.command()
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="A new file to write it into.")
@home_option
@json_option
def checkpoint(out: Path | None, home: Path | None, *, as_json: bool) -> None:
    """Sign how far the ledger has come. Take it away from the bench: only there does it prove anything."""
    from testbench.custody import make_checkpoint, write_new
    from testbench.run.ledger import fingerprint, grouped
    from testbench.wiring import Home

    found = make_checkpoint(Home(home_of(home)))
    if out is not None:
        write_new(out, found.text + "\n")
    if as_json:
        say_json(found.model_dump() | {"line": found.line, "fingerprint": fingerprint(found.key)})
        return
    say(found.line)
    say(f"  signed with the key {grouped(fingerprint(found.key))}")
    say(f"  written to {out}" if out is not None else "  the whole of it: --out FILE or --json")


@command.command()
@click.option("--against", metavar="CHECKPOINT", help="Held elsewhere: its file, a certificate, or the printed line.")
@click.option("--traces", is_flag=True, help="Decode and hash the samples as well (about 1 ms each).")
@home_option
@json_option
def verify(against: str | None, home: Path | None, *, traces: bool, as_json: bool) -> None:
    """Walk the ledger and hold every record against it. Exit code 1 names the first entry that is wrong."""
    from testbench.custody import verify_ledger
    from testbench.store.library import in_words, installed
    from testbench.wiring import Home

    walked = verify_ledger(Home(home_of(home)), against, traces=traces)
    report = walked.report
    library = in_words(installed())
    if as_json:
        sentence = report.fault.sentence if report.fault else ""
        say_json(asdict(report) | {"whole": report.fault is None, "sentence": sentence, "library": library})
    else:
        for line in (*_lines(report), *([] if walked.keys_known else [WITHOUT_KEYS]), library):
            say(line)
    if report.fault is not None:
        click.get_current_context().exit(1)


def _lines(report: "LedgerReport") -> list[str]:
    from testbench.run.ledger import SHORTEST_HEAD, grouped

    head = grouped(report.head[:SHORTEST_HEAD])
    if report.fault is not None:
        return [f"BROKEN at {report.fault.sentence}.", f"  good until then: {report.entries} entries, head {head}"]
    return [
        f"WHOLE: {report.entries} entries, head {head}.",
        *(f"  {count} × {kind}" for kind, count in report.kinds.items()),
        *([f"  {report.traces} traces decoded and hashed"] if report.traces else []),
        *(f"Run {run} is open: what is kept of it is bound when it is closed." for run in report.open_runs),
        *_set_back(report),
        _unproven(report),
    ]


def _set_back(report: "LedgerReport") -> list[str]:
    found = report.clock_set_back
    if not found:
        return []
    which = ", ".join(map(str, found[:5])) + (f" and {len(found) - 5} more" if len(found) > 5 else "")
    return [f"The clock of the machine was set back before entry {which}; their order stands all the same."]


def _unproven(report: "LedgerReport") -> str:
    if not report.held:
        return (
            "No checkpoint held elsewhere was given (--against): whoever can write the file and has the key could have "
            "written all of it anew, or cut off its end."
        )
    if report.held >= report.entries:
        return "The checkpoint covers every entry."
    return (
        f"The checkpoint covers entries 1 to {report.held}. What came after it, to entry {report.entries}, is "
        "proved by nothing outside this bench yet."
    )
