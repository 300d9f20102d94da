"""Where layout, units and statements lie, and how they are read; ``languages`` reads what the pages say."""

import tomllib
from functools import cache
from pathlib import Path
from typing import Any, Self

from pydantic import Field, model_validator

from testbench.errors import HowToCheckMissingError
from testbench.procedure.valve import Value
from testbench.quantities import Pressure

HOW_TO_CHECK = "how-to-check-"


def reports() -> Path:
    """The folder ``reports/``: inside an installed package, else beside it in a working copy."""
    package = Path(__file__).parents[1]
    installed = package / "data" / "reports"
    return installed if installed.is_dir() else package.parent / "reports"


@cache
def pressure_orders() -> dict[str, tuple[str, ...]]:
    """Names of orders of pressure units, each with its units, the first one first (units.toml)."""
    found = _read("units.toml")["pressure"]
    for units in found.values():
        for unit in units:
            Pressure.factor(unit)
    return {name: tuple(units) for name, units in found.items()}


@cache
def statements() -> dict[str, str]:
    """What the signer of each meaning agrees to (statements.toml)."""
    return {key: str(text) for key, text in _read("statements.toml").items()}


class Fonts(Value):
    """Files of the three faces, and of the one for scripts that they lack."""

    regular: str
    strong: str
    bold: str
    fallback: tuple[str, ...] = ()
    """TrueType files with outlines (glyf); the first that is there is used."""


class Sizes(Value):
    """Text sizes [pt]."""

    works: float
    title: float
    verdict: float
    serial: float
    section: float
    body: float
    small: float
    specimen: float


class PlotHeights(Value):
    """Heights of a plot [pt]."""

    highest: float
    comfortable: float
    """At least so high where there are several pages."""
    lowest: float
    """On a single page."""


class Colours(Value):
    """Colours as ``#rrggbb``."""

    ink: str
    label: str
    rule: str
    hairline: str
    trace: str
    band: str
    hatch: str
    gap: str
    accepted: str
    rejected: str
    specimen: str


class Edges(Value):
    """Where the columns of a stage's table lie, as shares of the width of the page."""

    unit: float = Field(gt=0.2, lt=1)
    required: float
    met_at: float
    measured: float
    uncertainty: float
    judged: float

    @model_validator(mode="after")
    def _from_left_to_right(self) -> Self:
        edges = list(self.model_dump().values())
        if edges != sorted(edges) or edges[-1] > 0.9:
            raise ValueError(f"found {edges}; they rise from left to right, up to 0.9")
        return self


class Layout(Value):
    """The whole of layout.toml."""

    margin: float = Field(ge=28)
    smallest_text: float = Field(ge=7)
    fonts: Fonts
    substitutes: dict[str, str]
    sizes: Sizes
    plot: PlotHeights
    columns: Edges
    colours: Colours


@cache
def layout() -> Layout:
    """Read layout.toml."""
    return Layout.model_validate(_read("layout.toml"))


class Way(Value):
    """One way to check a certificate."""

    heading: str
    text: str
    commands: tuple[str, ...]
    after: str


class HowToCheck(Value):
    """The whole of a how-to-check-XX.toml."""

    title: str
    lead: str
    root: str
    compare: str
    facts: str
    fingerprint: str
    way: tuple[Way, ...]
    closing: str

    def filled(self, **facts: str) -> "HowToCheck":
        """The page with its braces filled in."""
        return self.model_validate(_filled(self.model_dump(mode="json"), facts))


@cache
def how_to_check(language: str) -> HowToCheck:
    """Read the page in one language.

    Raises:
        HowToCheckMissingError: it is not at hand.
    """
    file = f"{HOW_TO_CHECK}{language}.toml"
    there = tuple(sorted(path.stem.removeprefix(HOW_TO_CHECK) for path in reports().glob(f"{HOW_TO_CHECK}*.toml")))
    if language not in there:
        raise HowToCheckMissingError(language, there, file)
    return HowToCheck.model_validate(_read(file))


def _filled(value: Any, facts: dict[str, str]) -> Any:
    """Every text of a nested value with its braces filled in; a brace that names nothing stays as it is."""
    if isinstance(value, str):
        for name, fact in facts.items():
            value = value.replace(f"{{{name}}}", fact)
        return value
    if isinstance(value, dict):
        return {key: _filled(one, facts) for key, one in value.items()}
    return [_filled(one, facts) for one in value]


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((reports() / name).read_text(encoding="utf-8"))
