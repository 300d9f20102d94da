"""The plain way to read such a line: pyserial, ``readline``, ``float``. Stores and shows nothing.

Arguments: the port, a file for what it found: ``[stamp ns, first value in counts]`` of every line, as JSON.
"""

import contextlib
import json
import sys
import time
from pathlib import Path

import serial


def main(port: str, out: str) -> None:
    """Read until the port goes away."""
    found = []
    with serial.Serial(port, 9600, timeout=1) as line, contextlib.suppress(OSError):
        line.readline()
        while True:
            raw = line.readline()
            at_ns = time.monotonic_ns()
            with contextlib.suppress(ValueError):  # half a line, after a time-out
                values = [float(part) for part in raw.split(b",")]
                found.append((at_ns, round(values[0] * 100)))
    Path(out).write_text(json.dumps(found))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
