"""The recorder of a home as it is, with two marks made from outside: when its clock began, and each commit.

Arguments: the home, a file for the marks, seconds by which every commit is slower than this disk. A mark is one JSON
object a line: ``{"began_ns"}`` first, then for each commit ``{"at_ns", "oldest", "newest", "samples"}``: when it was
on disk, and the ticks of its samples since the run began.
"""

import json
import sys
import time
from pathlib import Path

from testbench import recording
from testbench.instruments import clocks
from testbench.store import repository
from testbench.wiring import Home


def main(home: str, marks: str, slower_s: float) -> None:
    """Be the recorder."""
    with Path(marks).open("w", buffering=1) as file:

        class MarkedClock(clocks.SystemClock):
            def __init__(self) -> None:
                super().__init__()
                file.write(json.dumps({"began_ns": self._start_ns}) + "\n")

        plain = repository.SqliteStore.append

        def append(self, run, stage, samples, *more):
            time.sleep(slower_s)
            plain(self, run, stage, samples, *more)
            if samples:
                mark = {"oldest": samples[0].at, "newest": samples[-1].at, "samples": len(samples)}
                file.write(json.dumps({"at_ns": time.monotonic_ns(), **mark}) + "\n")

        clocks.SystemClock = MarkedClock
        repository.SqliteStore.append = append
        recording.run_recorder(Home(Path(home)))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
