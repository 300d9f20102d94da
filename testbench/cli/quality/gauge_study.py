"""``testbench quality gauge-study``."""

from pathlib import Path

import click

from testbench.cli.measure.gauge_study import POOLING, told_study
from testbench.cli.output import home_of, home_option, json_option, say
from testbench.cli.quality.series import series_of, series_options
from testbench.cli.quality.told import check_out, draw, out_option, printed
from testbench.cli.searching import search_options


@click.command()
@series_options
@click.option(
    "--pooled", type=click.Choice(list(POOLING)), default="auto", show_default=True,
    help="Pool the interaction into repeatability; auto: if its p-value is above 0.05.",
)  # fmt: skip
@click.option("--tolerance", type=click.FloatRange(min=0, min_open=True), help="Width of the tolerance.")
@search_options(origin="live")
@out_option
@home_option
@json_option
def command(
    *, of: str, stage: str | None, unit: str | None, pooled: str, tolerance: float | None, out: Path | None,
    home: Path | None, as_json: bool, **written: str | None,
) -> None:  # fmt: skip
    """Study the gauge from runs: the same valves, tested by several operators, equally often.

    What fits the search is taken: valves that an operator did not test are left out and named, and of more tests than
    every operator made of every valve the first ones count. For a CSV file there is 'testbench measure gauge-study'.

    An accepted valve is tested again only under a procedure that nobody has adopted: make a house procedure for the
    study, with limits that its valves meet, and an order of its own. Its runs yield specimens only.
    """
    from testbench.metrology.gauge_study import Measurement
    from testbench.run.quality import balanced
    from testbench.station.searching import search_of
    from testbench.wiring import Home, read_store

    check_out(out)
    series, asked, bench = series_of(of, stage, unit), search_of(**written), Home(home_of(home))
    with read_store(bench) as store:
        kept, left_out = balanced(series.read(store, asked))
    found = [Measurement(one.serial, one.operator, one.value) for one in kept]
    study = told_study(found, series.unit, pooled, tolerance, as_json=as_json, left_out=left_out)
    if left_out and not as_json:
        say(f"left out    {', '.join(left_out[:20])}{' …' if len(left_out) > 20 else ''}: not tested by every operator")
    if out is not None:
        from testbench.certificate.quality_page import study_drawn

        draw(out, study_drawn(study, series.unit, tolerance, printed(bench, asked.in_words, out)), quiet=as_json)
