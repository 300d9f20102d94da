"""Where wording and layout lie, and how they are read: the only place here that looks for files of the package."""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import Field

from testbench.procedure.valve import Value


def reports() -> Path:
    """The folder ``reports/``: inside an installed package, else beside it in a working copy."""
    package = Path(__file__).parents[1]
    installed = package / "data" / "reports"
    return installed if installed.is_dir() else package.parent / "reports"


@dataclass(frozen=True, slots=True)
class Words:
    """The texts of wording.toml under dotted keys."""

    language: str
    texts: dict[str, str]

    def __call__(self, key: str, **facts: object) -> str:
        """The text under a key, its braces filled in."""
        return self.texts[key].format(**facts)

    def get(self, key: str, otherwise: str) -> str:
        """The text under a key, or another where there is none."""
        return self.texts.get(key, otherwise)


@cache
def words() -> Words:
    """Read wording.toml."""
    found = _read("wording.toml")
    language = str(found.pop("language"))
    texts = {f"{part}.{key}": text for part, section in found.items() for key, text in section.items()}
    return Words(language, texts)


@cache
def statements() -> dict[str, str]:
    """What the signer of each meaning agrees to (statements.toml)."""
    return {key: str(text) for key, text in _read("statements.toml").items()}


class Fonts(Value):
    """Files of the three faces."""

    regular: str
    strong: str
    bold: str


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
    lowest: float


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


class Layout(Value):
    """The whole of layout.toml."""

    margin: float = Field(ge=28)
    smallest_text: float = Field(ge=7)
    fonts: Fonts
    substitutes: dict[str, str]
    sizes: Sizes
    plot: PlotHeights
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
    """The whole of how-to-check.toml."""

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
def how_to_check() -> HowToCheck:
    """Read how-to-check.toml."""
    return HowToCheck.model_validate(_read("how-to-check.toml"))


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
