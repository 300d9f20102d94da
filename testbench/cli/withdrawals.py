"""``testbench certificate withdraw``, ``replace`` and ``list``: documents that no longer count."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json, visible
from testbench.cli.secrets import asking, passphrases, secret_option

if TYPE_CHECKING:
    from testbench.wiring import Home
    from testbench.withdrawing import Authority

PUBLISH = "Tell whoever holds it, and give them the list: testbench certificate list --withdrawn --export FILE."
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


@click.command("list")
@click.option("--withdrawn", is_flag=True, required=True, help="Those that no longer count.")
@click.option(
    "--export", "file", type=click.Path(dir_okay=False, path_type=Path),
    help="Write them into FILE, signed with the station key, for customers: verify --withdrawn FILE.",
)  # fmt: skip
@home_option
@json_option
def list_(*, withdrawn: bool, file: Path | None, home: Path | None, as_json: bool) -> None:
    """List the documents of this bench that were withdrawn or replaced, with the reason."""
    from testbench.wiring import Home
    from testbench.withdrawing import export_list
    from testbench.withdrawing import withdrawn as all_withdrawn

    bench = Home(home_of(home))
    found = all_withdrawn(bench)
    if as_json:
        say_json([one.model_dump(mode="json") for one in found])
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
