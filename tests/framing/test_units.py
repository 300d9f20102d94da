"""Which unit a line names: spellings of the trade, and which of several values it belongs to."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.units import pressure_unit_in, unit_of_value
from testbench.quantities import AbsolutePressure


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        (" psi", "psi"), ("PSIA", "psi"), (" psi(g) ", "psi"), (" bar;", "bar"), ("barg", "bar"), ("BAR a", "bar"),
        ("MPA", "MPa"), (" kPag*", "kPa"), ("KG/CM2", "kgf/cm2"), ("mmHg", "mmHg"), ("Pa", "Pa"),
        ("Pa=", None), ("bar :", None), ("barn", None), ("P=", None), (" mA", None), (",", None), ("2bar2", None),
    ],
)  # fmt: skip
def test_a_unit_is_a_word_of_its_own(text, unit):
    """Spelt with large or small letters, with g or a behind it (common practice); a label is none."""
    assert pressure_unit_in(text) == unit


@pytest.mark.parametrize("unit", AbsolutePressure.UNITS)
def test_every_unit_that_we_know_is_found(unit):
    """As we write it ourselves."""
    assert pressure_unit_in(f" {unit}*") == unit


@pytest.mark.parametrize(
    ("parts", "units"),
    [
        ([None, " psi"], ["psi"]),
        ([None, ",", None, " bar"], ["bar", "bar"]),
        ([None, " psi;", None, " bar"], ["psi", "bar"]),
        (["psi ", None, " bar ", None], ["psi", "bar"]),
        (["psi ", None, ",", None], ["psi", "psi"]),
        ([None, " psi;", None, " degC"], ["psi", None]),
        ([None, ",", None], [None, None]),
    ],
)
def test_a_unit_belongs_to_the_values_before_it(parts, units):
    """Unless the line begins with one."""
    assert [unit_of_value(parts, index) for index in range(len(units))] == units


@given(st.lists(st.none() | st.text("psibar G,;", min_size=1, max_size=6), max_size=8).filter(lambda p: None in p))
def test_no_parts_upset_it(parts):
    """A unit for each value, or none; and none where no text names one."""
    found = [unit_of_value(parts, index) for index in range(parts.count(None))]
    named = {pressure_unit_in(part) for part in parts if part} | {None}
    assert set(found) <= named
