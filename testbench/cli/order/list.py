"""``testbench order list``."""

from pathlib import Path

import click

from testbench.cli.order.on_file import on_file
from testbench.cli.output import home_option, json_option, say, say_json


@click.command()
@home_option
@json_option
def command(home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """List the orders on file."""
    orders = on_file(home).orders
    if as_json:
        facts = [order.model_dump(mode="json", exclude={"valves"}) for order in orders]
        say_json([fact | {"valves": len(order.valves)} for fact, order in zip(facts, orders, strict=True)])
        return
    for order in orders:
        valves = f"{len(order.valves):>6} valve{' ' if len(order.valves) == 1 else 's'}"
        say(f"{order.number:<16} {valves}  {order.procedure:<28} {order.customer}")
    if not orders:
        say("There are no orders yet.")
