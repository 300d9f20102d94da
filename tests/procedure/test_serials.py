"""Serial numbers: ranges, look-alikes, and what a spreadsheet makes of them."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import SerialsUnreadableError
from testbench.procedure.serials import (
    LONGEST,
    MOST_VALVES,
    begins_a_formula,
    compared,
    doubt,
    objection,
    plain,
    serials_of,
    skeleton,
)

# Lists and ranges -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "first", "last", "count"),
    [
        ("HL-8-0001..HL-8-0040", "HL-8-0001", "HL-8-0040", 40),
        ("HL-8-0099..HL-8-0101", "HL-8-0099", "HL-8-0101", 3),
        ("HL-8-0007..HL-8-0007", "HL-8-0007", "HL-8-0007", 1),
        ("007-A..011-A", "007-A", "011-A", 5),
        ("HL-1 .. HL-3", "HL-1", "HL-3", 3),
        ("A|B|C1..C3", "A", "C3", 5),
        ("HL-8-0001", "HL-8-0001", "HL-8-0001", 1),
    ],
)
def test_lists_and_ranges_are_counted_out(written, first, last, count):
    """Both ends are in it, and the digits keep their width."""
    found = serials_of(written)
    assert (found[0], found[-1], len(found)) == (first, last, count)


BACKWARD = ("an end before its beginning", "a range goes up, to 20000 serial numbers at most")
UNLIKE = (
    "ends that differ in more than a number",
    "both ends differ in their last digits only, and have as many of them",
)
NOTHING = ("an empty place", "| and .. have a serial number on both sides")


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("HL-8-0040..HL-8-0001", BACKWARD),
        ("HL-8-1..HL-8-10", UNLIKE),
        ("HL-6-0001..HL-8-0002", UNLIKE),
        ("A..B", ("an end without digits", "a range counts digits")),
        ("A1|", NOTHING),
        ("A1..", NOTHING),
        (f"{'9' * 41}..9", ("an end that is too long", "a serial number has 1 to 40 signs")),
    ],
)
def test_what_cannot_be_counted_out_is_refused(written, said):
    """Nobody guesses whether HL-8-1 to HL-8-10 has nine, ten or two valves."""
    with pytest.raises(SerialsUnreadableError) as refusal:
        serials_of(written)
    found, allowed = said
    assert str(refusal.value) == f"Serial numbers '{written}': found {found}; {allowed}."
    assert refusal.value.remedy == "Write HL-8-0001..HL-8-0040 for a range, A|B for a list; nothing has been changed."


def test_a_range_is_bounded_before_it_is_counted():
    """20,000 are an order; one more, or a typing error of a thousand million, is refused at once."""
    assert len(serials_of("A-00001..A-20000")) == MOST_VALVES
    with pytest.raises(SerialsUnreadableError, match="found 20001 serial numbers; a range goes up, to 20000"):
        serials_of("A-00001..A-20001")
    with pytest.raises(SerialsUnreadableError, match="found 999999999999 serial numbers"):
        serials_of("A-000000000001..A-999999999999")
    with pytest.raises(SerialsUnreadableError, match="found more than 20000 serial numbers; an order has no more"):
        serials_of("A-00001..A-20000|B")


@given(
    st.text("HL-", max_size=4), st.integers(0, 9_000), st.integers(0, 300), st.integers(5, 8), st.text("AB", max_size=2)
)
def test_a_range_is_its_numbers_in_order(before, begin, more, width, after):
    """As many as the ends say, all of one length, all different, going up."""
    ends = [f"{before}{number:0{width}d}{after}" for number in (begin, begin + more)]
    found = serials_of("..".join(ends))
    assert [found[0], found[-1], len(found)] == [*ends, more + 1]
    assert sorted(set(found)) == list(found)
    assert {len(serial) for serial in found} == {len(ends[0])}


# The same, and look-alikes ----------------------------------------------------------------------


@pytest.mark.parametrize("other", ["hl-8-0119", " HL-8-0119 ", "ＨＬ-8-0119", "HL-8-0119\u00a0"])
def test_capitals_and_spaces_make_no_other_number(other):
    """The same valve."""
    assert compared(other) == compared("HL-8-0119")


@pytest.mark.parametrize(
    "other",
    ["HL-8-O119", "HL-B-0119", "HL-8-0II9", "HL-8-0ll9", "HI-8-0119", "НL-8-0119", "HL-8-0119".replace("-", "–"),
     "HL-8 -0119"],
)  # fmt: skip
def test_look_alikes_share_a_skeleton(other):
    """O/0, I/1/l, S/5, B/8, another alphabet, another dash, a space (common practice of marking: avoid O, I, S, B)."""
    assert skeleton(other) == skeleton("HL-8-0119")


@pytest.mark.parametrize("other", ["HL-8-0118", "HL-9-0119", "HL8-0119", "HL-8-119", "HL-8-0119A"])
def test_what_can_be_told_apart_is_no_look_alike(other):
    """Another digit, a missing sign."""
    assert skeleton(other) != skeleton("HL-8-0119")


SIGNS = st.text(st.sampled_from("OolI1iLS5sB8b0AXZ2 -ОНαо–ｓ"), min_size=1, max_size=12)


@given(SIGNS)
def test_folding_again_changes_nothing(serial):
    """Skeleton and plain form are their own."""
    assert skeleton(skeleton(serial)) == skeleton(serial)
    assert plain(plain(serial)) == plain(serial)


@given(SIGNS)
def test_the_same_number_always_looks_alike(serial):
    """What is the same cannot look different: other case, full width, spaces round it."""
    wide = "".join(chr(ord(sign) + 0xFEE0) if "!" <= sign <= "~" else sign for sign in serial)
    for other in (serial.swapcase(), wide, f" {serial}\u00a0"):
        assert compared(other) == compared(serial)
        assert skeleton(other) == skeleton(serial)


@pytest.mark.parametrize(
    ("serial", "said"),
    [
        ("HL-8-О119", "its sign 'О' is CYRILLIC CAPITAL LETTER O, which looks like 'O'"),
        ("ΗL-8-0119", "its sign 'Η' is GREEK CAPITAL LETTER ETA, which looks like 'H'"),
        ("HL–8", "its sign '–' is EN DASH, which looks like '-'"),
        ("HL-8-0119", ""),
        ("ÄÖ-8", ""),
    ],
)
def test_a_sign_of_another_alphabet_is_doubted(serial, said):
    """It is on no keyboard of the shop; a scanner will not read it back. A letter that looks like itself is fine."""
    assert doubt(serial) == said


EXPONENT = "a number with an exponent"


@pytest.mark.parametrize(
    ("serial", "what"),
    [("1E5", EXPONENT), ("1.00E+05", EXPONENT), ("1,2e11", EXPONENT), ("2026-11-26", "a day"), ("26/11/2026", "a day"),
     ("1.8.26", "a day"), ("8-Jan", "a day"), ("01-Mar-26", "a day"), ("Jan-08", "a month")],
)  # fmt: skip
def test_what_a_spreadsheet_rewrites_is_doubted(serial, what):
    """1E5, days and months: forms that spreadsheets turn entries into (common practice, from memory)."""
    assert doubt(serial) == f"it looks like {what} that a spreadsheet made of it; keep that column as text"


@pytest.mark.parametrize(
    "serial", ["HL-1E5", "1E5A", "8-0119-1", "2026-13-40", "32/12/26", "8-JANE", "00042", "1-2-3456"]
)
def test_what_only_resembles_a_day_or_a_number_is_not(serial):
    """Month 13, day 32, a letter more. 00042 that became 42 cannot be seen."""
    assert doubt(serial) == ""


@pytest.mark.parametrize(
    ("serial", "said"),
    [
        ("", "a serial number has 1 to 40 signs"),
        ("x" * (LONGEST + 1), "a serial number has 1 to 40 signs"),
        ("HL\t8", "a serial number is one line of signs that can be seen"),
        ("HL\u200b8", "a serial number is one line of signs that can be seen"),
        ("HL\u202e8", "a serial number is one line of signs that can be seen"),
        ("x" * LONGEST, ""),
    ],
)
def test_a_serial_number_can_be_seen(serial, said):
    """No tab, no sign without width, no turn of the writing."""
    assert objection(serial) == said


# Formulas ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@x", "\tx", "\rx", "＝1", "＋1", "－1", "＠x"])
def test_what_a_spreadsheet_runs_is_known_by_its_first_sign(text):
    """OWASP, "CSV Injection": = + - @ tab CR, and the full-width forms."""
    assert begins_a_formula(text)


@given(st.text(min_size=1))
def test_nothing_else_begins_a_formula(text):
    """By the first sign alone."""
    assert begins_a_formula(text) == (unicodedata.normalize("NFKC", text[0]) in set("=+-@\t\r"))
