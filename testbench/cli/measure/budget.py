"""How a budget is told, for the commands that print one."""

import math
from typing import Any

from testbench.metrology.uncertainty import Budget


def number(value: float | None) -> float | None:
    """For JSON, which has no infinity: None instead."""
    return None if value is None or math.isinf(value) else float(value)


def budget_facts(budget: Budget) -> list[dict[str, Any]]:
    """Every component with its share of the combined variance."""
    return [
        {
            "name": component.name,
            "standard_uncertainty": component.standard_uncertainty,
            "sensitivity": component.sensitivity,
            "dof": number(component.dof),
            "contribution": component.contribution,
            "share": budget.share(component),
        }
        for component in budget.components
    ]


def budget_lines(budget: Budget) -> list[str]:
    """The same as lines of text."""
    width = max(len(component.name) for component in budget.components)
    return [
        f"{component.name:<{width}}  u {component.standard_uncertainty:<10.4g} c {component.sensitivity:<10.4g} "
        f"{dof_text(component.dof):<12} {100 * budget.share(component):5.1f} %"
        for component in budget.components
    ]


def dof_text(dof: float) -> str:
    """Degrees of freedom in words."""
    return "dof infinite" if math.isinf(dof) else f"dof {dof:.4g}"
