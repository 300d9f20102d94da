"""``testbench recorder``."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, say


@click.command()
@click.option("--stop", is_flag=True, help="End the recorder of this home; refused while a run is open.")
@home_option
def command(home: Path | None, *, stop: bool) -> None:
    """Be the recorder of a home, without a screen, until told to end."""
    from testbench.wiring import Home, run_recorder, stop_recorder

    folder = Home(home_of(home))
    if not stop:
        run_recorder(folder)
        return
    stop_recorder(folder)
    say(f"The recorder of {folder.folder} has ended.")
