"""Block type: what is drawn in the tables is what is read from 3 m."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.tui.glyphs import BIG, CAPTION, WORD, capitals, draw, largest, width, wrap
from testbench.tui.shapes import NAMES, shape

SIZES = pytest.mark.parametrize("size", [BIG, WORD, CAPTION], ids=["big", "word", "caption"])
WRITTEN = string.ascii_uppercase + string.digits + ".,:;-–+/()?!%'=≤≥±&#_·×→↑↓°m"


def test_a_digit_looks_like_itself():
    """Seven rows of two cells a point."""
    assert draw("1", BIG) == (
        "    ██    ",
        "  ████    ",
        "    ██    ",
        "    ██    ",
        "    ██    ",
        "    ██    ",
        "  ██████  ",
    )


def test_half_blocks_put_two_points_into_one_row():
    """The same digit in four rows, the last half empty."""
    assert draw("1", WORD) == (" ▄█  ", "  █  ", "  █  ", " ▀▀▀ ")


def test_lowered_type_leaves_its_free_half_row_above():
    """A caption keeps off the edge above it."""
    assert draw("-", CAPTION, lowered=True) == ("  ", "▄▄", "  ")
    assert draw("-", CAPTION) == ("  ", "▀▀", "  ")


@SIZES
def test_every_sign_that_the_screen_writes_is_in_both_tables(size):
    """A sign that is missing would be read as a question mark."""
    assert set(WRITTEN) <= set(size.glyphs)


@SIZES
def test_no_two_signs_look_alike(size):
    """Except the digit 0 and the letter O of the tall table, as on most displays."""
    drawn = {}
    for sign in WRITTEN:
        drawn.setdefault(size.glyphs[sign], []).append(sign)
    assert [signs for signs in drawn.values() if len(signs) > 1] == ([] if size is CAPTION else [["O", "0"]])


@SIZES
def test_all_digits_are_equally_wide(size):
    """A number that changes stands still."""
    assert len({width(digit, size) for digit in "0123456789"}) == 1


@SIZES
@given(text=st.text(max_size=30))
def test_any_text_can_be_drawn_and_its_rows_are_equally_long(size, text):
    """Whatever an order file holds, the screen does not stumble over it."""
    rows = draw(text, size)
    assert len(rows) == size.rows
    assert len({len(row) for row in rows}) == 1


def test_millilitres_stay_small():
    """Block type is in capitals, but mL written ML would be megalitres."""
    assert capitals("At most 177.4 mL/h, not ml or mLs") == "AT MOST 177.4 mL/H, NOT mL OR MLS"


def test_a_pressure_and_a_time_stand_side_by_side_in_120_columns():
    """The main screen's two numbers in the largest type."""
    assert width("507.34", BIG) <= 74 - 2
    assert width("9:59", BIG) <= 46 - 2
    assert width("59:59", BIG) > 46 - 2, "an hour-long hold falls back to smaller type"


@given(text=st.text(alphabet="ABC DEF", max_size=60), columns=st.integers(20, 120))
def test_wrapped_lines_fit_and_lose_no_word(text, columns):
    """No word is dropped, and a line is only too long if one word is."""
    lines = wrap(text, CAPTION, columns)
    assert " ".join(lines).split() == text.split()
    assert all(width(line, CAPTION) <= columns or " " not in line for line in lines)


def test_the_largest_size_that_fits_is_taken():
    """Big, then word, then caption, then none."""
    assert largest("507.34", 72, 8) is BIG
    assert largest("507.34", 63, 8) is WORD
    assert largest("507.34", 72, 6) is WORD
    assert largest("507.34", 24, 3) is CAPTION
    assert largest("507.34", 10, 3) is None


def test_every_state_has_a_shape_of_its_own():
    """States are told apart without colour."""
    drawn = [tuple(shape(name)) for name in NAMES]
    assert len(set(drawn)) == len(NAMES)
    assert {(len(one), len(one[0])) for one in drawn} == {(4, 9)}
