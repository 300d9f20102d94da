"""``testbench history summary``."""

from dataclasses import asdict
from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.searching import check_free, write_all


@click.command()
@click.option("--order", "number", required=True, help="Number of the order.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="Draw it into this PDF, not there yet.")
@home_option
@json_option
def command(*, number: str, out: Path | None, home: Path | None, as_json: bool) -> None:
    """Sum an order up: every serial number with the verdict of its newest run, its runs, and its document.

    It is no certificate. Valves that the order names and nobody has tested are listed as to do.
    """
    from testbench.cli.order.on_file import on_file
    from testbench.errors import NothingFoundError
    from testbench.station.lot import lot_of
    from testbench.station.searching import Search
    from testbench.wiring import Home, read_store

    if out is not None:
        check_free(out)
    bench = Home(home_of(home))
    order = next((one for one in on_file(home).orders if one.number == number), None)
    with read_store(bench) as store:
        withdrawn = {one.number for one in store.withdrawals()}
        lot = lot_of(number, order, store.search_all(Search(order=number)), store.recalled(), withdrawn)
    if not lot.lines:
        raise NothingFoundError("a summary", f"order {number}")
    if as_json:
        say_json(asdict(lot) | {"counts": lot.counts})
    else:
        for line in lot.lines:
            verdict = f"{line.verdict}{' (not live)' if line.specimen else ''}"
            runs = f"{line.runs} run{'' if line.runs == 1 else 's'}"
            say(f"{line.serial:<24} {verdict:<24} {runs:>8}  {line.run:<12} {line.day:<10} {line.document}".rstrip())
        say(", ".join(f"{count} {state}" for state, count in lot.counts.items()))
    if out is None:
        return
    from testbench.certificate.lot_summary import lot_pdf
    from testbench.instruments.clocks import SystemClock

    settings = bench.bench()
    write_all(out, [lot_pdf(lot, settings.works.name, settings.paper, SystemClock().utc())])
    if not as_json:
        say(f"Drawn into {out}.")
