"""``testbench order new``."""

import sys
from pathlib import Path

import click

from testbench.cli.order.taking import column_options, take, taking_options
from testbench.cli.output import home_option, json_option


@click.command()
@click.option("--serial", "serials", multiple=True,
              help="Serial number, list A|B or range HL-8-0001..HL-8-0040; may be given again.")  # fmt: skip
@column_options
@taking_options[0]
@taking_options[1]
@home_option
@json_option
def command(
    *,
    serials: tuple[str, ...],
    accepted: str | None,
    dry_run: bool,
    home: Path | None,
    as_json: bool,
    **stated: str | None,
) -> None:
    """Make an order of valves that differ in their serial number only.

    On a terminal it asks for what is needed and was not given. Valves that differ in more come from a CSV file
    ('order import') or from the order's own file in orders/ of the home.
    """
    from testbench.procedure.order_rows import Row

    given = {name: text.strip() for name, text in stated.items() if text is not None}
    if serials:
        given["serial"] = "|".join(serials)
    if on_a_terminal() and not as_json:
        given |= _asked(given)
    take(
        "What was typed", [Row(0, given)], {}, home,
        accepted=accepted, dry_run=dry_run, as_json=as_json, facts={},
    )  # fmt: skip


def on_a_terminal() -> bool:
    """Whether somebody is there to be asked."""
    return sys.stdin.isatty()


def _asked(given: dict[str, str]) -> dict[str, str]:
    """Answers to what is needed, and to how the pressure is designated, as far as they were not given."""
    from testbench.procedure.order_rows import COLUMNS, NEEDED

    designated = ("rated", "pressure_class", "pn")
    wanted = [*NEEDED, *(() if any(name in given for name in designated) else ("rated",))]
    asked = {name: str(click.prompt(f"{name} ({COLUMNS[name]})")).strip() for name in wanted if name not in given}
    return {name: text for name, text in asked.items() if text}
