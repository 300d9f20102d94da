"""``testbench restore``: a backup takes the place of the records."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--discard-newer", metavar="WHY", help="Give up what the records hold beyond the backup, and say why.")
@home_option
@json_option
def command(file: Path, discard_newer: str | None, home: Path | None, *, as_json: bool) -> None:
    """Let a backup FILE take the place of the records; these are kept beside it, never deleted."""
    from testbench.run.ledger import fingerprint, grouped
    from testbench.safekeeping import restore
    from testbench.wiring import Home

    done = restore(Home(home_of(home)), file, discard_newer)
    if as_json:
        aside = "" if done.aside is None else str(done.aside)
        say_json({
            "entries": done.entries,
            "aside": aside,
            "given_up": done.lost,
            "documents_given_up": [str(path) for path in done.given_up],
            "new_keys": list(done.keys),
        })
        return
    say(f"Restored {file}: {done.entries} entries.")
    if done.aside is not None:
        say(f"  what was there is kept as {done.aside}")
    if done.lost:
        say(f"  given up: {done.lost}")
    for path in done.given_up:
        say(f"  a document that these records know nothing of is kept as {path}; it may have left the bench")
    for key in done.keys:
        say(f"  its checkpoints are signed with a key that was not known here: {grouped(fingerprint(key))}")
        say("  Compare that with what the works published.")
