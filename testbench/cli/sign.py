"""``testbench sign``."""

from pathlib import Path

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option


@click.command()
@click.argument("run")
@click.option("--as", "person", required=True, help="Id of the person who signs.")
@click.option("--meaning", required=True, type=click.Choice(["performed", "reviewed", "released", "witnessed"]),
              help="What the signature says.")  # fmt: skip
@secret_option
@home_option
@json_option
def command(*, run: str, person: str, meaning: str, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Sign a closed RUN.

    Shows what is signed, then asks for the secret: the PIN for performed and witnessed, the password for reviewed and
    released. A certificate is written when its run is released, a rejection report when it is signed as performed.
    """
    from testbench.identity import sign_run, statement_for
    from testbench.run.signature import Meaning
    from testbench.station.desk import Given
    from testbench.station.sign_off import METHOD, owed_by_persons
    from testbench.wiring import Home

    bench, means = Home(home_of(home)), Meaning(meaning)
    record, digest, statement = statement_for(bench, run, means)
    if not as_json:
        say(f"Run {record.run}, valve {record.valve.serial}, order {record.order}: {record.verdict or 'void'}.")
        say(
            f"{record.reason}\nRecord {digest}\n\n  {statement}\n"
            if record.reason
            else f"Record {digest}\n\n  {statement}\n"
        )
    secret = asking(from_stdin=from_stdin)(f"{METHOD[means]} of {person}")
    signature, issued = sign_run(bench, run, Given(person, secret), means)
    if as_json:
        document = {} if issued is None else {"document": str(issued.path), "kind": issued.kind}
        say_json(signature.model_dump(mode="json") | document)
        return
    say(f"Signed as {meaning} by {signature.printed_name} at {signature.signed_at}.")
    if issued is not None:
        say(f"{issued.kind} {issued.number} written to {issued.path}.")
    elif means is Meaning.RELEASED:
        say(owed_by_persons(record))
