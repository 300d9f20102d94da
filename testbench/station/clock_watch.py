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


class ClockStatus:
    """What is known of the time of day, for whoever signs by it.

    Args:
        since: from when on it is watched: UTC, ISO 8601; or, in other words, whose clock it is.
    """

    def __init__(self, since: str) -> None:
        self.text = since

    @classmethod
    def watched_since(cls, at: str) -> "ClockStatus":
        """The clock of this machine."""
        return cls(f"not set since {at}")

    def was_set(self, seconds: float, at: str) -> None:
        """It was set, forward or (below 0) back."""
        self.text = f"set by {seconds:+.1f} s at {at}"
