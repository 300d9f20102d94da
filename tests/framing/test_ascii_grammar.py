"""Lines built from named parts: what fits, what does not, and that damage does not fit."""

import functools
import operator
import random
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.ascii_grammar import Checksum, LineGrammar, Literal, Number, Sign, Status
from testbench.framing.checksums import ChecksumKind
from testbench.framing.exchange import Exchange, line_judge
from testbench.framing.lines import GrammarFramer
from testbench.framing.readings import Meaning, Reading, Rejected, RejectReason

NO_NUMBER = RejectReason.NOT_A_NUMBER
CODES = {b"G": Meaning.GOOD, b"H": Meaning.OVER_RANGE, b"L": Meaning.UNDER_RANGE, b"E": Meaning.FAULT}


def one(**settings) -> LineGrammar:
    return LineGrammar((Number(**{"decimals": 2, "whole_digits": 4} | settings),))


@pytest.mark.parametrize(
    ("settings", "line", "counts"),
    [
        ({}, b"+0250.13", 25013),
        ({"sign": Sign.NONE}, b"0250.13", 25013),
        ({"sign": Sign.OPTIONAL}, b"0250.13", 25013),
        ({"sign": Sign.OPTIONAL}, b"-0250.13", -25013),
        ({"decimal_mark": b","}, b"+0250,13", 25013),
        ({"decimal_mark": b""}, b"+025013", 25013),
        ({"decimals": 0}, b"+0250", 250),
        ({"fewest_whole_digits": 1}, b"+0.13", 13),
        ({"fewest_whole_digits": 1}, b"+9999.13", 999913),
        ({"padded": True}, b" +250.13", 25013),
        ({"padded": True}, b"   -0.02", -2),
        ({"padded": True}, b"+0250.13", 25013),
        ({"padded": True, "sign": Sign.NONE}, b" 250.13", 25013),
        ({"padded": True, "sign": Sign.OPTIONAL}, b"  250.13", 25013),
        ({"padded": True, "sign": Sign.OPTIONAL}, b" -250.13", -25013),
        ({"padded": True, "sign": Sign.OPTIONAL}, b"-1250.13", -125013),
    ],
)
def test_a_number_as_the_settings_say(settings, line: bytes, counts: int):
    """Sign, digits, decimal mark, padding."""
    assert one(**settings).read(line) == Reading(counts)


@pytest.mark.parametrize(
    ("settings", "line"),
    [
        ({}, b"0250.13"),
        ({}, b"+250.13"),
        ({}, b"+0250,13"),
        ({"sign": Sign.NONE}, b"+0250.13"),
        ({"sign": Sign.OPTIONAL}, b" 0250.13"),
        ({"decimal_mark": b""}, b"+0250.13"),
        ({"decimals": 0}, b"+0250."),
        ({"fewest_whole_digits": 2}, b"+0.13"),
        ({"fewest_whole_digits": 1}, b"+10000.13"),
        ({"fewest_whole_digits": 1}, b"+.13"),
        ({"padded": True}, b"+250.13"),  # one blank short
        ({"padded": True}, b"  +250.13"),  # one too many
        ({"padded": True}, b"+ 250.13"),
        ({"padded": True}, b"    +.13"),
        ({"padded": True, "sign": Sign.OPTIONAL}, b" 250.13"),
        ({"padded": True, "sign": Sign.NONE}, b"-250.13"),
        ({}, b""),
        ({}, b"+0250.13\n"),
        ({}, "+٠٢٥٠.١٣".encode()),
    ],
)
def test_anything_else_is_rejected(settings, line: bytes):
    """Not one byte more or less."""
    assert one(**settings).read(line) == Rejected(line, NO_NUMBER)


STATUS = LineGrammar((Number(2, 4), Literal(b" psi "), Status(CODES)), {b"NO SENSOR": Meaning.FAULT})


@pytest.mark.parametrize(
    ("line", "found"),
    [
        (b"+0250.13 psi G", Reading(25013)),
        (b"+0999.99 psi H", Rejected(b"+0999.99 psi H", RejectReason.OVER_RANGE, "status 'H'")),
        (b"-0001.00 psi L", Rejected(b"-0001.00 psi L", RejectReason.UNDER_RANGE, "status 'L'")),
        (b"+0250.13 psi E", Rejected(b"+0250.13 psi E", RejectReason.FAULT, "status 'E'")),
        (b"+0250.13 psi X", Rejected(b"+0250.13 psi X", NO_NUMBER)),
        (b"+0250.13 bar G", Rejected(b"+0250.13 bar G", NO_NUMBER)),
        (b"+025O.13 psi E", Rejected(b"+025O.13 psi E", NO_NUMBER)),  # damage is not called a status
        (b"NO SENSOR", Rejected(b"NO SENSOR", RejectReason.FAULT, "status 'NO SENSOR'")),
    ],
)
def test_the_instrument_says_how_good_its_reading_is(line: bytes, found: Reading | Rejected):
    """A number beside a status that is not good is no reading, however plausible."""
    assert STATUS.read(line) == found


def test_several_values_in_a_line_and_one_bad_status_spoils_all():
    """Pressure, its status, temperature."""
    grammar = LineGrammar((Number(2, 4), Status(CODES), Literal(b";"), Number(1, 2, sign=Sign.NONE), Status(CODES)))
    assert grammar.read(b"+0250.13G;18.5G") == Reading(25013, (185,))
    assert grammar.read(b"+0250.13G;18.5E").reason is RejectReason.FAULT


def checked(kind: ChecksumKind, **settings) -> LineGrammar:
    return LineGrammar((Number(2, 4), Literal(b"*"), Checksum(kind, skip_last=1, **settings)))


@pytest.mark.parametrize(
    ("grammar", "digits"),
    [
        (checked(ChecksumKind.XOR), b"00"),  # by hand
        (checked(ChecksumKind.LRC), b"7C"),  # this and the CRC as pymodbus 3.16.1 computes them
        (checked(ChecksumKind.CRC16_MODBUS), b"3981"),
        (checked(ChecksumKind.CRC16_MODBUS, low_byte_first=True), b"8139"),
    ],
)
def test_a_checksum_is_checked(grammar: LineGrammar, digits: bytes):
    """Right, wrong by one, and in small letters where those are agreed."""
    line = b"+0250.13*" + digits
    assert grammar.read(line) == Reading(25013)
    small = LineGrammar((*grammar.parts[:-1], replace(grammar.parts[-1], small_letters=True)))
    assert small.read(line.lower()) == Reading(25013)
    if line != line.lower():
        assert grammar.read(line.lower()) == Rejected(line.lower(), NO_NUMBER)
        assert small.read(line) == Rejected(line, NO_NUMBER)
    off_by_one = b"+0250.13*%0*X" % (len(digits), int(digits, 16) ^ 1)
    assert grammar.read(off_by_one) == Rejected(off_by_one, RejectReason.CHECKSUM)


def test_a_checksum_covers_the_bytes_that_the_settings_state():
    """From behind a leading mark to before the star."""
    grammar = LineGrammar((
        Literal(b"$"),
        Number(0, 1, sign=Sign.NONE),
        Literal(b"*"),
        Checksum(ChecksumKind.XOR, skip_first=1, skip_last=1),
    ))
    assert grammar.read(b"$7*37") == Reading(7)  # "7" is 0x37
    assert grammar.read(b"$7*1D").reason is RejectReason.CHECKSUM  # 0x37 ^ 0x2A, with the star


def test_a_bad_checksum_is_named_before_a_bad_status():
    """A status that may itself be damaged says nothing."""
    grammar = LineGrammar((Number(0, 1), Status(CODES), Checksum(ChecksumKind.XOR)))
    assert grammar.read(b"+1E00").reason is RejectReason.CHECKSUM


DELIMITERS = [b"\r", b"\n", b"\r\n", b"\n\r", b";", b"\x03", b"\x03\x04"]


@pytest.mark.parametrize("delimiter", DELIMITERS)
def test_any_delimiter_of_one_or_two_bytes(delimiter: bytes):
    """The first line after opening is thrown away, the others count, at every cut."""
    stream = delimiter.join([b"50.13", b"+0250.13", b"+0250.14", b""])
    whole = GrammarFramer(one(), delimiter).feed(stream)
    assert [item.counts for item in whole if isinstance(item, Reading)] == [25013, 25014]
    for cut in range(len(stream)):
        framer = GrammarFramer(one(), delimiter)
        assert framer.feed(stream[:cut]) + framer.feed(stream[cut:]) == whole


@pytest.mark.parametrize("delimiter", [d for d in DELIMITERS if len(d) == 2])
def test_half_a_delimiter_ends_no_reading(delimiter: bytes):
    """The first byte of two lost, the last lost, both swapped."""
    framer = GrammarFramer(one(), delimiter)
    framer.feed(delimiter)
    for end in (delimiter[1:], delimiter[:1] + delimiter, delimiter[::-1] + delimiter[1:]):
        assert not [item for item in framer.feed(b"+0250.13" + end) if isinstance(item, Reading)]


def text_of(counts: int) -> bytes:
    body = f"{counts / 100:+08.2f} psi G".encode()
    return body + b"*%02X" % functools.reduce(operator.xor, body)


FULL = LineGrammar((
    Number(2, 4),
    Literal(b" psi "),
    Status(CODES),
    Literal(b"*"),
    Checksum(ChecksumKind.XOR, skip_last=1),
))


def damaged(line: bytes, rng: random.Random) -> bytes:
    """One line as the wire may spoil it; none of these is a whole line."""
    place = rng.randrange(1, len(line) - 1)
    kinds = [
        line[place:],
        line[:place],
        line[:-1],
        line[:place] + line[place + 1 :],
        line[:place] + line[place - 1 :],
        line[:place] + b"\r" + line[place:],
        line[:place] + bytes([line[place] ^ 1 << rng.randrange(8)]) + line[place + 1 :],
        line[:place] + rng.randbytes(rng.randrange(1, 9)),
        b"\xff\x00" + line,
    ]
    return rng.choice(kinds)


def test_of_twenty_thousand_damaged_lines_none_becomes_a_value():
    """Every single one is cut, joined, torn, flipped or spoilt, in portions of any size; one sound line ends them."""
    rng = random.Random(488)
    sound = {text_of(counts) for counts in range(100_000)}
    stream = bytearray(b"\r")
    for _ in range(20_000):
        piece = damaged(text_of(rng.randrange(0, 100_000)) + b"\r", rng)
        joined = set(bytes(stream[-80:] + piece).split(b"\r")[1:])
        if not joined & sound:  # a "+" and the rest of the next line would be that very line
            stream += piece
    assert not set(bytes(stream).split(b"\r")) & sound
    stream += b"\r" + text_of(12345) + b"\r"
    framer, found = GrammarFramer(FULL, b"\r"), []
    while stream:
        size = rng.randrange(1, 200)
        found += framer.feed(bytes(stream[:size]))
        del stream[:size]
    readings = [item for item in found if isinstance(item, Reading)]
    # An 8-bit checksum lets one of 256 random changes pass; here the grammar around it leaves none of them.
    assert readings == [Reading(12345)]
    assert len(found) > 15_000  # the others lost their ends and ran together


streams = st.lists(
    st.one_of(
        st.integers(-999999, 999999).map(lambda counts: text_of(counts) + b"\r\n"),
        st.binary(max_size=30),
        st.sampled_from([
            b"\r",
            b"\n",
            b"\r\n",
            b"+0250.13 psi",
            b"NO SENSOR\r\n",
            b"\xff\x00\n",
            b"\xff\xff",
            b"x" * 70,
        ]),
    ),
    max_size=8,
).map(b"".join)


@given(stream=streams, cuts=st.lists(st.integers(0, 300), max_size=12), marked=st.booleans())
def test_any_portions_give_the_same(stream: bytes, cuts: list[int], marked: bool):
    """Free-running lines with status, checksum and the kernel's marks."""
    places = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    framer = GrammarFramer(FULL, marked=marked)
    portions = [stream[start:end] for start, end in pairwise(places)]
    whole = GrammarFramer(FULL, marked=marked).feed(stream)
    assert [found for portion in portions for found in framer.feed(portion)] == whole


@given(stream=streams, cuts=st.lists(st.integers(0, 300), max_size=12), marked=st.booleans(), echoed=st.booleans())
def test_any_portions_give_the_same_answer_to_a_query(stream: bytes, cuts: list[int], marked: bool, echoed: bool):
    """The answer, and the bytes that nobody asked for."""

    def asked() -> Exchange:
        talk = Exchange(b"P?\r\n", line_judge(FULL.read, b"\r\n"), 64, marked=marked, echoed=echoed)
        talk.ask()
        return talk

    def result(portions: list[bytes]):
        talk = asked()
        found = [item for item in map(talk.feed, portions) if item is not None]
        return found or [talk.give_up()], talk.unasked()

    stream = b"P?\r\n" + stream
    for sent in (stream, stream[4:]):
        places = [0, *sorted(min(cut, len(sent)) for cut in cuts), len(sent)]
        assert result([sent[start:end] for start, end in pairwise(places)]) == result([sent])
