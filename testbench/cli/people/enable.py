"""``testbench people enable``."""

from pathlib import Path

import click

from testbench.cli.output import home_option, json_option
from testbench.cli.people.told import authority, by_option, desk_at, tell
from testbench.cli.secrets import asking, secret_option


@click.command()
@click.argument("person")
@by_option
@secret_option
@home_option
@json_option
def command(*, person: str, by: str | None, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Give PERSON the rights back."""
    from testbench.station.people import Change

    with desk_at(home) as desk:
        entry = desk.change(authority(desk, by, asking(from_stdin=from_stdin)), person, Change.ENABLED)
    tell((entry,), as_json=as_json)
