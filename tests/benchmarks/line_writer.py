"""A transmitter in a process of its own: numbered lines of four values into a pseudo-terminal, never waiting for it.

A real line does not wait for its reader, a pseudo-terminal does: so the writer does not block, and counts what was
refused. Where the machine holds it up it goes on from there, as a transmitter would, and never catches up in a heap.

Started with a link to make, lines a second, a file for its stamps and a level; steered by lines on its standard input
(``level COUNTS``, ``end``). Value 1 is the level and the line's number modulo 2000; values 2 to 4 run 500, 1000 and
1500 counts ahead of it.
"""

import array
import fcntl
import json
import os
import pty
import sys
import threading
import time
import tty
from pathlib import Path

WAVE = 2000
"""Counts that each value runs through, one a line, so that a lost, doubled or misread line shows."""
HELD_UP_S = 0.02


def line(number: int, level: int) -> bytes:
    """37 bytes: four values of two decimals."""
    values = [level + (number + ahead) % WAVE if level else 2 * (number % 2) - 1 for ahead in (0, 500, 1000, 1500)]
    return b"%+08.2f,%+08.2f,%+08.2f,%+08.2f\r\n" % tuple(value / 100 for value in values)  # a zero of the run of 0


def main(link: str, hertz: float, stamps_file: str, level: int) -> None:
    """Write until told to end; then leave the stamps [ns, monotonic] and say how it went."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    fcntl.fcntl(master, fcntl.F_SETFL, os.O_NONBLOCK)
    Path(link).symlink_to(os.ttyname(slave))
    wanted = {"level": level, "end": False}

    def steered() -> None:
        for said in sys.stdin:
            word, *number = said.split()
            wanted[word] = int(number[0]) if number else True
        wanted["end"] = True

    threading.Thread(target=steered, daemon=True).start()
    stamps, refused, levels, held_up = array.array("q"), 0, [(0, level)], []
    print("writing", flush=True)  # noqa: T201 - says that the line is there
    due, period = time.monotonic(), 1 / hertz
    while not wanted["end"]:
        due += period
        left = due - time.monotonic()
        if left > 0:
            time.sleep(left)
        if (late := time.monotonic() - due) > HELD_UP_S:
            held_up.append(late)
            due += late
        if wanted["level"] != levels[-1][1]:
            levels.append((len(stamps), wanted["level"]))
            refused, held_up = 0, []  # before that nobody may have read
        data = line(len(stamps), levels[-1][1])
        stamps.append(time.monotonic_ns())
        try:
            refused += len(data) - os.write(master, data)
        except BlockingIOError:
            refused += len(data)
    Path(stamps_file).write_bytes(stamps.tobytes())
    said = {"lines": len(stamps), "refused_bytes": refused, "levels": levels, "held_up_s": held_up}
    print(json.dumps(said), flush=True)  # noqa: T201
    time.sleep(0.5)  # let the reader read to the end before the line goes away


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
