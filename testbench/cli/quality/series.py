"""Which values of the runs are looked at: criterion, stage, unit."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from testbench.run.quality import Measured
    from testbench.store.reading import RunReader

_OF = {"leakage": ("largest-leakage-rate", "seat test"), "pressure-loss": ("pressure loss", "shell test")}


@dataclass(frozen=True, slots=True)
class Series:
    """What is looked at."""

    criterion: str
    stage: str
    unit: str

    @property
    def in_words(self) -> str:
        """On charts and in sentences."""
        return f"{self.criterion.replace('-', ' ')}, {self.stage}"

    def read(self, store: "RunReader", asked: Any) -> "list[Measured]":
        """The values of the runs that fit, oldest first, in the unit.

        Raises:
            NothingFoundError: no run that fits measured it.
            UnitUnknownError: the unit is none of this quantity.
        """
        from testbench.errors import NothingFoundError
        from testbench.quantities import LeakageRate, Pressure
        from testbench.run.findings import LEAKAGE_RATE, UNITS

        kept = UNITS[self.criterion]
        factor = (LeakageRate if self.criterion == LEAKAGE_RATE else Pressure).of(1, kept).to(self.unit)
        found = store.measured(asked, self.stage, self.criterion)
        if not found:
            raise NothingFoundError(self.in_words, asked.in_words)
        if factor == 1:
            return found
        return [
            one._replace(value=one.value * factor, most=None if one.most is None else one.most * factor)
            for one in found
        ]


def series_options(command: Any) -> Any:
    """Give a command --of, --stage and --unit."""
    where = "Name of the stage; default: seat test for leakage, shell test for pressure loss."
    options: tuple[Callable[[Any], Any], ...] = (
        click.option("--of", type=click.Choice(list(_OF)), default="leakage", show_default=True, help="What it is of."),
        click.option("--stage", help=where),
        click.option("--unit", help="Unit of the values; default: mL/min, kPa."),
    )
    for option in reversed(options):
        command = option(command)
    return command


def series_of(of: str, stage: str | None, unit: str | None) -> Series:
    """What the options say."""
    from testbench.run.findings import UNITS

    criterion, usual = _OF[of]
    return Series(criterion, stage or usual, unit or UNITS[criterion])
