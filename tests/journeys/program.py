"""Real processes: the program is called as a user calls it."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

from testbench.wiring import attach

PROGRAM = [sys.executable, "-m", "testbench"]


def call(*words: str | Path, **more):
    """Run a command to its end."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith("TESTBENCH")}
    command = [*PROGRAM, *map(str, words)]
    more = {"env": environment, "stdin": subprocess.DEVNULL, "capture_output": True, "text": True} | more
    return subprocess.run(command, check=False, timeout=120, **more)


def call_as(secret: str, *words: str | Path):
    """Run a command with a person's secret on its standard input."""
    return call(*words, "--secret-stdin", input=f"{secret}\n", stdin=None)


ENGINEER, PIN = "the tide at Port Ellery", "7394"
"""Secrets of the demonstration's people: Tobin Ashe and Mara Quill."""


def facts_of(*words: str | Path, secret: str = ""):
    """The JSON that a command prints."""
    done = call_as(secret, *words, "--json") if secret else call(*words, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def until(look, seconds=30.0):
    """Wait for another process: look again until it is true."""
    end = time.monotonic() + seconds
    while not (found := look()):
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)
    return found


class Watcher:
    """A screen in the test's hands: keeps the newest update, sends requests and waits for their answers."""

    def __init__(self, home, link=None):
        self.link = link or attach(home)
        self.update = None
        self.whole = None
        """The update that carried the whole trace of the stage."""
        self.sequence = 0
        self.answers = {}
        self.send("attach")

    def look(self):
        for message in self.link.receive(0.2):
            if message.kind == "update":
                self.update = message
                self.whole = message if message.trace_complete and message.trace else self.whole
            else:
                self.answers[message.id] = message
        return self.update

    def send(self, request, **facts):
        from testbench.station.messages import read_request

        self.sequence += 1
        number = self.sequence
        self.link.send(read_request(json.dumps({"request": request, "id": number, **facts}).encode()))
        return until(lambda: self.look() and self.answers.pop(number, None))

    def wait(self, condition, seconds=60.0):
        return until(lambda: (update := self.look()) and condition(update) and update, seconds)

    def close(self):
        self.link.close()
