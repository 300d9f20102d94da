"""A Modbus RTU device in a process of its own that takes the time of its line, and answers late when told to.

Arguments: a link to make, baud, seconds that the device itself needs, every how many queries it is late (0: never), and
by how many seconds. Registers 0 and 1 hold the moment at which the query was there, in 100 µs of the monotonic clock:
an answer to an earlier query shows its age.
"""

import os
import pty
import sys
import time
import tty
from pathlib import Path

from testbench.framing.checksums import crc16

BITS = 11  # a character with parity: MODBUS over Serial Line V1.02, 2.5.1, from memory
QUERY = 8  # bytes


def main(link: str, baud: float, device_s: float, late_every: int, late_s: float) -> None:
    """Answer until the process is ended."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    Path(link).symlink_to(os.ttyname(slave))
    print("listening", flush=True)  # noqa: T201 - says that the line is there
    held, served = b"", 0
    while True:
        held += os.read(master, 256)
        if len(held) < QUERY:
            continue
        held, served = b"", served + 1
        time.sleep(QUERY * BITS / baud)
        ticks = time.monotonic_ns() // 100_000
        body = bytes([1, 4, 4]) + (ticks % 2**32).to_bytes(4, "big")
        answer = body + crc16(body).to_bytes(2, "little")
        late = late_every and served % late_every == 0
        time.sleep((late_s if late else device_s) + len(answer) * BITS / baud)
        os.write(master, answer)


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]), float(sys.argv[5]))
