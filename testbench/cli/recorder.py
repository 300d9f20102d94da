"""``testbench recorder``."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option


@click.command()
@home_option
def command(home: Path | None) -> None:
    """Be the recorder of a home, without a screen, until told to end."""
    from testbench.wiring import Home, run_recorder

    run_recorder(Home(home_of(home)))
