"""``testbench ledger``: walk the chain behind the records, sign how far it has come."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, progress, say, say_json

if TYPE_CHECKING:
    from testbench.documents import Documents
    from testbench.store.ledger_check import LedgerReport

WITHOUT_KEYS = (
    "The key of the ledger is missing here or cannot be read: the checkpoints among the records were checked with the "
    "keys that they name."
)
WITHOUT_TRACES = "  samples were not looked at (--traces): their hashes are whole, the samples may not be"
WITHOUT_DOCUMENTS = "The issued documents were not looked at (--no-documents)."
BROKEN = (
    "→ Keep the file as it is. Restore the newest backup into a new home beside it, hold both against a checkpoint "
    "that somebody else has (--against), and compare them from this entry on. Call the engineer responsible for this "
    "bench."
)

GET_IT = "put the file back from a copy of certificates/, or ask the customer for it; no backup of the records holds it"


@click.group()
def command() -> None:
    """The chain behind the records: walk it, sign how far it has come."""


@command.command()
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="A new file to write it into.")
@click.option("--new-key", metavar="WHY", help="First begin a new key: the old one is lost or no longer secret.")
@home_option
@json_option
def checkpoint(out: Path | None, new_key: str | None, home: Path | None, *, as_json: bool) -> None:
    """Sign how far the ledger has come. Take it away from the bench: only there does it prove anything."""
    from testbench.custody import begin_key, make_checkpoint, write_new
    from testbench.run.ledger import fingerprint, grouped
    from testbench.wiring import Home

    if new_key is not None:
        begin_key(Home(home_of(home)), new_key)
    found = make_checkpoint(Home(home_of(home)))
    if out is not None:
        write_new(out, found.text + "\n")
    if as_json:
        say_json(found.model_dump() | {"line": found.line, "fingerprint": fingerprint(found.key)})
        return
    say(found.line)
    say(f"  signed with the key {grouped(fingerprint(found.key))}")
    if new_key is not None:
        say("  a new key: publish it, and hold the ledger against a checkpoint from before that somebody else has")
    say(f"  written to {out}" if out is not None else "  the whole of it: --out FILE or --json")


@command.command()
@click.option(
    "--against",
    metavar="CHECKPOINT",
    help="Held elsewhere: its file, a certificate, the log beside backups, or the printed line.",
)
@click.option("--traces", is_flag=True, help="Decode and hash the samples as well (about 1 ms each).")
@click.option("--no-documents", is_flag=True, help="Do not read the issued documents where they lie.")
@home_option
@json_option
def verify(against: str | None, home: Path | None, *, traces: bool, no_documents: bool, as_json: bool) -> None:
    """Walk the ledger and hold every record and document against it.

    Exit code 1 names the first entry that is wrong, or a document that was changed where it lies.
    """
    from testbench.custody import verify_ledger
    from testbench.store.sqlite_version import in_words, installed
    from testbench.wiring import Home

    with progress("Reading the documents", shown=not no_documents) as told:
        walked = verify_ledger(Home(home_of(home)), against, traces=traces, documents=None if no_documents else told)
    report = walked.report
    library = in_words(installed())
    if as_json:
        sentence = report.fault.sentence if report.fault else ""
        documents = None if walked.documents is None else asdict(walked.documents)
        withdrawn = [one.model_dump(mode="json") for one in walked.withdrawn]
        more = {"whole": report.fault is None, "sentence": sentence, "documents": documents, "withdrawn": withdrawn}
        say_json(asdict(report) | more | {"library": library})
    else:
        keys = [] if walked.keys_known else [WITHOUT_KEYS]
        words = [one.line for one in walked.withdrawn]
        lines = _lines(report, looked_at_samples=traces)
        for line in (*lines, *_documents(walked.documents, report), *words, *keys, library):
            say(line)
    if report.fault is not None or (walked.documents is not None and walked.documents.changed):
        click.get_current_context().exit(1)


def _lines(report: "LedgerReport", *, looked_at_samples: bool) -> list[str]:
    from testbench.run.ledger import SHORTEST_HEAD, grouped

    head = grouped(report.head[:SHORTEST_HEAD])
    if report.fault is not None:
        return [
            f"BROKEN at {report.fault.sentence}.",
            f"  good until then: {report.entries} entries, head {head}",
            BROKEN,
        ]
    return [
        f"WHOLE: {report.entries} entries, head {head}.",
        *(f"  {count} × {kind}" for kind, count in report.kinds.items()),
        f"  {report.traces} traces decoded and hashed" if looked_at_samples else WITHOUT_TRACES,
        *(f"Run {run} is open: what is kept of it is bound when it is closed." for run in report.open_runs),
        *_set_back(report),
        *_triggers(report),
        _unproven(report),
    ]


def _set_back(report: "LedgerReport") -> list[str]:
    found = report.clock_set_back
    if not found:
        return []
    which = ", ".join(map(str, found[:5])) + (f" and {len(found) - 5} more" if len(found) > 5 else "")
    return [f"The clock of the machine was set back before entry {which}; their order stands all the same."]


def _triggers(report: "LedgerReport") -> list[str]:
    gone = ", ".join(report.triggers_gone)
    said = (
        f"Triggers that refuse changes were taken out of the file or changed: {gone}. What this walk has looked at is "
        "whole all the same; find out who did it. A backup from before brings them back."
    )
    strange = f"In the file, but none of this program's: {', '.join(report.strange)}. Find out who put it there."
    return [*([said] if gone else []), *([strange] if report.strange else [])]


def _documents(found: "Documents | None", report: "LedgerReport") -> list[str]:
    if found is None:
        return [] if report.fault is not None else [WITHOUT_DOCUMENTS]
    lie = (
        "1 document lies here as it was"
        if found.as_issued == 1
        else f"{found.as_issued} documents lie here as they were"
    )
    return [
        *([f"{lie} issued."] if found.as_issued else []),
        *(
            f"Document {path} is as it was issued but for a time stamp that the register does not name: it is younger "
            "than a backup that was restored, or a program was ended at it. 'testbench certificate stamp' enters it."
            for path in found.stamped
        ),
        *(f"Document {path} is not here: {GET_IT}." for path in found.missing),
        *(
            f"CHANGED: document {path} is not the file that was issued. Keep it elsewhere, and {GET_IT}."
            for path in found.changed
        ),
        *(f"Page {path} is known to no record: it was given up, or put there by somebody." for path in found.unknown),
    ]


def _unproven(report: "LedgerReport") -> str:
    if report.held is None:
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
