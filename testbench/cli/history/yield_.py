"""``testbench history yield``."""

from dataclasses import asdict
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


@click.command()
@click.option("--by", type=click.Choice(["month", "product"]), default="month", show_default=True)
@click.option(
    "--origin", type=click.Choice(["live", "simulated", "replayed"]), default="live", show_default=True,
    help="Which runs count.",
)  # fmt: skip
@home_option
@json_option
def command(by: str, origin: str, home: Path | None, *, as_json: bool) -> None:
    """First-pass yield over the whole history; 'quality yield' asks of any search, and tells the intervals.

    Void runs are not counted; an inconclusive one did not pass.
    """
    from testbench.run.record import Origin
    from testbench.run.yields import together
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        found = store.first_pass_yields("month" if by == "month" else "product", Origin(origin))
    everything = together(found)
    if as_json:
        say_json([asdict(one) | {"percent": one.percent} for one in found])
    elif everything is None:
        say(f"No {origin} run has decided anything yet.")
    else:
        for one in (*found, everything):
            say(f"{one.group:<40} {one.passed:>8} of {one.tested:>8}  {one.percent:>5} %")
