"""In which form the documents of a run are drawn: language, units of pressure, paper."""

from typing import Annotated, Literal

from pydantic import Field

from testbench.procedure.valve import Value

Language = Annotated[str, Field(pattern=r"^[a-z]{2,3}$")]
"""Name of a file in ``reports/languages/``, for example ``de``."""


class ReportForm(Value):
    """How the bench wants its documents; the record keeps it, so that a page can be drawn again byte for byte."""

    language: Language = "en"
    units: Annotated[str, Field(min_length=1, max_length=20)] | None = None
    """Name of an order of units in ``reports/units.toml``; None: the procedure's own unit alone."""
    page: Literal["A4", "Letter"] | None = None
    """None: the bench's ``paper``."""
