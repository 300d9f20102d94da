"""``testbench backup``: a proved copy of the records, while they are in use."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

BESIDE = (
    "  It holds testbench.db and nothing else: copy certificates/, captures/, orders/, procedures/ and bench.toml of "
    "the home, too, and keys/ to another place than these."
)


@click.group(invoke_without_command=True)
@click.option(
    "--to", type=click.Path(file_okay=False, path_type=Path), help="The folder; default: backups/ of the home."
)
@home_option
@json_option
@click.pass_context
def command(ctx: click.Context, to: Path | None, home: Path | None, *, as_json: bool) -> None:
    """Copy the records, also while the recorder records, and read the whole copy back before it gets its name."""
    if ctx.invoked_subcommand is not None:
        return
    from testbench.safekeeping import back_up
    from testbench.store.sqlite_version import in_words, installed
    from testbench.wiring import Home

    kept = back_up(Home(home_of(home)), to)
    if as_json:
        say_json({
            "file": str(kept.path), "size": kept.size, "entries": kept.entries, "head": kept.head,
            "checkpoint": kept.line, "tidied": list(kept.tidied), "library": in_words(installed()),
        })  # fmt: skip
        return
    say(f"Backup {kept.path}: {kept.size / 1e6:.1f} MB, {kept.entries} entries, every record and sample read back.")
    say(f"  checkpoint {kept.line}, noted in {kept.path.parent / 'log'}")
    for name in kept.tidied:
        say(f"  {name} was left unfinished by a program that was killed; it was taken away.")
    say(BESIDE)
    say(in_words(installed()))


@command.command()
@click.argument("file", type=click.Path(path_type=Path))
@json_option
def verify(file: Path, *, as_json: bool) -> None:
    """Read a backup from end to end: pages, ledger, records, samples. Needs no home."""
    from testbench.run.ledger import SHORTEST_HEAD, grouped
    from testbench.safekeeping import verify_backup

    found = verify_backup(file)
    report = found.report
    if as_json:
        facts = {"file": str(file), "entries": report.entries, "head": report.head, "traces": report.traces}
        say_json(facts | {"older": found.older})
        return
    head = grouped(report.head[:SHORTEST_HEAD])
    say(f"WHOLE: {report.entries} entries, head {head}, {report.traces} traces decoded and hashed.")
    if found.older:
        say(
            f"  Its tables are of version {found.older}: a copy was brought up to date and read. The file is as it was."
        )
