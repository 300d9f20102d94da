"""The operator's screen as it is, with one mark made from outside: what it had drawn, and when.

Arguments: the home, a file for the marks. A mark is ``{"at_ns", "pressure"}``, one JSON object a line.
"""

import json
import sys
import time
from pathlib import Path

from testbench.tui.app import OperatorApp
from testbench.wiring import Home, attach


def main(home: str, marks: str) -> None:
    """Be the screen."""
    with Path(marks).open("w", buffering=1) as file:

        class MarkedApp(OperatorApp):
            def tick(self) -> None:
                super().tick()
                if self.newest is not None:
                    pressure = self.newest.signal.pressure
                    self.call_after_refresh(
                        lambda: file.write(json.dumps({"at_ns": time.monotonic_ns(), "pressure": pressure}) + "\n")
                    )

        MarkedApp(attach(Home(Path(home)))).run(mouse=False)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
