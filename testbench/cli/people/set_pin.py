"""``testbench people set-pin``."""

from pathlib import Path

import click

from testbench.cli.output import home_option, json_option
from testbench.cli.people.told import by_option, set_secret, tell
from testbench.cli.secrets import secret_option


@click.command()
@click.argument("person")
@by_option
@click.option("--new-pepper", is_flag=True, help="Make a new pepper where it was lost: every older PIN is void then.")
@secret_option
@home_option
@json_option
def command(
    *, person: str, by: str | None, new_pepper: bool, from_stdin: bool, home: Path | None, as_json: bool
) -> None:
    """Set the PIN of PERSON: by an engineer (--by), or by the person with the old one.

    With --secret-stdin: the engineer's password or the old PIN, then the new one, one a line.
    """
    from testbench.run.signature import Method

    entry = set_secret(home, person, by, Method.PIN, from_stdin=from_stdin, new_pepper=new_pepper)
    tell((entry,), as_json=as_json)
