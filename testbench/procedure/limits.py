"""Numbers that a standard, a customer or a shop chose: each with its source, sizes looked up, never extrapolated."""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from functools import cache
from itertools import combinations, product
from typing import Annotated, TypeVar

from pydantic import Field, field_validator

from testbench.errors import FactMissingError, ProcedureDoesNotApplyError, SizeUnknownError
from testbench.metrology.signal import Validity
from testbench.procedure.valve import LeakRate, Material, SeatPairing, Text, Value, Valve, ValveType
from testbench.quantities import NominalSize

DECIMAL = r"^[0-9]+(\.[0-9]+)?$"


class Grade(StrEnum):
    """How sure a number is."""

    PUBLISHED = "published"
    """Seen in a source."""
    DERIVED = "derived"
    """Arithmetic from published values; the working stands in the note."""
    COMMON_PRACTICE = "common practice"
    """A fact of the trade without a printed source at hand."""
    MEMORY = "memory"
    """From memory of a standard: verify against your copy."""
    HOUSE = "house"
    """Chosen by whoever wrote the procedure; a shop confirms or changes it."""


class Source(Value):
    """Where a number comes from."""

    document: Text
    edition: Text
    clause: Text = "not known"
    grade: Grade
    note: str = ""

    @property
    def in_words(self) -> str:
        """One line for a screen or a page."""
        clause = "" if self.clause == "not known" else f", {self.clause}"
        verify = ": verify against your copy of the standard" if self.grade is Grade.MEMORY else ""
        return f"{self.document} ({self.edition}){clause} [{self.grade}{verify}]"


Sources = Mapping[str, Source]


class SourcedFactor(Value):
    """A factor on a pressure."""

    factor: Annotated[str, Field(pattern=DECIMAL)]
    source: Text


class SourcedSeconds(Value):
    """A time [s]."""

    s: Annotated[int, Field(gt=0)]
    source: Text


class SignalValidity(Value):
    """How much of a hold may be flagged or missing [% of its samples] and how long a gap may be [% of its length]."""

    flagged_percent: Annotated[str, Field(pattern=DECIMAL)]
    missing_percent: Annotated[str, Field(pattern=DECIMAL)]
    gap_percent: Annotated[str, Field(pattern=DECIMAL)]

    @property
    def validity(self) -> Validity:
        """The same as shares."""
        percents = (self.flagged_percent, self.missing_percent, self.gap_percent)
        return Validity(*(float(percent) / 100 for percent in percents))


@cache
def _every_size() -> tuple[str, ...]:
    """Every NPS number that is in the table of nominal sizes, smallest first; the table is asked, not copied."""
    known = []
    for half_inches in range(1, 200):
        try:
            known.append(NominalSize.from_nps(half_inches / 2).nps)
        except SizeUnknownError:
            continue
    return tuple(known)


def _sizes_meant(written: str) -> tuple[str, ...]:
    first, to, last = written.partition(" to ")
    ends = [NominalSize.from_nps(number).nps for number in (first, last if to else first)]
    start, end = (_every_size().index(nps) for nps in ends)
    if start > end:
        raise ValueError(f"'{written}' runs backwards")
    return _every_size()[start : end + 1]


class Applies(Value):
    """Which valves a row of a table, a rule or a stage is for; what is left out means all."""

    nps: tuple[str, ...] = ()
    """NPS numbers, one by one or from one to another: "2.5", "8 to 12"."""
    types: tuple[ValveType, ...] = ()
    seats: tuple[SeatPairing, ...] = ()
    classes: tuple[int, ...] = ()
    materials: tuple[Material, ...] = ()
    leak_rates: tuple[LeakRate, ...] = ()

    @field_validator("nps")
    @classmethod
    def _sizes_exist(cls, numbers: tuple[str, ...]) -> tuple[str, ...]:
        """Every size exists, and is kept under its usual name: "2.50" is NPS 2.5, "8 to 12" is NPS 8, 10 and 12."""
        try:
            return tuple(nps for number in numbers for nps in _sizes_meant(number))
        except SizeUnknownError as refusal:
            raise ValueError(str(refusal)) from refusal

    def fits(self, valve: Valve) -> bool:
        """Whether it is for this valve.

        Raises:
            FactMissingError: that hangs on something the order does not say; a rule is never passed over for it.
        """
        conditions: tuple[tuple[str, tuple[object, ...], object], ...] = (
            ("size", self.nps, valve.size.nps),
            ("type", self.types, valve.type),
            ("seat", self.seats, valve.seat),
            ("class", self.classes, valve.pressure_class),
            ("material", self.materials, valve.material),
            ("leak rate", self.leak_rates, valve.leak_rate),
        )
        asked = [(field, allowed, found) for field, allowed, found in conditions if allowed]
        if any(found is not None and found not in allowed for _, allowed, found in asked):
            return False
        for field, _, found in asked:
            if found is None:
                raise FactMissingError(field, f"the procedure goes by it ({self.in_words})")
        return True

    def overlaps(self, other: "Applies") -> bool:
        """Whether some valve could be meant by both."""
        pairs = ((getattr(self, field), getattr(other, field)) for field in Applies.model_fields)
        return all(not mine or not others or set(mine) & set(others) for mine, others in pairs)

    @property
    def in_words(self) -> str:
        """What it is for, for a refusal."""
        said = (
            ("NPS ", self.nps),
            ("", self.types),
            ("seat ", self.seats),
            ("Class ", self.classes),
            ("", self.materials),
            ("rate ", self.leak_rates),
        )
        return ", ".join(f"{name}{'/'.join(map(str, found))}" for name, found in said if found) or "all valves"


class SizeBand(Applies):
    """A time for the valves it lists, and for no other [s]."""

    s: Annotated[int, Field(gt=0)]
    source: Text


def check_rows(rows: Sequence[Applies]) -> None:
    """Refuse rows of a table of which two are for the same valve, or that leave a size out between two others.

    Which number counts must never depend on the order of lines, and a forgotten size must not surface at the bench.

    Raises:
        ValueError: says which valves or size.
    """
    for one, other in combinations(rows, 2):
        if one.overlaps(other):
            both = [nps for nps in one.nps if nps in other.nps]
            if both:
                raise ValueError(f"NPS {', '.join(both)} stands in two size bands")
            raise ValueError(f"two rows are for the same valves ({one.in_words}; {other.in_words})")
    fields = [field for field in Applies.model_fields if field != "nps"]
    named = [tuple(dict.fromkeys(value for row in rows for value in getattr(row, field))) for field in fields]
    for chosen in product(*(values or (None,) for values in named)):
        meant = [
            row
            for row in rows
            if all(
                not getattr(row, field) or value in getattr(row, field)
                for field, value in zip(fields, chosen, strict=True)
            )
        ]
        if meant and all(row.nps for row in meant):
            _check_no_gap({nps for row in meant for nps in row.nps})


def _check_no_gap(sizes: set[str]) -> None:
    every = _every_size()
    places = sorted(every.index(nps) for nps in sizes)
    for nps in every[places[0] : places[-1]]:
        if nps not in sizes:
            raise ValueError(f"NPS {nps} lies between the sizes listed and stands in no size band")


Row = TypeVar("Row", bound=Applies)


def fitting(rows: tuple[Row, ...], valve: Valve, what: str) -> Row:
    """The first row that fits a valve.

    Raises:
        ProcedureDoesNotApplyError: none does; sizes are looked up, never extrapolated.
    """
    for row in rows:
        if row.fits(valve):
            return row
    allowed = "; ".join(dict.fromkeys(row.in_words for row in rows))
    raise ProcedureDoesNotApplyError("of this valve", what, f"not given for {valve.size}, {valve.seat} seat", allowed)
