"""``testbench blank``: holds on a body known to be tight."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option

if TYPE_CHECKING:
    from testbench.run.record import BlankRun


@click.group()
def command() -> None:
    """Declare and list blank runs: they tell the drift of the bench from a leakage."""


@command.command()
@click.argument("run")
@click.option("--stage", type=click.IntRange(min=1), help="Which of its stage attempts; default: the last completed.")
@click.option(
    "--by",
    "declared_by",
    required=True,
    help="Who says that the body was tight; where people are registered, id of an engineer.",
)
@click.option("--why", required=True, help="What the body was, and how it is known to be tight.")
@secret_option
@home_option
@json_option
def add(
    *, run: str, stage: int | None, declared_by: str, why: str, from_stdin: bool, home: Path | None, as_json: bool
) -> None:
    """Declare a hold of a closed RUN, made on a body known to be tight, a blank run."""
    from testbench.identity import engineer_of
    from testbench.wiring import Home, add_blank

    bench = Home(home_of(home))
    declared_by, _ = engineer_of(bench, declared_by, asking(from_stdin=from_stdin))
    found = add_blank(bench, run, stage, declared_by, why)
    if as_json:
        say_json(found.model_dump(mode="json"))
    else:
        say(_line(found))


@command.command("list")
@home_option
@json_option
def list_(home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """List the blank runs of this bench, oldest first."""
    from testbench.wiring import Home, blanks_of

    found = blanks_of(Home(home_of(home)))
    if as_json:
        say_json([one.model_dump(mode="json") for one in found])
        return
    for one in found:
        say(_line(one))
    if not found:
        say("There are no blank runs yet.")


def _line(found: "BlankRun") -> str:
    from testbench.metrology.uncertainty import rounded

    unit = found.slope_per_min.unit
    slope, half = rounded(found.slope_per_min.to(unit), found.half_width_per_min.to(unit))
    return (
        f"{found.run}  {found.at[:10]}  {found.stage}, attempt {found.attempt}, {found.fluid} at {found.pressure}: "
        f"{slope} ± {half} {unit}/min  {found.declared_by}: {found.why}"
    )
