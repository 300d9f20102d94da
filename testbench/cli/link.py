"""``testbench link``."""

import click

from testbench.cli.output import say_json


@click.group()
def command() -> None:
    """The socket between recorder and screens."""


@command.command()
def schema() -> None:
    """Print the JSON schema of requests and messages.

    The recorder listens on recorder.sock in its home folder: one JSON object a line, UTF-8.
    """
    from testbench.station.messages import schema as described

    say_json(described())
