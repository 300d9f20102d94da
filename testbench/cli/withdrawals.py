"""``testbench certificate withdraw``, ``replace`` and ``list``: documents that no longer count."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import counted, home_of, home_option, json_option, say, say_json, visible
from testbench.cli.secrets import asking, passphrases, secret_option
from testbench.cli.stamps import after_writing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from testbench.station.withdrawals import IssuedDocument, Withdrawal
    from testbench.wiring import Home
    from testbench.withdrawing import Authority

PUBLISH = "Tell whoever holds it, and give them the list: testbench certificate list --withdrawn --export FILE."
WAITING = "waiting"
STATES = ("in-force", "withdrawn", "replaced", "recalled", "in-question", WAITING)
by_option = click.option(
    "--by", required=True, help="On whose authority; where people are registered, id of a reviewer."
)


@click.command()
@click.argument("number")
@click.option("--why", required=True, help="The reason, for whoever holds the document; it is published.")
@by_option
@click.option("--replaced-by", default="", metavar="NUMBER", help="Another document of this valve, in its place.")
@secret_option
@home_option
@json_option
def withdraw(
    *, number: str, why: str, by: str, replaced_by: str, from_stdin: bool, home: Path | None, as_json: bool
) -> None:
    """Say that the document NUMBER no longer counts. It stays as it is; whoever checks it is told."""
    from testbench.withdrawing import withdraw as withdrawn

    bench, authority = _authority(home, by, from_stdin=from_stdin)
    said = withdrawn(bench, number, why, authority, replaced_by)
    if as_json:
        say_json(said.model_dump(mode="json"))
    else:
        say(said.sentence)
        say(PUBLISH)


@click.command()
@click.argument("number")
@click.option("--why", required=True, help="What was wrong, or what was put right since; it is published.")
@by_option
@secret_option
@home_option
@json_option
def replace(*, number: str, why: str, by: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Issue the document NUMBER anew from its record, under a number of its own that names the old one and why.

    With --secret-stdin the reviewer's secret comes first, then a line for each passphrase; the station's only where
    neither TESTBENCH_PASSPHRASE_FILE nor the system's credential names it.
    """
    from testbench.withdrawing import replace as replaced

    bench, authority = _authority(home, by, from_stdin=from_stdin)
    issued, said = replaced(bench, number, why, authority, passphrases(from_stdin=from_stdin))
    if as_json:
        say_json({"number": issued.number, "document": str(issued.path), "replaces": said.model_dump(mode="json")})
    else:
        say(f"{issued.kind} {issued.number} written to {issued.path}.")
        say(said.sentence)
        say(PUBLISH)
    after_writing(bench, issued.waiting, quiet=as_json)


@click.command("list")
@click.option("--order", default="", metavar="NUMBER", help="Of this order only.")
@click.option("--serial", default="", help="Of this serial number only.")
@click.option("--state", type=click.Choice(STATES), help="Only those that stand so.")
@click.option("--gaps", is_flag=True, help="Instead: the numbers that were given out and have no document, and why.")
@click.option(
    "--withdrawn", is_flag=True, help="Instead: what stands against documents: why, by whom, what replaced them."
)
@click.option(
    "--export", "file", type=click.Path(dir_okay=False, path_type=Path),
    help="With --withdrawn: write it into FILE, signed with the station key, for customers: verify --withdrawn FILE.",
)  # fmt: skip
@home_option
@json_option
def list_(
    *, order: str, serial: str, state: str | None, gaps: bool, withdrawn: bool, file: Path | None, home: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """List the register of issued documents: number, run, what it is, when it was issued, SHA-256, how it stands.

    Replaced, withdrawn, recalled, in question (a nonconformity was opened for its run, or a row of a lot changed since)
    or in force; and whether it waits for its time stamp.
    """
    from testbench.wiring import Home

    bench = Home(home_of(home))
    if (gaps or withdrawn) and (order or serial or state):
        raise click.UsageError("--order, --serial and --state are for the list of documents.")
    if withdrawn and not gaps:
        _list_withdrawn(bench, file, as_json=as_json)
    elif file is not None:
        raise click.UsageError("--export goes with --withdrawn.")
    elif gaps and withdrawn:
        raise click.UsageError("Ask for either --gaps or --withdrawn.")
    elif gaps:
        _list_gaps(bench, as_json=as_json)
    else:
        _list_all(bench, order, serial, state, as_json=as_json)


def _list_all(bench: "Home", order: str, serial: str, state: str | None, *, as_json: bool) -> None:
    from testbench.withdrawing import register

    lines = [
        (one, words)
        for one, words in register(bench, order=order, serial=serial)
        if state is None or (one.waiting if state == WAITING else _state(words) == state.replace("-", " "))
    ]
    if as_json:
        say_json([_facts(one, words) for one, words in lines])
        return
    for one, words in lines:
        say(visible(
            f"{one.number:<18} {one.run:<14} {one.kind:<16} {one.issued:%Y-%m-%d %H:%M}  {one.files[-1][:12]}  "
            f"{one.serial:<20} {_how_it_stands(words)}{', waits for its time stamp' if one.waiting else ''}"
        ))  # fmt: skip
    say(f"{counted(len(lines), 'document')}." if lines else "There is no such document.")


def _state(words: "Sequence[Withdrawal]") -> str:
    from testbench.station.withdrawals import IN_FORCE, foremost

    word = foremost(words)
    return IN_FORCE if word is None else word.state


def _how_it_stands(words: "Sequence[Withdrawal]") -> str:
    from testbench.station.withdrawals import foremost

    word = foremost(words)
    by = "" if word is None else word.replaced_by or word.brought_by
    return f"{_state(words)}{f' by {by}' if by else ''}"


def _facts(one: "IssuedDocument", words: "Sequence[Withdrawal]") -> dict[str, object]:
    return {
        "number": one.number, "run": one.run, "serial": one.serial, "order": one.order, "kind": one.kind,
        "issued": one.issued.isoformat(timespec="seconds"), "path": one.path, "sha256": one.files[-1],
        "record_sha256": one.record_sha256, "state": _state(words), "told": [word.sentence for word in words],
        "waiting": one.waiting,
    }  # fmt: skip


def _list_gaps(bench: "Home", *, as_json: bool) -> None:
    from testbench.withdrawing import gaps

    found = gaps(bench)
    if as_json:
        say_json([{"number": number, "why": why} for number, why in found])
        return
    for line in [f"{number}  {why}" for number, why in found] or ["Every number that was given out has its document."]:
        say(line)


def _list_withdrawn(bench: "Home", file: Path | None, *, as_json: bool) -> None:
    from testbench.withdrawing import export_list, listed_against

    found = listed_against(bench)
    if as_json:
        say_json([one.model_dump(mode="json") | {"state": one.state} for one in found])
    else:
        for line in [one.sentence for one in found] or ["No document of this bench is withdrawn."]:
            say(visible(line))
    if file is not None:
        export_list(bench, file)
        click.echo(f"Written, signed with the station key: {file}", err=True)


COMMANDS = (withdraw, replace, list_)


def _authority(home: Path | None, by: str, *, from_stdin: bool) -> "tuple[Home, Authority]":
    from testbench.identity import person_of
    from testbench.run.signature import Role
    from testbench.wiring import Home

    bench = Home(home_of(home))
    return bench, person_of(bench, by, asking(from_stdin=from_stdin), Role.REVIEWER)
