"""The screen as a process."""

import os
import pty
import subprocess
import sys

BROKEN = """
import sys
from testbench.tui.app import run

class Broken:
    connected = True
    def send(self, request): pass
    def receive(self): raise RuntimeError("the link broke")
    def close(self): pass

sys.exit(run(Broken()))
"""


def test_an_error_in_the_screen_ends_it_with_a_non_zero_code():
    """Textual's own run() would return as if nothing had been."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", BROKEN], stdin=slave, stdout=slave, stderr=slave, close_fds=True,
        env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "120", "LINES": "36"},
    )  # fmt: skip
    os.close(slave)
    said = b""
    try:
        while chunk := os.read(master, 65536):
            said += chunk
    except OSError:
        pass  # a pty whose other end is closed says so with an error
    os.close(master)
    assert process.wait() == 1
    assert b"the link broke" in said
