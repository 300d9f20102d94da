"""``testbench certificate``: issue, verify and time-stamp documents."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli import summaries, withdrawals
from testbench.cli.output import counted, home_of, home_option, json_option, progress, say, say_json, visible
from testbench.cli.secrets import passphrase_option, passphrases
from testbench.cli.stamps import after_writing
from testbench.errors import DocumentMissingError

if TYPE_CHECKING:
    from testbench.certificate.passphrases import Passphrases
    from testbench.certificate.verify import Verification
    from testbench.certificate.withdrawn import Listed
    from testbench.standing import Standing
    from testbench.station.withdrawals import Withdrawal
    from testbench.wiring import Home

INTACT, CHANGED, UNKNOWN_SIGNER, DOES_NOT_FOLLOW, WITHDRAWN, PRINTS_ELSE, NOT_LOOKED_UP = 0, 1, 3, 4, 5, 6, 7


@click.group()
def command() -> None:
    """Issue, verify, time-stamp, withdraw, replace or list certificates; sum up a lot or a shift."""


for _one in (*summaries.COMMANDS, *withdrawals.COMMANDS):
    command.add_command(_one)


@command.command()
@click.argument("run", required=False)
@click.option("--order", metavar="NUMBER", help="Instead of RUN: every document that this order still owes.")
@click.option("--leave-waiting", is_flag=True, help="Do not ask for the time stamps that other documents wait for.")
@passphrase_option
@home_option
@json_option
def issue(
    run: str | None, order: str | None, home: Path | None, *, leave_waiting: bool, from_stdin: bool, as_json: bool
) -> None:
    """Write the certificate or rejection report of a closed RUN. Each run gets one, once.

    Where bench.toml lets persons sign certificates, it asks for the passphrase of the operator's key, then of the
    reviewer's.

    With --order two processes write those of a whole order, and each passphrase that is needed is asked for once at the
    start: the station's, then those of persons in the order of their ids. Killed, the same command goes on where it
    ended. Exit code 1 where a document could not be written; one that waits for a signature is only counted.
    """
    from testbench.wiring import Home

    if (run is None) == (order is None):
        raise click.UsageError("Name either a RUN or an --order.")
    bench = Home(home_of(home))
    if order is not None:
        ask = passphrases(from_stdin=from_stdin)
        _issue_order(bench, order, ask, as_json=as_json, leave_waiting=leave_waiting)
        return
    _one_document()
    from testbench.custody import issue_document

    issued = issue_document(bench, run or "", passphrases(from_stdin=from_stdin))
    if as_json:
        facts = {"run": run, "kind": issued.kind, "number": issued.number, "document": str(issued.path)}
        say_json(facts | {"waiting": issued.waiting})
    else:
        say(f"{issued.kind} {issued.number} written to {issued.path}.")
    if not leave_waiting:
        after_writing(bench, issued.waiting, quiet=as_json)


def _one_document() -> None:
    """Look for no circles of garbage meanwhile: with one document the process ends, and a tenth of its time is that."""
    import gc

    gc.disable()
    click.get_current_context().call_on_close(gc.enable)


def _issue_order(bench: "Home", order: str, ask: "Passphrases | None", *, as_json: bool, leave_waiting: bool) -> None:
    from dataclasses import asdict

    from testbench.batch import issue_order

    with progress(f"Order {order}", shown=not as_json) as told:
        done = issue_order(bench, order, told, ask=ask)
    if as_json:
        say_json(asdict(done))
    else:
        say(f"Order {order}: {counted(len(done.issued), 'document')} written to {bench.certificates}.")
        if done.unstamped:
            say(f"{done.unstamped} of them have no time stamp yet: 'testbench certificate stamp'.")
        if done.unsigned:
            say(f"{len(done.unsigned)} wait for a signature: {_first(done.unsigned)}.")
        if done.withdrawn:
            have = "has a withdrawn document" if len(done.withdrawn) == 1 else "have withdrawn documents"
            say(
                f"{len(done.withdrawn)} {have} that nothing replaced, {_first(done.withdrawn)}: "
                "'testbench certificate replace NUMBER'."
            )
        if done.refused:
            say(f"{len(done.refused)} could not be written:")
        for one, why in done.refused.items():
            say(f"Run {one}: {why}")
    if not (leave_waiting or done.unstamped):
        after_writing(bench, "", quiet=as_json, all_of_them=True)
    sys.exit(1 if done.refused else 0)


def _first(names: list[str]) -> str:
    """The first five of them."""
    return f"{', '.join(names[:5])}{f' and {len(names) - 5} more' if len(names) > 5 else ''}"


@command.command()
@click.option("--waiting", is_flag=True, help="Only those that the register has as waiting; as the recorder does.")
@home_option
@json_option
def stamp(home: Path | None, *, waiting: bool, as_json: bool) -> None:
    """Put time stamps on the documents of this bench that have none yet.

    Asks the authority that bench.toml names. A document is valid without; exit code 1 where some still have none. Those
    from before an authority was named are stamped, too, except with --waiting.
    """
    from testbench.stamping import stamp_documents, stamp_waiting
    from testbench.wiring import Home

    done, failed = (stamp_waiting if waiting else stamp_documents)(Home(home_of(home)))
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
    help="The works' root or station certificate (PEM or DER), got by another way than the document; several may be.",
)  # fmt: skip
@click.option(
    "--crl", "lists", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="A revocation list of the works (DER or PEM); several may be given.",
)  # fmt: skip
@click.option(
    "--stamp-root", "stamps", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="Root certificate (PEM or DER) of a time-stamp authority.",
)  # fmt: skip
@click.option(
    "--withdrawn", "withdrawn", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="The works' list of withdrawn documents and of certificates that count no more. A home knows its own.",
)  # fmt: skip
@home_option
@json_option
def verify(  # noqa: PLR0917 - one for each option
    file: Path, roots: tuple[Path, ...], lists: tuple[Path, ...], stamps: tuple[Path, ...],
    withdrawn: tuple[Path, ...], home: Path | None, as_json: bool,  # noqa: FBT001
) -> None:  # fmt: skip
    """Check that FILE is what was signed, follows from its readings, prints its record, and whose signature it is.

    The page is drawn anew from what is attached and both are compared. A lot certificate or shift summary has no
    readings: it is held against its attached list.

    Needs no bench home and no network; the file is read by a process of its own, with limits. Exit code 0: intact,
    known signers, the verdict follows, the page prints its record; 1: changed, unreadable, not there, or not the file
    that the register of the home names; 3: intact, but a signer is not known here, revoked or still missing; 4: intact,
    but the verdict does not follow; 5: all in order, but withdrawn, replaced, recalled or in question; 6: intact, but
    the page is not shown to print what is attached; 7: all in order, but the register of the home could not be asked.
    """
    _one_document()
    from dataclasses import asdict

    from testbench.certificate.anchors import anchors_of
    from testbench.certificate.checking import verify_apart
    from testbench.certificate.keys import grouped
    from testbench.certificate.verify import in_words
    from testbench.certificate.withdrawn import read_lists
    from testbench.instruments.clocks import SystemClock
    from testbench.station.withdrawals import RECALLED

    if not file.exists():
        raise DocumentMissingError(str(file))
    known = anchors_of(home_of(home) / "keys", roots, lists, stamps, SystemClock().utc())
    told, anchors = read_lists(withdrawn, known)
    judged = verify_apart(file, anchors)
    register = _standing_here(home, judged, file)
    found, notes = _against(judged, register, told)
    newer = register.newer
    if as_json:
        more = {
            "withdrawn": [one.model_dump(mode="json") | {"state": one.state} for one in found],
            "recalled_by": list(dict.fromkeys(one.brought_by for one in found if one.state == RECALLED)),
            "replaced_by": newer,
            "register": {"asked": register.asked, "unknown": register.unknown, "other_file": register.other_file},
        }
        say_json({**asdict(judged), "fingerprint_grouped": grouped(judged.fingerprint), **more})
    else:
        first = [*register.lines, *(one.line for one in found)]
        if newer:
            first.append(f"REPLACED: a newer page of the same was issued, {newer}.")
        for line in (*first, *in_words(judged), *notes):
            say(visible(line))
    sys.exit(_exit_code(judged, register, stands=not (found or newer)))


def _exit_code(judged: "Verification", register: "Standing", *, stands: bool) -> int:
    if not judged.intact or register.other_file:
        return CHANGED
    if not judged.follows and not judged.summary:
        return DOES_NOT_FOLLOW
    if not judged.prints:
        return PRINTS_ELSE
    if not judged.trusted:
        return UNKNOWN_SIGNER
    if not stands:
        return WITHDRAWN
    return NOT_LOOKED_UP if register.unknown else INTACT


def _against(
    judged: "Verification", register: "Standing", lists: "list[Listed]"
) -> "tuple[list[Withdrawal], list[str]]":
    """What lists and the records of a home say against a page, each thing once; and what the lists do not tell."""
    from testbench.station.withdrawals import words_on, words_on_page

    if not judged.intact:
        return [], []
    known: dict[tuple[str, str], Withdrawal] = {}
    for one in (*register.words, *(one for listed in lists for one in listed.withdrawn)):
        known.setdefault((one.record_sha256, one.line), one)  # a list leaves out who was authenticated
    found = words_on(tuple(known.values()), judged.number, judged.record_sha256)
    if judged.listed is not None:
        found = words_on_page(tuple(known.values()), judged.listed)
    on_lists = (listed.word_on(judged.number, judged.record_sha256, judged.sealed_at) for listed in lists)
    return list(found), [f"  withdrawn    {told}" for told in on_lists]


def _standing_here(home: Path | None, judged: "Verification", file: Path) -> "Standing":
    """What the register of a home says of a page: of one that was named, or of the user's own where there is one."""
    from testbench.errors import BenchError
    from testbench.standing import Standing, standing_of
    from testbench.wiring import Home

    folder = home_of(home)
    if not judged.intact or (home is None and not folder.exists()):
        return Standing()
    try:
        return standing_of(Home(folder), file, judged)
    except BenchError as failure:  # whether the page is intact stands all the same
        return Standing(unknown=str(failure))
