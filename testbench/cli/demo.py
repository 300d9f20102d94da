"""``testbench demo``: a throw-away bench with a simulated rig and three valves."""

import signal
import sys
import tempfile
from pathlib import Path
from typing import Any

import click

from testbench.cli.output import json_option, say, say_json

HEADLESS_SPEED, WATCHED_SPEED, DRIVEN_SPEED = 100.0, 10.0, 5.0


@click.command()
@click.option("--home", type=click.Path(file_okay=False, path_type=Path), envvar="TESTBENCH_HOME", default=None,
              help="Keep the bench in this folder; default: a new temporary folder.")  # fmt: skip
@click.option("--headless", is_flag=True, help="No screen: a simulated operator tests all three valves.")
@click.option("--drive", is_flag=True, help="You press the keys; simulated hands turn the rig's valves.")
@click.option("--speed", type=click.FloatRange(min=1, max=500), default=None,
              help="Times faster than life; default 100 headless, 10 watched, 5 driven.")  # fmt: skip
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the rig's noise.")
@json_option
def command(*, home: Path | None, headless: bool, drive: bool, speed: float | None, seed: int, as_json: bool) -> None:
    """Test three valves on a simulated rig: one tight, one that leaks, one with trapped air.

    With a terminal the operator's screen opens and a simulated operator works it while you watch; with --drive you
    press the keys yourself. Every page it writes is marked SPECIMEN.
    """
    from testbench.demonstration import Demonstration

    for number in (signal.SIGHUP, signal.SIGTERM):  # a closed terminal ends rig and recorder, too
        signal.signal(number, lambda *_: sys.exit(1))
    headless = headless or as_json or not (sys.stdin.isatty() and sys.stdout.isatty())
    folder = home.expanduser().absolute() if home else Path(tempfile.mkdtemp(prefix="testbench-demo-"))
    pace = speed or (HEADLESS_SPEED if headless else DRIVEN_SPEED if drive else WATCHED_SPEED)
    with Demonstration(folder, pace, seed) as demonstration:
        if headless:
            demonstration.work_alone()
        else:
            demonstration.with_screen(hands_only=drive)
        runs = demonstration.runs()
    facts = {"home": str(folder), "runs": runs}
    if as_json:
        say_json(facts)
    else:
        _print(folder, runs)


def _print(folder: Path, runs: list[dict[str, Any]]) -> None:
    say(f"{'run':<11} {'serial':<11} {'verdict':<13} {'ended':<10} document")
    for run in runs:
        say(f"{run['run']:<11} {run['serial']:<11} {run['verdict']:<13} {run['ended']:<10} {run['document']}")
    say(f"\nEverything lies in {folder}")
    say(f"Check a page:   testbench certificate verify --home {folder} FILE")
    say(f"Judge again:    testbench judge --home {folder} RUN")
