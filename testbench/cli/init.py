"""``testbench init``."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, say


@click.command()
@home_option
def command(home: Path | None) -> None:
    """Make a bench home: configuration, station key, empty records."""
    from testbench.wiring import make_home

    made = make_home(home_of(home))
    say(f"Made the bench home {made.folder}.")
    say(f"Next: describe this bench in {made.folder / 'bench.toml'}, put orders into {made.folder / 'orders'},")
    say(f"and give customers {made.keys / 'station-cert.pem'}: with it they check your certificates.")
