"""``testbench signatures``."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


@click.command()
@click.argument("run")
@home_option
@json_option
def command(*, run: str, home: Path | None, as_json: bool) -> None:
    """List the signatures under a closed RUN, and whether each binds its record and readings.

    Exits with 1 where one does not.
    """
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        record, _ = store.load(run)
        signed = store.signatures_of(run)
    facts = [one.model_dump(mode="json") | {"binds": one.binds(record)} for one in signed]
    if as_json:
        say_json(facts)
    else:
        for fact in facts:
            bound = "" if fact["binds"] else "  DOES NOT BIND THIS RECORD"
            who = f"{fact['printed_name']} ({fact['person']}, {fact['role']})"
            say(
                f"{fact['signed_at']}  {fact['meaning']:<10} {who}, by {fact['method']}{bound}\n    {fact['statement']}"
            )
        if not facts:
            say(f"Run {run} bears no signature.")
    if not all(fact["binds"] for fact in facts):
        click.get_current_context().exit(1)
