"""What the commands of ``testbench people`` have in common."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, say, say_json
from testbench.cli.secrets import Ask

if TYPE_CHECKING:
    from testbench.station.desk import Desk
    from testbench.station.people import PersonEntry

by_option = click.option("--by", help="Id of the engineer who enters it; asks for the engineer's password.")
roles_option = click.option(
    "--role", "roles", multiple=True, required=True,
    type=click.Choice(["operator", "reviewer", "engineer", "witness"]), help="May be given several times.",
)  # fmt: skip


@contextmanager
def desk_at(home: Path | None) -> "Iterator[Desk]":
    """The desk of a home, its records open for writing."""
    from testbench.identity import desk_of
    from testbench.wiring import Home, open_store

    bench = Home(home_of(home))
    with open_store(bench) as store:
        yield desk_of(bench, store)


def authority(desk: "Desk", by: str | None, ask: Ask) -> str:
    """Who enters it: an engineer by password; for the first person the owner of the home."""
    from testbench.station.desk import Given
    from testbench.station.people import OWNER

    if not desk.people():
        return OWNER
    if by is None:
        raise click.UsageError("People are registered here: name an engineer with --by.")
    return desk.engineer(Given(by, ask(f"Password of {by}")))


def tell(entries: "tuple[PersonEntry, ...]", *, as_json: bool) -> None:
    """What was entered. No secret and no hash of one stands in it."""
    if as_json:
        say_json([entry.model_dump(mode="json", exclude={"secret_sha256", "pepper"}) for entry in entries])
        return
    for entry in entries:
        roles = f": {', '.join(entry.roles)}" if entry.roles else ""
        say(f"{entry.person}  {entry.change}{roles}  (by {entry.by}, {entry.authenticated})")
