"""``testbench certificate``: issue a document of a closed run, verify any document, stamp those that wait."""

import sys
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.errors import DocumentMissingError

INTACT, CHANGED, UNKNOWN_SIGNER, DOES_NOT_FOLLOW = 0, 1, 3, 4


@click.group()
def command() -> None:
    """Issue, verify or time-stamp a certificate."""


@command.command()
@click.argument("run")
@home_option
@json_option
def issue(run: str, home: Path | None, *, as_json: bool) -> None:
    """Write the certificate or rejection report of a closed RUN. Each run gets one, once."""
    from testbench.custody import issue_document
    from testbench.wiring import Home

    issued = issue_document(Home(home_of(home)), run)
    if as_json:
        say_json({"run": run, "kind": issued.kind, "number": issued.number, "document": str(issued.path)})
    else:
        say(f"{issued.kind} {issued.number} written to {issued.path}.")


@command.command()
@home_option
@json_option
def stamp(home: Path | None, *, as_json: bool) -> None:
    """Put time stamps on the documents of this bench that have none yet.

    Asks the authority that bench.toml names. A document is valid without; exit code 1 where some still have none.
    """
    from testbench.custody import stamp_documents
    from testbench.wiring import Home

    done, failed = stamp_documents(Home(home_of(home)))
    if as_json:
        say_json({"stamped": [str(path) for path in done], "waiting": failed})
    else:
        for path in done:
            say(f"Stamped: {path}")
        for name, reason in failed.items():
            say(f"Waiting: {name}: {reason}")
        if not done and not failed:
            say("Every document has its time stamp.")
    sys.exit(1 if failed else 0)


@command.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--root", "--signer", "roots", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="The works' root or station certificate (PEM), got by another way than the document; several may be given.",
)  # fmt: skip
@click.option(
    "--crl", "lists", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="A revocation list of the works (DER); several may be given.",
)  # fmt: skip
@click.option(
    "--stamp-root", "stamps", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="Root certificate (PEM) of a time-stamp authority.",
)  # fmt: skip
@home_option
@json_option
def verify(  # noqa: PLR0917 - one for each option
    file: Path, roots: tuple[Path, ...], lists: tuple[Path, ...], stamps: tuple[Path, ...], home: Path | None,
    as_json: bool,  # noqa: FBT001
) -> None:  # fmt: skip
    """Check that FILE is what was signed, that its verdict follows from its readings, and whose signature it is.

    Needs no bench home and no network; the file is read by a process of its own, with limits. Exit code 0: intact,
    known signers, the verdict follows; 1: changed, unreadable or not there; 3: intact, but a signer is not known here,
    revoked or still missing; 4: intact, but the verdict does not follow.
    """
    from dataclasses import asdict

    from testbench.certificate.anchors import anchors_of
    from testbench.certificate.checking import verify_apart
    from testbench.certificate.keys import grouped
    from testbench.certificate.verify import in_words

    if not file.exists():
        raise DocumentMissingError(str(file))
    judged = verify_apart(file, anchors_of(home_of(home) / "keys", roots, lists, stamps))
    recalls = _recalls_of(home_of(home), judged.record_sha256)
    if as_json:
        say_json({**asdict(judged), "fingerprint_grouped": grouped(judged.fingerprint), "recalled_by": recalls})
    else:
        for line in in_words(judged):
            say(line)
        if recalls:
            say(f"RECALLED by {', '.join(recalls)}: its works does not stand by this page any more.")
    known = INTACT if judged.trusted else UNKNOWN_SIGNER
    sys.exit(CHANGED if not judged.intact else DOES_NOT_FOLLOW if not judged.follows else known)


def _recalls_of(folder: Path, record_sha256: str) -> list[str]:
    """The recalls in force that name a record, by the home at hand; a customer has none."""
    from testbench.errors import BenchError
    from testbench.wiring import Home, read_store

    if not record_sha256 or not (folder / "testbench.db").exists():
        return []
    try:
        with read_store(Home(folder)) as store:
            lines = store.recalls()
    except BenchError as failure:  # what is asked is whether the page is intact; this stands beside
        click.echo(f"Whether it was recalled could not be looked up: {failure}", err=True)
        return []
    return [
        line.recall.number
        for line in lines
        if line.lifted is None and any(run.record_sha256 == record_sha256 for run in line.recall.runs)
    ]
