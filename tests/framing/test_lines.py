"""Lines from the wire: what becomes a reading, what does not, and that no damage becomes a value."""

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.lines import LineFramer, Reading, Rejected, RejectReason

FIRST, NO_NUMBER, TOO_LONG = RejectReason.FIRST_PARTIAL, RejectReason.NOT_A_NUMBER, RejectReason.TOO_LONG


def joined(**settings: int) -> LineFramer:
    """A framer that has already seen a line end."""
    framer = LineFramer(**settings)
    framer.feed(b"\n")
    return framer


def line(counts: int) -> bytes:
    return f"{counts / 100:+08.2f}\r\n".encode()


@pytest.mark.parametrize(
    ("data", "counts"),
    [
        (b"+0250.13\r\n", 25013),
        (b"-0000.02\r\n", -2),
        (b"+0000.00\r\n", 0),
        (b"-0000.00\r\n", 0),
        (b"+9999.99\r\n", 999999),
    ],
)
def test_a_whole_line_is_a_reading(data: bytes, counts: int):
    """The number is kept as the integer that the instrument wrote, so that nothing is rounded."""
    assert joined().feed(data) == [Reading(counts)]


@pytest.mark.parametrize(
    "found",
    [
        b"0250.13\r", b"+250.13\r", b"+00250.13\r", b"+0250.1\r", b"+0250.130\r", b"+0250\r", b"+0250,13\r",
        b"+0250.13", b"+0250.13\r\r", b" +0250.13\r", b"+0250.13 \r", b"+0250.13 psi\r", b"+025O.13\r", b"nan\r",
        b"+inf\r", b"+1e3\r", b"+1_00.00\r", b"++250.13\r", b"\r", b"", b"+0250.13+0250.14\r", b"50.13\r", b"+02",
        "+٠٢٥٠.١٣\r".encode(),
    ],
)  # fmt: skip
def test_anything_else_is_rejected_with_its_bytes(found: bytes):
    """A missing sign or digit, a comma, a unit, a letter: no guess is made, and the bytes are kept."""
    assert joined().feed(found + b"\n+0250.14\r\n") == [Rejected(found, NO_NUMBER), Reading(25014)]


@pytest.mark.parametrize(
    ("settings", "data", "counts"),
    [
        ({"decimals": 0}, b"+0250\r\n", 250),
        ({"decimals": 3, "whole_digits": 2}, b"-01.250\r\n", -1250),
        ({"decimals": 1, "whole_digits": 5}, b"+00250.1\r\n", 2501),
    ],
)
def test_the_grammar_follows_the_transmitter(settings: dict[str, int], data: bytes, counts: int):
    """Digits before and after the point are what the channel says, no more and no fewer."""
    assert joined(**settings).feed(data) == [Reading(counts)]
    assert joined(**settings).feed(b"+0250.13\r\n") == [Rejected(b"+0250.13\r", NO_NUMBER)]


def test_the_first_line_after_opening_is_thrown_away():
    """The stream may be joined in mid-line: "50.13" is a piece of "+0250.13", and a whole line cannot be told apart."""
    assert LineFramer().feed(b"50.13\r\n+0250.13\r\n") == [Rejected(b"50.13\r", FIRST), Reading(25013)]
    assert LineFramer().feed(b"+0250.13\r\n") == [Rejected(b"+0250.13\r", FIRST)]


def test_after_a_reset_the_first_line_is_thrown_away_again():
    """A cable that was out comes back in mid-line; what was held from before is gone."""
    framer = joined()
    framer.feed(b"+02")
    framer.reset()
    assert framer.feed(b"50.13\r\n+0250.14\r\n") == [Rejected(b"50.13\r", FIRST), Reading(25014)]


def test_a_line_in_two_halves_is_one_reading():
    """A pause within a line makes neither a short value nor two values."""
    framer = joined()
    assert framer.feed(b"+0250") == []
    assert framer.feed(b".13\r") == []
    assert framer.feed(b"\n") == [Reading(25013)]


@pytest.mark.parametrize("longest", [10, 64])
def test_endless_bytes_without_a_line_end_fill_no_memory(longest: int):
    """A wrong baud rate gives bytes and no line ends: at most ``longest`` are held, the rest is out, rejected."""
    framer = joined(longest=longest)
    garbage = bytes(random.Random(7).choices([b for b in range(256) if b != 10], k=100_000))
    kept = bytearray()
    for start in range(0, len(garbage), 37):
        for found in framer.feed(garbage[start : start + 37]):
            assert isinstance(found, Rejected)
            assert found.reason is TOO_LONG
            assert len(found.raw) == longest
            kept += found.raw
    assert garbage.startswith(bytes(kept))
    assert len(garbage) - len(kept) <= longest


def test_a_line_of_the_longest_length_and_one_byte_more():
    """Exactly ``longest`` bytes are still a line (though no number); one more is too long, in two pieces."""
    assert joined(longest=20).feed(b"x" * 20 + b"\n") == [Rejected(b"x" * 20, NO_NUMBER)]
    assert joined(longest=20).feed(b"x" * 21 + b"\n") == [Rejected(b"x" * 20, TOO_LONG), Rejected(b"x", TOO_LONG)]


def test_a_reading_cannot_hide_at_the_end_of_a_line_that_is_too_long():
    """What follows an overlong beginning is a piece of the same line, however much it looks like a number."""
    found = joined(longest=20).feed(b"x" * 20 + b"+0250.13\r\n+0250.14\r\n")
    assert found == [Rejected(b"x" * 20, TOO_LONG), Rejected(b"+0250.13\r", TOO_LONG), Reading(25014)]


def test_an_overlong_first_line_does_not_take_the_next_with_it():
    """After garbage at opening the first whole line counts."""
    found = LineFramer(longest=20).feed(b"x" * 25 + b"\n+0250.13\r\n")
    assert found == [Rejected(b"x" * 20, TOO_LONG), Rejected(b"x" * 5, FIRST), Reading(25013)]


pieces = st.one_of(
    st.integers(-999999, 999999).map(line),
    st.binary(max_size=30),
    st.sampled_from([b"+0250.13", b"\r\n", b"\n", b"\n\n", b"50.13\r\n", b"x" * 70, b"+0250.13\r\n+0250", b"\x00\xff"]),
)
streams = st.lists(pieces, max_size=12).map(b"".join)


@given(stream=streams, longest=st.integers(9, 64))
def test_where_the_bytes_are_cut_makes_no_difference(stream: bytes, longest: int):
    """The same stream cut at every single place, and fed byte by byte, gives the same readings and rejections."""
    whole = LineFramer(longest=longest).feed(stream)
    for cut in range(len(stream) + 1):
        framer = LineFramer(longest=longest)
        assert framer.feed(stream[:cut]) + framer.feed(stream[cut:]) == whole
    framer = LineFramer(longest=longest)
    assert [found for byte in stream for found in framer.feed(bytes([byte]))] == whole


@given(stream=streams, cuts=st.lists(st.integers(0, 400), max_size=20))
def test_any_portions_give_the_same(stream: bytes, cuts: list[int]):
    """A port may deliver in whatever heaps it likes."""
    framer = LineFramer()
    places = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    portions = [stream[start:end] for start, end in pairwise(places)]
    assert [found for portion in portions for found in framer.feed(portion)] == LineFramer().feed(stream)


@given(stream=streams)
def test_no_rejected_byte_is_lost(stream: bytes):
    """Readings written out again, rejected bytes and line ends together are the stream, up to its last line end."""
    again, rest = bytearray(), stream
    for found in LineFramer(longest=64).feed(stream):
        raw = f"{found.counts / 100:+08.2f}\r".encode() if isinstance(found, Reading) else found.raw
        raw = b"-0000.00\r" if rest.startswith(b"-0000.00\r") else raw
        assert rest.startswith(raw)
        again += raw
        rest = rest[len(raw) :]
        if rest.startswith(b"\n") and not (isinstance(found, Rejected) and found.reason is TOO_LONG and len(raw) == 64):
            rest = rest[1:]
    assert b"\n" not in rest[:65]


@given(counts=st.lists(st.integers(-999999, 999999), min_size=1, max_size=30))
def test_every_undamaged_line_arrives_in_order(counts: list[int]):
    """Nothing is dropped, doubled or swapped."""
    assert joined().feed(b"".join(map(line, counts))) == [Reading(number) for number in counts]


def damages(intact: bytes, rng: random.Random) -> dict[str, bytes]:
    """The ways in which a line suffers on the wire; none of them leaves a whole line of the right shape."""
    body, place, stray = intact[:-2], rng.randrange(1, 8), rng.choice(b"\x00\x7f\xff xOe,_")
    return {
        "head lost": intact[place:],
        "tail lost": body[:place],  # with its line end: it runs into the next line
        "line end lost": body,
        "carriage return lost": body + b"\n",
        "byte lost": body[:place] + body[place + 1 :] + b"\r\n",
        "byte doubled": body[:place] + body[place - 1 :] + b"\r\n",
        "torn in two": body[:place] + b"\r\n" + body[place:] + b"\r\n",
        "stray byte": body[:place] + bytes([stray]) + body[place + 1 :] + b"\r\n",
    }


def test_of_twenty_thousand_lines_no_damaged_one_becomes_a_value():
    """Of 20 000 lines every 25th is cut, joined, torn or spoilt: exactly the whole ones come out, in order."""
    rng = random.Random(20_000)
    stream, expected, runs_on, spoilt = bytearray(b"\n"), [], False, 0
    for number in range(20_000):
        counts = rng.randrange(0, 100_000)
        intact = line(counts)
        if number % 25 == 24:
            kind, remains = rng.choice([*damages(intact, rng).items()])
            stream += remains
            spoilt += 1
            runs_on = kind in {"tail lost", "line end lost"}
            continue
        stream += intact
        if runs_on:
            spoilt += 1  # the line before had no end, so this one cannot be told from it
        else:
            expected.append(counts)
        runs_on = False
    framer, found = LineFramer(), []
    while stream:
        portion = rng.randrange(1, 200)
        found += framer.feed(bytes(stream[:portion]))
        del stream[:portion]
    assert [item.counts for item in found if isinstance(item, Reading)] == expected
    assert len(expected) == 20_000 - spoilt
    assert 950 < spoilt < 1100  # 800 damaged lines, and those that ran into the next one


def test_a_flipped_digit_is_the_one_damage_that_only_a_checksum_finds():
    """Each of the 55 changes of one digit or the sign gives a line of the right shape; no grammar can tell."""
    wrong = 0
    for place, before in enumerate(b"+0250.13"):
        for after in b"+-" if before in b"+-" else b"0123456789" if before != ord(".") else b"":
            if after != before:
                changed = bytearray(b"+0250.13\r\n")
                changed[place] = after
                wrong += isinstance(joined().feed(bytes(changed))[0], Reading)
    assert wrong == 6 * 9 + 1


def test_as_does_the_loss_of_exactly_one_line_across_two():
    """Ten bytes lost between the middles of two lines leave "+02" and "99.14": a value that nobody sent."""
    sent = b"+0250.13\r\n+0299.14\r\n"
    assert joined().feed(sent[:3] + sent[13:]) == [Reading(29914)]
    sent = b"+0250.13\r\n+0399.14\r\n"
    assert joined().feed(sent[:3] + sent[13:]) == [Reading(29914)]
