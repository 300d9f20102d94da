"""``testbench valve``: the whole life of one serial number."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


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
    from testbench.station.life_lines import parts_of
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
    for number, part in enumerate(parts_of(found)):
        for line in ("", *part.lines) if number else part.lines:
            say(line)
