"""``testbench measure leakage``."""

from pathlib import Path
from typing import Any

import click

from testbench.cli.output import json_option, say, say_json
from testbench.cli.tables import header_of

COLLECTED = "For a collected leakage"
DECAY = "For a pressure decay"


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--limit", help='What is allowed, for example "60 mL/h".')
@click.option("--unit", help="Unit to show the rate in; default: that of the limit, else mL/h.")
@click.option("--volume-u", help=f'{COLLECTED}: U (k = 2) of one reading, "0.5 mL"; a limit needs it.')
@click.option("--time-u", type=click.FloatRange(min=0), default=1.0, show_default=True, help="U (k = 2) of a time [s].")
@click.option("--settle", type=click.FloatRange(min=0), default=0.0, help="Seconds of drain-down that are left out.")
@click.option("--drops-per-ml", type=click.FloatRange(min=0, min_open=True), help="Convention; drops need one.")
@click.option("--compliance", help=f'{DECAY}: C measured before, "0.0333 mL/psi".')
@click.option("--compliance-u", help='Its standard uncertainty, "0.0017 mL/psi".')
@click.option("--bleeds", type=click.Path(path_type=Path), help="C in place: a file of volume_mL,loss_psi.")
@click.option("--bleed-volume-u", default="0.01 mL", show_default=True, help="Standard uncertainty of a bled volume.")
@click.option("--bleed-loss-u", default="0.2 psi", show_default=True, help="Standard uncertainty of a loss.")
@click.option("--water-only", help="C of the water alone, to tell air and a flexible rig.")
@click.option("--blank", type=click.Path(path_type=Path), multiple=True, help="A hold on a tight body; two at least.")
@click.option("--beta", help='Pressure that a kelvin brings, "40.8 psi/K".')
@click.option(
    "--drift-u",
    type=click.FloatRange(min=0, min_open=True),
    help="Standard uncertainty of the temperature's rate [K/min].",
)
@click.option("--required", help='Least pressure of the hold, guard band included, "250 psi".')
@click.option("--resolution", type=click.FloatRange(min=0), help="Smallest step of a reading, in the file's unit.")
@click.option("--noise", type=click.FloatRange(min=0), help="Declared noise (SD), in the file's unit.")
@json_option
def command(file: Path, *, as_json: bool, **options: Any) -> None:
    """The leakage rate in FILE, with its uncertainty, and against a limit if one is told.

    With volume_mL,time_s (or drops,time_s) FILE holds readings of one vessel that fills; the rate is that between the
    first and the last after the settle period.

    With time_s,pressure_psi it holds a pressure decay: Q = C·(β·dT/dt − dP/dt). A column temperature_degC gives dT/dt.

    Exit code 0: measured, whatever was decided; 1: the data are refused; 2: an option is missing or wrong.
    """
    if any(header == "drops" or header.startswith("volume") for header in header_of(file)):
        from testbench.cli.measure.collected import collected_facts

        facts = collected_facts(file, options)
    else:
        from testbench.cli.measure.decays import decay_facts

        facts = decay_facts(file, options)
    from testbench.metrology.uncertainty import rounded

    told = facts.pop("told")
    if as_json:
        say_json(facts)
        return
    rate, u = rounded(facts["rate"], facts["expanded_uncertainty"])
    say(f"rate      {rate} ± {u} {facts['unit']} (k = {facts['k']:g}), by {facts['method']}")
    for line in told:
        say(line)
    if facts["decision"] is not None:
        say(f"decision  {facts['decision']}: {facts['reason']}")
    elif facts["reason"]:
        say(f"but       {facts['reason']}")
