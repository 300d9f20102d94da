"""``testbench people set-password``."""

from pathlib import Path

import click

from testbench.cli.output import home_option, json_option
from testbench.cli.people.told import authority, by_option, desk_at, tell
from testbench.cli.secrets import asking, asking_twice, secret_option


@click.command()
@click.argument("person")
@by_option
@secret_option
@home_option
@json_option
def command(*, person: str, by: str | None, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Set the password of PERSON: by an engineer (--by), or by the person with the old one.

    With --secret-stdin: the engineer's password or the old password, then the new one, one a line.
    """
    from testbench.run.signature import Method
    from testbench.station.desk import Given

    ask, method = asking(from_stdin=from_stdin), Method.PASSWORD
    with desk_at(home) as desk:
        if by is None:
            own = desk.authenticate(Given(person, ask(f"Old {method} of {person}")), method)
            entered_by, shown = own.id, method
        else:
            entered_by, shown = authority(desk, by, ask), Method.PASSWORD
        new = asking_twice(from_stdin=from_stdin)(f"New {method} of {person}")
        entry = desk.set_secret(entered_by, person, method, new, authenticated=shown)
    tell((entry,), as_json=as_json)
