"""Before a hold: can pressure decay decide this limit on this bench, in how many seconds, and what stands in its way.

The rule: the limit must be at least three standard uncertainties of the rate at the limit. Where it is not, the leak is
collected. A slope over T seconds at f readings a second with white noise σ has the standard uncertainty σ·√(12/(f·T³)).
"""

import math
from dataclasses import dataclass, replace

from testbench.metrology.decay import BlankRuns, Compliance, Dominant, Warming, decay_rate
from testbench.metrology.signal import Values, dot, hampel_flags, noise_of
from testbench.metrology.slope_interval import NORMAL_TWO_SIDED, hold_slope
from testbench.quantities import LeakageRate, Pressure

LEAST_LIMIT_OVER_U = 3.0
BOTH_ERRORS_5_PERCENT = 3.29  # 2 × 1.645: a leak told from none with 5 % error on either side
LARGEST_LOSS_SHARE = 0.1  # a leak is a straight line for the first tenth of the pressure
COLLECT = "collect the leakage"
_LEAST_READINGS = 24  # two in each of twelve blocks: below that a slope has not all its intervals
_LONGEST_S = 1e6
_MOST_LASTING = 0.99  # a correlation from sample to sample above this cannot be told from a drift


@dataclass(frozen=True, slots=True)
class Noise:
    """What a transmitter writes when the pressure stands still."""

    sd_pa: float
    readings_per_s: float
    resolution_pa: float = 0.0
    variance_factor: float = 1.0
    """How much noise that lasts from sample to sample widens a slope's variance, for AR(1) (1+r)/(1−r)."""

    def slope_u(self, hold_s: float) -> float:
        """Standard uncertainty of a slope over a hold [Pa/s], with what rounding hides of it."""
        of_noise = self.sd_pa * math.sqrt(12 * self.variance_factor / (self.readings_per_s * hold_s**3))
        coarse = self.sd_pa < self.resolution_pa / 2
        return of_noise + (1.5 * self.resolution_pa / hold_s / NORMAL_TWO_SIDED if coarse else 0.0)


def noise_in(at_s: Values, values_pa: Values, resolution_pa: float = 0.0) -> Noise:
    """The noise in a stretch of steady readings: their scatter about a straight line, and how long it lasts.

    Args:
        at_s: times, rising [s].
        values_pa: readings [Pa], same length.
        resolution_pa: smallest step of a reading [Pa].

    Raises:
        TooFewPointsError: fewer than three unflagged readings, or all under one time stamp.
    """
    flags = hampel_flags(values_pa, resolution=resolution_pa, noise=noise_of(values_pa))
    line = hold_slope(at_s, values_pa, resolution=resolution_pa, flags=flags)
    t, y = at_s[~flags], values_pa[~flags]
    rest = (y - y.mean()) - line.per_s * (t - t.mean())
    size = dot(rest, rest)
    lasting = min(max(dot(rest[1:], rest[:-1]) / size, 0.0), _MOST_LASTING) if size > 0 else 0.0
    return Noise(line.residual_sd, (t.size - 1) / float(t[-1] - t[0]), resolution_pa, (1 + lasting) / (1 - lasting))


def detectable_leak(compliance_m3_per_pa: float, noise: Noise, hold_s: float) -> float:
    """The smallest leak that noise alone lets one tell from none, 5 % error on either side [m³/s]."""
    return BOTH_ERRORS_5_PERCENT * compliance_m3_per_pa * noise.slope_u(hold_s)


def hold_needed_s(compliance_m3_per_pa: float, noise: Noise, leak_m3_per_s: float) -> float:
    """How long a hold tells such a leak from none, noise alone counted (without rounding) [s]."""
    of_noise = BOTH_ERRORS_5_PERCENT * compliance_m3_per_pa * noise.sd_pa / leak_m3_per_s
    return float((12 * noise.variance_factor / noise.readings_per_s * of_noise**2) ** (1 / 3))


@dataclass(frozen=True, slots=True)
class Resolvability:
    """The answer of the gate."""

    decidable: bool
    seconds: float | None
    """The shortest hold that can decide; None if none can."""
    dominant: Dominant
    standard_uncertainty: LeakageRate
    """Of a rate at the limit, after the whole hold."""
    sentence: str


@dataclass(frozen=True, slots=True)
class Setup:
    """What is known of a bench and a body before the hold."""

    compliance: Compliance
    noise: Noise
    warming: Warming
    blank: BlankRuns | None = None
    water_only_m3_per_pa: float | None = None
    """C of the water alone, for comparison."""

    def uncertainty(self, limit: LeakageRate, hold_s: float) -> tuple[float, Dominant]:
        """Standard uncertainty of a rate at the limit [m³/s], and what it mostly comes from."""
        fall = float(limit.exact) / self.compliance.m3_per_pa
        unseen = Warming(self.warming.pressure_per_kelvin_pa, 0.0, self.warming.k_per_s_u)
        spread = None if self.blank is None else replace(self.blank, mean_pa_per_s=0.0)
        found = decay_rate(-fall, self.noise.slope_u(hold_s), self.compliance, warming=unseen, blank=spread)
        return float(found.standard_uncertainty.exact), found.dominant

    @property
    def air_ratio(self) -> float | None:
        """C over that of the water alone where it means air or a flexible rig, else None."""
        water_only = self.water_only_m3_per_pa
        if water_only is None or not self.compliance.is_air_or_flexible(water_only):
            return None
        return self.compliance.ratio(water_only)

    def straight_s(self, limit: LeakageRate, pressure: Pressure) -> float:
        """How long a leak of this rate stays a straight line: until a tenth of the gauge pressure is gone [s]."""
        return LARGEST_LOSS_SHARE * float(pressure.exact) * self.compliance.m3_per_pa / float(limit.exact)

    def shortest_hold_s(self, limit: LeakageRate, factor: float) -> float | None:
        """The shortest hold after which the limit is ``factor`` standard uncertainties; None if none is [s]."""
        low, high = _LEAST_READINGS / self.noise.readings_per_s, _LONGEST_S
        if not self._resolves(limit, high, factor):
            return None
        if self._resolves(limit, low, factor):
            return low
        while high / low > 1.001:
            middle = math.sqrt(low * high)
            low, high = (low, middle) if self._resolves(limit, middle, factor) else (middle, high)
        return high

    def _resolves(self, limit: LeakageRate, hold_s: float, factor: float) -> bool:
        return float(limit.exact) >= factor * self.uncertainty(limit, hold_s)[0]


def resolvability(
    limit: LeakageRate,
    setup: Setup,
    *,
    pressure: Pressure,
    longest_hold_s: float,
    factor: float = LEAST_LIMIT_OVER_U,
) -> Resolvability:
    """Say in one sentence whether decay can decide a limit, in how many seconds, and what dominates.

    Args:
        limit: the leakage that is allowed, above zero.
        setup: what is known of bench and body.
        pressure: gauge pressure of the hold.
        longest_hold_s: how long the hold may last [s].
        factor: how many standard uncertainties the limit must be.
    """
    seconds = setup.shortest_hold_s(limit, factor)
    size, dominant = setup.uncertainty(limit, longest_hold_s)
    u = LeakageRate.of(size, "m3/s").in_unit(limit.unit)
    after = f"{dominant} dominates (u = {_two(u)} after {longest_hold_s:g} s)"
    air_ratio = setup.air_ratio
    if air_ratio is not None:
        dominant = Dominant.AIR
        obstacle = f"{dominant} dominates (C is {air_ratio:.1f} times that of the water alone); vent again or {COLLECT}"
    elif seconds is None:
        obstacle = f"however long it holds, {after}; {COLLECT}"
    elif seconds > (straight_s := setup.straight_s(limit, pressure)):
        spent = f"such a leak takes a tenth of the pressure in {straight_s:.1f} s"
        obstacle = f"it takes {_seconds(seconds)}, but {spent}; {COLLECT}"
    elif seconds > longest_hold_s:
        obstacle = f"it takes {_seconds(seconds)} and {after}; extend the hold or {COLLECT}"
    else:
        sentence = f"Pressure decay can decide {limit} on this bench in {_seconds(seconds)}; {after}."
        return Resolvability(
            decidable=True, seconds=seconds, dominant=dominant, standard_uncertainty=u, sentence=sentence
        )
    return Resolvability(
        decidable=False,
        seconds=seconds,
        dominant=dominant,
        standard_uncertainty=u,
        sentence=f"Pressure decay cannot decide {limit} on this bench: {obstacle}.",
    )


def _seconds(seconds: float) -> str:
    return f"{math.ceil(seconds)} s"


def _two(amount: LeakageRate) -> str:
    return f"{amount.to(amount.unit):.2g} {amount.unit}"
