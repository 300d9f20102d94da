"""``testbench requirements``: what a valve must pass, and why."""

from pathlib import Path
from typing import Any

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


@click.command()
@click.argument("procedure")
@click.option("--type", "type_", required=True, help="swing-check, check, gate, globe, ball, plug or butterfly.")
@click.option("--nps", help="Nominal size as NPS, for example 8.")
@click.option("--dn", type=int, help="Nominal size as DN, for example 200.")
@click.option("--rated", help="Rated pressure, for example '250 psi'.")
@click.option("--class", "pressure_class", type=int, help="Class designation, for example 150.")
@click.option("--pn", type=int, help="PN designation, for example 16.")
@click.option("--material", help="steel, stainless, gray-iron, ductile-iron or bronze.")
@click.option("--seat", required=True, help="resilient or metal.")
@click.option("--rate", "leak_rate", help="Leakage rate, where the standard leaves the choice: A, AA, B …")
@click.option("--with", "optional_tests", multiple=True, help="A test that the standard leaves to the order, by name.")
@click.option("--unit", "units", multiple=True, help="Show in this unit: psi, bar, mL/min, fl_oz/h …")
@click.option("--compare", multiple=True, metavar="PROCEDURE", help="Put another procedure beside it; may be repeated.")
@home_option
@json_option
def command(procedure: str, home: Path | None, compare: tuple[str, ...], as_json: bool, **facts: Any) -> None:  # noqa: FBT001
    """Print what PROCEDURE demands of a valve: pressures, times, criteria, each with its source."""
    folder, units = home_of(home), facts.pop("units")
    _check_units(units)
    if compare:
        sheets = [_sheet_or_refusal(name, folder, facts, units) for name in (procedure, *compare)]
    else:
        sheets = [_sheet(procedure, folder, facts, units)]
    if as_json:
        say_json(sheets if compare else sheets[0])
    elif compare:
        _print_beside(sheets)
    else:
        _print(sheets[0])


def _check_units(units: tuple[str, ...]) -> None:
    from testbench.errors import UnitUnknownError
    from testbench.quantities import LeakageRate, Pressure

    for unit in units:
        if unit not in Pressure.UNITS and unit not in LeakageRate.UNITS:
            raise UnitUnknownError("A requirement", unit, (*Pressure.UNITS, *LeakageRate.UNITS))


def _sheet_or_refusal(name: str, home: Path, facts: dict[str, Any], units: tuple[str, ...]) -> dict[str, Any]:
    """In a comparison one procedure that does not apply says so in its own place."""
    from testbench.errors import FactMissingError, ProcedureDoesNotApplyError

    try:
        return _sheet(name, home, facts, units)
    except (FactMissingError, ProcedureDoesNotApplyError) as refusal:
        return {"procedure": name, "stages": [], "refused": str(refusal)}


def _sheet(name: str, home: Path, facts: dict[str, Any], units: tuple[str, ...]) -> dict[str, Any]:
    from testbench.procedure.requirements import requirements_for
    from testbench.procedure_files.loader import find_procedure
    from testbench.procedure_files.valves import valve_of

    channel = _channel(home)
    found, digest = find_procedure(name, home)
    asked = requirements_for(found, valve_of(**facts))
    return {
        "procedure": asked.procedure,
        "revision": asked.revision,
        "title": asked.title,
        "standard": asked.standard,
        "edition": asked.edition,
        "sha256": digest,
        "rating": _amount(asked.rating, units),
        "stages": [_stage(stage, units) | _on_channel(stage, channel, units) for stage in asked.stages],
        "left_to_the_order": list(asked.left_out),
    }


def _channel(home: Path) -> Any:
    """The deciding channel of the bench, if this home describes one."""
    from testbench.errors import HomeMissingError
    from testbench.wiring import Home, channel_now

    try:
        return channel_now(Home(home))
    except HomeMissingError:
        return None


def _on_channel(stage: Any, channel: Any, units: tuple[str, ...]) -> dict[str, Any]:
    """What the channel must show, and whether its range suits."""
    from testbench.quantities import Pressure

    if channel is None:
        return {}
    scale = channel.for_fluid(stage.fluid).scale
    acceptance = stage.required + channel.guard_band(stage)
    shown = Pressure.of(scale.exact_counts(acceptance) * scale.per_count, scale.unit)
    gauge = stage.gauge_range
    return {
        "channel": channel.tag,
        "least_indication": _amount(shown, units),
        "range_suits": None if gauge is None else gauge.least <= channel.highest <= gauge.most,
        "range_covers": channel.calibration.covers(stage.upper_limit),
    }


def _stage(stage: Any, units: tuple[str, ...]) -> dict[str, Any]:
    gauge = stage.gauge_range
    return {
        "stage": stage.stage,
        "fluid": stage.fluid,
        "required_pressure": _amount(stage.required, units),
        "upper_limit": _amount(stage.upper_limit, units),
        "hold_s": stage.hold_s,
        "pressurized_side": stage.pressurized_side,
        "open_side": stage.open_side,
        "criteria": [_criterion(criterion, units) for criterion in stage.criteria],
        "gauge_range": None
        if gauge is None
        else {"least": _amount(gauge.least, units), "most": _amount(gauge.most, units), "source": gauge.source},
        "decision_rule": str(stage.decision_rule),
        "prepare": list(stage.prepare),
        "sources": [*stage.sources, *(f"{c.criterion}: {c.source}" for c in stage.criteria)],
    }


def _criterion(criterion: Any, units: tuple[str, ...]) -> dict[str, Any]:
    from testbench.procedure.criteria import LargestLeakageRate

    if not isinstance(criterion, LargestLeakageRate):
        rule = getattr(criterion, "rule", None)
        limit: dict[str, Any] = {"value": 0 if rule is None else str(rule), "unit": "visible leakage"}
        return {"criterion": criterion.criterion, "limit": limit, "look_at": list(criterion.look_at)}
    limit = _amount(criterion.limit, units)
    if (counted := criterion.counted) is not None and not _named(criterion.limit, units):
        per_min = criterion.limit.to("mL/min") * float(counted.per_ml)
        limit = {"value": _plain(per_min), "unit": f"{counted.what}/min", "convention": counted.convention}
    return {
        "criterion": criterion.criterion,
        "limit": limit,
        "collect_at": criterion.collect_at,
        "collect_s": criterion.collect_s,
    }


def _named(quantity: Any, units: tuple[str, ...]) -> str | None:
    return next((unit for unit in units if unit in type(quantity).UNITS), None)


def _amount(quantity: Any, units: tuple[str, ...]) -> dict[str, Any]:
    unit = _named(quantity, units) or quantity.unit
    return {"value": _plain(quantity.to(unit)), "unit": unit}


def _plain(number: float) -> float | int:
    rounded = float(f"{number:.10g}")
    return int(rounded) if rounded.is_integer() else rounded


# For people -------------------------------------------------------------------------------------


def _said(amount: dict[str, Any]) -> str:
    value = amount["value"]
    return f"{value:.6g} {amount['unit']}" if isinstance(value, (int, float)) else f"{value}"


def _limit(criterion: dict[str, Any]) -> str:
    limit, name = criterion["limit"], criterion["criterion"].replace("-", " ")
    if limit["unit"] != "visible leakage":
        convention = f" ({limit['convention']})" if limit.get("convention") else ""
        return f"{name}: at most {_said(limit)}{convention}, collected at the {criterion['collect_at']}"
    allowed = "" if limit["value"] == 0 else f" ({limit['value']})"
    return f"{name}{allowed}: look at {', '.join(criterion['look_at'])}"


def _print(sheet: dict[str, Any]) -> None:
    say(f"{sheet['title']}\n{sheet['standard']}, {sheet['edition']}; procedure {sheet['procedure']}, "
        f"revision {sheet['revision']}\nRating {_said(sheet['rating'])}")  # fmt: skip
    for stage in sheet["stages"]:
        say(f"\n{stage['stage'].upper()} with {stage['fluid']}")
        say(f"  pressure    {_said(stage['required_pressure'])}, never above {_said(stage['upper_limit'])}")
        say(f"  hold        {stage['hold_s']} s")
        say(f"  side        {stage['pressurized_side']}; open: {stage['open_side']}")
        for criterion in stage["criteria"]:
            say(f"  criterion   {_limit(criterion)}")
        say(f"  decision    {stage['decision_rule']}")
        if (gauge := stage["gauge_range"]) is not None:
            say(f"  gauge       range up to {_said(gauge['least'])} at least, {_said(gauge['most'])} at most")
        if "channel" in stage:
            covers = "covers it" if stage["range_covers"] else "is TOO SMALL for it"
            suits = {True: ", suits the gauge rule", False: ", outside the gauge rule", None: ""}[stage["range_suits"]]
            least = _said(stage["least_indication"])
            say(f"  channel     {stage['channel']} must show {least} or more, U and static head included")
            say(f"              its range {covers}{suits}")
        for source in stage["sources"]:
            say(f"  source      {source}")
    if sheet["left_to_the_order"]:
        say(f"\nLeft to the order: {', '.join(sheet['left_to_the_order'])}")


def _cell(stage: dict[str, Any] | None, sheet: dict[str, Any]) -> str:
    """One stage of one procedure in a comparison."""
    if stage is None:
        return str(sheet.get("refused", "not demanded"))
    limits = "; ".join(_limit(criterion) for criterion in stage["criteria"])
    unsure = "  [memory: verify against your copy]" if any("[memory" in source for source in stage["sources"]) else ""
    return (
        f"{_said(stage['required_pressure'])} (up to {_said(stage['upper_limit'])}), {stage['hold_s']} s, "
        f"from the {stage['pressurized_side']}; {limits}{unsure}"
    )


def _print_beside(sheets: list[dict[str, Any]]) -> None:
    names = list(dict.fromkeys(stage["stage"] for sheet in sheets for stage in sheet["stages"]))
    width = max(len(sheet["procedure"]) for sheet in sheets) + 2
    for name in names:
        say(f"{name.upper()}")
        for sheet in sheets:
            stage = next((found for found in sheet["stages"] if found["stage"] == name), None)
            say(f"  {sheet['procedure']:<{width}} {_cell(stage, sheet)}")
