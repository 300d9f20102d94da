"""``testbench quality chart``."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.quality.series import series_of, series_options
from testbench.cli.quality.told import check_out, draw, out_option, printed
from testbench.cli.searching import search_options

if TYPE_CHECKING:
    from testbench.metrology.charts import Chart
    from testbench.run.quality import Control

COLUMNS = 100
MOST_SIGNALS = 20


@click.command()
@series_options
@click.option("--base", metavar="DAYS", help="What the limits come from: 2026-01, or 2026-01..2026-03; default: all.")
@click.option("--all-rules", is_flag=True, help="Ask every run rule, not only 1 (3 sigma) and 4 (eight in a row).")
@search_options(origin="live")
@out_option
@home_option
@json_option
def command(
    *, of: str, stage: str | None, unit: str | None, base: str | None, all_rules: bool, out: Path | None,
    home: Path | None, as_json: bool, **written: str | None,
) -> None:  # fmt: skip
    """Chart single values and moving ranges, and say which points signal and by which rule.

    Narrow it to one product (--product): valves of different size have no common limits. A signal asks for a cause; it
    is no verdict on a valve.
    """
    from testbench.metrology.charts import DEFAULT_RULES, RunRule
    from testbench.run.quality import control
    from testbench.station.searching import search_of
    from testbench.wiring import Home, read_store

    check_out(out)
    asked, series, bench = search_of(**written), series_of(of, stage, unit), Home(home_of(home))
    with read_store(bench) as store:
        points = series.read(store, asked)
        taken = None if base is None else series.read(store, _of_base(written, base))
    rules = tuple(RunRule) if all_rules else DEFAULT_RULES
    found = control(series.criterion, series.unit, points, taken, rules)
    if as_json:
        say_json(_facts(found, asked.in_words, series.stage))
    else:
        _tell(found, series.in_words)

    if out is not None:
        from testbench.certificate.quality_page import control_drawn

        draw(out, control_drawn(found, series.in_words, printed(bench, asked.in_words, out)), quiet=as_json)


def _of_base(written: dict[str, str | None], base: str) -> Any:
    from testbench.station.searching import search_of

    first, _, last = base.partition("..")
    return search_of(**(written | {"since": first, "until": last or first}))


def _facts(found: "Control", asked: str, stage: str) -> dict[str, Any]:
    capability = found.capability
    return {
        "asked": asked,
        "what": found.what,
        "stage": stage,
        "unit": found.unit,
        "base": found.base,
        "values": _chart_facts(found.values) | {
            "points": [point._asdict() for point in found.points],
            "signals": [{"run": found.points[one.index].run, "rule": str(one.rule)} for one in found.signals],
        },
        "ranges": _chart_facts(found.ranges) | {
            "points": list(found.ranges.points),
            "signals": [{"run": found.points[one.index + 1].run, "rule": str(one.rule)} for one in found.range_signals],
        },
        "capability": None if capability is None else {
            "cpk": capability.cpk, "cpk_interval": list(_pair(capability.cpk_interval())), "upper": capability.upper,
            "n": capability.n,
        },
        "why_no_capability": found.why_no_capability,
    }  # fmt: skip


def _pair(interval: Any) -> tuple[float, float]:
    return interval.low, interval.high


def _chart_facts(chart: "Chart") -> dict[str, Any]:
    return {"centre": chart.centre, "lower": chart.lower[0], "upper": chart.upper[0]}


def _tell(found: "Control", what: str) -> None:
    from testbench.cli.drawing import chart_lines

    say(f"{what} [{found.unit}]; limits from {found.base}")
    if len(found.points) > COLUMNS:
        say(f"The last {COLUMNS} of {len(found.points)} values:")
    signals = {one.index: str(one.rule) for one in found.signals}
    ranges = {one.index: str(one.rule) for one in found.range_signals}
    for line in chart_lines(found.values, signals, COLUMNS):
        say(line)
    say("moving range")
    for line in chart_lines(found.ranges, ranges, COLUMNS, 8):
        say(line)
    told = found.told
    if len(told) > MOST_SIGNALS:
        say(f"{len(told) - MOST_SIGNALS} earlier points signal as well; --json tells all.")
    for point, rules in told[-MOST_SIGNALS:]:
        say(f"◆ {point.run}  {point.day}  {point.serial}: {point.value:.4g} {found.unit}: {'; '.join(rules)}")
    if not told:
        say("No point signals.")
    if found.capability is None:
        say(f"Capability is not told: {found.why_no_capability}.")
    else:
        low, high = _pair(found.capability.cpk_interval())
        say(
            f"Cpk {found.capability.cpk:.3f} to the upper limit {found.capability.upper:.4g} {found.unit}, "
            f"95 %: {low:.3f} to {high:.3f}."
        )
