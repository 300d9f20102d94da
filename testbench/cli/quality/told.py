"""What the quality commands have in common: the drawing into a file, and what was asked, in words."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from testbench.cli.output import say
from testbench.cli.searching import check_free, write_all

out_option = click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="Draw it into FILE.pdf or FILE.svg as well."
)
FORMS = (".pdf", ".svg")


def check_out(out: Path | None) -> None:
    """Refuse a file that cannot be drawn into, before anything is read for it.

    Raises:
        ExportNotWrittenError: a file of this name is there.
    """
    if out is None:
        return
    if out.suffix.lower() not in FORMS:
        raise click.UsageError("--out names a file that ends in .pdf or .svg.")
    check_free(out)


def draw(out: Path | None, draw_as: Callable[[str], bytes], *, quiet: bool) -> None:
    """Draw into a file by its ending."""
    if out is None:
        return
    write_all(out, [draw_as(out.suffix.lower()[1:])])
    if not quiet:
        say(f"Drawn into {out}.")


def works_name(home: Any) -> str:
    """The name that stands on a page."""
    return f"{home.bench().works.name}, bench {home.bench().name}"


def now() -> datetime:
    """When a page is drawn, UTC."""
    from testbench.instruments.clocks import SystemClock

    return SystemClock().utc()
