"""What the commands that write documents do about time stamps."""

from typing import TYPE_CHECKING

import click

from testbench.cli.output import counted, say
from testbench.errors import BenchError

if TYPE_CHECKING:
    from testbench.wiring import Home


def after_writing(bench: "Home", waiting: str, *, quiet: bool, all_of_them: bool = False) -> None:
    """Say that what was written waits for its time stamp; else ask for those that other documents wait for.

    Args:
        bench: the home.
        waiting: why what was written has none; empty where it has one, or no authority is named.
        quiet: whether nothing is said.
        all_of_them: whether all others are stamped; else as many as take some seconds.
    """
    from testbench.stamping import BESIDE, stamp_waiting

    if waiting:
        if not quiet:
            say("It has no time stamp yet; the recorder asks again, and so does 'testbench certificate stamp'.")
        return
    if bench.bench().time_stamp is None:
        return
    try:
        done, _ = stamp_waiting(bench, None if all_of_them else BESIDE)
    except BenchError as failure:  # what was asked for is written
        click.echo(f"The documents that wait for a time stamp were left as they are: {failure}", err=True)
        return
    if done and not quiet:
        say(f"{counted(len(done), 'document')} that waited got a time stamp.")
