"""``testbench history``: the runs of a bench, searched, exported, summed up."""

from dataclasses import asdict
from pathlib import Path

import click

from testbench.cli.lazy import LazyGroup
from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.searching import search_options

COMMANDS = {
    "export": "The runs that fit a search as CSV, safe against formulas, or as JSON lines.",
    "summary": "One order on a few pages: every serial number, its verdict, attempts and certificate.",
    "browse": "Search on the screen, as you type.",
    "rebuild": "Make what searches and statistics are read from anew, from the records.",
}


@click.group(cls=LazyGroup, package="testbench.cli.history", summaries=COMMANDS, invoke_without_command=True)
@click.option("--limit", type=click.IntRange(min=1), default=50, show_default=True, help="How many, newest first.")
@click.option("--before", metavar="RUN", help="Those before this run: the last one of the page before.")
@search_options()
@home_option
@json_option
@click.pass_context
def command(
    ctx: click.Context, /, *, limit: int, before: str | None, home: Path | None, as_json: bool, **written: str | None
) -> None:
    """List the runs of this bench that fit everything that is asked, newest first."""
    if ctx.invoked_subcommand is not None:
        return
    from testbench.station.searching import page_of, search_of
    from testbench.wiring import Home, read_store

    asked = search_of(**written)
    with read_store(Home(home_of(home))) as store:
        runs, more = page_of(store, asked, limit, before)
        recalled = store.recalled()
    if as_json:
        say_json([asdict(run) | {"recalled": recalled.get(run.run, ())} for run in runs])
        return
    for run in runs:
        verdict = run.verdict if run.verdict != "void" else f"void ({run.ended})"
        said = f" RECALLED by {', '.join(recalled[run.run])}" if run.run in recalled else ""
        say(f"{run.run}  {run.started[:16]}  {run.serial:<20} {run.order:<12} {verdict:<14} {run.reason}{said}")
    if not runs:
        say("There are no runs yet." if before is None and asked.everything else "There are no such runs.")
    elif more:
        say(f"More: --before {runs[-1].run}")
