"""``testbench order import``."""

from pathlib import Path

import click

from testbench.cli.order.taking import column_options, take, taking_options
from testbench.cli.output import home_option, json_option


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@column_options
@taking_options[0]
@taking_options[1]
@home_option
@json_option
def command(
    *, file: Path, accepted: str | None, dry_run: bool, home: Path | None, as_json: bool, **stated: str | None
) -> None:
    """Make an order of a CSV FILE: a row for each valve, or for a range of serial numbers.

    'testbench order columns' lists the columns. What holds for every row may be given as an option instead. Shows what
    will be made, names every bad row, and takes all of it or nothing.
    """
    from testbench.procedure_files.order_csv import read_sheet

    common = {name: text.strip() for name, text in stated.items() if text is not None}
    sheet = read_sheet(file, common)
    facts = {"file": str(file), "encoding": sheet.encoding, "delimiter": sheet.delimiter, "empty_rows": sheet.empty}
    take(
        str(file), sheet.rows, common, home,
        unread=sheet.unread, accepted=accepted, dry_run=dry_run, as_json=as_json, facts=facts,
    )  # fmt: skip
