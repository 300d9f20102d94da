"""``testbench order``: what customers ordered, and how it stands."""

import click

from testbench.cli.lazy import LazyGroup

COMMANDS = {
    "import": "Make an order of a CSV file: preview, every bad row named, all of it or nothing.",
    "new": "Make an order of what is typed: options, or one question after the other.",
    "columns": "The columns that a CSV file may have.",
    "list": "The orders on file.",
    "board": "How each order stands: to do, accepted, rejected, inconclusive, void, released.",
    "show": "One order with its valves and how each stands.",
    "export": "One order with its valves as CSV, safe against formulas.",
}


@click.group(cls=LazyGroup, package="testbench.cli.order", summaries=COMMANDS)
def command() -> None:
    """Keep the orders: one TOML file each in orders/ of the home."""
