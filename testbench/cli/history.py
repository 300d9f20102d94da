"""``testbench history``: the runs of a bench, and how many passed the first time."""

from dataclasses import asdict
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


@click.group(invoke_without_command=True)
@click.option("--limit", default=50, show_default=True, help="How many runs at most, newest first.")
@click.option("--before", metavar="RUN", help="Those before this run: the last one of the page before.")
@click.option("--serial", default="", help="Those whose serial number begins so.")
@home_option
@json_option
@click.pass_context
def command(
    ctx: click.Context, limit: int, before: str | None, serial: str, home: Path | None, *, as_json: bool
) -> None:
    """List the runs of this bench, newest first."""
    if ctx.invoked_subcommand is not None:
        return
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        runs = store.history(limit, before, serial)
    if as_json:
        say_json([asdict(run) | {"verdict": run.verdict or "void"} for run in runs])
        return
    for run in runs:
        verdict = f"{run.verdict}" if run.verdict else f"void ({run.ended})"
        recalled = f" RECALLED by {', '.join(run.recalled)}" if run.recalled else ""
        say(f"{run.run}  {run.started[:16]}  {run.serial:<20} {run.order:<12} {verdict:<14} {run.reason}{recalled}")
    if not runs:
        say("There are no runs yet." if before is None and not serial else "There are no such runs.")


@command.command("yield")
@click.option("--by", type=click.Choice(["month", "product"]), default="month", show_default=True)
@click.option(
    "--origin", type=click.Choice(["live", "simulated", "replayed"]), default="live", show_default=True,
    help="Which runs count.",
)  # fmt: skip
@home_option
@json_option
def yield_(by: str, origin: str, home: Path | None, *, as_json: bool) -> None:
    """First-pass yield: the share of valves that passed in the first run that decided anything.

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
