"""``testbench valve``: the whole life of one serial number."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.nonconformity import lines_of
from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.station.life import RunOfValve, ValvePage


@click.command()
@click.argument("serial")
@home_option
@json_option
def command(serial: str, home: Path | None, *, as_json: bool) -> None:
    """Show everything of the valve SERIAL on one page.

    Its order, every run with its reasons, signatures and documents, nonconformities, reworks, recalls.
    """
    from testbench.procedure_files.loader import load_orders
    from testbench.station.life import life_of
    from testbench.wiring import Home, read_store

    folder = home_of(home)
    with read_store(Home(folder)) as store:
        orders, refused = load_orders(folder)
        for refusal in refused:
            click.echo(f"REFUSED {refusal}", err=True)
        found = life_of(serial, orders, store, str(folder))
    if as_json:
        say_json(found.model_dump(mode="json"))
        return
    for line in _page(found):
        say(line)


def _page(found: "ValvePage") -> list[str]:
    lines = [f"Valve {found.serial}"]
    for order in found.orders:
        lines.append(f"Order {order.order} for {order.customer} (theirs: {order.customer_order}), {order.procedure}")
        lines.append(f"  {order.valve}; {order.product}, drawing {order.drawing}; {order.heat_numbers}")
    if not found.orders:
        lines.append("On no order that is on file.")
    for run in found.runs:
        lines += ["", *_run(run)]
    if not found.runs:
        lines += ["", "Not tested yet."]
    for one in found.nonconformities:
        lines += ["", *lines_of(one)]
    for line in found.recalls:
        state = "in force" if line.lifted is None else f"lifted on {line.lifted.at[:10]}: {line.lifted.why}"
        named = ", ".join(run.run for run in line.recall.runs)
        lines += ["", f"Recall {line.recall.number} of {named}: {line.recall.why.rstrip('.')}; {state}"]
    return lines


def _run(run: "RunOfValve") -> list[str]:
    origin = "" if run.origin == "live" else f" ({run.origin})"
    verdict = run.verdict if run.verdict != "void" else f"void ({run.ended})"
    recalled = f"  RECALLED by {', '.join(run.recalled_by)}" if run.recalled_by else ""
    return [
        f"Run {run.run}  {run.started[:16]}{origin}: {verdict}. {run.reason}{recalled}",
        f"  {run.stages}",
        *(f"  {one.meaning} by {one.name} at {one.at[:16]}" for one in run.signatures),
        *(f"  {one.kind}: {one.file}" for one in run.documents),
    ]
