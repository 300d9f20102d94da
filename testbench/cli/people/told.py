"""What the commands of ``testbench people`` have in common."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, say, say_json
from testbench.cli.secrets import Ask, asking, asking_twice

if TYPE_CHECKING:
    from testbench.run.signature import Method
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


def set_secret(
    home: Path | None, person: str, by: str | None, method: "Method", *, from_stdin: bool, new_pepper: bool = False
) -> "PersonEntry":
    """Set a PIN or a password: by an engineer, or by the person with the old one."""
    from testbench.run.signature import Method
    from testbench.station.desk import Given

    ask = asking(from_stdin=from_stdin)
    with desk_at(home) as desk:
        if by is None:
            entered_by, shown = desk.authenticate(Given(person, ask(f"Old {method} of {person}")), method).id, method
        else:
            entered_by, shown = authority(desk, by, ask), Method.PASSWORD
        new = asking_twice(from_stdin=from_stdin)(f"New {method} of {person}")
        return desk.set_secret(entered_by, person, method, new, authenticated=shown, new_pepper=new_pepper)


def tell(entries: "tuple[PersonEntry, ...]", *, as_json: bool) -> None:
    """What was entered. No secret and no hash of one stands in it."""
    if as_json:
        say_json([entry.model_dump(mode="json", exclude={"secret_sha256", "pepper"}) for entry in entries])
        return
    for entry in entries:
        roles = f": {', '.join(entry.roles)}" if entry.roles else ""
        say(f"{entry.person}  {entry.change}{roles}  (by {entry.by}, {entry.authenticated})")
