"""What commands have in common: options, JSON, and how a refusal is said."""

import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from testbench.errors import BenchError
from testbench.procedure.serials import acts_on_screen

home_option = click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    envvar="TESTBENCH_HOME",
    default=None,
    help="The bench's home folder; default: TESTBENCH_HOME, else the user's data folder.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print facts as JSON.")


class FiniteRange(click.FloatRange):
    """A number within a range; not ``nan``, which lies in every range, nor ``inf``, which never ends."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse what is no finite number."""
        found = super().convert(value, param, ctx)
        if not math.isfinite(found):
            self.fail(f"{value} is not a finite number.", param, ctx)
        return found


def home_of(home: Path | None) -> Path:
    """The home folder that a command works in, absolute."""
    if home is not None:
        return home.expanduser().absolute()
    from platformdirs import user_data_path

    return user_data_path("testbench", appauthor=False)


@contextmanager
def progress(label: str, *, shown: bool = True) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error where a person watches; what it gives is told how much is done, of how much."""
    with click.progressbar(length=1, label=label, file=sys.stderr, hidden=not (shown and sys.stderr.isatty())) as bar:

        def told(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield told


def counted(count: int, one: str) -> str:
    """So many of something: 1 run, 2 runs."""
    return f"{count} {one}{'' if count == 1 else 's'}"


def say(text: str) -> None:
    """Print a line to standard output."""
    click.echo(text)


def say_json(value: Any) -> None:
    """Print facts as JSON."""
    click.echo("\n".join(map(visible, json.dumps(value, indent=2, ensure_ascii=False).split("\n"))))


def visible(text: str) -> str:
    """One line with every sign that would move a terminal's cursor or turn its text written out, as JSON does."""
    if text.isprintable():
        return text
    return "".join(json.dumps(sign)[1:-1] if acts_on_screen(sign) else sign for sign in text)


def run(cli: click.Command) -> None:
    """Call the command line and turn a refusal into words and an exit code."""
    try:
        cli(prog_name="testbench")
    except BenchError as refusal:
        told = "\n".join(map(visible, str(refusal).split("\n")))
        click.echo(f"{told}\n→ {refusal.remedy}", err=True)
        sys.exit(1)
