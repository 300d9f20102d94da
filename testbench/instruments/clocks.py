"""The clocks: the ordinary one, and one that a simulated rig sets."""

import mmap
import struct
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from testbench.errors import PortMissingError
from testbench.station.clock_watch import Moment


def moment() -> Moment:
    """Now, on this machine's three clocks."""
    return Moment(time.monotonic(), time.clock_gettime(time.CLOCK_BOOTTIME), time.time())  # noqa: TID251


class SystemClock:
    """Monotonic seconds since it was made; the time of day from the system."""

    def __init__(self) -> None:
        self._start_ns = time.monotonic_ns()

    def elapsed_s(self) -> float:
        """Seconds since the clock was made [s]."""
        return (time.monotonic_ns() - self._start_ns) / 1e9

    def utc(self) -> datetime:
        """Now."""
        return datetime.now(UTC)  # noqa: TID251 - this file is the Clock


class RigClock:
    """The time that a simulated rig publishes: one little-endian float64 of seconds in a file.

    A rig that runs faster than life, and pauses when the recorder is held up, keeps both in step through it.
    """

    def __init__(self, path: Path) -> None:
        try:
            with path.open("rb") as file:
                self._page = mmap.mmap(file.fileno(), 8, access=mmap.ACCESS_READ)
        except (OSError, ValueError) as failure:
            raise PortMissingError(str(path)) from failure
        self._start_s = self._read()
        self._start_utc = datetime.now(UTC)  # noqa: TID251 - this file is the Clock

    def _read(self) -> float:
        found: float = struct.unpack("<d", self._page[:8])[0]
        return found

    def elapsed_s(self) -> float:
        """Simulated seconds since the clock was made [s]."""
        return self._read() - self._start_s

    def utc(self) -> datetime:
        """The moment it was made plus the simulated seconds since."""
        return self._start_utc + timedelta(seconds=self.elapsed_s())
