"""The recorder of a home as it is, with a mark made from outside at each commit.

Arguments: the home, a file for the marks, seconds by which every commit is slower than this disk. A mark is one JSON
object a line: ``{"at_ns", "oldest"}``: when the commit was on disk, and the tick of its oldest sample since the run
began.
"""

import json
import sys
import time
from pathlib import Path

from testbench import recording
from testbench.store import repository
from testbench.wiring import Home


def main(home: str, marks: str, slower_s: float) -> None:
    """Be the recorder."""
    with Path(marks).open("w", buffering=1) as file:
        plain = repository.SqliteStore.append

        def append(self, run, stage, samples, *more):
            time.sleep(slower_s)
            plain(self, run, stage, samples, *more)
            if samples:
                file.write(json.dumps({"at_ns": time.monotonic_ns(), "oldest": samples[0].at}) + "\n")

        repository.SqliteStore.append = append
        recording.run_recorder(Home(Path(home)))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
