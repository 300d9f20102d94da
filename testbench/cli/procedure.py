"""``testbench procedure``."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json


@click.group()
def command() -> None:
    """Show the procedures and check a file."""


@command.command("list")
@home_option
@json_option
def list_(home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """List the procedures at hand."""
    from testbench.procedure_files.loader import load_procedure, procedures_at_hand

    found = [load_procedure(path)[0] for path in procedures_at_hand(home_of(home)).values()]
    facts = [{key: getattr(p, key) for key in ("id", "revision", "title", "standard", "edition")} for p in found]
    if as_json:
        say_json(facts)
        return
    for fact in facts:
        say(f"{fact['id']} (revision {fact['revision']}): {fact['title']}; {fact['standard']}, {fact['edition']}")


@command.command()
@click.argument("file", type=click.Path(path_type=Path))
@json_option
def check(file: Path, as_json: bool) -> None:  # noqa: FBT001
    """Check a procedure FILE; a refusal names file, line and field."""
    from testbench.procedure_files.loader import load_procedure

    procedure, digest = load_procedure(file)
    if as_json:
        say_json({"id": procedure.id, "revision": procedure.revision, "sha256": digest})
    else:
        say(f"{procedure.id}, revision {procedure.revision}: in order. SHA-256 {digest}")
