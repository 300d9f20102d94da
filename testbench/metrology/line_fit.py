"""A straight line through points, with the uncertainties of the fit, and the quadratic term it may need.

Least squares about the centre with sums by ``fsum``: 13 digits of NIST's data set Norris, from any origin.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.quantiles import t_quantile

QUADRATIC_SHARE = 0.25  # of the tolerance: a bend smaller than this is not worth a second term
QUADRATIC_CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Line:
    """Y = intercept + slope·x, with the uncertainties of the fit (GUM H.3)."""

    intercept: float
    slope: float
    residual_sd: float
    n: int
    centre: float
    """Mean of x."""
    spread: float
    """Sum of the squared distances of x from its mean."""

    @property
    def dof(self) -> int:
        """Degrees of freedom: points less two."""
        return self.n - 2

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return self.residual_sd / math.sqrt(self.spread)

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept."""
        return self.u_at(0.0)

    @property
    def correlation(self) -> float:
        """Correlation coefficient of intercept and slope."""
        return -self.centre / math.sqrt(self.spread / self.n + self.centre**2)

    def at(self, x: float) -> float:
        """The y that an x stands for."""
        return self.intercept + self.slope * x

    def u_at(self, x: float) -> float:
        """Standard uncertainty of ``at``: s·√(1/n + (x − x̄)²/Sxx)."""
        return self.residual_sd * math.sqrt(1 / self.n + (x - self.centre) ** 2 / self.spread)


@dataclass(frozen=True, slots=True)
class Quadratic:
    """The term that bends the line: curvature·((x − x̄)² − linear·(x − x̄) − constant), orthogonal to the line."""

    curvature: float
    u_curvature: float
    dof: int
    largest: float
    """The most it changes the result within the range of the points, in the unit of y."""
    coefficients: tuple[float, float, float]
    """Constant, linear and square coefficient of the whole parabola."""
    residual_sd: float

    @property
    def significant(self) -> bool:
        """Whether it differs from zero at 95 %."""
        return abs(self.curvature) > t_quantile((1 + QUADRATIC_CONFIDENCE) / 2, self.dof) * self.u_curvature

    def earned(self, tolerance: float) -> bool:
        """Whether it is significant and worth more than a quarter of the tolerance: then a line will not do."""
        return self.significant and self.largest > QUADRATIC_SHARE * tolerance


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Ordinary least squares of y on x about the centre.

    Raises:
        TooFewPointsError: fewer than three points, or all x the same.
        DataRefusedError: a number that is not finite.
    """
    if not all(math.isfinite(value) for value in (*x, *y)):
        raise DataRefusedError("points of a line", "a number that is not finite", "finite numbers only")
    n = len(x)
    if n < 3 or len(set(x)) < 2:
        raise TooFewPointsError("straight line", f"{n} points at {len(set(x))} places", "at least 3 points at 2 places")
    mean_x, mean_y = math.fsum(x) / n, math.fsum(y) / n
    dx, dy = [value - mean_x for value in x], [value - mean_y for value in y]
    spread = math.fsum(value * value for value in dx)
    slope = math.fsum(a * b for a, b in zip(dx, dy, strict=True)) / spread
    squares = math.fsum((b - slope * a) ** 2 for a, b in zip(dx, dy, strict=True))
    return Line(mean_y - slope * mean_x, slope, math.sqrt(squares / (n - 2)), n, mean_x, spread)


def fit_quadratic(x: Sequence[float], y: Sequence[float]) -> Quadratic | None:
    """The quadratic term beside the line, or None where the points cannot show one (it takes 4, at 3 places)."""
    n = len(x)
    if n < 4 or len(set(x)) < 3:
        return None
    line = fit_line(x, y)
    dx = [value - line.centre for value in x]
    constant, linear = line.spread / n, math.fsum(d**3 for d in dx) / line.spread
    bow = [d * d - linear * d - constant for d in dx]
    weight = math.fsum(q * q for q in bow)
    left = [b - line.at(a) for a, b in zip(x, y, strict=True)]
    curvature = math.fsum(q * r for q, r in zip(bow, left, strict=True)) / weight
    squares = math.fsum((r - curvature * q) ** 2 for q, r in zip(bow, left, strict=True))
    residual_sd = math.sqrt(squares / (n - 3))
    c = line.centre
    return Quadratic(
        curvature=curvature,
        u_curvature=residual_sd / math.sqrt(weight),
        dof=n - 3,
        largest=abs(curvature) * max(abs(q) for q in bow),
        coefficients=(
            line.intercept + curvature * (c * c + linear * c - constant),
            line.slope - curvature * (2 * c + linear),
            curvature,
        ),
        residual_sd=residual_sd,
    )
