"""``testbench order export``."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.order.on_file import on_file
from testbench.cli.output import counted, home_option, json_option, say, say_json
from testbench.cli.searching import TO_STDOUT

if TYPE_CHECKING:
    from testbench.procedure.valve import Order, Valve


@click.command()
@click.argument("number")
@click.option(
    "--csv", "file", type=click.Path(path_type=Path, allow_dash=True), required=True,
    help="Where to write; not there yet. - is standard output.",
)  # fmt: skip
@home_option
@json_option
def command(number: str, file: Path, home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Write the order NUMBER with its valves and how each stands as CSV (UTF-8 with byte-order mark, commas).

    A cell that a spreadsheet would take for a formula begins with an apostrophe.
    """
    from testbench.errors import OrderNotWrittenError
    from testbench.procedure.order_rows import COLUMNS
    from testbench.procedure_files.order_csv import csv_text
    from testbench.procedure_files.order_files import keep
    from testbench.station.board import state_of

    found = on_file(home)
    order = found.order(number)
    to_stdout = str(file) == TO_STDOUT
    if not to_stdout and file.exists():
        raise OrderNotWrittenError(str(file), "there is a file of this name already")
    rows = [_cells(order, valve) | {"state": state_of(order, valve.serial, found.states)} for valve in order.valves]
    data = csv_text((*COLUMNS, "state"), rows).encode("utf-8-sig")
    if to_stdout:
        sys.stdout.buffer.write(data)
        return
    keep(file, data)
    if as_json:
        say_json({"order": order.number, "valves": len(rows), "file": str(file)})
    else:
        say(f"Wrote {counted(len(rows), 'valve')} of order {order.number} to {file}.")


def _cells(order: "Order", valve: "Valve") -> dict[str, Any]:
    from testbench.procedure.order_rows import COLUMNS
    from testbench.procedure.serials import BETWEEN
    from testbench.procedure.witness_points import in_a_cell

    facts = order.model_dump(mode="json", exclude={"valves"}) | valve.model_dump(mode="json")
    facts["optional_tests"] = BETWEEN.join(valve.optional_tests)
    facts["witness_points"] = in_a_cell(order.witness_points)
    return {name: facts.get(name) for name in COLUMNS}
