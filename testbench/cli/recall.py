"""``testbench recall``: what a bad calibration or a withdrawn procedure undoes."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.nonconformity import by_option
from testbench.cli.output import counted, home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option

if TYPE_CHECKING:
    from testbench.nonconforming import Somebody
    from testbench.run.recall import Recall, RecallLine

why_option = click.option("--why", required=True, help="The reason.")


@click.group()
def command() -> None:
    """Recall runs and their certificates, list and lift recalls.

    A recall changes no record. A recalled run is not released until an engineer lifts the recall.
    """


@command.command()
@click.argument("number")
@click.option("--serial", help="Of which instrument, where several have a certificate of this number.")
@click.option("--withdrawn", is_flag=True, help="The calibration itself is withdrawn, whatever it found.")
@why_option
@by_option
@secret_option
@home_option
@json_option
def calibration(
    *, number: str, serial: str | None, withdrawn: bool, why: str, by: str, from_stdin: bool, home: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Recall what the calibration NUMBER undoes.

    Where the instrument came to it out of tolerance: the accepted runs since the last good calibration whose acceptance
    cannot stand, or whose leakage was judged by pressure decay. Else, and with --withdrawn: every accepted run that was
    measured on it, channels beside the deciding one included.
    """
    from testbench.nonconforming import recall_calibration

    who = _who(home, by, from_stdin=from_stdin)
    _tell(*recall_calibration(who, number, serial, why, withdrawn=withdrawn), as_json=as_json)


@command.command()
@click.argument("procedure")
@why_option
@by_option
@secret_option
@home_option
@json_option
def procedure(*, procedure: str, why: str, by: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Recall every accepted run under PROCEDURE, an id or id@revision."""
    from testbench.nonconforming import recall_procedure

    name, _, revision = procedure.partition("@")
    _tell(*recall_procedure(_who(home, by, from_stdin=from_stdin), name, revision, why), as_json=as_json)


@command.command("list")
@home_option
@json_option
def list_(home: Path | None, *, as_json: bool) -> None:
    """List every recall, oldest first."""
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        found = store.recalls()
    if as_json:
        say_json([one.model_dump(mode="json") for one in found])
        return
    for one in found:
        say(_headline(one))
    if not found:
        say("Nothing was recalled yet.")


@command.command()
@click.argument("number")
@home_option
@json_option
def show(number: str, home: Path | None, *, as_json: bool) -> None:
    """Show the recall NUMBER with every run and document that it names."""
    from testbench.errors import RecallUnknownError
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        found = next((one for one in store.recalls() if one.recall.number == number), None)
    if found is None:
        raise RecallUnknownError(number)
    if as_json:
        say_json(found.model_dump(mode="json"))
        return
    say(_headline(found))
    _tell_runs(found.recall)


@command.command()
@click.argument("number")
@why_option
@by_option
@secret_option
@home_option
@json_option
def lift(*, number: str, why: str, by: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Lift the recall NUMBER; an engineer does, with a reason."""
    from testbench.nonconforming import lift_recall

    found = lift_recall(_who(home, by, from_stdin=from_stdin), number, why)
    if as_json:
        say_json(found.model_dump(mode="json"))
    else:
        say(_headline(found))


def _who(home: Path | None, by: str, *, from_stdin: bool) -> "Somebody":
    from testbench.nonconforming import Somebody
    from testbench.wiring import Home

    return Somebody(Home(home_of(home)), by, asking(from_stdin=from_stdin))


def _headline(found: "RecallLine") -> str:
    recall, lifted = found.recall, found.lifted
    subject = f"{recall.of} {recall.subject}" + (f" ({recall.detail})" if recall.detail else "")
    state = "in force" if lifted is None else f"lifted on {lifted.at[:10]} by {lifted.by}: {lifted.why}"
    said = f"{recall.number}  {recall.at[:10]}  {subject}: {_count(recall)}; documents: {len(found.documents)}"
    return f"{said}; {recall.why.rstrip('.')} ({recall.by}); {state}"


def _tell(recall: "Recall", found_by: str, *, as_json: bool) -> None:
    if as_json:
        say_json(recall.model_dump(mode="json") | {"found_by": found_by})
        return
    say(f"{recall.number} recalls {found_by}: {_count(recall)}.")
    _tell_runs(recall)


def _count(recall: "Recall") -> str:
    return counted(len(recall.runs), "run")


def _tell_runs(recall: "Recall") -> None:
    for run in recall.runs:
        say(f"  {run.run}  {run.serial:<20} {run.order:<12} {run.verdict}: {run.why}")
        if run.documents:
            say(f"    has left: {', '.join(run.documents)}; tell whoever holds it")
