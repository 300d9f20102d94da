"""``testbench init``."""

import json
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, say


@click.command()
@click.option("--bench", "bench", help="Name of the bench; run numbers begin with it.")
@click.option("--works", help="Name of the works: the letterhead, and in whose name the station seals.")
@home_option
def command(home: Path | None, bench: str | None, works: str | None) -> None:
    """Make a bench home: configuration, station key, empty records."""
    from testbench.procedure_files.loader import bench_template
    from testbench.wiring import make_home

    text = bench_template()
    for old, new in (('name = "B1"', bench), ('name = "Name of the works"', works)):
        text = text.replace(old, f"name = {json.dumps(new, ensure_ascii=False)}", 1) if new else text
    made = make_home(home_of(home), text)
    say(f"Made the bench home {made.folder}.")
    say(f"Next: describe this bench in {made.folder / 'bench.toml'}, put orders into {made.folder / 'orders'},")
    say(f"and give customers {made.keys / 'station-cert.pem'}: with it they check your certificates.")
