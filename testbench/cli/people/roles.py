"""``testbench people roles``."""

from pathlib import Path

import click

from testbench.cli.output import home_option, json_option
from testbench.cli.people.told import authority, by_option, desk_at, roles_option, tell
from testbench.cli.secrets import asking, secret_option


@click.command()
@click.argument("person")
@roles_option
@by_option
@secret_option
@home_option
@json_option
def command(
    *, person: str, roles: tuple[str, ...], by: str | None, from_stdin: bool, home: Path | None, as_json: bool
) -> None:
    """Give PERSON these roles in place of the old ones. A role that needs another secret wants it set as well."""
    from testbench.run.signature import Role
    from testbench.station.people import Change

    with desk_at(home) as desk:
        entered_by = authority(desk, by, asking(from_stdin=from_stdin))
        entry = desk.change(entered_by, person, Change.ROLES, tuple(dict.fromkeys(Role(role) for role in roles)))
    tell((entry,), as_json=as_json)
