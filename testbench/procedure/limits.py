"""Numbers that a standard, a customer or a shop chose: each with its source, sizes looked up, never extrapolated."""

from enum import StrEnum
from typing import Annotated

from pydantic import Field, field_validator

from testbench.errors import SizeUnknownError
from testbench.procedure.valve import Text, Value
from testbench.quantities import NominalSize


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


class SourcedFactor(Value):
    """A factor on a pressure."""

    factor: Annotated[str, Field(pattern=r"^[0-9]+(\.[0-9]+)?$")]
    source: Text


class SourcedSeconds(Value):
    """A time [s]."""

    s: Annotated[int, Field(gt=0)]
    source: Text


class SizeBand(Value):
    """A value for the sizes listed, and for no other."""

    nps: Annotated[tuple[str, ...], Field(min_length=1)]
    s: Annotated[int, Field(gt=0)]
    source: Text

    @field_validator("nps")
    @classmethod
    def _sizes_exist(cls, numbers: tuple[str, ...]) -> tuple[str, ...]:
        """Every size exists, and is kept under its usual name: "2.50" is NPS 2.5."""
        try:
            return tuple(NominalSize.from_nps(number).nps for number in numbers)
        except SizeUnknownError as refusal:
            raise ValueError(str(refusal)) from refusal


def look_up(bands: tuple[SizeBand, ...], size: NominalSize, where: str) -> SizeBand:
    """The band that lists this size.

    Raises:
        SizeUnknownError: no band lists it.
    """
    for band in bands:
        if size.nps in band.nps:
            return band
    listed = tuple(number for band in bands for number in band.nps)
    raise SizeUnknownError(str(size), listed, where)
