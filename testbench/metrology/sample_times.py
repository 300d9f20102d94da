"""When the samples of a free-running transmitter were taken, derived from when they arrived.

An arrival is never early, only late: by the adapter that collects bytes for a while (16 ms, common practice for USB),
by the operating system, by this program. A transmitter with a clock of its own samples at equal steps. So in every
stretch of about 10 s its sample times lie on a straight line below all arrivals, and the highest such line is the best
that arrivals can tell. A delay that all arrivals have in common stays in it, and so does the time on the wire.

Derived times stand beside the arrivals and never in their place; whoever shows one says "derived by line fit" and how
far the arrivals lie above it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

WINDOW_S = 10.0
"""Stretch that one line is fitted to: long against a bunch, short against the wander of a crystal."""
LEAST_SAMPLES = 20
"""In a window; from fewer no line is told."""
LARGEST_USUAL_S = 0.02
"""Or half a period: arrivals of which half lie further above the line have none."""

USUAL_RATES = (1.0, 1.25, 1.5, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 6.25, 7.5, 8.0, 10.0)
"""Mantissas of the rates that transmitters are set to (common practice)."""
_WORST_CLOCK = 0.005
"""A ceramic resonator is that far off at worst (common practice)."""

_AHEAD_S = (0.128, 1.0, 1.0)
"""Within so long a sample arrives in time: shorter while the period is not well known."""
_NEAR_S = 0.05
"""Longer than a bunch."""

Ticks = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SampleTimes:
    """Sample times derived by line fit from arrivals."""

    at: Values
    """Of each sample [ticks]; within a window at equal steps, never later than its arrival."""
    places: Ticks
    """Number of each sample, from 0 and with those counted that did not come."""
    period_s: float
    """Over all windows."""
    residual_rms_s: float
    """How late the arrivals are beside the lines."""
    residual_max_s: float
    windows: int

    @property
    def samples(self) -> int:
        """How many arrivals it was derived from."""
        return int(self.places.size)

    @property
    def missing(self) -> int:
        """How many samples did not come."""
        return int(self.places[-1]) + 1 - self.samples

    def drift_ppm(self, nominal_s: float) -> float:
        """How much longer the period is than a nominal one, in millionths: one clock against the other."""
        return (self.period_s / nominal_s - 1) * 1e6


def sample_times(arrivals: Ticks, ticks_per_s: int, *, window_s: float = WINDOW_S) -> SampleTimes | None:
    """Derive sample times from arrivals; several may share one stamp.

    A sample that did not come shifts all later ones by a period, a bunch or heap only those in it. What arrives late
    for more than a second at a time is taken for missing. What misses within a bunch of many samples is not seen; then
    the period is that of the samples that came, and the residual tells.

    Args:
        arrivals: in the order of the samples [ticks].
        ticks_per_s: their unit.
        window_s: about how long a stretch one line is fitted to [s].

    Returns:
        None where there are too few samples, or where they lie on no line.
    """
    if arrivals.size < LEAST_SAMPLES or arrivals[-1] <= arrivals[0]:
        return None
    since = arrivals - arrivals[0]
    places = _placed(since, ticks_per_s)
    windows = max(1, min(round(float(since[-1]) / ticks_per_s / window_s), arrivals.size // LEAST_SAMPLES))
    derived, period = _lines(places, since, windows)
    late = np.maximum(since - derived, 0.0) / ticks_per_s  # below zero by the rounding of a line alone
    if np.median(late) > max(LARGEST_USUAL_S, period / ticks_per_s / 2):
        return None
    rms = math.sqrt(float(np.mean(late**2)))
    return SampleTimes(derived + arrivals[0], places, period / ticks_per_s, rms, float(late.max()), windows)


def usual_rate(period_s: float) -> float | None:
    """The rate that a transmitter is meant to have which has this period [Hz]; None where it is no usual one."""
    decade = 10.0 ** math.floor(math.log10(1 / period_s))
    nearest = min(USUAL_RATES, key=lambda rate: abs(rate * decade * period_s - 1)) * decade
    return nearest if abs(nearest * period_s - 1) <= _WORST_CLOCK else None


def lower_line(places: Ticks, arrivals: Ticks) -> tuple[float, float]:
    """The highest straight line that no arrival lies below: of all such lines the sum of the residuals is least.

    It is the edge of the lower convex hull over the mean place, found by lowering it onto the arrival that lies
    furthest below until none does, in integers.

    Args:
        places: rising, two at least.
        arrivals: of the same length [ticks].

    Returns:
        The line at place 0, and its step from one place to the next [ticks].
    """
    left, right, all_places = 0, places.size - 1, int(places.sum())
    while True:
        run, rise = int(places[right] - places[left]), int(arrivals[right] - arrivals[left])
        above = (arrivals - arrivals[left]) * run - rise * (places - places[left])
        lowest = int(above.argmin())
        if above[lowest] >= 0:
            step = rise / run
            return float(arrivals[left]) - step * float(places[left]), step
        if int(places[lowest]) * places.size <= all_places:
            left = lowest
        else:
            right = lowest


def _lines(places: Ticks, arrivals: Ticks, windows: int) -> tuple[Values, float]:
    """Derived times, each window by its own line, and the period from the first window to the last [ticks]."""
    derived, middles, step = [], [], 0.0
    for part in np.array_split(np.arange(arrivals.size), windows):
        first, step = lower_line(places[part], arrivals[part])
        middle = float(places[part].mean())
        derived.append(first + step * places[part])
        middles.append((middle, first + step * middle))
    (k0, t0), (k1, t1) = middles[0], middles[-1]
    return np.concatenate(derived), (t1 - t0) / (k1 - k0) if windows > 1 else step


def _placed(arrivals: Ticks, ticks_per_s: int) -> Ticks:
    """Number the samples, those counted that did not come."""
    places = np.arange(arrivals.size)
    usual_s = float(arrivals[-1]) / ticks_per_s / arrivals.size
    lag = min(_samples_in(1.0, usual_s, 8), arrivals.size // 2)
    for ahead_s in _AHEAD_S:
        # Rather too short than too long: a period that is too long hides what is missing, one too short does not.
        period = float(np.quantile((arrivals[lag:] - arrivals[:-lag]) / (places[lag:] - places[:-lag]), 0.25))
        if period <= 0:
            break
        period_s = period / ticks_per_s
        places = _counted(arrivals, period, _samples_in(ahead_s, period_s, 8), _samples_in(_NEAR_S, period_s, 3))
    return places


def _samples_in(seconds: float, period_s: float, least: int) -> int:
    return max(least, math.ceil(seconds / period_s))


def _counted(arrivals: Ticks, period: float, ahead: int, near: int) -> Ticks:
    """Number the samples; one that is missing lifts the least lateness of all that follow by a period, for good.

    It rises in steps, as the last that came in time before it fall behind; so it is compared with what it was just
    before. Where several periods fit into a bunch, fewer than half of those are not seen missing: the edge of the
    bunches wanders by a period as well.
    """
    places = np.arange(arrivals.size)
    late = arrivals - period * places
    least = _least_ahead(late, ahead)
    near = min(near, arrivals.size)
    rises = least - np.concatenate([np.full(near, least[0]), least[:-near]])
    rises[-max(8, near) :] = 0.0  # too few follow to tell late from missing
    bunch = 2 * float(np.median(late - least))
    high = rises > max(0.5 * period, 0.45 * bunch)
    for begin, end in np.flatnonzero(np.diff(high, prepend=False, append=False)).reshape(-1, 2).tolist():
        periods = (least[begin:end] - least[begin - 1]) / period
        missing = max(0, round(float(periods[-1])))
        # A sample that is taken for a later one than it is looks early, and nothing is early; so rather the other way.
        so_far = np.floor(np.maximum.accumulate(periods) + 0.2).clip(0, missing)
        places[begin:end] += so_far.astype(np.int64)
        places[end:] += missing
    return places


def _least_ahead(values: Values, ahead: int) -> Values:
    """The least of each value and so many, or up to twice as many, that follow it."""
    least, reach = values.copy(), 1
    while reach < min(ahead, values.size):
        np.minimum(least[:-reach], least[reach:].copy(), out=least[:-reach])
        reach *= 2
    return least
