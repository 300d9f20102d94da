"""What a record of samples is worth before anything is concluded from it: outliers, noise, gaps, block means.

Samples are flagged, never deleted: every function leaves its input as it is. Values may be in any one unit; times are
seconds on one clock, rising. A fault is a value with a reason, not an exception.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]

HAMPEL_SAMPLES = 11
HAMPEL_SCALES = 5.0
MAD_TO_SD = 1.4826  # median absolute deviation to standard deviation, normal distribution
LARGEST_FLAGGED_SHARE = 0.01
LARGEST_MISSING_SHARE = 0.02
LONGEST_GAP_SHARE = 0.02
_LATE = 1.5  # a step of more than one and a half intervals has lost a sample


def dot(a: Values, b: Values) -> float:
    """Sum of products, pairwise and on one thread: the same digits on every machine that judges a record again."""
    return float((a * b).sum())


def mean_and_sd(values: Values) -> tuple[float, float]:
    """Mean and standard deviation (n − 1) about a near origin, so that 250.001 and 250.002 keep their difference."""
    first = float(values[0])
    about = values - first
    mean = float(about.mean())
    deviations = about - mean
    variance = (dot(deviations, deviations) - float(deviations.sum()) ** 2 / values.size) / (values.size - 1)
    return first + mean, float(np.sqrt(max(variance, 0.0)))


def noise_of(values: Values) -> float:
    """Noise of a record by its sample-to-sample changes, blind to slopes and to single outliers; 0 if it stands still.

    The robust spread (MAD) of the differences over √2: the standard deviation for white noise, less for slow noise.
    """
    if values.size < 3:
        return 0.0
    steps = np.diff(values)
    return float(MAD_TO_SD * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2))


def resolution_of(values: Values, written: float = 0.0) -> float:
    """The smallest step of a reading: the smallest difference seen where readings repeat, else the written place.

    Args:
        values: readings in one unit.
        written: what the last written digit stands for, same unit; 0 if unknown.
    """
    levels = np.unique(values)
    if levels.size < 2 or 2 * levels.size > values.size:
        return written
    return max(float(np.diff(levels).min()), written)


def hampel_flags(
    values: Values,
    *,
    resolution: float = 0.0,
    noise: float = 0.0,
    samples: int = HAMPEL_SAMPLES,
    scales: float = HAMPEL_SCALES,
) -> Flags:
    """Mark samples that stand far from the median of the newest few.

    A sample is flagged if it lies more than ``scales`` times the scale from the median of itself and the
    ``samples`` − 1 before it; scale = max(1.4826·MAD, resolution/2, noise). Without the floor a quantised signal has a
    MAD of 0 and hides its outliers. The first samples are held against the first full window.

    Args:
        values: readings in one unit.
        resolution: smallest step of a reading, same unit.
        noise: declared standard deviation of the noise, same unit.
        samples: length of the window, odd.
        scales: how many scales are too many.
    """
    if values.size < 3:
        return np.zeros(values.size, dtype=np.bool_)
    width = min(samples, values.size - 1 + values.size % 2)
    windows = sliding_window_view(values, width)
    lead = width - 1
    medians = np.concatenate([np.full(lead, np.nan), _running_median(values, width)])
    medians[:lead] = medians[lead]
    away = np.abs(values - medians)
    floor = max(resolution / 2, noise)
    suspects = np.flatnonzero(away > scales * floor)
    flags = np.zeros(values.size, dtype=np.bool_)
    spread = np.abs(windows[np.maximum(suspects - lead, 0)] - medians[suspects, np.newaxis])
    mad = np.partition(spread, width // 2, axis=1)[:, width // 2]
    flags[suspects] = away[suspects] > scales * np.maximum(MAD_TO_SD * mad, floor)
    return flags


def _running_median(values: Values, width: int) -> Values:
    """Median of every window of odd width, by exchanging whole rows: three times as fast as sorting the windows."""
    count = values.size - width + 1
    rows = [values[start : start + count].copy() for start in range(width)]
    for largest in range(width - 1, width // 2 - 1, -1):
        for i in range(largest):
            low = np.minimum(rows[i], rows[i + 1])
            np.maximum(rows[i], rows[i + 1], out=rows[i + 1])
            rows[i] = low
    return rows[width // 2]


@dataclass(frozen=True, slots=True)
class Validity:
    """How much of a stretch of samples may be flagged or missing before nothing may be concluded from it."""

    flagged_share: float = LARGEST_FLAGGED_SHARE
    missing_share: float = LARGEST_MISSING_SHARE
    gap_share: float = LONGEST_GAP_SHARE
    """Longest gap, as a share of the stretch."""


USUAL = Validity()


@dataclass(frozen=True, slots=True)
class Completeness:
    """What is flagged and what is missing in a stretch of samples, and whether that makes it invalid."""

    samples: int
    flagged: int
    missing: int
    gaps: int
    """Places where at least one expected sample did not come."""
    longest_gap_s: float
    span_s: float
    reasons: tuple[str, ...]
    """Why the stretch is invalid; empty if it is valid."""

    @property
    def valid(self) -> bool:
        """Whether anything may be concluded from the stretch."""
        return not self.reasons


def completeness(
    at_s: Values, flags: Flags, *, interval_s: float | None = None, validity: Validity = USUAL
) -> Completeness:
    """Count flagged and missing samples and say whether the stretch is valid.

    Invalid as a rule: more than 1 % flagged, more than 2 % of the expected samples missing, or a gap longer than 2 %
    of the span.

    Args:
        at_s: times of all samples, flagged ones included, rising [s]; at least one.
        flags: which of them are flagged.
        interval_s: expected time between samples [s]; the median step if not told.
        validity: what is allowed.
    """
    steps = np.diff(at_s)
    span = float(at_s[-1] - at_s[0])
    usual = float(np.median(steps)) if interval_s is None and steps.size else interval_s or 0.0
    late = steps[steps > _LATE * usual] if usual > 0 else steps[:0]
    # A reader held up stamps a heap of samples late: the step before the heap is long, yet nothing is lost. So no more
    # are missing than the whole span lacks.
    lacking = round(span / usual) + 1 - at_s.size if usual > 0 else 0
    missing = max(0, min(int(np.rint(late / usual).sum()) - late.size, lacking))
    longest = float(late.max()) if late.size else 0.0
    flagged = int(flags.sum())
    reasons = []
    if flagged > validity.flagged_share * at_s.size:
        most = f"at most {100 * validity.flagged_share:g} % may be"
        reasons.append(f"{flagged} of {at_s.size} samples are flagged, {most}")
    if missing > validity.missing_share * (at_s.size + missing):
        most = f"at most {100 * validity.missing_share:g} % may be"
        reasons.append(f"{missing} of {at_s.size + missing} expected samples are missing, {most}")
    if longest > validity.gap_share * span:
        reasons.append(f"a gap of {longest:.3g} s is longer than {100 * validity.gap_share:g} % of {span:.4g} s")
    return Completeness(int(at_s.size), flagged, missing, int(late.size), longest, span, tuple(reasons))


@dataclass(frozen=True, slots=True)
class Blocks:
    """Means of consecutive stretches; a stretch without a sample is left out, never filled in."""

    at_s: Values
    """Mean time of each block's samples [s]."""
    means: Values
    samples: NDArray[np.int64]


def block_means(at_s: Values, values: Values, block_s: float) -> Blocks:
    """Mean of every ``block_s`` seconds since the first sample, for display.

    Args:
        at_s: times, rising [s]; at least one.
        values: readings in one unit.
        block_s: length of a block, above zero [s].
    """
    # A whisker (a thousandth of a block) keeps a stamp such as 0.3 − 1e-17 out of the block before.
    index = np.floor((at_s - at_s[0]) / block_s + 1e-3).astype(np.int64)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(index)) + 1])
    samples = np.diff(np.concatenate([starts, [index.size]])).astype(np.int64)
    return _means_from(at_s, values, starts, samples)


def equal_blocks(at_s: Values, values: Values, count: int) -> Blocks:
    """Means of ``count`` consecutive stretches of as nearly as possible the same number of samples (≥ 1 each)."""
    edges = np.linspace(0, at_s.size, count + 1).round().astype(np.int64)
    return _means_from(at_s, values, edges[:-1], np.diff(edges))


def _means_from(at_s: Values, values: Values, starts: NDArray[np.int64], samples: NDArray[np.int64]) -> Blocks:
    first, origin = float(values[0]), float(at_s[0])
    means = np.add.reduceat(values - first, starts) / samples + first
    times = np.add.reduceat(at_s - origin, starts) / samples + origin
    return Blocks(times, means, samples)
