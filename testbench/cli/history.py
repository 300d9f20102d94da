"""``testbench history``."""

from dataclasses import asdict
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


@click.command()
@click.option("--limit", default=50, show_default=True, help="How many runs at most, newest first.")
@home_option
@json_option
def command(home: Path | None, limit: int, as_json: bool) -> None:  # noqa: FBT001
    """List the runs of this bench, newest first."""
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        runs = store.history(limit)
    if as_json:
        say_json([asdict(run) | {"verdict": run.verdict or "void"} for run in runs])
        return
    for run in runs:
        verdict = f"{run.verdict}" if run.verdict else f"void ({run.ended})"
        say(f"{run.run}  {run.started[:16]}  {run.serial:<20} {run.order:<12} {verdict:<14} {run.reason}")
    if not runs:
        say("There are no runs yet.")
