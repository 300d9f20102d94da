"""What was seen and what was not: samples, gaps, and the trace they make.

Times are ticks of 100 µs since the run began, on a monotonic clock; readings are the integer counts that the
instrument wrote (``+0250.13`` is 25013). Limits are turned into counts once, exactly, so that a decision on a
sample is an integer comparison without rounding.
"""

import hashlib
import math
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from testbench.procedure.requirements import StageRequirement
from testbench.procedure.valve import Value
from testbench.quantities import Pressure

TICKS_PER_S = 10_000


def to_ticks(seconds: float) -> int:
    """Seconds to whole ticks."""
    return round(seconds * TICKS_PER_S)


def to_s(ticks: int) -> float:
    """Ticks to seconds."""
    return ticks / TICKS_PER_S


class GapReason(StrEnum):
    """Why there was no usable reading."""

    SILENT = "the transmitter said nothing"
    UNPLUGGED = "the port went away"
    GARBAGE = "bytes arrived but none was a valid line"
    FROZEN = "the reading stood still to the last digit"
    OUT_OF_RANGE = "the reading was outside the transmitter's range"
    LATE = "readings came in one heap, too late to be placed in time"


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading, stamped on arrival."""

    at: int
    counts: int


class Gap(Value):
    """A stretch in which the channel said nothing usable [ticks]."""

    since: int
    until: int
    reason: GapReason


class Scale(Value):
    """What one count means, and where zero lies."""

    unit: str
    decimals: Annotated[int, Field(ge=0, le=6)]
    zero_millicounts: int = 0
    """Mean reading at atmosphere from the zero check, in thousandths of a count; taken off every reading."""
    head_millicounts: int = 0
    """Static head of the water from the transmitter down to the valve, in thousandths of a count; put on every reading.
    Negative where the transmitter hangs below the valve."""

    @property
    def offset_millicounts(self) -> int:
        """What is taken off a reading in all, in thousandths of a count."""
        return self.zero_millicounts - self.head_millicounts

    def for_fluid(self, fluid: str) -> "Scale":
        """The scale for a test with this fluid: a column of gas weighs nothing that counts."""
        return (
            self if fluid == "water" or not self.head_millicounts else self.model_copy(update={"head_millicounts": 0})
        )

    @property
    def per_count(self) -> Fraction:
        """Units per count."""
        return Fraction(1, 10**self.decimals)

    def pressure(self, counts: int | Fraction) -> Pressure:
        """The corrected pressure of a reading."""
        corrected = Fraction(counts) - Fraction(self.offset_millicounts, 1000)
        return Pressure.of(corrected * self.per_count, self.unit)

    def exact_counts(self, pressure: Pressure) -> Fraction:
        """The reading that would show this pressure."""
        number = pressure.exact / Pressure.factor(self.unit) / self.per_count
        return number + Fraction(self.offset_millicounts, 1000)

    def least_counts(self, pressure: Pressure) -> int:
        """The smallest reading that shows at least this pressure."""
        return math.ceil(self.exact_counts(pressure))

    def most_counts(self, pressure: Pressure) -> int:
        """The largest reading that shows at most this pressure."""
        return math.floor(self.exact_counts(pressure))


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The limits of one stage as counts."""

    acceptance: int
    """Smallest reading that counts: required pressure plus guard band."""
    upper: int
    """Largest reading allowed."""
    safe: int
    """Largest reading that counts as released."""
    change_per_min: Fraction
    """Largest rate of change of a steady pressure [counts/min]."""

    @classmethod
    def of(cls, stage: StageRequirement, guard_band: Pressure, scale: Scale) -> "Thresholds":
        """Turn a stage's limits into counts of one channel."""
        return cls(
            acceptance=scale.least_counts(stage.required + guard_band),
            upper=scale.most_counts(stage.upper_limit),
            safe=scale.most_counts(stage.safe_below),
            change_per_min=stage.stabilization.largest_change_per_min.exact
            / Pressure.factor(scale.unit)
            / scale.per_count,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """All samples of a stage: arrival ticks and counts, two int64 arrays of one length, and its gaps."""

    at: NDArray[np.int64]
    counts: NDArray[np.int64]
    gaps: tuple[Gap, ...] = ()

    @classmethod
    def of(cls, samples: list[Sample], gaps: tuple[Gap, ...] = ()) -> "Trace":
        """Build from single samples."""
        return cls(
            np.array([sample.at for sample in samples], dtype=np.int64),
            np.array([sample.counts for sample in samples], dtype=np.int64),
            gaps,
        )

    def __len__(self) -> int:
        return int(self.at.size)

    def between(self, since: int, until: int) -> "Trace":
        """The part from one tick to another, both included."""
        inside = (self.at >= since) & (self.at <= until)
        touching = tuple(gap for gap in self.gaps if gap.until >= since and gap.since <= until)
        return Trace(self.at[inside], self.counts[inside], touching)

    def sha256(self) -> str:
        """Hash of the decoded samples (int64, little-endian, ticks then counts), not of any stored form."""
        digest = hashlib.sha256(self.at.astype("<i8").tobytes())
        digest.update(self.counts.astype("<i8").tobytes())
        return digest.hexdigest()
