"""``testbench people add``."""

from pathlib import Path

import click

from testbench.cli.output import home_option, json_option
from testbench.cli.people.told import authority, by_option, desk_at, roles_option, tell
from testbench.cli.secrets import asking, asking_twice, secret_option


@click.command()
@click.argument("person")
@click.option("--name", required=True, help="As it is printed under what the person signs; never changed.")
@roles_option
@by_option
@secret_option
@home_option
@json_option
def command(
    *,
    person: str,
    name: str,
    roles: tuple[str, ...],
    by: str | None,
    from_stdin: bool,
    home: Path | None,
    as_json: bool,
) -> None:
    """Register PERSON (a short id), with the secrets that the roles need.

    Operators and witnesses have a PIN, reviewers and engineers a password; who has both kinds of roles has both. The
    first person must be an engineer, and is entered on the authority of whoever owns the home. With --secret-stdin:
    the engineer's password (not for the first person), then the PIN, then the password, one a line.
    """
    from testbench.procedure.names import plain_name
    from testbench.run.signature import Role
    from testbench.station.people import check_new, methods_for
    from testbench.wiring import check_printable

    name = plain_name(name)
    check_printable(name)
    given = tuple(dict.fromkeys(Role(role) for role in roles))
    with desk_at(home) as desk:
        entered_by = authority(desk, by, asking(from_stdin=from_stdin))
        check_new(desk.people(), person, name, given, entered_by)
        ask = asking_twice(from_stdin=from_stdin)
        new = {method: ask(f"New {method} of {person}") for method in methods_for(given)}
        entries = desk.add(entered_by, person, name, given, new)
    tell(entries, as_json=as_json)
