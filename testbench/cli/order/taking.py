"""What ``order import`` and ``order new`` share: options, the plan, the preview, and the keeping."""

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.output import counted, home_of, say, say_json
from testbench.procedure.order_rows import COLUMNS

if TYPE_CHECKING:
    from testbench.procedure.order_rows import BadCell, Plan, Row
    from testbench.procedure.valve import Order

PREVIEWED = 5
PROGRESS_FROM_ROWS = 1000


def column_options(function: Any) -> Any:
    """An option for each column but the serial number."""
    for name, meaning in reversed(COLUMNS.items()):
        if name != "serial":
            function = click.option(f"--{name.replace('_', '-')}", name, help=f"{meaning[0].upper()}{meaning[1:]}.")(
                function
            )
    return function


taking_options = (
    click.option("--accept-look-alikes", "accepted", metavar="WHY",
                 help="Why serial numbers in doubt are meant; kept with the order."),
    click.option("--dry-run", is_flag=True, help="Show what would be made; keep nothing."),
)  # fmt: skip


def take(
    source: str,
    rows: "Sequence[Row]",
    common: Mapping[str, str],
    home: Path | None,
    *,
    unread: "Sequence[BadCell]" = (),
    accepted: str | None,
    dry_run: bool,
    as_json: bool,
    facts: Mapping[str, Any],
) -> None:
    """Plan an order, show it, and keep it whole or not at all.

    Raises:
        OrderRefusedError: a cell breaks a rule.
        SerialsInDoubtError: serial numbers are in doubt, and nobody said that they are meant.
        OrderExistsError: there is an order of this number.
        OrderNotWrittenError: it could not be kept.
    """
    from testbench.procedure_files.loader import load_orders
    from testbench.procedure_files.order_files import keep_order, orders_locked
    from testbench.wiring import Home

    folder = home_of(home)
    Home(folder).bench()  # says that there is no home
    with orders_locked(folder):
        existing, broken = load_orders(folder)
        _refuse_twice(existing, {**rows[0].cells, **common}.get("number", "") if rows else "", folder)
        plan = _planned(rows, common, existing=existing, folder=folder, unread=unread, accepted=accepted, quiet=as_json)
        if not as_json:
            for refusal in broken:
                say(f"NOTE {refusal} Its serial numbers were not compared.")
        kept = None if plan.order is None or dry_run else keep_order(folder, plan.order)
    if as_json:
        say_json({**facts, **_facts(plan), "kept": None if kept is None else str(kept)})
    else:
        _preview(source, plan, facts)
        if plan.order is not None:
            say("Nothing was kept: this was a dry run." if kept is None else f"Kept as {kept}.")
    _refuse(source, plan)


def _refuse_twice(existing: "Sequence[Order]", number: str, folder: Path) -> None:
    from testbench.errors import OrderExistsError

    for order in existing:
        if order.number.casefold() == number.casefold():
            raise OrderExistsError(order.number, str(folder / "orders"))


def _planned(
    rows: "Sequence[Row]",
    common: Mapping[str, str],
    *,
    existing: "Sequence[Order]",
    folder: Path,
    unread: "Sequence[BadCell]",
    accepted: str | None,
    quiet: bool,
) -> "Plan":
    from testbench.procedure.order_rows import planned
    from testbench.procedure_files.loader import find_procedure
    from testbench.wiring import check_language, check_printable

    long = len(rows) >= PROGRESS_FROM_ROWS and not quiet and sys.stderr.isatty()
    with click.progressbar(length=len(rows), label="Looking at the rows", file=sys.stderr, hidden=not long) as bar:

        def progress(row: int) -> None:
            if row % 100 == 0 or row == len(rows):
                bar.update(row - bar.pos)

        plan = planned(
            rows,
            common,
            existing=existing,
            find_procedure=lambda name: find_procedure(name, folder)[0],
            check_text=check_printable,
            unread=unread,
            accepted=accepted,
            progress=progress,
        )
    if plan.order is not None:
        check_language(plan.order.language)
    return plan


def _facts(plan: "Plan") -> dict[str, Any]:
    order = plan.order
    return {
        "order": None if order is None else order.model_dump(mode="json", exclude={"valves"}),
        "rows": plan.rows,
        "valves": 0 if order is None else len(order.valves),
        "first": [] if order is None else [valve.model_dump(mode="json") for valve in order.valves[:PREVIEWED]],
        "bad": [
            {
                "line": cell.line or None,
                "column": cell.column,
                "found": cell.found,
                "allowed": cell.allowed,
                "doubtful": cell.doubtful,
                "sentence": cell.sentence,
            }
            for cell in plan.bad
        ],
    }


def _preview(source: str, plan: "Plan", facts: Mapping[str, Any]) -> None:

    if "encoding" in facts:
        empty = f", empty rows left out: {facts['empty_rows']}" if facts["empty_rows"] else ""
        say(f"{source}: {counted(plan.rows, 'row')}, {facts['encoding']}, parted by {facts['delimiter']}{empty}")
    for cell in plan.bad:
        say(f"  {'DOUBT' if cell.doubtful else 'BAD'}  {cell.sentence}")
    if plan.order is None:
        return
    order = plan.order
    wanted = f", {order.certificate_type.in_words}" if order.certificate_type else ""
    say(f"Order {order.number} for {order.customer}, {order.procedure}{wanted}: {counted(len(order.valves), 'valve')}")
    for valve in order.valves[:PREVIEWED]:
        say(f"  {valve.serial:<20} {valve.in_one_line}")
    if len(order.valves) > PREVIEWED:
        say(f"  … and {len(order.valves) - PREVIEWED} more, the last {order.valves[-1].serial}")


def _refuse(source: str, plan: "Plan") -> None:
    from testbench.errors import OrderRefusedError, SerialsInDoubtError

    if plan.order is None:
        bad = [cell for cell in plan.bad if not cell.doubtful] or plan.bad
        kind = SerialsInDoubtError if bad[0].doubtful else OrderRefusedError
        raise kind(source, len(plan.bad), bad[0].sentence)
