"""Digits on the page: as many as the uncertainty justifies, and never so few that they belie the verdict."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.certificate.figures import MOST_DECIMALS, decimals_of, fewest_decimals, rounded, written, written_up

thousandths = st.integers(-(10**9), 10**9).map(lambda number: Fraction(number, 1000))


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [("503.449", 1, "503.4"), ("503.45", 1, "503.4"), ("503.55", 1, "503.6"), ("-0.04", 1, "0.0"), ("-0.26", 1, "−0.3"),
     ("7", 0, "7"), ("1178.5", 0, "1178"), ("0.5", 2, "0.50")],
)  # fmt: skip
def test_a_number_is_written_half_to_even_with_a_true_minus(value: str, decimals: int, text: str) -> None:
    """Rounding is exact, and nothing is ever printed as minus zero."""
    assert written(Fraction(value), decimals) == text


@pytest.mark.parametrize(
    ("uncertainty", "decimals"),
    [("1", 1), ("10", 0), ("0.54", 2), ("18", 0), ("9.99", 0), ("0.0996", 2), ("138", 0), ("0", 1)],
)
def test_an_uncertainty_is_shown_with_two_significant_digits(uncertainty: str, decimals: int) -> None:
    """GUM 7.2.6 (from memory): at most two significant digits of an uncertainty are worth printing."""
    assert decimals_of(Fraction(uncertainty)) == decimals


@pytest.mark.parametrize(
    ("uncertainty", "decimals", "text"),
    [("1.138", 1, "1.2"), ("1.138", 2, "1.14"), ("1.138", 0, "1.2"), ("0.5", 3, "0.500"), ("138", 0, "140"),
     ("0.0996", 2, "0.10"), ("0", 2, "0.00")],
)  # fmt: skip
def test_an_uncertainty_is_never_written_smaller_than_it_is(uncertainty: str, decimals: int, text: str) -> None:
    """Rounded up, with two significant digits or the decimals of its line."""
    assert written_up(Fraction(uncertainty), decimals) == text


def test_more_digits_are_printed_where_fewer_would_belie_the_verdict() -> None:
    """0.504 against a limit of 0.50 is not printed as 0.50."""
    found, limit = Fraction("0.504"), Fraction("0.50")
    assert fewest_decimals(2, lambda d: (rounded(found, d) <= limit) == (found <= limit)) == 3


@given(value=thousandths, decimals=st.integers(0, 6))
def test_what_is_written_is_what_was_rounded(value: Fraction, decimals: int) -> None:
    """The printed text and the number used to judge it are one."""
    assert Fraction(written(value, decimals).replace("−", "-")) == rounded(value, decimals)


@given(value=thousandths, limit=thousandths, start=st.integers(0, 2))
def test_the_printed_numbers_always_fall_on_the_same_side(value: Fraction, limit: Fraction, start: int) -> None:
    """Whatever the numbers, some count of decimals tells what the exact ones tell."""
    digits = fewest_decimals(start, lambda d: (rounded(value, d) >= rounded(limit, d)) == (value >= limit))
    assert start <= digits < MOST_DECIMALS
    assert (rounded(value, digits) >= rounded(limit, digits)) == (value >= limit)
