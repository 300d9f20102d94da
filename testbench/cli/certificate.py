"""``testbench certificate``: issue a document of a closed run, verify any document."""

import sys
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.errors import DocumentMissingError

INTACT, CHANGED, UNKNOWN_SIGNER = 0, 1, 3


@click.group()
def command() -> None:
    """Issue or verify a certificate."""


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
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--signer", "signers", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="The works' seal certificate (PEM), got by another way than the document; may be given several times.",
)  # fmt: skip
@home_option
@json_option
def verify(file: Path, signers: tuple[Path, ...], home: Path | None, *, as_json: bool) -> None:
    """Check that FILE is what a station sealed, and whose seal it is.

    Needs no bench home and no network. Exit code 0: intact, known signer; 1: changed, unreadable or not there; 3:
    intact, but the signer is not known here.
    """
    from dataclasses import asdict

    from testbench.certificate.keys import CERTIFICATE_FILE, grouped, read_certificate
    from testbench.certificate.verify import in_words
    from testbench.certificate.verify import verify as judge

    trusted = [read_certificate(path) for path in signers]
    own = home_of(home) / "keys" / CERTIFICATE_FILE
    if own.is_file():
        trusted.append(read_certificate(own))
    if not file.exists():
        raise DocumentMissingError(str(file))
    judged = judge(file, trusted)
    if as_json:
        say_json({**asdict(judged), "fingerprint_grouped": grouped(judged.fingerprint)})
    else:
        for line in in_words(judged):
            say(line)
    sys.exit(INTACT if judged.trusted else UNKNOWN_SIGNER if judged.intact else CHANGED)
