"""``testbench archive``: older runs as plain files, and what is due."""

from datetime import datetime
from pathlib import Path

import click

from testbench.cli.output import counted, home_of, home_option, json_option, say, say_json

INCOMPLETE = (
    "  That no run, signature or other file was left out cannot be shown: the ledger in it does not end with the list "
    "of what was exported. An earlier version of this program made it, or its end was cut off."
)


@click.group()
def command() -> None:
    """Older runs as plain files with their proof; nothing is ever deleted."""


@command.command()
@click.option("--before", required=True, type=click.DateTime(["%Y-%m-%d"]), help="Runs that began before this day.")
@click.option("--to", required=True, type=click.Path(file_okay=False, path_type=Path), help="The folder.")
@home_option
@json_option
def export(before: datetime, to: Path, home: Path | None, *, as_json: bool) -> None:
    """Write records, samples and the ledger's proof as plain files, and read them back."""
    from testbench.archive import export as write
    from testbench.wiring import Home

    done = write(Home(home_of(home)), before.date(), to)
    if as_json:
        say_json({"folder": str(done.folder), "runs": done.runs, "entries": done.entries})
        return
    say(f"{counted(done.runs, 'run')} written to {done.folder} and read back; nothing was deleted.")
    say(f"  with {done.entries} entries of the ledger; READ-ME.txt says how to check them by hand")


@command.command()
@click.argument("directory", type=click.Path(file_okay=False, path_type=Path))
@click.option("--against", metavar="CHECKPOINT", help="Held elsewhere, from before the export: as for ledger verify.")
@json_option
def verify(directory: Path, against: str | None, *, as_json: bool) -> None:
    """Hold an export against the ledger in it, from its files alone. Needs no home."""
    from testbench.archive_proof import proved
    from testbench.run.ledger import fingerprint, grouped

    proof = proved(directory, against)
    line, key = proof.checkpoint.line, fingerprint(proof.checkpoint.key)
    if as_json:
        found = {"folder": str(directory), "runs": proof.runs, "complete": proof.complete, "held": proof.held}
        say_json(found | {"checkpoint": line, "fingerprint": key})
        return
    runs = f"{proof.runs} runs, each with its samples, journal and signatures, as the ledger says"
    say(f"WHOLE: {runs}; no file is missing or extra." if proof.complete else f"UNCHANGED: {runs}.")
    if not proof.complete:
        say(INCOMPLETE)
    say(f"  checkpoint {line}, signed with the key {grouped(key)}")
    if proof.held is not None:
        say(f"  The checkpoint that was given is one of its chain, and covers entries 1 to {proof.held}.")
    say("  Compare that key with what the works published: whoever has another one could have written all of it anew.")


@command.command()
@home_option
@json_option
def due(home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Say what the retention of bench.toml asks for. Only ever a notice: the exit code is 0."""
    from testbench.archive import due as what_is_due
    from testbench.wiring import Home

    found = what_is_due(Home(home_of(home)))
    if as_json:
        say_json(None if found is None else {"before": found.before.isoformat(), "runs": found.runs})
    elif found is None:
        say("bench.toml has no [retention]: records stay where they are.")
    else:
        say(found.sentence or f"Nothing is due: every run from before {found.before.isoformat()} was exported.")
