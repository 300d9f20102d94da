"""``testbench channel``: what is connected, what it says, and whether it is ready."""

import click

from testbench.cli.lazy import LazyGroup

COMMANDS = {
    "find": "List the serial ports; with --listen say what arrives and propose settings.",
    "watch": "Live values, rate, noise, resolution, rejects and line errors of a channel, a port or a capture.",
    "check": "Ready or not, and why, one line a channel; exit code 1 if not.",
}


@click.group(cls=LazyGroup, package="testbench.cli.channel", summaries=COMMANDS)
def command() -> None:
    """Find, watch and check the channels of a bench. Nothing is ever sent but the query of a line's settings.

    CAUTION: what is being connected may stand under pressure. Release it first; stand clear of fittings and hoses.
    """
