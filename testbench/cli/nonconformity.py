"""``testbench nonconformity``: what was rejected, what was decided about it, what was done."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option

if TYPE_CHECKING:
    from testbench.nonconforming import Somebody
    from testbench.run.nonconformity import Nonconformity

by_option = click.option("--by", required=True, help="Who enters it: id where people are registered, else the name.")
PARTS = ("seat", "cover joint", "stem", "body", "other joint")


@click.group()
def command() -> None:
    """Keep the nonconformities of this bench.

    A rejected run opens one. A valve is tested again after a disposition to rework it and an entered rework.
    """


@command.command("list")
@click.option("--open", "only_open", is_flag=True, help="Those that are not closed.")
@click.option("--limit", default=50, show_default=True, type=click.IntRange(min=1), help="How many at most.")
@home_option
@json_option
def list_(home: Path | None, limit: int, *, only_open: bool, as_json: bool) -> None:
    """List them, newest first."""
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        found = store.nonconformities(limit, only_open=only_open)
    if as_json:
        say_json([one.model_dump(mode="json") for one in found])
        return
    for one in found:
        opened, trial = one.opened, "  SPECIMEN" if one.opened.specimen else ""
        say(f"{one.number}  {one.entries[0].at[:10]}  {opened.serial:<20} {opened.run:<12} {one.standing}{trial}")
    if not found:
        say("There are no such nonconformities." if only_open else "There are no nonconformities yet.")


@command.command()
@click.argument("number")
@home_option
@json_option
def show(number: str, home: Path | None, *, as_json: bool) -> None:
    """Show the nonconformity NUMBER with all that was entered."""
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        found = store.nonconformity(number)
    _tell(found, as_json=as_json)


@command.command("open")
@click.argument("run")
@click.option("--why", required=True, help="What is nonconforming.")
@by_option
@secret_option
@home_option
@json_option
def open_(*, run: str, why: str, by: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Open one by hand for a closed RUN that none was opened for; a reviewer or engineer does."""
    from testbench.nonconforming import left_of, open_by_hand

    who = _who(home, by, from_stdin=from_stdin)
    _tell(open_by_hand(who, run, why), as_json=as_json)
    if not as_json and (left := left_of(who.home, run)):
        say(f"{', '.join(left)} of this run was written: tell its holder; 'testbench certificate withdraw' says so.")


@command.command()
@click.argument("number")
@click.option("--text", required=True, help="What was found.")
@by_option
@secret_option
@home_option
@json_option
def note(*, number: str, text: str, by: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Add evidence in words to NUMBER."""
    _add(home, number, by, {"step": "noted", "text": text}, from_stdin=from_stdin, as_json=as_json)


@command.command()
@click.argument("number")
@click.argument("file", type=click.Path(path_type=Path))
@by_option
@secret_option
@home_option
@json_option
def attach(*, number: str, file: Path, by: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Attach the content of FILE to NUMBER: a photograph, a measuring sheet.

    It is kept in the records, with its SHA-256; bench.toml says how large it may be.
    """
    from testbench.nonconforming import attach_file

    _tell(attach_file(_who(home, by, from_stdin=from_stdin), number, file), as_json=as_json)


@command.command("export-attachment")
@click.argument("number")
@click.argument("attachment", type=click.IntRange(min=1))
@click.option("--to", required=True, type=click.Path(path_type=Path), help="A new file; nothing is overwritten.")
@home_option
@json_option
def export_attachment(*, number: str, attachment: int, to: Path, home: Path | None, as_json: bool) -> None:
    """Write ATTACHMENT of NUMBER to a new file."""
    from testbench.nonconforming import export_attachment as export
    from testbench.wiring import Home

    size = export(Home(home_of(home)), number, attachment, to)
    if as_json:
        say_json({"number": number, "attachment": attachment, "file": str(to), "size": size})
    else:
        say(f"{size} bytes written to {to}.")


@command.command()
@click.argument("number")
@click.option("--disposition", required=True, type=click.Choice(["rework", "scrap", "concession"]))
@click.option("--why", required=True, help="On which grounds.")
@click.option("--authority", help="Who granted the concession: the customer, or whoever the order names.")
@click.option("--reference", help="Number or letter of the concession.")
@by_option
@secret_option
@home_option
@json_option
def dispose(
    *, number: str, disposition: str, why: str, authority: str | None, reference: str | None, by: str,
    from_stdin: bool, home: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Decide what becomes of NUMBER; a reviewer or engineer does.

    Scrap is final: the serial number is tested no more. A concession does not make the run an accepted one.
    """
    what = {"step": "disposed", "disposition": disposition, "why": why, "authority": authority, "reference": reference}
    _add(home, number, by, what, from_stdin=from_stdin, as_json=as_json)


@command.command()
@click.argument("number")
@click.option("--done", "done_", required=True, help="What was done.")
@click.option("--disturbed", required=True, multiple=True, type=click.Choice(PARTS),
              help="What was taken apart or worked on; several may be given.")  # fmt: skip
@by_option
@secret_option
@home_option
@json_option
def rework(
    *, number: str, done_: str, disturbed: tuple[str, ...], by: str, from_stdin: bool, home: Path | None, as_json: bool
) -> None:
    """Enter what was done about NUMBER; the valve may be tested again then.

    The retest carries out every stage of the procedure. Where more than the seat was disturbed it must hold a shell
    test.
    """
    what = {"step": "reworked", "done": done_, "disturbed": tuple(dict.fromkeys(disturbed))}
    _add(home, number, by, what, from_stdin=from_stdin, as_json=as_json)


@command.command()
@click.argument("number")
@click.option("--why", required=True, help="What shows that it is done with.")
@by_option
@secret_option
@home_option
@json_option
def close(*, number: str, why: str, by: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Close NUMBER: after a retest, scrap or a concession; a reviewer or engineer does."""
    _add(home, number, by, {"step": "closed", "why": why}, from_stdin=from_stdin, as_json=as_json)


# What they have in common -----------------------------------------------------------------------


def _who(home: Path | None, by: str, *, from_stdin: bool) -> "Somebody":
    from testbench.nonconforming import Somebody
    from testbench.wiring import Home

    return Somebody(Home(home_of(home)), by, asking(from_stdin=from_stdin))


def _add(home: Path | None, number: str, by: str, what: dict[str, Any], *, from_stdin: bool, as_json: bool) -> None:
    from testbench.nonconforming import add_entry, entry_of

    _tell(add_entry(_who(home, by, from_stdin=from_stdin), number, entry_of(what)), as_json=as_json)


def _tell(found: "Nonconformity", *, as_json: bool) -> None:
    if as_json:
        say_json(found.model_dump(mode="json"))
        return
    from testbench.station.life_lines import nonconformity_lines

    for line in nonconformity_lines(found):
        say(line)
