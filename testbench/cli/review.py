"""``testbench review``: what waits for a signature, and what is done about it; by itself the reviewer's screen."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option

if TYPE_CHECKING:
    from testbench.station.review_models import Return, Sign

as_option = click.option("--as", "person", required=True, help="Id of the person.")
order_option = click.option("--order", default="", help="Those of this order only.")


@click.group(invoke_without_command=True)
@click.option("--as", "person", help="Id of the reviewer.")
@home_option
@click.pass_context
def command(ctx: click.Context, person: str | None, home: Path | None) -> None:
    """Open the reviewer's screen: the queue, oldest first, and a page for each run.

    Asks for the password to sit down, so that what was opened is known, and again for whatever is signed.
    """
    if ctx.invoked_subcommand is not None:
        return
    if person is None:
        raise click.UsageError("The reviewer's screen needs --as ID.")
    from testbench.errors import NoTerminalError
    from testbench.reviewing import review_desk
    from testbench.station.desk import Given
    from testbench.tui.review import run
    from testbench.wiring import Home

    bench = Home(home_of(home))
    bench.bench()  # a broken or missing home is said first
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise NoTerminalError
    given = Given(person, asking(from_stdin=False)(f"password of {person}"))
    with review_desk(bench, given) as desk:
        sys.exit(run(desk))


@command.command("list")
@order_option
@click.option("--after", default="", metavar="RUN", help="Those behind this run: the last one of the page before.")
@click.option("--as", "person", default="", help="Mark what this reviewer has opened.")
@home_option
@json_option
def list_(*, order: str, after: str, person: str, home: Path | None, as_json: bool) -> None:
    """List the closed runs whose signatures are not complete, oldest first."""
    from testbench.cli.review_told import queue_lines
    from testbench.errors import PersonUnknownError
    from testbench.station.review_desk import queue_of
    from testbench.wiring import Home, read_store

    with read_store(Home(home_of(home))) as store:
        people = {one.entry.person for one in store.people()}
        if person and person not in people:
            raise PersonUnknownError(person, tuple(sorted(people)))
        page = queue_of(store, person, order, after)
    if as_json:
        say_json(page.model_dump(mode="json"))
        return
    for line in queue_lines(page):
        say(line)


@command.command()
@click.argument("run")
@as_option
@secret_option
@home_option
@json_option
def show(*, run: str, person: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Show all that a decision on RUN is taken on; the run counts as opened by this reviewer."""
    from testbench.cli.review_told import page_lines
    from testbench.reviewing import review_desk
    from testbench.station.desk import Given
    from testbench.wiring import Home

    given = Given(person, asking(from_stdin=from_stdin)(f"password of {person}"))
    with review_desk(Home(home_of(home)), given) as desk:
        page = desk.page(run)
    if as_json:
        say_json(page.model_dump(mode="json"))
        return
    for line in page_lines(page):
        say(line)


@command.command()
@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@as_option
@secret_option
@home_option
@json_option
def release(*, runs: tuple[str, ...], person: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Release one run, or several that are clean and that this reviewer has opened; their certificates are written.

    Shows what is signed, then asks for the password. Of several runs all are released, or none.
    """
    from testbench.reviewing import statements_of
    from testbench.station.review_models import Sign
    from testbench.wiring import Home

    if not as_json:
        for line in statements_of(Home(home_of(home)), runs):
            say(f"  {line}")
    _act(home, person, from_stdin=from_stdin, as_json=as_json, model=Sign, facts={"act": "released", "runs": runs})


@command.command("return")
@click.argument("run")
@click.option("--why", required=True, help="What is to be explained or mended.")
@click.option("--to", default="", help="Id of the operator or an engineer; left out: the operator of the run.")
@as_option
@secret_option
@home_option
@json_option
def return_(*, run: str, why: str, to: str, person: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Give RUN back with the reason; it is not released before it was answered."""
    from testbench.station.review import checked_why
    from testbench.station.review_models import Return

    facts: dict[str, object] = {"run": run, "why": checked_why(why, "reason"), "to": to}
    _act(home, person, from_stdin=from_stdin, as_json=as_json, model=Return, facts=facts)


@command.command()
@click.argument("run")
@click.option("--note", required=True, help="The answer.")
@as_option
@secret_option
@home_option
@json_option
def answer(*, run: str, note: str, person: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Answer a returned RUN: its operator by PIN, an engineer by password. The record itself stays as it is."""
    from testbench.reviewing import answer_return
    from testbench.station.desk import Given
    from testbench.wiring import Home

    given = Given(person, asking(from_stdin=from_stdin)(f"PIN or password of {person}"))
    entry = answer_return(Home(home_of(home)), run, given, note)
    if as_json:
        say_json(entry.model_dump(mode="json"))
        return
    say(f"Run {run} is answered by {entry.printed_name}: {entry.note}")


def _act(
    home: Path | None,
    person: str,
    *,
    from_stdin: bool,
    as_json: bool,
    model: "type[Sign | Return]",
    facts: dict[str, object],
) -> None:
    from pydantic import ValidationError

    from testbench.reviewing import review_desk
    from testbench.station.desk import Given
    from testbench.wiring import Home

    secret = asking(from_stdin=from_stdin)(f"password of {person}")
    try:
        act = model.model_validate(facts | {"password": secret})
    except ValidationError as refusal:
        first = refusal.errors(include_input=False)[0]
        raise click.BadParameter(first["msg"], param_hint=f"--{first['loc'][0]}") from None
    with review_desk(Home(home_of(home)), Given(person, secret)) as desk:
        done = desk.act(act)
    if as_json:
        say_json(done.model_dump(mode="json"))
        return
    for sentence in done.sentences:
        say(sentence)
    for document in done.documents:
        say(f"certificate written to {document}")
