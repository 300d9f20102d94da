"""Test pressures: a factor on the rating, a table, or a fixed value, with each standard's own rounding."""

import math
from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.errors import FactMissingError
from testbench.procedure.limits import DECIMAL, Applies, SourcedFactor, check_rows, fitting
from testbench.procedure.valve import Text, Value, Valve
from testbench.quantities import Pressure

_METRIC = {"bar", "kPa", "MPa", "Pa", "kgf/cm2"}


def is_metric(valve: Valve) -> bool:
    """Whether the valve was ordered in bar rather than psi: by its rating's unit, or by PN."""
    if valve.rated is not None:
        return valve.rated.unit in _METRIC
    return valve.pn is not None


class BothUnits(Value):
    """A pressure as a standard prints it, in psi and in bar: two roundings of one value, never converted."""

    psi: Pressure | None = None
    bar: Pressure | None = None

    @model_validator(mode="after")
    def _units_are_as_named(self) -> Self:
        for name, found in (("psi", self.psi), ("bar", self.bar)):
            if found is not None and found.unit != name:
                raise ValueError(f"{name}: found {found}, it must be in {name}")
            if found is not None and not Pressure.zero(name) < found:
                raise ValueError(f"{name}: found {found}, it must be above 0")
        if self.psi is None and self.bar is None:
            raise ValueError("psi: a pressure in psi or in bar is needed")
        return self

    def of(self, valve: Valve) -> Pressure:
        """The one that fits the way the valve was ordered; the other where only that is printed."""
        first, second = (self.bar, self.psi) if is_metric(valve) else (self.psi, self.bar)
        found = first if first is not None else second
        assert found is not None
        return found


class Rounding(BothUnits):
    """The step that a test pressure is rounded up to."""

    source: Text


class FactorPressure(Value):
    """A factor on the rating, rounded up to the next step where the standard says so."""

    rule: Literal["factor"]
    factor: Annotated[str, Field(pattern=DECIMAL)]
    round_up_to: Rounding | None = None
    source: Text

    @model_validator(mode="after")
    def _above_zero(self) -> Self:
        if Fraction(self.factor) <= 0:
            raise ValueError("factor: must be above 0")
        return self

    def of(self, rating: Pressure, valve: Valve) -> Pressure:
        """The test pressure."""
        exact = rating * Fraction(self.factor)
        if self.round_up_to is None:
            return exact
        step = self.round_up_to.of(valve)
        steps = math.ceil(exact.in_unit(step.unit).ratio(step))
        return step * steps


class PressureRow(Applies, BothUnits):
    """One row of a table of test pressures."""


class TablePressure(Value):
    """Test pressures by class, material and size."""

    rule: Literal["table"]
    rows: Annotated[tuple[PressureRow, ...], Field(min_length=1)]
    source: Text

    @field_validator("rows")
    @classmethod
    def _one_row_for_each(cls, rows: tuple[PressureRow, ...]) -> tuple[PressureRow, ...]:
        check_rows(rows)
        return rows

    def of(self, rating: Pressure, valve: Valve) -> Pressure:
        """The test pressure.

        Raises:
            FactMissingError: the table goes by class and material, and the order does not say them.
            ProcedureDoesNotApplyError: no row fits.
        """
        for field, rows, found in (
            ("class", any(row.classes for row in self.rows), valve.pressure_class),
            ("material", any(row.materials for row in self.rows), valve.material),
        ):
            if rows and found is None:
                raise FactMissingError(field, "the table of test pressures goes by it")
        return fitting(self.rows, valve, "test pressure").of(valve)


class FixedPressure(BothUnits):
    """The same test pressure for every valve."""

    rule: Literal["fixed"]
    source: Text


class HeadPressure(Value):
    """A head of water, for example 60 inH2O: the same for every valve, and kept as the rule states it."""

    rule: Literal["head"]
    head: Pressure
    source: Text

    @model_validator(mode="after")
    def _is_a_water_column(self) -> Self:
        if self.head.unit != "inH2O" or not Pressure.zero("inH2O") < self.head:
            raise ValueError(f"head: found {self.head}, it must be above 0 and in inH2O")
        return self


AnyPressure = FactorPressure | TablePressure | FixedPressure | HeadPressure
PressureRule = Annotated[AnyPressure, Field(discriminator="rule")]


def pressure_of(rule: AnyPressure, rating: Pressure, valve: Valve) -> Pressure:
    """The test pressure that a rule asks of a valve."""
    match rule:
        case HeadPressure():
            return rule.head
        case FixedPressure():
            return rule.of(valve)
        case FactorPressure() | TablePressure():
            return rule.of(rating, valve)


class UpperLimit(SourcedFactor):
    """Above this the stage trips: a factor on the test pressure, no more above it than ``at_most_above``."""

    at_most_above: BothUnits | None = None

    @model_validator(mode="after")
    def _above_the_test_pressure(self) -> Self:
        if Fraction(self.factor) <= 1:
            raise ValueError("factor: must be above 1")
        return self

    def of(self, required: Pressure, valve: Valve) -> Pressure:
        """The upper limit of a stage."""
        found = required * Fraction(self.factor)
        if self.at_most_above is None:
            return found
        above = self.at_most_above.psi if required.unit == "psi" else self.at_most_above.bar
        if above is None:
            above = self.at_most_above.of(valve)
        lower = min(found, required + above.in_unit(required.unit))
        return Pressure.parse(str(lower))  # as a record carries it, so that it reads back the same


class RatingRow(Applies, BothUnits):
    """The rating at room temperature of a class and material."""

    source: Text


class PnRating(Value):
    """PN is taken as the rating in bar at room temperature."""

    source: Text


def rating_of(valve: Valve, rows: tuple[RatingRow, ...], pn: PnRating | None) -> tuple[Pressure, str]:
    """The rated pressure of a valve and the key of its source, empty where the order states it.

    Raises:
        FactMissingError: neither rating, nor class and material, nor PN are known or usable here.
        ProcedureDoesNotApplyError: the table has no rating for this class, material and size.
    """
    if valve.rated is not None:
        return valve.rated, ""
    if valve.pressure_class is not None and rows:
        if valve.material is None:
            raise FactMissingError("material", "a class has a rating only together with it")
        row = fitting(rows, valve, "rating")
        return row.of(valve), row.source
    if valve.pn is not None and pn is not None:
        return Pressure.of(valve.pn, "bar"), pn.source
    raise FactMissingError("rated pressure", "this procedure cannot tell it from class, material or PN")
