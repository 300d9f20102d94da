"""One slope over a whole hold, with an interval that needs no model of the noise.

The half-width is the largest of three: ordinary least squares as if the noise were white, and the scatter of the means
of 12 and of 6 consecutive blocks, which sees noise that lasts from sample to sample. Where the reading is too coarse
for its noise to show, 1.5·LSB/T is added: the most that rounding alone can tilt a least-squares line. Nothing within
one hold sees a wander slower than the hold; blank runs do (``metrology.decay``).

Values may be in any one unit; the slope is per second. Times may be seconds since 1970: all sums run about a
near origin.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from testbench.errors import TooFewPointsError
from testbench.metrology.quantiles import t_quantile
from testbench.metrology.signal import (
    Completeness,
    Flags,
    Values,
    completeness,
    dot,
    equal_blocks,
    hampel_flags,
    noise_of,
)

CONFIDENCE = 0.95
NORMAL_TWO_SIDED = 1.959964  # half-width over standard uncertainty at 95 %, normal distribution
BLOCK_COUNTS = (12, 6)
CURVED_ABOVE_T = 3.0
_COARSE = 0.5  # residual SD in LSB below which rounding hides the noise
# Worst tilt and worst bow that rounding to ±LSB/2 can give to evenly spaced samples: (LSB/2)·Σ|q|/Σq² for the linear
# and the quadratic term, times T/LSB and T²/LSB: 3/2 and 10/√3.
_ROUNDING_TILT = 1.5
_ROUNDING_BOW = 10 / 3**0.5


@dataclass(frozen=True, slots=True)
class HoldSlope:
    """Rate of change over a hold, its 95 % half-width, and what speaks against it. Units of the value per second."""

    per_s: float
    half_width: float
    method: str
    """Which of the half-widths was the largest, and whether rounding was added."""
    dof: int
    samples: int
    """Samples that the slope rests on: all but the flagged ones."""
    residual_sd: float
    mean: float
    lowest: float
    """Lowest unflagged reading."""
    curvature_t: float
    """The quadratic term over its standard uncertainty."""
    bow: float
    """The quadratic term itself [per s²]: from the mean to either end the slope changes by it times the hold."""
    record: Completeness
    half_widths: tuple[tuple[str, float], ...]
    rounding: float

    @property
    def standard_uncertainty(self) -> float:
        """Half-width over 1.96: with 1.645 of it on one side a limit is still held at 95 %, whatever the dof."""
        return self.half_width / NORMAL_TWO_SIDED

    @property
    def curved(self) -> bool:
        """Not a straight line: still settling, or a leak that falls with the pressure."""
        return abs(self.curvature_t) > CURVED_ABOVE_T

    @property
    def valid(self) -> bool:
        """Whether the samples are complete enough to conclude from."""
        return self.record.valid


@dataclass(frozen=True, slots=True)
class _Line:
    slope: float
    standard_error: float
    residual_sd: float
    mean: float
    dof: int


def hold_slope(
    at_s: Values,
    values: Values,
    *,
    resolution: float = 0.0,
    noise: float | None = None,
    interval_s: float | None = None,
    flags: Flags | None = None,
) -> HoldSlope:
    """Fit one straight line to a hold.

    Args:
        at_s: times, rising [s].
        values: readings in one unit, same length.
        resolution: smallest step of a reading, same unit; 0 if it is far below the noise.
        noise: declared standard deviation of the noise, floor of the outlier scale; taken from the record if None.
        interval_s: expected time between samples [s]; the median step if not told.
        flags: samples to leave out; the Hampel filter decides if None.

    Raises:
        TooFewPointsError: fewer than three unflagged samples, or all under one time stamp.
    """
    if flags is None:
        floor = noise_of(values) if noise is None else noise
        flags = hampel_flags(values, resolution=resolution, noise=floor)
    # One exact subtraction first: seconds since 1970 lose nothing, and small sums stay small.
    t, y = (at_s[~flags] - at_s[0]), (values[~flags] - values[0])
    if t.size < 3 or t[-1] <= t[0]:
        raise TooFewPointsError("Slope over a hold", f"{t.size} unflagged samples", "three at different times")
    line = _fit_line(t, y)
    span = float(t[-1] - t[0])
    coarse = line.residual_sd < _COARSE * resolution
    widths = [("OLS", line.dof, _half_width(line))]
    for count in BLOCK_COUNTS:
        if t.size >= 2 * count:
            blocks = equal_blocks(t, y, count)
            line_of_means = _fit_line(blocks.at_s, blocks.means)
            widths.append((f"{count} blocks", line_of_means.dof, _half_width(line_of_means)))
    method, dof, largest = max(widths, key=lambda width: width[2])
    rounding = _ROUNDING_TILT * resolution / span if coarse else 0.0
    return HoldSlope(
        per_s=line.slope,
        half_width=largest + rounding,
        method=f"{method} + rounding" if coarse else method,
        dof=dof,
        samples=int(t.size),
        residual_sd=line.residual_sd,
        mean=float(values[0]) + line.mean,
        lowest=float(values[~flags].min()),
        curvature_t=_curvature_t(t, y, _ROUNDING_BOW * resolution / span**2 if coarse else 0.0),
        bow=_fit_bow(t, y)[0] if t.size > 3 else 0.0,
        record=completeness(at_s, flags, interval_s=interval_s),
        half_widths=tuple((name, width) for name, _, width in widths),
        rounding=rounding,
    )


@lru_cache(maxsize=256)
def two_sided_95(dof: int) -> float:
    """Student's t for a 95 % interval."""
    return t_quantile((1 + CONFIDENCE) / 2, dof)


def _half_width(line: _Line) -> float:
    return two_sided_95(line.dof) * line.standard_error


def _fit_line(t: Values, y: Values) -> _Line:
    """Least squares about the middle of the data."""
    x = t - t.mean()
    mean = float(y.mean())
    from_mean = y - mean
    sxx = dot(x, x)
    slope = dot(x, from_mean) / sxx
    residuals = from_mean - slope * x
    dof = t.size - 2
    sd = math.sqrt(dot(residuals, residuals) / dof)
    return _Line(slope, sd / math.sqrt(sxx), sd, mean, dof)


def _curvature_t(t: Values, y: Values, rounding: float) -> float:
    """The quadratic term, less what rounding can feign, over the larger of its two standard errors: samples, blocks.

    Judged by single samples alone, noise that lasts from sample to sample would pass for curvature.
    """
    if t.size < 5:
        return 0.0
    bow, error = _fit_bow(t, y)
    if t.size >= 2 * BLOCK_COUNTS[0]:
        blocks = equal_blocks(t, y, BLOCK_COUNTS[0])
        error = max(error, _fit_bow(blocks.at_s, blocks.means)[1])
    beyond = max(abs(bow) - rounding, 0.0)
    if beyond == 0.0:
        return 0.0
    return float(np.copysign(beyond / error if error > 0 else np.inf, bow))


def _fit_bow(t: Values, y: Values) -> tuple[float, float]:
    """Quadratic coefficient and its standard error, by orthogonal steps: the rest of x² beside a straight line."""
    x = t - t.mean()
    sxx = dot(x, x)
    square = x * x
    square -= square.mean()
    square -= (dot(square, x) / sxx) * x
    size = dot(square, square)
    from_mean = y - y.mean()
    if size <= 0:
        return 0.0, 0.0
    bow = dot(square, from_mean) / size
    residuals = from_mean - (dot(x, from_mean) / sxx) * x - bow * square
    return bow, math.sqrt(dot(residuals, residuals) / (t.size - 3) / size)
