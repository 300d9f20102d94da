"""The rig's simulated time, published for the recorder: one little-endian float64 of seconds in an 8-byte file."""

import mmap
import struct
import sys
from pathlib import Path


class PublishedClock:
    """Creates the file and keeps it up to date. Readers map it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        fresh = path.with_name(f".{path.name}.new")
        fresh.write_bytes(struct.pack("<d", 0.0))
        fresh.replace(path)  # a reader never meets an empty file
        with path.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), 8)
        # One store of 8 bytes, so that a reader never sees half of an old and half of a new time.
        self._whole = memoryview(self._page).cast("d") if sys.byteorder == "little" else None

    def publish(self, seconds: float) -> None:
        """Set the time [s]."""
        if self._whole is not None:
            self._whole[0] = seconds
        else:
            self._page[:8] = struct.pack("<d", seconds)

    def close(self) -> None:
        """Take the file away; who has it mapped keeps the last time."""
        self._path.unlink(missing_ok=True)
        if self._whole is not None:
            self._whole.release()
        self._page.close()
