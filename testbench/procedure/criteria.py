"""Acceptance criteria: what is looked for, and how much is allowed."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from testbench.procedure.valve import Value
from testbench.quantities import LeakageRate


class CriterionName(StrEnum):
    """The kinds of criteria."""

    NO_VISIBLE_LEAKAGE = "no-visible-leakage"
    LARGEST_LEAKAGE_RATE = "largest-leakage-rate"


class NoVisibleLeakage(Value):
    """A visual criterion. No computed rate can stand in for the operator's eyes."""

    criterion: Literal[CriterionName.NO_VISIBLE_LEAKAGE] = CriterionName.NO_VISIBLE_LEAKAGE
    look_at: tuple[str, ...]
    source: str


class LargestLeakageRate(Value):
    """What passes the seat is collected and timed; the rate may not exceed the limit."""

    criterion: Literal[CriterionName.LARGEST_LEAKAGE_RATE] = CriterionName.LARGEST_LEAKAGE_RATE
    limit: LeakageRate
    collect_at: str
    settle_s: int
    """How long what drains down is let go before collecting [s]."""
    collect_s: int
    """The shortest collection that counts [s]."""
    time_uncertainty_s: int
    """Expanded uncertainty (k = 2) of a time between two key presses [s]."""
    source: str


Criterion = Annotated[NoVisibleLeakage | LargestLeakageRate, Field(discriminator="criterion")]
