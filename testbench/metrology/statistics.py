"""First-pass yield, capability and analysis of variance, each with an interval or a p-value.

Yield: Wilson's interval for charts, Clopper and Pearson's for claims; never Wald's, which gives 0 of 20 no width.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.quantiles import beta_quantile, chi2_quantile, f_exceedance, normal_quantile


@dataclass(frozen=True, slots=True)
class Interval:
    """From ``low`` to ``high``, both included."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FirstPassYield:
    """How many of the valves tested were accepted at the first run."""

    accepted: int
    tested: int

    def __post_init__(self) -> None:
        if not 0 <= self.accepted <= self.tested or self.tested == 0:
            found = f"{self.accepted} of {self.tested}"
            raise DataRefusedError("first-pass yield", found, "at least one tested and no more accepted than tested")

    @property
    def estimate(self) -> float:
        """Accepted over tested, 0 to 1."""
        return self.accepted / self.tested

    def wilson(self, confidence: float = 0.95) -> Interval:
        """Score interval: near the stated confidence on average. For charts."""
        z2 = normal_quantile((1 + confidence) / 2) ** 2
        n, p = self.tested, self.estimate
        middle = p + z2 / (2 * n)
        reach = math.sqrt(z2 * (p * (1 - p) / n + z2 / (4 * n * n)))
        scale = 1 + z2 / n
        low = 0.0 if self.accepted == 0 else (middle - reach) / scale
        high = 1.0 if self.accepted == n else (middle + reach) / scale
        return Interval(low, high)

    def clopper_pearson(self, confidence: float = 0.95) -> Interval:
        """Exact interval: never below the stated confidence. For claims."""
        k, n, tail = self.accepted, self.tested, (1 - confidence) / 2
        low = 0.0 if k == 0 else beta_quantile(tail, k, n - k + 1)
        high = 1.0 if k == n else beta_quantile(1 - tail, k + 1, n - k)
        return Interval(low, high)


@dataclass(frozen=True, slots=True)
class Capability:
    """How a stable process sits between its limits; one of the limits may be missing (None)."""

    mean: float
    standard_deviation: float
    n: int
    lower: float | None
    upper: float | None

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise DataRefusedError("capability", "no limit", "a lower limit, an upper limit, or both")
        if self.lower is not None and self.upper is not None and self.lower >= self.upper:
            raise DataRefusedError("capability", f"limits {self.lower:g} and {self.upper:g}", "lower below upper")
        if self.n < 2:
            raise TooFewPointsError("capability", f"{self.n} value(s)", "at least 2")
        if not self.standard_deviation > 0:
            raise DataRefusedError("capability", "values that do not vary", "a standard deviation above zero")

    @property
    def cp(self) -> float | None:
        """Width of the limits over six standard deviations; None with one limit only."""
        if self.lower is None or self.upper is None:
            return None
        return (self.upper - self.lower) / (6 * self.standard_deviation)

    @property
    def cpl(self) -> float | None:
        """Distance from the lower limit over three standard deviations."""
        return None if self.lower is None else (self.mean - self.lower) / (3 * self.standard_deviation)

    @property
    def cpu(self) -> float | None:
        """Distance from the upper limit over three standard deviations."""
        return None if self.upper is None else (self.upper - self.mean) / (3 * self.standard_deviation)

    @property
    def cpk(self) -> float:
        """The smaller of the two distances."""
        return min(side for side in (self.cpl, self.cpu) if side is not None)

    def cp_interval(self, confidence: float = 0.95) -> Interval | None:
        """Interval of cp from the χ² distribution of the variance; None with one limit only."""
        cp, dof, tail = self.cp, self.n - 1, (1 - confidence) / 2
        if cp is None:
            return None
        low, high = (cp * math.sqrt(chi2_quantile(p, dof) / dof) for p in (tail, 1 - tail))
        return Interval(low, high)

    def cpk_interval(self, confidence: float = 0.95) -> Interval:
        """Interval of cpk after Bissell (1990): cpk ± z·√(1/(9n) + cpk²/(2(n − 1)))."""
        reach = normal_quantile((1 + confidence) / 2) * math.sqrt(1 / (9 * self.n) + self.cpk**2 / (2 * (self.n - 1)))
        return Interval(self.cpk - reach, self.cpk + reach)


def capability(values: Sequence[float], lower: float | None = None, upper: float | None = None) -> Capability:
    """Capability from values, with their overall standard deviation.

    Raises:
        TooFewPointsError: fewer than two values.
        DataRefusedError: no limit, limits the wrong way round, or values that do not vary.
    """
    mean, deviation = mean_and_deviation(values)
    return Capability(mean, deviation, len(values), lower, upper)


def mean_and_deviation(values: Sequence[float]) -> tuple[float, float]:
    """Mean and standard deviation (n − 1) in two passes, so that readings far from zero keep their digits.

    Raises:
        TooFewPointsError: fewer than two values.
        DataRefusedError: a value is not finite.
    """
    n = len(values)
    if n < 2:
        raise TooFewPointsError("standard deviation", f"{n} value(s)", "at least 2")
    if not all(math.isfinite(value) for value in values):
        raise DataRefusedError("values", "a number that is not finite", "finite numbers only")
    mean = math.fsum(values) / n
    return mean, math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (n - 1))


@dataclass(frozen=True, slots=True)
class OneWayAnova:
    """Whether groups differ by more than the scatter within them explains."""

    between: float
    """Sum of squares between groups."""
    within: float
    """Sum of squares within groups."""
    dof_between: int
    dof_within: int

    @property
    def f(self) -> float:
        """Mean square between over mean square within; infinite where nothing scatters within."""
        within = self.within / self.dof_within
        return self.between / self.dof_between / within if within > 0 else math.inf

    @property
    def p_value(self) -> float:
        """Probability of an F this large if the groups do not differ."""
        return 0.0 if math.isinf(self.f) else f_exceedance(self.f, self.dof_between, self.dof_within)

    @property
    def residual_sd(self) -> float:
        """Pooled standard deviation within groups."""
        return math.sqrt(self.within / self.dof_within)


def one_way_anova(groups: Sequence[Sequence[float]]) -> OneWayAnova:
    """Analysis of variance of groups of any sizes; sums run about a value of the data.

    Raises:
        TooFewPointsError: fewer than two groups, an empty group, or no group with two values.
    """
    n = sum(len(group) for group in groups)
    if len(groups) < 2 or not all(groups) or n <= len(groups):
        sizes = ", ".join(str(len(group)) for group in groups) or "none"
        raise TooFewPointsError("analysis of variance", f"groups of {sizes}", "two groups, one of them with two values")
    origin = groups[0][0]
    shifted = [[value - origin for value in group] for group in groups]
    means = [math.fsum(group) / len(group) for group in shifted]
    grand = math.fsum(value for group in shifted for value in group) / n
    return OneWayAnova(
        between=math.fsum(len(g) * (mean - grand) ** 2 for g, mean in zip(shifted, means, strict=True)),
        within=math.fsum((value - mean) ** 2 for g, mean in zip(shifted, means, strict=True) for value in g),
        dof_between=len(groups) - 1,
        dof_within=n - len(groups),
    )
