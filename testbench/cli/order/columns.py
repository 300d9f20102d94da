"""``testbench order columns``."""

import click

from testbench.cli.output import json_option, say, say_json


@click.command()
@json_option
def command(as_json: bool) -> None:  # noqa: FBT001
    """List the columns of a CSV file that makes an order."""
    from testbench.procedure.order_rows import COLUMNS, NEEDED, ORDER_COLUMNS

    if as_json:
        say_json([{"column": name, "needed": name in NEEDED, "meaning": text} for name, text in COLUMNS.items()])
        return
    for name, meaning in COLUMNS.items():
        same = "; the same in every row" if name in ORDER_COLUMNS else ""
        say(f"{name:<17} {'needed' if name in NEEDED else '':<7} {meaning}{same}")
