"""Leakage by collection: a volume, a time, and how well each is known."""

import math
from dataclasses import dataclass
from fractions import Fraction

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
