"""Nominal sizes: two names for one size, looked up and never converted."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import SizeUnknownError
from testbench.quantities import NominalSize

# The DN and NPS columns of the API 598 leakage table, 9th edition and later, as several makers reprint it.
PAIRS = {
    "2": 50, "2.5": 65, "3": 80, "4": 100, "5": 125, "6": 150, "8": 200, "10": 250, "12": 300, "14": 350,
    "16": 400, "18": 450, "20": 500, "24": 600, "26": 650, "28": 700, "30": 750, "32": 800, "36": 900,
    "40": 1000, "42": 1050, "48": 1200,
}  # fmt: skip


@pytest.mark.parametrize(("nps", "dn"), PAIRS.items())
def test_nps_and_dn_name_one_size(nps: str, dn: int):
    """NPS 2.5 is DN 65 and NPS 3 is DN 80, though 2.5 × 25.4 and 3 × 25.4 are neither."""
    size = NominalSize.from_nps(nps)
    assert size == NominalSize.from_dn(dn)
    assert (size.nps, size.dn, size.inches) == (nps, dn, Fraction(nps))
    assert str(size) == f"NPS {nps} (DN {dn})"


@pytest.mark.parametrize("number", ["8", 8, 8.0, "8.0", "08"])
def test_a_size_may_be_written_as_number_or_text(number: str | float):
    """However the eight is written, it is NPS 8."""
    assert NominalSize.from_nps(number).nps == "8"


def test_ten_is_ten():
    """A trailing zero of a whole number is kept."""
    assert NominalSize.from_nps("10").dn == 250
    assert NominalSize.from_nps("2.50").dn == 65


def test_a_size_that_is_in_no_table_is_refused_by_name():
    """Between 12 and 14 there is nothing to interpolate."""
    with pytest.raises(SizeUnknownError) as refusal:
        NominalSize.from_nps("13")
    assert str(refusal.value) == (
        "Size NPS 13 is not in the table of nominal sizes; it holds 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 14, 16, 18, 20, "
        "24, 26, 28, 30, 32, 36, 40, 42, 48."
    )
    assert "a procedure of its own" in refusal.value.remedy


def test_a_dn_that_is_in_no_table_is_refused_by_name():
    """DN 90 is no size, though it lies between two."""
    with pytest.raises(SizeUnknownError, match=r"^Size DN 90 is not in the table of nominal sizes; it holds 50, 65, "):
        NominalSize.from_dn(90)


@given(text=st.text(max_size=6))
def test_whatever_is_written_is_a_size_of_the_table_or_refused(text: str):
    """No text makes the lookup fail in another way."""
    try:
        size = NominalSize.from_nps(text)
    except SizeUnknownError:
        return
    assert size.nps in PAIRS


@given(dn=st.integers(-(10**6), 10**6))
def test_every_other_dn_is_refused(dn: int):
    """Only the numbers of the table are sizes."""
    if dn in PAIRS.values():
        assert NominalSize.from_dn(dn).dn == dn
    else:
        with pytest.raises(SizeUnknownError):
            NominalSize.from_dn(dn)
