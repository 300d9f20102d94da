"""Control charts and run rules; the constants are computed, not typed.

Limits stand three standard deviations from the centre, estimated from the data themselves. The run rules are those of
Western Electric with two for trends (from memory). All of rules 1 to 4 together give a false alarm about every 92nd
point of a process that is in order, so that rules 1 and 4 are the default.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.statistics import mean_and_deviation

LARGEST_SUBGROUP = 100
_STEP = 0.1  # of the integral over x; an analytic integrand that dies at both ends needs no finer one
_ON_THE_LINE = 1e-9  # standard deviations; a point on a limit is not beyond it, whatever the last bit says


class RunRule(StrEnum):
    """What makes a pattern of points a signal; each is judged at the point that completes it."""

    BEYOND_3 = "one point beyond 3 sigma"
    TWO_OF_THREE = "two of three beyond 2 sigma on one side"
    FOUR_OF_FIVE = "four of five beyond 1 sigma on one side"
    EIGHT_ON_ONE_SIDE = "eight in a row on one side"
    SIX_RISING_OR_FALLING = "six in a row rising or falling"
    FOURTEEN_ALTERNATING = "fourteen in a row alternating"


_Scores = NDArray[np.float64]
_Marks = NDArray[np.bool_]
_Counts = NDArray[np.int64]
_Judge = Callable[[_Scores], _Marks]

DEFAULT_RULES = (RunRule.BEYOND_3, RunRule.EIGHT_ON_ONE_SIDE)


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule that a point completes; ``index`` counts from zero."""

    index: int
    rule: RunRule


@dataclass(frozen=True, slots=True)
class Chart:
    """Points with their centre line and limits; the limits may differ from point to point."""

    name: str
    points: tuple[float, ...]
    centre: float
    sigmas: tuple[float, ...]
    lowest: float = -math.inf
    highest: float = math.inf
    spread: bool = False
    """Whether it shows ranges or deviations; by default only rule 1 is asked of those, their sides are not alike."""

    @property
    def lower(self) -> tuple[float, ...]:
        """Lower limit at each point, never below what is possible."""
        return tuple(max(self.lowest, self.centre - 3 * sigma) for sigma in self.sigmas)

    @property
    def upper(self) -> tuple[float, ...]:
        """Upper limit at each point, never above what is possible."""
        return tuple(min(self.highest, self.centre + 3 * sigma) for sigma in self.sigmas)

    def signals(self, rules: Sequence[RunRule] | None = None) -> tuple[Signal, ...]:
        """What the rules find, in the order of the points."""
        if rules is None:
            rules = (RunRule.BEYOND_3,) if self.spread else DEFAULT_RULES
        return run_signals(_scores(self.points, self.centre, self.sigmas), rules)


def run_signals(scores: Sequence[float] | _Scores, rules: Sequence[RunRule] = DEFAULT_RULES) -> tuple[Signal, ...]:
    """Judge points given in standard deviations from the centre; all points of a rule at once, for a year has many."""
    z = np.asarray(scores, dtype=float)
    found = {rule: _RULES[rule](z) for rule in rules}
    marked = [(int(i), place, rule) for place, rule in enumerate(rules) for i in np.flatnonzero(found[rule])]
    return tuple(Signal(i, rule) for i, _, rule in sorted(marked))


def _several_beyond(level: float, needed: int, window: int) -> _Judge:
    def found(z: _Scores) -> _Marks:
        sides = [side * z > level + _ON_THE_LINE for side in (1, -1)]
        marks: _Marks = np.any([beyond & (_among_the_last(beyond, window) >= needed) for beyond in sides], axis=0)
        return marks

    return found


def _rising_or_falling(z: _Scores) -> _Marks:
    steps = _steps(z)
    marks: _Marks = (_among_the_last(steps > 0, 5) == 5) | (_among_the_last(steps < 0, 5) == 5)
    return marks


def _alternating(z: _Scores) -> _Marks:
    turns = np.zeros(len(z), dtype=bool)
    steps = _steps(z)
    turns[1:] = steps[1:] * steps[:-1] < 0
    marks: _Marks = _among_the_last(turns, 12) == 12
    return marks


def _steps(z: _Scores) -> _Scores:
    """From the point before to each point; nothing before the first. Between two infinite ones there is no step."""
    steps = np.zeros(len(z))
    with np.errstate(invalid="ignore"):
        steps[1:] = np.nan_to_num(np.diff(z), nan=0.0)
    signs: _Scores = np.sign(steps)
    return signs


def _among_the_last(marks: _Marks, window: int) -> _Counts:
    """At each point, how many of the last ``window`` points are marked."""
    sums = np.concatenate([np.zeros(window, dtype=np.int64), np.cumsum(marks)])
    counts: _Counts = sums[window:] - sums[:-window]
    return counts


_RULES: dict[RunRule, _Judge] = {
    RunRule.BEYOND_3: _several_beyond(3, 1, 1),
    RunRule.TWO_OF_THREE: _several_beyond(2, 2, 3),
    RunRule.FOUR_OF_FIVE: _several_beyond(1, 4, 5),
    RunRule.EIGHT_ON_ONE_SIDE: _several_beyond(0, 8, 8),
    RunRule.SIX_RISING_OR_FALLING: _rising_or_falling,
    RunRule.FOURTEEN_ALTERNATING: _alternating,
}


def _scores(points: Sequence[float], centre: float, sigmas: Sequence[float]) -> _Scores:
    """In standard deviations; where there is none, a point beside the centre is infinitely far from it."""
    distances, spread = np.asarray(points, dtype=float) - centre, np.asarray(sigmas, dtype=float)
    scores: _Scores = np.where(distances == 0, 0.0, np.copysign(np.inf, distances))
    np.divide(distances, spread, out=scores, where=spread > 0)
    return scores


# Constants --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """What ranges and standard deviations of n standard normal values come to on average."""

    n: int
    d2: float
    """Mean range."""
    d3: float
    """Standard deviation of the range."""
    c4: float
    """Mean standard deviation."""

    @property
    def c5(self) -> float:
        """Standard deviation of the standard deviation."""
        return math.sqrt(1 - self.c4**2)

    @property
    def a2(self) -> float:
        """Limits of the mean from the mean range."""
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """Limits of the mean from the mean standard deviation."""
        return 3 / (self.c4 * math.sqrt(self.n))

    @property
    def range_limits(self) -> tuple[float, float]:
        """D3 and D4: limits of the range over its mean."""
        return max(0.0, 1 - 3 * self.d3 / self.d2), 1 + 3 * self.d3 / self.d2

    @property
    def deviation_limits(self) -> tuple[float, float]:
        """B3 and B4: limits of the standard deviation over its mean."""
        return max(0.0, 1 - 3 * self.c5 / self.c4), 1 + 3 * self.c5 / self.c4


@lru_cache
def chart_constants(n: int) -> ChartConstants:
    """Constants for subgroups of n, 2 to 100.

    The range W of n values has P(W ≤ w) = n·∫φ(x)(Φ(x + w) − Φ(x))ⁿ⁻¹dx; then E(W) = ∫P(W > w)dw and
    E(W²) = 2∫w·P(W > w)dw.

    Raises:
        DataRefusedError: subgroups of another size.
    """
    if not 2 <= n <= LARGEST_SUBGROUP:
        raise DataRefusedError("control chart", f"subgroups of {n}", f"subgroups of 2 to {LARGEST_SUBGROUP}")
    nodes, weights = np.polynomial.legendre.leggauss(80)
    w, weights = 8 * (nodes + 1), 8 * weights  # ranges from 0 to 16
    x = np.arange(-9, 9, _STEP)
    below = np.vectorize(lambda z: 0.5 * math.erfc(-z / math.sqrt(2)))
    inside = below(x[:, None] + w[None, :]) - below(x)[:, None]
    density = np.exp(-x * x / 2) / math.sqrt(2 * math.pi)
    exceeding = 1 - n * _STEP * (density[:, None] * inside ** (n - 1)).sum(axis=0)
    mean, square = float(weights @ exceeding), float(2 * weights @ (w * exceeding))
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return ChartConstants(n, mean, math.sqrt(square - mean * mean), c4)


# Charts -----------------------------------------------------------------------------------------


def individuals_chart(
    values: Sequence[float], base: Sequence[float] | None = None, lowest: float = -math.inf
) -> tuple[Chart, Chart]:
    """I-MR: single values, and the range of each with the one before it.

    Args:
        values: the points, in their order.
        base: the values that centre and limits come from, in their order; None: the points themselves.
        lowest: the least value that is possible; no limit stands below it.

    Raises:
        TooFewPointsError: fewer than two values in either.
    """
    source = values if base is None else base
    if min(len(values), len(source)) < 2:
        raise TooFewPointsError("individuals chart", f"{min(len(values), len(source))} value(s)", "at least 2")
    moving = [abs(b - a) for a, b in pairwise(values)]
    centre, mean_range = _mean(source), _mean([abs(b - a) for a, b in pairwise(source)])
    two = chart_constants(2)
    sigma = mean_range / two.d2
    return (
        Chart("I", tuple(values), centre, (sigma,) * len(values), lowest=lowest),
        Chart("MR", tuple(moving), mean_range, (two.d3 * sigma,) * len(moving), lowest=0.0, spread=True),
    )


def mean_and_range_chart(subgroups: Sequence[Sequence[float]]) -> tuple[Chart, Chart]:
    """X̄-R: means and ranges of subgroups of one size."""
    constants = chart_constants(_size_of(subgroups))
    ranges = [max(group) - min(group) for group in subgroups]
    sigma = _mean(ranges) / constants.d2
    return (
        _means_chart(subgroups, sigma),
        Chart("R", tuple(ranges), _mean(ranges), (constants.d3 * sigma,) * len(ranges), lowest=0.0, spread=True),
    )


def mean_and_deviation_chart(subgroups: Sequence[Sequence[float]]) -> tuple[Chart, Chart]:
    """X̄-S: means and standard deviations of subgroups of one size."""
    constants = chart_constants(_size_of(subgroups))
    deviations = [mean_and_deviation(group)[1] for group in subgroups]
    sigma = _mean(deviations) / constants.c4
    spread = (constants.c5 * sigma,) * len(deviations)
    return (
        _means_chart(subgroups, sigma),
        Chart("S", tuple(deviations), _mean(deviations), spread, lowest=0.0, spread=True),
    )


def proportion_chart(defective: Sequence[int], inspected: Sequence[int]) -> Chart:
    """Chart p: the part of each lot that was defective."""
    _check_counts("p chart", defective, inspected)
    if any(bad > n for bad, n in zip(defective, inspected, strict=True)):
        raise DataRefusedError("p chart", "more defective than inspected", "at most as many as inspected")
    centre = math.fsum(defective) / math.fsum(inspected)
    points = tuple(bad / n for bad, n in zip(defective, inspected, strict=True))
    sigmas = tuple(math.sqrt(centre * (1 - centre) / n) for n in inspected)
    return Chart("p", points, centre, sigmas, lowest=0.0, highest=1.0)


def count_chart(defects: Sequence[int]) -> Chart:
    """Chart c: defects in equal lots."""
    _check_counts("c chart", defects, [1] * len(defects))
    centre = _mean(defects)
    return Chart("c", tuple(float(count) for count in defects), centre, (math.sqrt(centre),) * len(defects), lowest=0.0)


def rate_chart(defects: Sequence[int], units: Sequence[float]) -> Chart:
    """Chart u: defects per unit in lots of different size."""
    _check_counts("u chart", defects, units)
    centre = math.fsum(defects) / math.fsum(units)
    points = tuple(count / size for count, size in zip(defects, units, strict=True))
    return Chart("u", points, centre, tuple(math.sqrt(centre / size) for size in units), lowest=0.0)


def _means_chart(subgroups: Sequence[Sequence[float]], sigma: float) -> Chart:
    means = tuple(_mean(group) for group in subgroups)
    return Chart("X̄", means, _mean(means), (sigma / math.sqrt(len(subgroups[0])),) * len(means))


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _size_of(subgroups: Sequence[Sequence[float]]) -> int:
    sizes = {len(group) for group in subgroups}
    if not sizes:
        raise TooFewPointsError("control chart", "no subgroup", "at least 1")
    if len(sizes) > 1:
        raise DataRefusedError("control chart", f"subgroups of {min(sizes)} to {max(sizes)}", "subgroups of one size")
    return sizes.pop()


def _check_counts(what: str, counts: Sequence[int], sizes: Sequence[float]) -> None:
    if not counts:
        raise TooFewPointsError(what, "no lot", "at least 1")
    if min(counts) < 0 or min(sizes) <= 0:
        raise DataRefusedError(what, "a negative count or an empty lot", "counts of at least 0 in lots above 0")
