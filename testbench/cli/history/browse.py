"""``testbench history browse``."""

import sys
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option


@click.command()
@click.argument("line", required=False, default="")
@home_option
def command(*, line: str, home: Path | None) -> None:
    """Search on the screen, as you type; LINE is what is searched first, for example 'verdict:rejected 0117'."""
    from testbench.errors import BrowseNeedsTerminalError
    from testbench.reviewing import HomeHistory
    from testbench.tui.history import run
    from testbench.wiring import Home, read_store

    bench = Home(home_of(home))
    bench.bench()  # a broken or missing home is said first
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise BrowseNeedsTerminalError
    with read_store(bench) as store:
        code = run(HomeHistory(bench, store), line)
    sys.exit(code)
