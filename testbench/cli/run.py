"""``testbench run``."""

import sys
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option


@click.command()
@home_option
def command(home: Path | None) -> None:
    """Open the operator's screen; starts the recorder if none is running for this home.

    Closing the screen never ends a test: open it again and it is where it was.
    """
    from testbench.errors import NoTerminalError
    from testbench.tui.app import run
    from testbench.wiring import Home, attach_or_start

    bench = Home(home_of(home))
    bench.bench()  # a broken or missing home is said first
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise NoTerminalError
    link = attach_or_start(bench)
    sys.exit(run(link))
