"""``testbench certificate lot`` and ``shift``: pages that sum up many runs."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import passphrase_option, passphrases
from testbench.cli.stamps import after_writing

if TYPE_CHECKING:
    from testbench.certificate.summary_issue import IssuedSummary
    from testbench.wiring import Home


class _Moment(click.ParamType[datetime]):
    """A time of day with its offset; without one it is that of this machine."""

    name = "time"

    def convert(self, value: str | datetime, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        try:
            found = value if isinstance(value, datetime) else datetime.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is no time; write it as 2026-11-25T06:00 or 2026-11-25T06:00+01:00.", param, ctx)
        return found.astimezone().replace(microsecond=0)


@click.command()
@click.argument("order")
@click.option("--pages", is_flag=True, help="The page of each decided valve follows.")
@click.option(
    "--out-language", "language", metavar="LANGUAGE", help="Of the page; else that of the order or of bench.toml."
)
@passphrase_option
@home_option
@json_option
def lot(*, order: str, pages: bool, language: str | None, from_stdin: bool, home: Path | None, as_json: bool) -> None:
    """Write the lot certificate of an ORDER: a row for each valve, tested or not.

    It is complete only when every valve was accepted, released, has its own certificate, and nothing was said against
    it since. A newer one names the one that it takes the place of.
    """
    from testbench.cli.order.on_file import on_file
    from testbench.summing_up import Asked, issue_lot
    from testbench.wiring import Home

    found, bench = on_file(home).order(order), Home(home_of(home))
    asked = Asked(language, passphrases(from_stdin=from_stdin))
    _say(bench, issue_lot(bench, found, asked, with_pages=pages), as_json=as_json)


@click.command()
@click.option("--since", type=_Moment(), required=True, help="Runs that ended from then on, e.g. 2026-11-25T06:00.")
@click.option("--until", type=_Moment(), required=True, help="And before then; not after now.")
@click.option("--name", required=True, help="What the shift is called.")
@click.option("--out-language", "language", metavar="LANGUAGE", help="Of the page; else that of bench.toml.")
@passphrase_option
@home_option
@json_option
def shift(
    *, since: datetime, until: datetime, name: str, language: str | None, from_stdin: bool, home: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Write the summary of a shift: every run that ended in it. For the works' own use; it releases no valve."""
    from testbench.certificate.shift_summary import Shift
    from testbench.summing_up import Asked, issue_shift
    from testbench.wiring import Home

    if not since < until:
        raise click.UsageError("--until must be after --since.")
    if not 1 <= len(name.strip()) <= 40:
        raise click.UsageError("--name takes 1 to 40 characters.")
    bench = Home(home_of(home))
    asked = Asked(language, passphrases(from_stdin=from_stdin))
    _say(bench, issue_shift(bench, Shift(name.strip(), bench.bench().name, since, until), asked), as_json=as_json)


COMMANDS = (lot, shift)


def _say(bench: "Home", issued: "IssuedSummary", *, as_json: bool) -> None:
    if as_json:
        facts = {"document": str(issued.path), "sha256": issued.sha256, "waiting": issued.waiting}
        say_json(facts | issued.listed.model_dump(mode="json"))
    else:
        _say_rows(issued)
    after_writing(bench, issued.waiting, quiet=as_json)


def _say_rows(issued: "IssuedSummary") -> None:
    listed = issued.listed
    say(f"{listed.number} for {listed.about}: written to {issued.path}.")
    if listed.replaces:
        say(f"It takes the place of {listed.replaces}.")
    for row in listed.rows:
        say(f"  {row.serial}  {row.state}{f', {row.document}' if row.document else ''}")
