"""Which pressure unit the texts of a line name, so that a line in bar is never read as psi."""

import re
from collections.abc import Sequence

from testbench.quantities import AbsolutePressure

_WORD = re.compile(r"[A-Za-z][A-Za-z0-9/]*(?![A-Za-z0-9/]|\s*[=:])")
"""A word that is no label: ``Pa=`` names a value."""
_KNOWN = {unit.casefold(): unit for unit in (*AbsolutePressure.UNITS, "mmHg", "torr", "atm")} | {"kg/cm2": "kgf/cm2"}
_KNOWN |= {f"{unit}{suffix}": _KNOWN[unit] for unit in ("psi", "bar", "mbar", "kpa", "mpa") for suffix in "ga"}
"""As instruments spell them, in small letters; g and a for gauge and absolute: common practice."""


def pressure_unit_in(text: str) -> str | None:
    """The first pressure unit that a text names, as we write it; None where it names none."""
    words = (word.casefold() for word in _WORD.findall(text))
    return next((_KNOWN[word] for word in words if word in _KNOWN), None)


def unit_of_value(parts: Sequence[str | None], index: int) -> str | None:
    """The pressure unit of one value of a line.

    It is the first that is named behind the value, which may stand behind several; the last before it in a line that
    names one before its first value.

    Args:
        parts: texts, and None for a value.
        index: of the value, from 0.
    """
    places = [place for place, part in enumerate(parts) if part is None]
    units = [(place, unit) for place, part in enumerate(parts) if part and (unit := pressure_unit_in(part))]
    if units and units[0][0] < places[0]:
        return [unit for place, unit in units if place < places[index]][-1]
    return next((unit for place, unit in units if place > places[index]), None)
