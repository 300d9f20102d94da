"""``testbench history rebuild``."""

from pathlib import Path

import click

from testbench.cli.output import counted, home_of, home_option, json_option, say, say_json


@click.command()
@home_option
@json_option
def command(*, home: Path | None, as_json: bool) -> None:
    """Make what searches and statistics are read from anew, from the records; say of how many runs it was otherwise.

    Exits with 1 where it was: another version of this program derived otherwise, or somebody changed these tables
    beside it. The records themselves are held against the ledger by 'testbench ledger verify'.
    """
    from testbench.wiring import Home, open_store

    with open_store(Home(home_of(home))) as store:
        runs, otherwise = store.rebuild_derived()
    if as_json:
        say_json({"runs": runs, "otherwise": otherwise})
    else:
        was = f"of {otherwise} it was otherwise before" if otherwise else "it was the same before"
        say(f"Made anew from the records of {counted(runs, 'run')}; {was}.")
    if otherwise:
        click.get_current_context().exit(1)
