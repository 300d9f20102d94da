"""Answers in the forms of IEEE 488.2, 8.7.2 to 8.7.4 (from memory), and everything that is none of them."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.readings import Reading, Rejected, RejectReason
from testbench.framing.scpi import conversation, read_answer


@pytest.mark.parametrize(
    ("line", "counts"),
    [
        (b"250", 25000),  # NR1
        (b"+250", 25000),
        (b"-3", -300),
        (b"250.13", 25013),  # NR2
        (b"-0.02", -2),
        (b"+2.5013E+02", 25013),  # NR3
        (b"2.5013000000E+002", 25013),
        (b"-1.0E-03", 0),
        (b"2.50125E+02", 25012),  # ties go to the even neighbour
        (b"2.50135E+02", 25014),
    ],
)
def test_the_three_forms_of_a_number(line: bytes, counts: int):
    """Whole counts at two decimals, by exact decimal rounding."""
    assert read_answer(line, (2,)) == Reading(counts)


@pytest.mark.parametrize(
    "line",
    [
        b"", b" 250", b"250 ", b"250.", b".5", b"2.5E2", b"2.5e+02", b"2E+02", b"2.5E+", b"2.5E+1234", b"+-2", b"nan",
        b"INF", b"1_000", b"0x10", b"250;250", b"250\r", b"PRES 250.13", b"250.13PSI", b"2.5013E+02,", b",2.5",
    ],
)  # fmt: skip
def test_anything_else_is_no_number(line: bytes):
    """A header, a unit, a blank, a short exponent: no guess is made."""
    assert read_answer(line, (2,)) == Rejected(line, RejectReason.NOT_A_NUMBER)


@pytest.mark.parametrize("line", [b'"250.13"', b"'250.13'", b"#16250.13", b"#0250.13", b"#HFF"])
def test_strings_blocks_and_other_bases_are_refused(line: bytes):
    """8.7.5 to 8.7.10 (from memory): not what a pressure is sent in."""
    assert read_answer(line, (2,)) == Rejected(
        line, RejectReason.NOT_A_NUMBER, "a string, a block or a number in another base"
    )


@pytest.mark.parametrize("line", [b"9.9E+37", b"-9.9E+37", b"9.91E+37", b"+9.900000E+37", b"1.0E+99"])
def test_the_numbers_that_mean_no_number(line: bytes):
    """SCPI-99, 7.2.1 (from memory): ±9.9E37 is infinity, 9.91E37 not a number."""
    found = read_answer(line, (2,))
    assert found == Rejected(line, RejectReason.NOT_FINITE, "9.9E37 and above mean infinity or no number")
    assert isinstance(read_answer(b"9.8E+37", (2,)), Reading)


def test_several_numbers_have_a_count_of_their_own():
    """Exactly as many as agreed."""
    assert read_answer(b"+2.5013E+02,1.85E+01", (2, 1)) == Reading(25013, (185,))
    assert read_answer(b"+2.5013E+02", (2, 1)).detail == "1 numbers, asked were 2"
    assert read_answer(b"1,2,3", (2, 1)).reason is RejectReason.WRONG_LENGTH


@given(
    number=st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**6), max_value=10**6, places=6),
    places=st.integers(0, 4),
)
def test_any_number_in_any_form_is_rounded_exactly(number: Decimal, places: int):
    """Against the decimal module."""
    expected = Reading(int(number.scaleb(places).to_integral_value()))
    assert read_answer(f"{number:f}".encode(), (places,)) == expected
    mantissa, exponent = f"{number:.12E}".split("E")
    assert read_answer(f"{mantissa}E{int(exponent):+03d}".encode(), (places,)) == expected


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n", b"\r"])
def test_an_answer_is_read_up_to_its_terminator_at_every_cut(terminator: bytes):
    """IEEE 488.2, 8.5 (from memory): a new line ends a response; what follows belongs to nobody."""
    stream = b"+2.5013E+02" + terminator
    for cut in range(len(stream)):
        talk = conversation(b"MEAS:PRES?", (2,), terminator)
        assert talk.ask() == b"MEAS:PRES?" + terminator
        assert talk.feed(stream[:cut]) is None
        assert talk.feed(stream[cut:] + b"1") == Reading(25013)
        assert talk.unasked() == Rejected(b"1", RejectReason.LATE)


def test_an_answer_without_its_end_is_no_number():
    """ "+2.5" may be the beginning of "+2.5013E+02"."""
    talk = conversation(b"MEAS:PRES?", (2,))
    talk.ask()
    assert talk.feed(b"+2.5") is None
    assert talk.give_up() == Rejected(b"+2.5", RejectReason.CUT)


def test_an_echo_of_the_query_is_named():
    """A terminal server that echoes."""
    talk = conversation(b"MEAS:PRES?", (2,))
    talk.ask()
    assert talk.feed(b"MEAS:PRES?\n") == Rejected(b"MEAS:PRES?\n", RejectReason.ECHO)
