"""Rate of change over a sliding window, and when a pressure counts as steady.

Sums run about a moving origin that is rebuilt every second window: O(1) a sample, and free of the cancellation that
sums about a far origin suffer. Times are monotonic seconds.
"""

import math
from collections import deque
from dataclasses import dataclass
from enum import StrEnum

from testbench.metrology.uncertainty import rounded

ONE_SIDED_95 = 1.6449  # standard normal quantile for 95 %
_CERTAIN = 3.0  # standard uncertainties beyond which noise is no explanation


@dataclass(frozen=True, slots=True)
class Slope:
    """A least-squares rate of change and its standard uncertainty, per second."""

    per_s: float
    standard_uncertainty: float
    samples: int
    span_s: float

    @property
    def bound(self) -> float:
        """|slope| plus 1.645 u: with 95 % probability the true rate is no larger."""
        return abs(self.per_s) + ONE_SIDED_95 * self.standard_uncertainty


class SlidingSlope:
    """Ordinary least squares over the newest ``window_s`` seconds, one sample at a time."""

    def __init__(self, window_s: float) -> None:
        self.window_s = window_s
        self._points: deque[tuple[float, float]] = deque()
        self.clear()

    def clear(self) -> None:
        """Forget everything, for example after a gap or a change of phase."""
        self._points.clear()
        self._origin = (0.0, 0.0)
        self._sums = (0.0, 0.0, 0.0, 0.0, 0.0)  # Σx, Σy, Σx², Σxy, Σy² about the origin

    def add(self, at_s: float, value: float) -> None:
        """Take the newest sample and drop those older than the window."""
        if not self._points or at_s - self._origin[0] > 2 * self.window_s:
            self._rebuild(at_s, value)
        self._points.append((at_s, value))
        self._count(at_s, value, 1)
        while at_s - self._points[0][0] > self.window_s:
            self._count(*self._points.popleft(), -1)

    def estimate(self) -> Slope | None:
        """The slope over a full window; None while the window is not yet full."""
        n = len(self._points)
        if n < 3:
            return None
        span = self._points[-1][0] - self._points[0][0]
        if span < 0.95 * self.window_s:
            return None
        sx, sy, sxx, sxy, syy = self._sums
        centred_xx = sxx - sx * sx / n
        if centred_xx <= 0:
            return None
        centred_xy = sxy - sx * sy / n
        slope = centred_xy / centred_xx
        residual = max(0.0, syy - sy * sy / n - slope * centred_xy)
        return Slope(slope, math.sqrt(residual / (n - 2) / centred_xx), n, span)

    def _rebuild(self, at_s: float, value: float) -> None:
        self._origin = (at_s, value)
        self._sums = (0.0, 0.0, 0.0, 0.0, 0.0)
        for point in self._points:
            self._count(*point, 1)

    def _count(self, at_s: float, value: float, sign: int) -> None:
        x, y = at_s - self._origin[0], value - self._origin[1]
        sx, sy, sxx, sxy, syy = self._sums
        self._sums = (sx + sign * x, sy + sign * y, sxx + sign * x * x, sxy + sign * x * y, syy + sign * y * y)


class Stability(StrEnum):
    """How far a pressure has come on its way to being steady."""

    WATCHING = "not yet steady"
    DWELLING = "steady, but not yet for long enough"
    STEADY = "steady"
    STILL_SETTLING = "still settling"
    TOO_NOISY = "too noisy"
    NO_WINDOW = "no full window of readings"

    @property
    def final(self) -> bool:
        """Whether the wait is over, one way or the other."""
        return self not in {Stability.WATCHING, Stability.DWELLING}


@dataclass(frozen=True, slots=True)
class Stabilization:
    """What is known of the steadiness of a pressure at one moment, and why."""

    stability: Stability
    steady_s: float
    """How long the bound has been within the limit [s]."""
    slope: Slope | None
    """None while the window is not full."""
    judge: "StabilizationJudge"

    @property
    def reason(self) -> str:
        """The rate of change and what is allowed, in words."""
        return self.judge.reason_for(self)


def is_steady(slope: Slope | None, limit_per_s: float) -> bool:
    """Whether |slope| + 1.645 u is within the limit; without a full window, or where it is no number, it is not."""
    return slope is not None and slope.bound <= limit_per_s


def why_unsteady(slope: Slope | None, limit_per_s: float) -> Stability:
    """What keeps a pressure from being called steady: that it still changes, or noise in which nobody could tell."""
    if slope is None:
        return Stability.NO_WINDOW
    noise = ONE_SIDED_95 * slope.standard_uncertainty
    # Beyond the limit for certain, or seen well enough that noise is no excuse: it is the pressure that moves.
    beyond = abs(slope.per_s) - _CERTAIN * slope.standard_uncertainty > limit_per_s
    return Stability.STILL_SETTLING if beyond or noise <= limit_per_s else Stability.TOO_NOISY


def rate_in_words(slope: Slope, limit_per_s: float, unit: str, per_value: float = 1.0) -> str:
    """A rate of change and what is allowed.

    Args:
        slope: per second, in any one unit.
        limit_per_s: in the same unit.
        unit: what to show it in.
        per_value: what one of that unit is in the shown one.
    """
    per_min = 60 * per_value
    noise = per_min * ONE_SIDED_95 * slope.standard_uncertainty
    rate, u = rounded(per_min * slope.per_s, noise)
    return f"the rate of change is {rate} ± {u} {unit}/min, {per_min * limit_per_s:.3g} {unit}/min is allowed"


class StabilizationJudge:
    """Steady when |slope| + 1.645 u ≤ limit for a dwell: shown to be small, never "not significant".

    A noisy transmitter makes the wait longer, never shorter. When the time runs out it says which it was: a pressure
    that still changes, or noise in which no change so small could be seen.
    """

    def __init__(self, limit_per_s: float, dwell_s: float, timeout_s: float, unit: str) -> None:
        """Limit in the slope's own unit per second; ``unit`` names that value's unit in the reason."""
        self.limit_per_s, self.dwell_s, self.timeout_s = limit_per_s, dwell_s, timeout_s
        self._unit = unit
        self._began_s: float | None = None
        self._steady_since_s: float | None = None

    def judge(self, at_s: float, slope: Slope | None) -> Stabilization:
        """Take the slope of the window that ends now.

        Args:
            at_s: now [s]; the first call starts the time-out.
            slope: None while the window is not full; that breaks a dwell.
        """
        if self._began_s is None:
            self._began_s = at_s
        within = is_steady(slope, self.limit_per_s)
        if not within:
            self._steady_since_s = None
        elif self._steady_since_s is None:
            self._steady_since_s = at_s
        steady_s = 0.0 if self._steady_since_s is None else at_s - self._steady_since_s
        if within and steady_s >= self.dwell_s:
            return Stabilization(Stability.STEADY, steady_s, slope, self)
        if at_s - self._began_s >= self.timeout_s:
            return Stabilization(why_unsteady(slope, self.limit_per_s), steady_s, slope, self)
        return Stabilization(Stability.DWELLING if within else Stability.WATCHING, steady_s, slope, self)

    def reason_for(self, found: Stabilization) -> str:
        """Why it was judged so; built only when it is asked for, not at every sample."""
        timed_out = found.stability.final and found.stability is not Stability.STEADY
        after = f"after {self.timeout_s:g} s " if timed_out else ""
        if found.slope is None:
            return f"{after}there is {'still ' if timed_out else ''}no full window of readings"
        said = after + rate_in_words(found.slope, self.limit_per_s, self._unit)
        return f"{said}, for {found.steady_s:.0f} s so far" if found.steady_s and not timed_out else said
