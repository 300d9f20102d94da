"""``testbench procedure``: list, show, check, adopt."""

from functools import partial
from pathlib import Path
from typing import Any

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option


@click.group()
def command() -> None:
    """Show, check and adopt procedures."""


@command.command("list")
@home_option
@json_option
def list_(home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """List the procedures at hand, and who adopted them."""
    from testbench.errors import FileRefusedError
    from testbench.procedure_files.loader import load_procedure, procedures_at_hand
    from testbench.wiring import Home, adoptions_of

    folder = home_of(home)
    found, refused = [], []
    for path in procedures_at_hand(folder).values():
        try:
            found.append(load_procedure(path))
        except FileRefusedError as refusal:
            refused.append(refusal)
    adopted = adoptions_of(Home(folder), [digest for _, digest in found])
    facts: list[dict[str, Any]] = []
    for procedure, digest in found:
        fact = {key: getattr(procedure, key) for key in ("id", "revision", "title", "standard", "edition")}
        adoption = adopted.get(digest)
        who = {"adopted_by": adoption.adopted_by, "at": adoption.at} if adoption else {}
        facts.append(fact | {"adopted": adoption is not None, "sha256": digest} | who)
    if as_json:
        say_json(facts)
        return
    for fact in facts:
        state = f"adopted by {fact['adopted_by']}" if fact["adopted"] else "not adopted: specimen only"
        say(f"{fact['id']} (revision {fact['revision']}): {fact['standard']}, {fact['edition']}; {state}")
        say(f"    {fact['title']}")
    for bad in refused:
        say(f"REFUSED {bad}")


@command.command()
@click.argument("procedure")
@home_option
@json_option
def show(procedure: str, home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Show every number of PROCEDURE with its source and grade."""
    from testbench.procedure.adoption import numbers_of, to_confirm
    from testbench.procedure_files.loader import find_procedure

    found, digest = find_procedure(procedure, home_of(home))
    numbers, unsure = numbers_of(found), to_confirm(found)
    if as_json:
        facts = {key: getattr(found, key) for key in ("id", "revision", "title", "standard", "edition")}
        listed = [number.model_dump(mode="json") for number in numbers]
        say_json(facts | {"sha256": digest, "numbers": listed, "to_confirm": list(unsure)})
        return
    say(f"{found.title}\n{found.standard}, {found.edition}; revision {found.revision}; SHA-256 {digest}\n")
    for number in numbers:
        say(f"{number.place}: {number.number}\n    {number.in_words}")
    say("\nTo confirm from a copy before it is adopted:" if unsure else "\nNothing needs confirming from a copy.")
    for key, source in unsure.items():
        say(f"  {key}: {source.in_words}\n    {source.note}")


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


@command.command()
@click.argument("procedure")
@click.option(
    "--by",
    "adopted_by",
    required=True,
    help="Who takes it into use; where people are registered, id of an engineer, who signs it.",
)
@click.option("--copy", "copies", multiple=True, metavar="SOURCE=COPY",
              help="Which copy a source was confirmed from, or whose decision it is; once a source.")  # fmt: skip
@click.option("--decision", help="The shop's decision that stands behind every house or common-practice number.")
@secret_option
@home_option
@json_option
def adopt(
    *, procedure: str, adopted_by: str, copies: tuple[str, ...], decision: str | None, from_stdin: bool,
    home: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Take PROCEDURE into use, once somebody has confirmed its numbers.

    Lists what must be confirmed, and from which copy; a changed file needs adopting again. Until it is adopted its
    runs yield specimens only.
    """
    from testbench.certificate.data import statements
    from testbench.identity import engineer_of, procedure_signature
    from testbench.procedure.adoption import numbers_of, to_confirm
    from testbench.procedure_files.loader import find_procedure
    from testbench.wiring import Home, adopt_procedure

    folder = home_of(home)
    found, digest = find_procedure(procedure, folder)
    if not as_json:
        numbers = numbers_of(found)
        for number in numbers:
            say(f"{number.place}: {number.number}\n    {number.source}: {number.in_words}")
        say("\nTo confirm, each from a copy of the standard or by a decision:")
        for key, source in to_confirm(found).items():
            say(f"  --copy {key}='…'    {source.in_words}")
        say(f"\n  {statements()['adopted'].format(procedure=found.id)}\n")
    adopted_by, engineer = engineer_of(Home(folder), adopted_by, asking(from_stdin=from_stdin))
    said = tuple((key, seen) for key, _, seen in (copy.partition("=") for copy in copies))
    sign = partial(procedure_signature, Home(folder), engineer, found.id, digest)
    adoption = adopt_procedure(Home(folder), found, digest, adopted_by, said, decision, sign)
    if as_json:
        say_json(adoption.model_dump(mode="json"))
    else:
        say(f"{found.id}, revision {found.revision}, adopted by {adopted_by}. SHA-256 {digest}")
