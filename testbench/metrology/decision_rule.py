"""Guarded decision: a limit is met or not met only when the uncertainty leaves no doubt.

With y the measured value, U its expanded uncertainty (k = 2) and L the tolerance limit:

* upper limit: conforms if y + U ≤ L, does not conform if y − U > L, else within the guard band;
* lower limit: conforms if y − U ≥ L, does not conform if y + U < L, else within the guard band.

Source: guarded acceptance of JCGM 106:2012 with guard band w = U (ILAC-G8:09/2019), here applied to proving
nonconformity as well; clause numbers not checked.
"""

from enum import StrEnum
from typing import TypeVar

from testbench.quantities import Quantity

Q = TypeVar("Q", bound=Quantity)


class Conformity(StrEnum):
    """What a comparison with a limit has shown."""

    CONFORMS = "conforms"
    DOES_NOT_CONFORM = "does not conform"
    WITHIN_GUARD_BAND = "within the guard band"


RULE_IN_WORDS = (
    "Guarded decision: a limit counts as met only if the measured value plus its expanded uncertainty U (k = 2) "
    "stays within it, and as not met only if the value less U lies beyond it; anything between is inconclusive."
)


def judge_upper_limit(measured: Q, expanded_uncertainty: Q, limit: Q) -> Conformity:
    """Compare a measured value with the most that is allowed. Same quantity for all three."""
    if measured + expanded_uncertainty <= limit:
        return Conformity.CONFORMS
    if measured - expanded_uncertainty > limit:
        return Conformity.DOES_NOT_CONFORM
    return Conformity.WITHIN_GUARD_BAND


def judge_lower_limit(measured: Q, expanded_uncertainty: Q, limit: Q) -> Conformity:
    """Compare a measured value with the least that is required. Same quantity for all three."""
    if measured - expanded_uncertainty >= limit:
        return Conformity.CONFORMS
    if measured + expanded_uncertainty < limit:
        return Conformity.DOES_NOT_CONFORM
    return Conformity.WITHIN_GUARD_BAND
