"""What was seen and what was not: samples, gaps, and the trace they make.

Times are ticks of 100 µs since the run began, on a monotonic clock; readings are the integer counts that the
instrument wrote (``+0250.13`` is 25013). Limits are turned into counts once, exactly, so that a decision on a
sample is an integer comparison without rounding.
"""

import hashlib
import math
from array import array
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from testbench.procedure.requirements import StageRequirement
from testbench.procedure.valve import Value, later
from testbench.quantities import Pressure

TICKS_PER_S = 10_000
NUMBER = r"^-?[0-9]+(\.[0-9]+)?$"


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
    JUMPED = "the reading jumped faster than the pressure on this rig can"
    FRAMING = "bytes arrived damaged or without a line end: wrong baud rate or framing?"
    DAMAGED = "what arrived was damaged on the way"
    CUT = "answers broke off"
    ECHO = "our own query came back instead of an answer"
    TWO_AT_ONCE = "two programs or devices spoke on the line at once"
    LATE_ANSWER = "answers came after the time allowed"
    OTHER_UNIT = "another unit answered"
    REFUSED = "the transmitter refused the query"
    NO_NUMBER = "the transmitter sent no number"
    FAULT = "the transmitter reported a fault of its own"
    SUSPENDED = "the machine was suspended"


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading, stamped on arrival."""

    at: int
    counts: int
    asked: int | None = None
    """When it was asked for: it was measured between then and ``at``. None where the transmitter talks by itself."""

    @property
    def earliest(self) -> int:
        """The earliest tick that is known of its measurement; the latest is ``at``."""
        return self.at if self.asked is None else self.asked

    def on(self, origin: int) -> "Sample":
        """The same on a clock that is 0 at this tick."""
        return Sample(self.at - origin, self.counts, None if self.asked is None else self.asked - origin)


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
    gain: Annotated[str, Field(pattern=NUMBER)] = later("1")
    """Pressure per indicated pressure, from the calibration's line."""
    bend: Annotated[str, Field(pattern=NUMBER)] = later("0")
    """What the calibration's curve puts on that per unit of indication, where a line would not do."""

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
        """The corrected pressure of a reading: what the curve gives it more than the zero, and the head."""
        reading, zero = Fraction(counts) * self.per_count, Fraction(self.zero_millicounts, 1000) * self.per_count
        head = Fraction(self.head_millicounts, 1000) * self.per_count
        corrected = (reading - zero) * (Fraction(self.gain) + Fraction(self.bend) * (reading + zero))
        return Pressure.of(corrected + head, self.unit)

    def pressures(self, counts: NDArray[np.int64]) -> NDArray[np.float64]:
        """The corrected pressures of many readings, in the scale's unit, for drawing and for slopes."""
        reading = counts * float(self.per_count)
        zero, head = (
            millicounts / 1000 * float(self.per_count) for millicounts in (self.zero_millicounts, self.head_millicounts)
        )
        return (reading - zero) * (float(self.gain) + float(self.bend) * (reading + zero)) + head

    def gain_at(self, counts: int | Fraction) -> Fraction:
        """How fast the corrected pressure grows with the reading, there."""
        return Fraction(self.gain) + 2 * Fraction(self.bend) * Fraction(counts) * self.per_count

    def exact_counts(self, pressure: Pressure) -> Fraction:
        """The reading that would show this pressure; on a bent scale to a thousandth of a count."""
        counts = Fraction(0)
        for _ in range(50):  # Newton's steps; on a straight scale the first one is exact
            missing = (pressure - self.pressure(counts)).exact / Pressure.factor(self.unit) / self.per_count
            counts += missing / self.gain_at(counts)
            if self.gain_at(0) == self.gain_at(1) or abs(missing) < Fraction(1, 10_000):
                break
            counts = Fraction(round(counts * 1_000_000), 1_000_000)
        return counts

    def least_counts(self, pressure: Pressure) -> int:
        """The smallest reading that shows at least this pressure."""
        counts = math.floor(self.exact_counts(pressure)) - 1
        while self.pressure(counts) < pressure:
            counts += 1
        return counts

    def most_counts(self, pressure: Pressure) -> int:
        """The largest reading that shows at most this pressure."""
        counts = math.ceil(self.exact_counts(pressure)) + 1
        while self.pressure(counts) > pressure:
            counts -= 1
        return counts


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
    unit: str
    per_count: Fraction
    """What one count is there, in that unit."""

    @classmethod
    def of(cls, stage: StageRequirement, guard_band: Pressure, scale: Scale) -> "Thresholds":
        """Turn a stage's limits into counts of one channel; ``guard_band`` is that of its decision rule."""
        acceptance = scale.least_counts(stage.required + guard_band)
        per_count = scale.per_count * scale.gain_at(acceptance)
        return cls(
            acceptance=acceptance,
            upper=scale.most_counts(stage.upper_limit),
            safe=scale.most_counts(stage.safe_below),
            change_per_min=stage.stabilization.largest_change_per_min.exact / Pressure.factor(scale.unit) / per_count,
            unit=scale.unit,
            per_count=per_count,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """All samples of a stage: arrival ticks and counts, two int64 arrays of one length, and its gaps."""

    at: NDArray[np.int64]
    counts: NDArray[np.int64]
    gaps: tuple[Gap, ...] = ()
    asked: NDArray[np.int64] | None = None
    """Ticks at which the samples were asked for, as long as the others; None where the transmitter talks by itself."""
    beside: tuple["Trace", ...] = ()
    """The same of the channels beside the deciding one, in the order of the run's; their hashes are their own."""

    @classmethod
    def of(cls, samples: list[Sample], gaps: tuple[Gap, ...] = ()) -> "Trace":
        """Build from single samples."""
        polled = any(sample.asked is not None for sample in samples)
        return cls(
            np.array([sample.at for sample in samples], dtype=np.int64),
            np.array([sample.counts for sample in samples], dtype=np.int64),
            gaps,
            np.array([sample.earliest for sample in samples], dtype=np.int64) if polled else None,
        )

    def __len__(self) -> int:
        return int(self.at.size)

    def between(self, since: int, until: int) -> "Trace":
        """The part from one tick to another, both included."""
        inside = (self.at >= since) & (self.at <= until)
        touching = tuple(gap for gap in self.gaps if gap.until >= since and gap.since <= until)
        asked = None if self.asked is None else self.asked[inside]
        return Trace(self.at[inside], self.counts[inside], touching, asked)

    def with_gaps(self, gaps: tuple[Gap, ...]) -> "Trace":
        """The same samples with these gaps."""
        return replace(self, gaps=gaps)

    def sha256(self) -> str:
        """Hash of the decoded samples, not of any stored form.

        It is over int64, little-endian: ticks, counts and, where samples were asked for, the ticks of the queries.
        """
        digest = hashlib.sha256(self.at.astype("<i8").tobytes())
        digest.update(self.counts.astype("<i8").tobytes())
        if self.asked is not None:
            digest.update(self.asked.astype("<i8").tobytes())
        return digest.hexdigest()


class Samples:
    """The samples of a stage as they come in: 16 bytes each, 24 where they are asked for; there may be millions."""

    def __init__(self) -> None:
        self._at, self._counts = array("q"), array("q")
        self._asked: array[int] | None = None

    def append(self, sample: Sample) -> None:
        """Keep one more."""
        if self._asked is None and sample.asked is not None:
            self._asked = array("q", self._at)  # what was not asked for has one stamp for both ends
        self._at.append(sample.at)
        self._counts.append(sample.counts)
        if self._asked is not None:
            self._asked.append(sample.earliest)

    def __len__(self) -> int:
        return len(self._at)

    def trace(self, first: int = 0, gaps: tuple[Gap, ...] = ()) -> Trace:
        """A copy, from the sample with this number on."""
        at, counts = (np.array(column[first:], dtype=np.int64) for column in (self._at, self._counts))
        asked = None if self._asked is None else np.array(self._asked[first:], dtype=np.int64)
        return Trace(at, counts, gaps, asked)
