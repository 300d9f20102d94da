"""Whether this machine slept, or its time of day was set: three clocks compared. Pure; the clocks are read elsewhere.

The monotonic clock stands still while the machine sleeps, the one since boot does not; the time of day may be set.
"""

from typing import NamedTuple

from testbench.station.acquisition import ClockSet, Suspended

SLEPT_S = 0.2
SET_S = 0.1
"""Differences below these are the jitter of three readings, one after the other."""


class Moment(NamedTuple):
    """One moment on three clocks [s]."""

    monotonic_s: float
    since_boot_s: float
    of_day_s: float


class ClockWatch:
    """Compares each moment with the one before.

    Args:
        now: the first moment.
    """

    def __init__(self, now: Moment) -> None:
        self._before = now

    def look(self, now: Moment, at_s: float) -> tuple[Suspended | ClockSet, ...]:
        """What happened to the clocks since the last look.

        Args:
            now: the moment.
            at_s: the same on the station's clock [s].
        """
        before, self._before = self._before, now
        passed = now.monotonic_s - before.monotonic_s
        slept = now.since_boot_s - before.since_boot_s - passed
        moved = now.of_day_s - before.of_day_s - passed - slept
        found: list[Suspended | ClockSet] = []
        if slept > SLEPT_S:
            found.append(Suspended(at_s, at_s - passed, slept))
        if abs(moved) > SET_S:
            found.append(ClockSet(at_s, moved))
        return tuple(found)
