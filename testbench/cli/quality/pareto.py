"""``testbench quality pareto``."""

from dataclasses import asdict
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.quality.told import check_out, draw, out_option, printed
from testbench.cli.searching import search_options

BAR = 30
MOST_LINES = 30


@click.command()
@search_options(origin="live")
@out_option
@home_option
@json_option
def command(*, out: Path | None, home: Path | None, as_json: bool, **written: str | None) -> None:
    """Why runs were rejected or void: the most frequent reason first, with its share and the shares added up.

    A run with two reasons is counted under both. --verdict rejected, or void, asks of one kind only.
    """
    from testbench.cli.drawing import bar
    from testbench.errors import NothingFoundError
    from testbench.run.quality import pareto
    from testbench.station.searching import search_of
    from testbench.wiring import Home, read_store

    check_out(out)
    asked, bench = search_of(**written), Home(home_of(home))
    with read_store(bench) as store:
        found = pareto(store.reasons(asked))
    if not found:
        raise NothingFoundError("a Pareto list", asked.in_words)
    if as_json:
        say_json({"asked": asked.in_words, "reasons": [asdict(line) for line in found]})
    else:
        wide = max(len(line.reason) for line in found[:MOST_LINES])
        for line in found[:MOST_LINES]:
            drawn = bar(line.share / found[0].share, BAR)
            shares = f"{100 * line.share:5.1f} %  {100 * line.cumulated:5.1f} %"
            say(f"{line.reason:{wide}}  {line.runs:>7}  {shares}  {drawn}")
        if len(found) > MOST_LINES:
            say(f"and {len(found) - MOST_LINES} more; --json tells all.")

    if out is not None:
        from testbench.certificate.quality_page import pareto_drawn

        draw(out, pareto_drawn(found, printed(bench, asked.in_words, out)), quiet=as_json)
