"""Leakage by pressure decay: Q = C·(β·dT/dt − dP/dt), and whether it lies within a limit.

C, the volume that a change of pressure takes, is measured in place by bleeding a known volume. Blank runs on a body
known to be tight give the drift of the bench and its spread. Every standard uncertainty here is a 95 % half-width over
1.96, so that few repeats weigh as heavily as Student's t says they must.

Decay is a monitor. As a verdict it needs a procedure that allows it and the word of the gate
(``metrology.resolvability``).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import assert_never

import numpy as np

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.decision_rule import Conformity, DecisionRule, judge_upper_limit, places_beside
from testbench.metrology.signal import mean_and_sd
from testbench.metrology.slope_interval import NORMAL_TWO_SIDED, HoldSlope, two_sided_95
from testbench.metrology.trend import ONE_SIDED_95
from testbench.metrology.uncertainty import at_place, expanded_text
from testbench.quantities import LeakageRate, Pressure, Volume

LARGEST_WATER_ONLY_RATIO = 3.0
_RISES_BEYOND_U = 3.0
ML_PER_PSI = float(Volume.factor("mL") / Pressure.factor("psi"))  # m³/Pa


class Dominant(StrEnum):
    """What the uncertainty of a decay comes from."""

    NOISE = "noise"
    COMPLIANCE = "C"
    TEMPERATURE = "temperature"
    BLANK = "the spread of the blank runs"
    AIR = "air or a flexible rig"


@dataclass(frozen=True, slots=True)
class Compliance:
    """C: the volume that a change of pressure takes [m³/Pa], and its standard uncertainty."""

    m3_per_pa: float
    standard_uncertainty: float
    bleeds: int = 0
    """How many bleedings it was measured by; 0 if it was stated."""

    def __str__(self) -> str:
        return f"{self.m3_per_pa / ML_PER_PSI:.4g} mL/psi"

    def ratio(self, water_only_m3_per_pa: float) -> float:
        """How many times the C of the water alone."""
        return self.m3_per_pa / water_only_m3_per_pa

    def is_air_or_flexible(self, water_only_m3_per_pa: float) -> bool:
        """Whether C is so far above the water's that it is air, or a rig that gives, and no leak may be concluded."""
        return self.ratio(water_only_m3_per_pa) > LARGEST_WATER_ONLY_RATIO


@dataclass(frozen=True, slots=True)
class Bleed:
    """A known volume let out of the closed body, and the pressure that it cost."""

    volume: Volume
    loss: Pressure


def compliance_from_bleeds(bleeds: Sequence[Bleed], volume_u: Volume, loss_u: Pressure) -> Compliance:
    """C in place: the mean of volume/loss over several bleedings.

    Args:
        bleeds: at least two, so that their scatter is known.
        volume_u: standard uncertainty of the volume, common to all (one burette).
        loss_u: standard uncertainty of a pressure difference, common to all (one transmitter).

    Raises:
        TooFewPointsError: fewer than two bleedings.
        DataRefusedError: a volume or a loss is not above zero.
    """
    if len(bleeds) < 2:
        raise TooFewPointsError("C in place", f"{len(bleeds)} bleedings", "at least two, three as a rule")
    for bleed in bleeds:
        if bleed.volume.exact <= 0 or bleed.loss.exact <= 0:
            raise DataRefusedError(
                "C in place", f"{bleed.volume} for a loss of {bleed.loss}", "a volume let out and a pressure lost"
            )
    each = np.array([float(bleed.volume.exact / bleed.loss.exact) for bleed in bleeds])
    mean, sd = mean_and_sd(each)
    of_scatter = two_sided_95(len(bleeds) - 1) * sd / math.sqrt(len(bleeds)) / NORMAL_TWO_SIDED
    of_volume = float(np.mean([float(volume_u.exact / bleed.loss.exact) for bleed in bleeds]))
    of_loss = mean * float(np.mean([float(loss_u.exact / bleed.loss.exact) for bleed in bleeds]))
    return Compliance(mean, math.hypot(of_scatter, of_volume, of_loss), len(bleeds))


@dataclass(frozen=True, slots=True)
class BlankRuns:
    """Rates of change of a tight body on the same bench: the mean drift and how far the next run may differ from it."""

    mean_pa_per_s: float
    sd_pa_per_s: float
    runs: int
    own_u_pa_per_s: float = 0.0
    """What one of them does not know of its own rate, as a standard uncertainty: root mean square."""

    @property
    def half_width_pa_per_s(self) -> float:
        """95 % of the next blank run lie within this of the mean: t(K−1)·s·√(1 + 1/K).

        Blank runs that agree by chance know the drift no better than one of them does.
        """
        scatter = two_sided_95(self.runs - 1) * self.sd_pa_per_s * math.sqrt(1 + 1 / self.runs)
        return max(scatter, NORMAL_TWO_SIDED * self.own_u_pa_per_s)

    @property
    def standard_uncertainty(self) -> float:
        """Half-width over 1.96 [Pa/s]."""
        return self.half_width_pa_per_s / NORMAL_TWO_SIDED


def blank_runs(rates_pa_per_s: Sequence[float], own_u_pa_per_s: Sequence[float] = ()) -> BlankRuns:
    """Mean and spread of the rates of change of blank runs.

    Args:
        rates_pa_per_s: of each run.
        own_u_pa_per_s: the standard uncertainty of each; none where they are not known.

    Raises:
        TooFewPointsError: fewer than two runs.
    """
    if len(rates_pa_per_s) < 2:
        raise TooFewPointsError(
            "Drift of the bench", f"{len(rates_pa_per_s)} blank runs", "at least two, five as a rule"
        )
    mean, sd = mean_and_sd(np.array(rates_pa_per_s, dtype=np.float64))
    own = math.sqrt(math.fsum(u * u for u in own_u_pa_per_s) / len(own_u_pa_per_s)) if own_u_pa_per_s else 0.0
    return BlankRuns(mean, sd, len(rates_pa_per_s), own)


@dataclass(frozen=True, slots=True)
class Warming:
    """How the temperature of the closed body changes and what that does to its pressure."""

    pressure_per_kelvin_pa: float
    """β [Pa/K]."""
    k_per_s: float = 0.0
    """Measured rate of change; 0 if it is not measured."""
    k_per_s_u: float = 0.0
    """Its standard uncertainty, or how fast the temperature may be drifting unseen [K/s]."""


@dataclass(frozen=True, slots=True)
class DecayRate:
    """A leakage rate from a pressure decay, unclipped, with its standard uncertainty by component."""

    rate: LeakageRate
    components: tuple[tuple[Dominant, float], ...]
    """Standard uncertainties [m³/s], largest first."""
    drift_known: bool
    """Whether blank runs or β with a rate account for what temperature does."""

    @property
    def standard_uncertainty(self) -> LeakageRate:
        """Combined, uncorrelated (GUM)."""
        return LeakageRate(Fraction(math.hypot(*(u for _, u in self.components))), self.rate.unit)

    @property
    def expanded_uncertainty(self) -> LeakageRate:
        """1.645 u: one-sided 95 %."""
        return self.standard_uncertainty * ONE_SIDED_95

    @property
    def dominant(self) -> Dominant:
        """The largest component."""
        return self.components[0][0]

    @property
    def shown(self) -> LeakageRate:
        """Never below zero: no body leaks less than nothing. Decisions use ``rate``."""
        return max(self.rate, LeakageRate.zero(self.rate.unit))


def decay_rate(
    pa_per_s: float,
    pa_per_s_u: float,
    compliance: Compliance,
    *,
    warming: Warming | None = None,
    blank: BlankRuns | None = None,
    unit: str = "mL/h",
) -> DecayRate:
    """Q = C·(β·dT/dt − (dP/dt − blank)).

    The uncertainty of the corrected slope is the larger of the run's own and that of the blank runs, whose scatter
    already holds the noise of a run and the wander that no single hold can see.

    Args:
        pa_per_s: rate of change of the pressure over the hold [Pa/s].
        pa_per_s_u: its standard uncertainty [Pa/s].
        compliance: C.
        warming: what temperature does; None if nothing is known of it (blank runs may carry it).
        blank: the bench's own drift.
        unit: unit to show the rate in.
    """
    source, slope_u, drift = Dominant.NOISE, pa_per_s_u, 0.0
    if blank is not None:
        drift = blank.mean_pa_per_s
        if blank.standard_uncertainty > slope_u:
            source, slope_u = Dominant.BLANK, blank.standard_uncertainty
    heat = warming or Warming(0.0)
    c = compliance.m3_per_pa
    loss = heat.pressure_per_kelvin_pa * heat.k_per_s - (pa_per_s - drift)
    components = [
        (source, c * slope_u),
        (Dominant.COMPLIANCE, abs(loss) * compliance.standard_uncertainty),
        (Dominant.TEMPERATURE, c * abs(heat.pressure_per_kelvin_pa) * heat.k_per_s_u),
    ]
    components.sort(key=lambda component: -component[1])
    known = blank is not None or warming is not None
    return DecayRate(LeakageRate(Fraction(c * loss), unit), tuple(components), known)


class NextStep(StrEnum):
    """What the bench can do about an undecided leakage."""

    NONE = "nothing"
    REPEAT = "repeat the hold"
    VENT = "vent, fill and pressurize again"
    EXTEND = "extend the hold"
    COLLECT = "collect the leakage"


@dataclass(frozen=True, slots=True)
class DecayDecision:
    """What a decay has shown of a limit, in words, and what to do next."""

    conformity: Conformity
    reason: str
    next_step: NextStep


def objection(
    found: DecayRate,
    hold: HoldSlope,
    lowest: Pressure,
    required: Pressure,
    air_ratio: float | None = None,
    *,
    bent: bool | None = None,
) -> tuple[str, NextStep] | None:
    """Why nothing may be concluded from a hold, whatever its rate; None if nothing speaks against it.

    Args:
        found: the rate.
        hold: the slope that the rate rests on.
        lowest: lowest pressure of the hold.
        required: the least pressure that the hold may have had, guard band included. An empty body looks tight.
        air_ratio: C over the C of the water alone, if that is known.
        bent: whether the bend of the pressure speaks against the rate; any bend that is seen, if it is not told.
    """
    if not hold.valid:
        return f"the hold is invalid: {'; '.join(hold.record.reasons)}", NextStep.REPEAT
    if lowest < required:
        return (
            f"the pressure was down to {lowest.text_beside(required)}, at least {required} is needed",
            NextStep.REPEAT,
        )
    if air_ratio is not None and air_ratio > LARGEST_WATER_ONLY_RATIO:
        return f"C is {air_ratio:.1f} times that of the water alone: air or a flexible rig", NextStep.VENT
    if not found.drift_known:
        return "neither blank runs nor β and a rate of temperature tell what is drift", NextStep.COLLECT
    if hold.curved if bent is None else bent:
        return (
            "the pressure does not fall in a straight line: still settling, or a leak that follows the pressure",
            NextStep.EXTEND,
        )
    if found.rate.exact < -_RISES_BEYOND_U * found.standard_uncertainty.exact:
        return (
            "the pressure rises by more than its uncertainty: the body is warming, or something feeds it",
            NextStep.REPEAT,
        )
    return None


def bend_matters(
    found: DecayRate,
    hold: HoldSlope,
    swing: LeakageRate,
    limit: LeakageRate,
    rule: DecisionRule = DecisionRule.GUARDED_95,
) -> bool:
    """Whether a bend that is seen in the pressure leaves a doubt about the decision.

    It does where the rate at the beginning and that at the end of the hold would not be decided alike. Otherwise the
    better transmitter, which sees the least bend, would wait the longest.

    Args:
        found: the rate over the whole hold.
        hold: its slope.
        swing: how far the rate at either end lies from that, C·|bow|·T.
        limit: L.
        rule: gives the guard band.
    """
    ends = (replace(found, rate=rate) for rate in (found.rate - swing, found.rate, found.rate + swing))
    return hold.curved and len({_judged(end, limit, rule) for end in ends}) > 1


def _judged(found: DecayRate, limit: LeakageRate, rule: DecisionRule) -> Conformity:
    return judge_upper_limit(found.rate, rule.guard_band(found.standard_uncertainty * 2), limit)


def decide_decay(
    found: DecayRate,
    limit: LeakageRate,
    against: tuple[str, NextStep] | None = None,
    rule: DecisionRule = DecisionRule.GUARDED_95,
) -> DecayDecision:
    """Accept if Q + w ≤ L, reject if Q − w > L, else extend the hold or collect.

    Args:
        found: the rate, decided on unclipped.
        limit: L.
        against: an objection to the hold; with one nothing is decided.
        rule: gives the guard band w; 1.645 u unless a procedure chose another.
    """
    if against is not None:
        return DecayDecision(Conformity.WITHIN_GUARD_BAND, f"Nothing is decided: {against[0]}.", against[1])
    conformity = _judged(found, limit, rule)
    doubt = found.expanded_uncertainty if rule is DecisionRule.GUARDED_95 else found.standard_uncertainty * 2
    name = "1.645 u" if rule is DecisionRule.GUARDED_95 else "U"
    band, unit = rule.guard_band(found.standard_uncertainty * 2), limit.unit
    rate, u = found.rate.to(unit), doubt.to(unit)
    places = places_beside(rate, u, band.to(unit), limit.to(unit))
    said = f"{at_place(rate, places)} {unit} with {name} = {expanded_text(u, places)} {unit}; {limit} is allowed: "
    match conformity:
        case Conformity.CONFORMS:
            return DecayDecision(conformity, f"{said}within the limit.", NextStep.NONE)
        case Conformity.DOES_NOT_CONFORM:
            return DecayDecision(conformity, f"{said}above the limit.", NextStep.NONE)
        case Conformity.WITHIN_GUARD_BAND:
            step = NextStep.EXTEND if _longer_would_do(found, limit, rule) else NextStep.COLLECT
            return DecayDecision(conformity, f"{said}too near the limit to tell; {step}.", step)
        case other:
            assert_never(other)


def _longer_would_do(found: DecayRate, limit: LeakageRate, rule: DecisionRule) -> bool:
    """Whether what a longer hold cannot mend leaves the limit out of reach of the uncertainty."""
    lasting = math.hypot(*(u for source, u in found.components if source is not Dominant.NOISE))
    return abs(float(limit.exact - found.rate.exact)) > rule.guard_factor(2) * 2 * lasting
