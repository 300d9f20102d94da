"""What the quality commands have in common: the drawing into a file, and what was asked, in words."""

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from testbench.cli.output import say
from testbench.cli.searching import check_free, write_all

if TYPE_CHECKING:
    from testbench.certificate.quality_page import Printed
    from testbench.wiring import Home

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


def draw(out: Path, drawn: bytes, *, quiet: bool) -> None:
    """Put a drawing in place."""
    write_all(out, [drawn])
    if not quiet:
        say(f"Drawn into {out}.")


def printed(home: "Home", asked: str, out: Path) -> "Printed":
    """What the page says of itself."""
    from testbench.certificate.quality_page import Printed
    from testbench.instruments.clocks import SystemClock

    bench = home.bench()
    form: Literal["pdf", "svg"] = "svg" if out.suffix.lower() == ".svg" else "pdf"
    return Printed(asked, f"{bench.works.name}, bench {bench.name}", SystemClock().utc(), form)
