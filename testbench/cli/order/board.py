"""``testbench order board``."""

from pathlib import Path

import click

from testbench.cli.order.on_file import on_file
from testbench.cli.output import home_option, json_option, say, say_json


@click.command()
@home_option
@json_option
def command(home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Show how each order stands, by the newest run of each of its valves."""
    from testbench.station.board import board

    found = on_file(home)
    lines = board(found.orders, found.states, found.released, found.recalled, found.without_certificate)
    if as_json:
        say_json([line.model_dump(mode="json") for line in lines])
        return
    if not lines:
        say("There are no orders yet.")
        return
    say(f"{'order':<16} {'valves':>6} {'to do':>6} {'accepted':>9} {'rejected':>9} {'inconclusive':>13} {'void':>5} "
        f"{'released':>9} {'no certificate':>15} {'recalled':>9}  customer")  # fmt: skip
    for line in lines:
        released = "–" if line.released is None else line.released
        say(f"{line.order:<16} {line.valves:>6} {line.to_do:>6} {line.accepted:>9} {line.rejected:>9} "
            f"{line.inconclusive:>13} {line.void:>5} {released:>9} {line.without_certificate:>15} {line.recalled:>9}  "
            f"{line.customer}")  # fmt: skip
