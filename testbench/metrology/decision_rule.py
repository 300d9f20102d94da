"""Guarded decision: a limit is met or not met only when the uncertainty leaves no doubt.

With y the measured value, U its expanded uncertainty (k = 2) and L the tolerance limit:

* upper limit: conforms if y + U ≤ L, does not conform if y − U > L, else within the guard band;
* lower limit: conforms if y − U ≥ L, does not conform if y + U < L, else within the guard band.

Source: guarded acceptance of JCGM 106:2012 with guard band w = U (ILAC-G8:09/2019), here applied to proving
nonconformity as well; clause numbers not checked.

A procedure may choose another rule; ``decide_upper_limit`` and ``decide_lower_limit`` then say it in words, with U, k,
the guard band w and the specific risk of the very item in hand.
"""

import math
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Generic, TypeVar

from testbench.metrology.quantiles import normal_probability, normal_quantile
from testbench.metrology.uncertainty import at_place, expanded_text, places_of
from testbench.quantities import Quantity

Q = TypeVar("Q", bound=Quantity)
_MOST_PLACES = 13


class Conformity(StrEnum):
    """What a comparison with a limit has shown."""

    CONFORMS = "conforms"
    DOES_NOT_CONFORM = "does not conform"
    WITHIN_GUARD_BAND = "within the guard band"


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


class DecisionRule(StrEnum):
    """How much of the doubt about a measured value a decision has to respect."""

    GUARDED = "guarded"
    """Guard band w = U, in both directions (ILAC-G8): the default."""
    GUARDED_95 = "guarded at 95 %"
    """Guard band w = 1.645 u, conformance probability 95 %, in both directions (ISO 14253-1:2017, from memory)."""
    SIMPLE = "simple"
    """No guard band: the measured value decides alone, at a risk of up to 50 % (simple acceptance of JCGM 106)."""

    def guard_factor(self, coverage_factor: float) -> float:
        """Guard band over expanded uncertainty, w/U."""
        return {"guarded": 1.0, "guarded at 95 %": normal_quantile(0.95) / coverage_factor, "simple": 0.0}[self.value]

    def guard_band(self, expanded_uncertainty: Q, coverage_factor: float = 2.0) -> Q:
        """The guard band w that goes with an expanded uncertainty."""
        return expanded_uncertainty * self.guard_factor(coverage_factor)

    @property
    def in_words(self) -> str:
        """The rule as a screen or a page states it."""
        return _IN_WORDS[self]


_GUARD_BAND_IN_WORDS = (
    "a limit is met only if the measured value lies within it by {w} or more, and not met only if beyond it by more "
    "than {short}; anything between is inconclusive."
)
_IN_WORDS = {
    DecisionRule.GUARDED: "Guarded decision: " + _GUARD_BAND_IN_WORDS.format(w="U (k = 2)", short="U"),
    DecisionRule.GUARDED_95: "Guarded decision at 95 %: "
    + _GUARD_BAND_IN_WORDS.format(w="1.645 u = 0.82 U (k = 2)", short="1.645 u"),
    DecisionRule.SIMPLE: "Simple acceptance: the measured value alone decides, without a guard band; near a limit the "
    "risk of a wrong decision is up to 50 %.",
}


def conformance_probability(
    measured: float, standard_uncertainty: float, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that the true value lies within its limits, given one measured value (JCGM 106:2012).

    The true value is taken as normal about the measured one, with nothing known beforehand. All four numbers are in
    the same unit; without uncertainty the answer is 0 or 1.
    """
    if standard_uncertainty == 0:
        return float(lower <= measured <= upper)
    above = normal_probability((upper - measured) / standard_uncertainty)
    return max(0.0, above - normal_probability((lower - measured) / standard_uncertainty))


@dataclass(frozen=True, slots=True)
class Decision(Generic[Q]):
    """One comparison with one limit: what went in, what came out, and at what risk."""

    conformity: Conformity
    rule: DecisionRule
    measured: Q
    expanded_uncertainty: Q
    coverage_factor: float
    limit: Q
    upper: bool
    """Whether the limit is the most that is allowed; else it is the least that is required."""
    guard_band: Q
    conforming: float
    """Probability that the true value meets the limit."""
    nonconforming: float
    """Probability that it does not; kept apart, so that a small one keeps its digits."""

    @property
    def acceptance_limit(self) -> Q:
        """Tolerance limit less the guard band for an upper limit, plus it for a lower one."""
        return self.limit - self.guard_band if self.upper else self.limit + self.guard_band

    @property
    def specific_risk(self) -> float | None:
        """Probability that this decision about this item is wrong; None where nothing was decided."""
        if self.conformity is Conformity.WITHIN_GUARD_BAND:
            return None
        return self.nonconforming if self.conformity is Conformity.CONFORMS else self.conforming

    @property
    def words(self) -> str:
        """The decision as it is printed: numbers, rule, U, k, guard band and risk. Never contradicts itself."""
        unit, bound = self.limit.unit, "at most" if self.upper else "at least"
        found, u, w, limit = (
            x.to(unit) for x in (self.measured, self.expanded_uncertainty, self.guard_band, self.limit)
        )
        places = places_beside(found, u, w, limit)
        measured, acceptance = (f"{at_place(x, places)} {unit}" for x in (found, self.acceptance_limit.to(unit)))
        uncertainty, band = expanded_text(u, places), expanded_text(w, places)
        given = (
            f"{measured} measured, {bound} {self.limit} {'allowed' if self.upper else 'required'}; "
            f"U = {uncertainty} {unit} (k = {self.coverage_factor:.3g}), "
            f"rule: {self.rule}, guard band w = {band} {unit}"
        )
        if self.specific_risk is None:
            chance = in_percent(self.conforming)
            return f"{given}: inconclusive, {bound} {acceptance} would conform; probability of conformity {chance}."
        return f"{given}: {self.conformity}; risk that this is wrong {in_percent(self.specific_risk)}."


def places_beside(measured: float, expanded: float, guard_band: float, limit: float) -> int:
    """The decimal places at which a measured value, U and w are printed beside a limit.

    The value has as many as U with two digits, and all of them more where fewer would belie the verdict: where the
    printed numbers would lie on another side of the limit, or of a bound that the value does not equal.

    Args:
        measured: y, in the unit of print, as are all four.
        expanded: U.
        guard_band: w.
        limit: L, upper or lower.
    """
    y, w, most = (Decimal(repr(float(number))) for number in (measured, guard_band, limit))
    bounds = [bound for bound in (most - w, most + w) if bound != y]
    sides = _sides(y, w, most)

    def tells(places: int) -> bool:
        shown = at_place(measured, places)
        apart = all(at_place(float(bound), places) != shown for bound in bounds)
        return apart and _sides(Decimal(shown), Decimal(expanded_text(guard_band, places)), most) == sides

    fewest = places_of(expanded)
    return next((places for places in range(fewest, _MOST_PLACES) if tells(places)), fewest)


def _sides(y: Decimal, w: Decimal, limit: Decimal) -> tuple[bool, bool, bool, bool]:
    """Whether an upper limit is met and missed, and whether a lower one is."""
    return y + w <= limit, y - w > limit, y - w >= limit, y + w < limit


def decide_upper_limit(
    measured: Q,
    expanded_uncertainty: Q,
    limit: Q,
    rule: DecisionRule = DecisionRule.GUARDED,
    coverage_factor: float = 2.0,
) -> Decision[Q]:
    """Decide against the most that is allowed; ``expanded_uncertainty`` is U = k·u with k = ``coverage_factor``."""
    band = expanded_uncertainty * rule.guard_factor(coverage_factor)
    met, missed = _probabilities(limit - measured, expanded_uncertainty, coverage_factor)
    found = judge_upper_limit(measured, band, limit)
    return Decision(
        found,
        rule,
        measured,
        expanded_uncertainty,
        coverage_factor,
        limit,
        upper=True,
        guard_band=band,
        conforming=met,
        nonconforming=missed,
    )


def decide_lower_limit(
    measured: Q,
    expanded_uncertainty: Q,
    limit: Q,
    rule: DecisionRule = DecisionRule.GUARDED,
    coverage_factor: float = 2.0,
) -> Decision[Q]:
    """Decide against the least that is required; ``expanded_uncertainty`` is U = k·u with k = ``coverage_factor``."""
    band = expanded_uncertainty * rule.guard_factor(coverage_factor)
    met, missed = _probabilities(measured - limit, expanded_uncertainty, coverage_factor)
    found = judge_lower_limit(measured, band, limit)
    return Decision(
        found,
        rule,
        measured,
        expanded_uncertainty,
        coverage_factor,
        limit,
        upper=False,
        guard_band=band,
        conforming=met,
        nonconforming=missed,
    )


def _probabilities(room: Quantity, expanded_uncertainty: Quantity, coverage_factor: float) -> tuple[float, float]:
    """Probability that the limit is met and that it is missed; ``room`` is the distance on the good side."""
    if expanded_uncertainty.exact == 0:
        met = float(room.exact >= 0)
        return met, 1 - met
    z = float(room.ratio(expanded_uncertainty)) * coverage_factor
    return normal_probability(z), normal_probability(-z)


def in_percent(probability: float) -> str:
    """For reading: two digits of the rarer outcome."""
    if probability < 0.0001:
        return "below 0.01 %"
    if probability > 0.9999:
        return "above 99.99 %"
    rarer = 100 * min(probability, 1 - probability)
    return f"{100 * probability:.{max(0, 1 - math.floor(math.log10(rarer)))}f} %"
