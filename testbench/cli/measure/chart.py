"""``testbench measure chart``."""

from pathlib import Path
from typing import Any

import click

from testbench.cli.output import json_option, say, say_json
from testbench.cli.tables import ANY_UNIT, Table, read_table
from testbench.metrology.charts import (
    Chart,
    RunRule,
    count_chart,
    individuals_chart,
    mean_and_deviation_chart,
    mean_and_range_chart,
    proportion_chart,
    rate_chart,
)
from testbench.metrology.statistics import FirstPassYield, capability


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--kind",
    type=click.Choice(["i-mr", "xbar-r", "xbar-s", "p", "c", "u"]),
    default="i-mr",
    show_default=True,
    help="Which chart.",
)
@click.option("--all-rules", is_flag=True, help="Ask every run rule, not only 1 (3 sigma) and 4 (eight in a row).")
@click.option("--lower-limit", type=float, help="Capability against a lower limit (charts of values).")
@click.option("--upper-limit", type=float, help="Capability against an upper limit (charts of values).")
@json_option
def command(
    *,
    file: Path,
    kind: str,
    all_rules: bool,
    lower_limit: float | None,
    upper_limit: float | None,
    as_json: bool,
) -> None:
    """Draw up a control chart of FILE and say which points signal.

    Columns: value_psi (i-mr); subgroup,value_psi (xbar-r, xbar-s); defective,inspected (p); defects (c);
    defects,units (u).
    """
    table = _read(file, kind)
    charts = _charts(table, kind)
    facts: dict[str, Any] = {
        "kind": kind,
        "unit": table["value"].unit if "value" in table else "",
        "charts": [_chart_facts(chart, tuple(RunRule) if all_rules else None) for chart in charts],
    }
    if "value" in table and not (lower_limit is None and upper_limit is None):
        facts["capability"] = _capability(table, lower_limit, upper_limit)
    if kind == "p":
        facts["yield"] = _yield(table)
    if as_json:
        say_json(facts)
        return
    _tell(facts)


def _read(file: Path, kind: str) -> Table:
    match kind:
        case "i-mr":
            return read_table(file, {"value": ANY_UNIT})
        case "p":
            return read_table(file, {"defective": (), "inspected": ()})
        case "c":
            return read_table(file, {"defects": ()})
        case "u":
            return read_table(file, {"defects": (), "units": ()})
        case _:
            return read_table(file, {"value": ANY_UNIT}, words=("subgroup",))


def _counts(table: Table, column: str) -> list[int]:
    values = table[column].values
    for row, value in enumerate(values):
        if value != int(value):
            raise table.refuse(row, column, f"{value:g}", "a whole number is needed")
    return [int(value) for value in values]


def _values(table: Table, column: str = "value") -> list[float]:
    return [float(value) for value in table[column].values]


def _subgroups(table: Table) -> list[list[float]]:
    groups: dict[str, list[float]] = {}
    for name, value in zip(table.words["subgroup"], _values(table), strict=True):
        groups.setdefault(name, []).append(value)
    return list(groups.values())


def _charts(table: Table, kind: str) -> tuple[Chart, ...]:
    match kind:
        case "i-mr":
            return individuals_chart(_values(table))
        case "xbar-r":
            return mean_and_range_chart(_subgroups(table))
        case "xbar-s":
            return mean_and_deviation_chart(_subgroups(table))
        case "p":
            return (proportion_chart(_counts(table, "defective"), _counts(table, "inspected")),)
        case "c":
            return (count_chart(_counts(table, "defects")),)
        case _:
            return (rate_chart(_counts(table, "defects"), _values(table, "units")),)


def _chart_facts(chart: Chart, rules: tuple[RunRule, ...] | None) -> dict[str, Any]:
    return {
        "name": chart.name,
        "centre": chart.centre,
        "lower": list(chart.lower),
        "upper": list(chart.upper),
        "points": list(chart.points),
        "signals": [{"point": signal.index + 1, "rule": str(signal.rule)} for signal in chart.signals(rules)],
    }


def _capability(table: Table, lower: float | None, upper: float | None) -> dict[str, Any]:
    found = capability(_values(table), lower, upper)
    cp, cpk = found.cp_interval(), found.cpk_interval()
    return {
        "n": found.n,
        "mean": found.mean,
        "standard_deviation": found.standard_deviation,
        "cp": found.cp,
        "cp_interval": None if cp is None else [cp.low, cp.high],
        "cpk": found.cpk,
        "cpk_interval": [cpk.low, cpk.high],
    }


def _yield(table: Table) -> dict[str, Any]:
    tested, bad = sum(_counts(table, "inspected")), sum(_counts(table, "defective"))
    found = FirstPassYield(tested - bad, tested)
    wilson, exact = found.wilson(), found.clopper_pearson()
    return {
        "accepted": found.accepted,
        "tested": tested,
        "estimate": found.estimate,
        "wilson": [wilson.low, wilson.high],
        "clopper_pearson": [exact.low, exact.high],
    }


def _tell(facts: dict[str, Any]) -> None:
    unit = facts["unit"]
    for chart in facts["charts"]:
        lower, upper = sorted(set(chart["lower"])), sorted(set(chart["upper"]))
        span = f"{lower[0]:.6g} to {upper[-1]:.6g}" + (" (by size of lot)" if len(upper) > 1 else "")
        say(f"{chart['name']:<4} centre {chart['centre']:.6g} {unit}, limits {span}".replace(" ,", ","))
        for signal in chart["signals"]:
            say(f"     point {signal['point']}: {chart['points'][signal['point'] - 1]:.6g}: {signal['rule']}")
        if not chart["signals"]:
            say("     no signal")
    if "capability" in facts:
        found = facts["capability"]
        if found["cp"] is not None:
            say(f"Cp   {found['cp']:.3f}, 95 %: {_range(found['cp_interval'])}")
        say(f"Cpk  {found['cpk']:.3f}, 95 %: {_range(found['cpk_interval'])}; overall standard deviation")
    if "yield" in facts:
        found = facts["yield"]
        say(f"yield {found['accepted']} of {found['tested']} = {found['estimate']:.4f}")
        say(f"     95 %: {_range(found['wilson'])} (Wilson), {_range(found['clopper_pearson'])} (Clopper-Pearson)")


def _range(interval: list[float]) -> str:
    return f"{interval[0]:.4f} to {interval[1]:.4f}"
