"""``testbench recorder``."""

from pathlib import Path

import click

from testbench.cli.output import FiniteRange, home_of, home_option, say


@click.command()
@click.option("--stop", is_flag=True, help="End the recorder of this home; refused while a run is open.")
@click.option(
    "--from-capture",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Read the channel from a capture instead of its port; every page of such a run is a SPECIMEN.",
)
@click.option("--speed", type=FiniteRange(0, 1000, min_open=True), default=1.0, help="Of the replay.")
@home_option
def command(home: Path | None, from_capture: Path | None, speed: float, *, stop: bool) -> None:
    """Be the recorder of a home, without a screen, until told to end."""
    from testbench.recording import run_recorder
    from testbench.wiring import Home, stop_recorder

    folder = Home(home_of(home))
    if not stop:
        run_recorder(folder, from_capture, speed)
        return
    stop_recorder(folder)
    say(f"The recorder of {folder.folder} has ended.")
