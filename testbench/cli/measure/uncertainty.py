"""``testbench measure uncertainty``."""

from pathlib import Path
from typing import Any

import click

from testbench.cli.measure.budget import budget_facts, budget_lines, dof_text, number
from testbench.cli.output import json_option, say, say_json
from testbench.cli.tables import Table, read_table
from testbench.errors import DataRefusedError
from testbench.metrology.decision_rule import Decision, DecisionRule, decide_lower_limit, decide_upper_limit
from testbench.metrology.uncertainty import (
    COVERAGE_PROBABILITY,
    Budget,
    Component,
    Correlation,
    Distribution,
    rounded,
)
from testbench.quantities import LeakageRate, Pressure, Quantity, Volume

KINDS = ("standard", "expanded", "rectangular", "triangular", "arcsine")
RULES = {"guarded": "guarded", "guarded-95": "guarded at 95 %", "simple": "simple"}


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--value", type=float, help="The result itself, to be printed and decided on.")
@click.option("--unit", default="", help="Unit of the result.")
@click.option(
    "--probability",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    help="Coverage probability; default 0.9545, k = 2 for a normal distribution.",
)
@click.option("--correlation", "correlations", multiple=True, help="Two names and a coefficient: 'a,b,0.8'.")
@click.option("--at-most", type=float, help="Decide --value against an upper limit.")
@click.option("--at-least", type=float, help="Decide --value against a lower limit.")
@click.option("--rule", type=click.Choice(list(RULES)), default="guarded", show_default=True, help="Decision rule.")
@json_option
def command(
    *,
    file: Path,
    value: float | None,
    unit: str,
    probability: float | None,
    correlations: tuple[str, ...],
    at_most: float | None,
    at_least: float | None,
    rule: str,
    as_json: bool,
) -> None:
    """Combine the components in FILE (name,uncertainty,kind,sensitivity,dof) to an expanded uncertainty.

    'kind' tells what the number is: standard (also if left out), expanded (k = 2), or the half-width of a rectangular,
    triangular or arcsine distribution. Sensitivity is 1 and dof infinite if left out. Each component is in its own
    unit; its sensitivity turns it into that of the result.
    """
    budget = Budget(_components(file), tuple(_correlation(text) for text in correlations))
    chance = COVERAGE_PROBABILITY if probability is None else probability
    decision = _decision(
        budget, chance, value=value, unit=unit, at_most=at_most, at_least=at_least, rule=DecisionRule(RULES[rule])
    )
    facts: dict[str, Any] = {
        "value": value,
        "unit": unit,
        "standard_uncertainty": budget.combined,
        "effective_dof": number(budget.effective_dof),
        "coverage_probability": chance,
        "coverage_factor": budget.coverage_factor(chance),
        "expanded_uncertainty": budget.expanded(chance),
        "components": budget_facts(budget),
        "decision": None if decision is None else _decision_facts(decision),
    }
    if as_json:
        say_json(facts)
        return
    for line in budget_lines(budget):
        say(line)
    shown, expanded = rounded(value or 0.0, budget.expanded(chance))
    say(f"u = {budget.combined:.4g} {unit}, effective {dof_text(budget.effective_dof)}".replace(" ,", ","))
    result = f"U = {expanded} {unit}" if value is None else f"{shown} ± {expanded} {unit}"
    say(f"{result.strip()} (k = {budget.coverage_factor(chance):.2f}, {100 * chance:.4g} %)")
    if decision is not None:
        say(decision.words)


def _components(file: Path) -> tuple[Component, ...]:
    table = read_table(
        file,
        {"uncertainty": ()},
        {"sensitivity": ()},
        words=("name",),
        optional_words=("kind", "dof", "unit"),
        least_rows=1,
    )
    return tuple(_component(table, row) for row in range(len(table)))


def _component(table: Table, row: int) -> Component:
    def word(column: str, otherwise: str) -> str:
        return table.words[column][row] or otherwise if column in table.words else otherwise

    name, size = table.words["name"][row], float(table["uncertainty"].values[row])
    sensitivity = float(table["sensitivity"].values[row]) if "sensitivity" in table else 1.0
    kind = word("kind", "standard")
    if kind not in KINDS:
        raise table.refuse(row, "kind", f"'{kind}'", ", ".join(KINDS))
    try:
        dof = float(word("dof", "inf"))
    except ValueError:
        raise table.refuse(row, "dof", f"'{word('dof', '')}'", "a number, inf or nothing") from None
    if kind == "standard":
        return Component(name, size, sensitivity, dof)
    if kind == "expanded":
        return Component(name, size / 2, sensitivity, dof)
    return Component(name, size / Distribution(kind).divisor, sensitivity, dof)


def _correlation(text: str) -> Correlation:
    try:
        first, second, coefficient = (part.strip() for part in text.split(","))
        return Correlation(first, second, float(coefficient))
    except ValueError:
        raise DataRefusedError("correlation", f"'{text}'", "two names and a coefficient, as in 'a,b,0.8'") from None


def _decision(
    budget: Budget,
    probability: float,
    *,
    value: float | None,
    unit: str,
    at_most: float | None,
    at_least: float | None,
    rule: DecisionRule,
) -> Decision[Quantity] | None:
    limit = at_most if at_most is not None else at_least
    if limit is None:
        return None
    kind = next((cls for cls in (Pressure, Volume, LeakageRate) if unit in cls.UNITS), None)
    if value is None or (at_most is not None and at_least is not None):
        found = "no --value" if value is None else "--at-most and --at-least"
        raise DataRefusedError("decision", found, "a --value and one limit")
    if kind is None:
        found = f"--unit '{unit}'" if unit else "no --unit"
        raise DataRefusedError(
            "decision", found, "a --unit of pressure, volume or leakage rate, such as psi, mL or mL/h"
        )
    decide = decide_upper_limit if at_most is not None else decide_lower_limit
    measured, expanded, allowed = (kind.of(repr(x), unit) for x in (value, budget.expanded(probability), limit))
    return decide(measured, expanded, allowed, rule, budget.coverage_factor(probability))


def _decision_facts(decision: Decision[Quantity]) -> dict[str, Any]:
    return {
        "conformity": str(decision.conformity),
        "rule": str(decision.rule),
        "limit": float(decision.limit.value),
        "guard_band": float(decision.guard_band.in_unit(decision.limit.unit).value),
        "acceptance_limit": float(decision.acceptance_limit.value),
        "conformance_probability": decision.conforming,
        "specific_risk": decision.specific_risk,
        "words": decision.words,
    }
