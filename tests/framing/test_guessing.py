"""What unknown bytes are proposed to be: every proposal reads the very lines that it was made from."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from testbench.framing.checksums import ChecksumKind, crc16
from testbench.framing.guessing import guess, modbus_frames
from testbench.framing.readings import Reading
from testbench.station.line_settings import LINE_SETTINGS


def proposed(lines, delimiter=b"\r\n"):
    """The guess, and how many of the lines its settings read."""
    data = b"cut" + delimiter + delimiter.join(lines) + delimiter + b"+02"
    found = guess(data)
    if not found.settings:
        return found, 0
    framer = LINE_SETTINGS.validate_python({"port": "/dev/x", **found.settings}).framer()
    return found, sum(isinstance(item, Reading) for item in framer.feed(data))


def with_checksum(line, kind, star=b""):
    return line + star + b"%0*X" % (kind.hex_digits, kind.of(line))


SIGNED = [b"%+08.2f" % (250 + n / 7) for n in range(30)]


@pytest.mark.parametrize("delimiter", [b"\r\n", b"\n", b"\r"])
def test_lines_of_one_signed_number_are_surely_that(delimiter):
    """+0250.13: fixed digits, nothing left open."""
    found, read = proposed(SIGNED, delimiter)
    assert (found.sure, read) == ("sure", 30)
    assert found.why == "30 of 30 lines have the form of '+0254.14'"
    number = {"part": "number", "name": "pressure", "sign": "required", "whole_digits": 4, "decimals": 2}
    assert found.settings["parts"] == [number]


@pytest.mark.parametrize("kind", ChecksumKind)
@pytest.mark.parametrize("star", [b"", b"*"])
def test_a_checksum_at_the_end_is_recognised_by_its_value(kind, star):
    """LRC, exclusive or, CRC-16; with or without a star that it does not cover."""
    found, read = proposed([with_checksum(line + b" psi ", kind, star) for line in SIGNED])
    assert (found.sure, read) == ("sure", 30)
    assert found.settings["parts"][-1] == {"part": "checksum", "kind": kind.value} | ({"skip_last": 1} if star else {})


def test_digits_that_vary_make_a_proposal_no_more_than_likely():
    """A line that lost a digit would still fit."""
    found, read = proposed([b"%.1f bar" % (n * 7 / 3) for n in range(40)])
    assert (found.sure, read) == ("likely", 40)
    assert found.settings["lost_digits_may_pass"] is True
    assert found.why.endswith("; the number of digits varies, so a line that lost one still fits")


def test_blanks_for_leading_zeros_are_a_fixed_width():
    """Of a width that does not vary nothing can be lost."""
    found, read = proposed([b"%8.2f" % (n * 3.7) for n in range(40)])
    assert (found.settings["parts"][0]["padded"], read) == (True, 40)


def test_a_letter_that_changes_is_taken_for_a_status_whose_meaning_is_asked_for():
    """The usual one is proposed as good; the manual decides."""
    found, read = proposed([b"%+08.2f %c" % (n, b"GGGGH"[n % 5]) for n in range(30)])
    assert found.settings["parts"][-1] == {"part": "status", "codes": {" G": "good", " H": "fault"}}
    assert (found.sure, read) == ("likely", 24)
    assert found.why.endswith("; which of its status codes are good stands in the instrument's manual")


def test_two_values_get_two_names():
    """Pressure and whatever comes behind it."""
    found, read = proposed([b"%+08.2f,%+06.1f" % (n, 20 + n / 10) for n in range(30)])
    names = [part["name"] for part in found.settings["parts"] if part["part"] == "number"]
    assert (names, read) == (["pressure", "value 2"], 30)


@pytest.mark.parametrize(
    ("form", "unit", "part"),
    [
        (b"%+08.2f bar", "bar", {"part": "unit", "text": " bar"}),
        (b"%+08.2f PSIG", "psi", {"part": "unit", "text": " PSIG"}),
        (b"%+08.2f mbar", "mbar", {"part": "unit", "text": " mbar"}),
        (b"%+08.2f barn", None, {"part": "text", "text": " barn"}),
        (b"%+08.2f mA", None, {"part": "text", "text": " mA"}),
    ],
)
def test_a_known_unit_is_proposed_as_one(form, unit, part):
    """And told, so that the channel can be given the same; what is no pressure unit stays a text."""
    found, read = proposed([form % (250 + n / 7) for n in range(30)])
    assert (found.unit, found.settings["parts"][-1], read) == (unit, part, 30)


def test_the_unit_is_that_of_the_first_value():
    """Behind it; before it where the line begins with one."""
    assert proposed([b"%+08.2f psi;%+08.2f bar" % (n, n) for n in range(30)])[0].unit == "psi"
    assert proposed([b"psi %+08.2f;bar %+08.2f" % (n, n) for n in range(30)])[0].unit == "psi"


@pytest.mark.parametrize("form", [b"%+.5E", b"%+.5e psi", b"%.3E,%.3E"])
def test_exponent_notation_is_named_and_not_taken_apart(form):
    """2.50 would stand for 250: IEEE 488.2 calls it NR3, which only its answers are read in."""
    lines = [form % ((n + 250,) * form.count(b"%")) for n in range(30)]
    found, _ = proposed(lines)
    assert (found.settings, found.sure) == ({}, "none")
    assert found.why == (
        f"30 of 30 lines have numbers in exponent notation, such as {lines[-1].decode()!r}, which an ascii-line does "
        "not take; let the instrument send plain decimals, or ask it with protocol scpi where it answers queries"
    )


def test_a_status_letter_behind_the_number_is_no_exponent():
    """Not even an E: what follows is no digit."""
    found, read = proposed([b"%+08.2fE" % n for n in range(30)])
    assert (found.settings["parts"][-1], read) == ({"part": "text", "text": "E"}, 30)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "nothing arrives; it may be polled, and nothing was sent to find out"),
        (b"\xf8\x80\x00" * 9, "bytes arrive, but they are no text: wrong baud rate or framing, or another protocol"),
        (b"cut\r\n+0250.13\r\n+02", "1 whole lines, 3 are needed: listen longer"),
        (b"x\r\nready\r\nready\r\nready\r\nre", "lines arrive without a number in them, such as b'ready'"),
    ],
)  # fmt: skip
def test_nothing_is_proposed_where_nothing_is_known(data, why):
    """The reason is said instead."""
    found = guess(data)
    assert (found.settings, found.sure, found.why) == ({}, "none", why)


def test_another_masters_conversation_is_recognised_by_its_checksums():
    """Queries and answers of functions 3 and 4."""
    bodies = [bytes.fromhex("010400000002"), bytes.fromhex("010404437A2148")]
    frames = [body + crc16(body).to_bytes(2, "little") for body in bodies]
    data = b"\x00" + b"".join(frames * 3)
    assert modbus_frames(data) == 6
    assert guess(data).why == "6 sound Modbus frames pass by: another master polls this line"


@given(st.binary(max_size=400))
def test_no_bytes_upset_it(data):
    """It proposes something that the settings accept, or nothing."""
    found = guess(data)
    assert found.sure in {"sure", "likely", "doubtful", "none"}
    assert bool(found.settings) == (found.sure != "none")


@example([(0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (10.0, 0.0), (-0.0, 0.0)], b"%8.1f")
@given(
    st.lists(st.tuples(st.floats(-999, 999), st.floats(0, 99)), min_size=5, max_size=40),
    st.sampled_from([b"%+08.2f", b"%.3f bar", b"%8.1f", b"P=%+.2f;%.0f"]),
)
def test_what_is_proposed_reads_every_line_of_the_usual_form(numbers, form):
    """Whatever the digits."""
    two = form.count(b"%") == 2
    found, read = proposed([form % (pair if two else pair[:1]) for pair in numbers])
    if found.settings and found.sure != "doubtful":
        assert read >= 0.9 * len(numbers)
