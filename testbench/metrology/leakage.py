"""Leakage by collection: a volume, a time, and how well each is known."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from testbench.errors import TooFewPointsError
from testbench.quantities import LeakageRate, Volume


@dataclass(frozen=True, slots=True)
class DropConvention:
    """How many drops make a millilitre. Counting drops means nothing without it."""

    drops_per_ml: int

    def volume(self, drops: int) -> Volume:
        """The volume that a number of drops stands for."""
        return Volume.of(Fraction(drops, self.drops_per_ml), "mL")


@dataclass(frozen=True, slots=True)
class CollectedRate:
    """A leakage rate with its expanded uncertainty (k = 2)."""

    rate: LeakageRate
    expanded_uncertainty: LeakageRate


def collected_rate(
    volume: Volume,
    volume_uncertainty: Volume,
    seconds: float,
    time_uncertainty_s: float,
    unit: str = "mL/h",
) -> CollectedRate:
    """Rate of a timed collection by Q = V/t, u²(Q) = (u_V/t)² + (Q·u_t/t)² (GUM, uncorrelated inputs).

    Args:
        volume: what was collected.
        volume_uncertainty: its expanded uncertainty, k = 2.
        seconds: how long it was collected [s], above zero.
        time_uncertainty_s: expanded uncertainty of that time, k = 2 [s].
        unit: unit to show the rate in.
    """
    rate = LeakageRate.over(volume, seconds, unit)
    of_volume = float(LeakageRate.over(volume_uncertainty, seconds).exact)
    of_time = float(rate.exact) * time_uncertainty_s / seconds
    return CollectedRate(rate, LeakageRate(Fraction(math.hypot(of_volume, of_time)), unit))


def agree(first: CollectedRate, second: CollectedRate) -> bool:
    """Whether two results can both be right: |Q₁ − Q₂| ≤ √(U₁² + U₂²), that is |Eₙ| ≤ 1.

    Decided on the squares, which are exact. Source: Eₙ score of ISO 13528 (from memory); between two results of one
    laboratory common practice. What their errors have in common cancels in the difference, and is allowed for in full.
    """
    allowed = first.expanded_uncertainty.exact**2 + second.expanded_uncertainty.exact**2
    return (first.rate.exact - second.rate.exact) ** 2 <= allowed


@dataclass(frozen=True, slots=True)
class TimedVolume:
    """One collection: what was caught, how well that is known (k = 2), and for how long [s]."""

    volume: Volume
    volume_uncertainty: Volume
    seconds: float


def pooled(caught: Sequence[TimedVolume]) -> TimedVolume:
    """All that was caught in several collections, at least one.

    The volumes are read on one scale, and how much of their U is the scale's is not known: they are added as fully
    correlated, U_V = ΣU_Vᵢ, the largest that U of the sum can be (GUM 5.2.2, note 1, from memory).
    """
    first, *others = caught
    return TimedVolume(
        sum((one.volume for one in others), start=first.volume),
        sum((one.volume_uncertainty for one in others), start=first.volume_uncertainty),
        math.fsum(one.seconds for one in caught),
    )


def pooled_rate(caught: Sequence[TimedVolume], time_uncertainty_s: float, unit: str = "mL/h") -> CollectedRate:
    """Rate of several collections of one leak: the sum of the volumes over the sum of the times.

    Args:
        caught: the collections, at least one.
        time_uncertainty_s: expanded uncertainty of one time, k = 2 [s]; each is begun and ended by itself, so that
            they are uncorrelated.
        unit: unit to show the rate in.
    """
    all_of_it, of_times = pooled(caught), time_uncertainty_s * math.sqrt(len(caught))
    return collected_rate(all_of_it.volume, all_of_it.volume_uncertainty, all_of_it.seconds, of_times, unit)


@dataclass(frozen=True, slots=True)
class VesselReading:
    """What a collecting vessel held at a time [s]."""

    at_s: float
    volume: Volume


@dataclass(frozen=True, slots=True)
class CollectedSeries:
    """The rate between the first reading after the settle period and the last, and whether it was steady."""

    found: CollectedRate
    readings: int
    """Readings that count."""
    left_out: int
    """Readings within the settle period, while what drained down still came."""
    since_s: float
    until_s: float
    halves: tuple[CollectedRate, CollectedRate] | None
    """The rates before and after the middle reading; None with only two."""

    @property
    def steady(self) -> bool:
        """Whether the two halves agree within their uncertainties."""
        return self.halves is None or agree(*self.halves)

    @property
    def reason(self) -> str:
        """What speaks against the rate; empty if nothing does."""
        if self.steady or self.halves is None:
            return ""
        before, after = (half.rate for half in self.halves)
        why = "still draining down" if after < before else "the leak grows"
        return f"the rate went from {before.text_beside(after)} to {after.text_beside(before)}: {why}"


def collected_series(
    readings: Sequence[VesselReading],
    volume_uncertainty: Volume,
    time_uncertainty_s: float,
    *,
    settle_s: float = 0.0,
    unit: str = "mL/h",
) -> CollectedSeries:
    """Rate from several readings of one vessel that fills.

    Readings in the first ``settle_s`` seconds are left out. The rate is that between the first and the last that count;
    those between only show whether it was steady, because their errors share one scale.

    Args:
        readings: content of the vessel, in the order of time.
        volume_uncertainty: expanded uncertainty of one reading, k = 2; an empty vessel is known exactly.
        time_uncertainty_s: expanded uncertainty of a time between two readings, k = 2 [s].
        settle_s: how long what drains down is let go, from the first reading [s].
        unit: unit to show the rate in.

    Raises:
        TooFewPointsError: fewer than two readings after the settle period.
    """
    counted = [reading for reading in readings if reading.at_s - readings[0].at_s >= settle_s]
    if len(counted) < 2 or counted[-1].at_s <= counted[0].at_s:
        raise TooFewPointsError("Collected leakage", f"{len(counted)} readings after {settle_s:g} s", "at least two")

    def between(first: VesselReading, last: VesselReading) -> CollectedRate:
        both = 1 if first.volume.exact == 0 else math.sqrt(2)
        caught, seconds = last.volume - first.volume, last.at_s - first.at_s
        return collected_rate(caught, volume_uncertainty * both, seconds, time_uncertainty_s, unit)

    middle = counted[len(counted) // 2]
    halves = (between(counted[0], middle), between(middle, counted[-1])) if len(counted) > 2 else None
    return CollectedSeries(
        found=between(counted[0], counted[-1]),
        readings=len(counted),
        left_out=len(readings) - len(counted),
        since_s=counted[0].at_s,
        until_s=counted[-1].at_s,
        halves=halves,
    )
