"""The kernel's marks for damaged bytes (POSIX, termios: INPCK and PARMRK set, IGNPAR clear; from memory)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.ascii_grammar import plain
from testbench.framing.lines import GrammarFramer
from testbench.framing.parity_marks import ParityMarks, Unmarked
from testbench.framing.readings import Reading, Rejected, RejectReason


@pytest.mark.parametrize(
    ("raw", "data", "damaged_at"),
    [
        (b"", b"", None),
        (b"+0250.13", b"+0250.13", None),
        (b"\x01\xff\xff\x02", b"\x01\xff\x02", None),  # a sound 0xFF
        (b"+02\xff\x0050.13", b"+0250.13", 3),  # a damaged "5"
        (b"\xff\x00\x00a", b"\x00a", 0),  # a break
        (b"\xff\xff\x00", b"\xff\x00", None),  # a sound 0xFF, then a sound 0
        (b"\xff\xff\xff\x00\x07", b"\xff\x07", 1),
        (b"ab\xff", b"ab", None),  # a mark begins
        (b"ab\xff\x00", b"ab", None),
        (b"a\xffb", b"a\xffb", 1),  # no kernel writes this
    ],
)
def test_marks_are_taken_out(raw: bytes, data: bytes, damaged_at: int | None):
    """FF 00 x is a damaged x, FF FF a sound FF."""
    assert ParityMarks().feed(raw) == Unmarked(data, damaged_at)


@given(st.lists(st.tuples(st.integers(0, 255), st.booleans()), max_size=60))
def test_what_the_kernel_writes_is_read_back(line: list[tuple[int, bool]]):
    """Any bytes, any of them damaged."""
    raw = b"".join(
        b"\xff\x00" + bytes([byte]) if bad else b"\xff\xff" if byte == 0xFF else bytes([byte]) for byte, bad in line
    )
    damaged = next((place for place, (_, bad) in enumerate(line) if bad), None)
    sent = bytes(byte for byte, _ in line)
    for cut in range(len(raw) + 1):
        marks = ParityMarks()
        first, second = marks.feed(raw[:cut]), marks.feed(raw[cut:])
        assert first.data + second.data == sent
        later = None if second.damaged_at is None else len(first.data) + second.damaged_at
        assert (later if first.damaged_at is None else first.damaged_at) == damaged


@pytest.mark.parametrize("place", range(10))
def test_a_line_with_one_damaged_byte_is_no_reading(place: int):
    """Not even where the damaged byte is the line end; the next line counts again."""
    sent = b"+0250.13\r\n"
    raw = sent[:place] + b"\xff\x00" + sent[place:]
    for cut in range(len(raw) + 1):
        framer = GrammarFramer(plain(2, 4), marked=True)
        framer.feed(b"\n")
        found = framer.feed(raw[:cut]) + framer.feed(raw[cut:]) + framer.feed(b"+0250.14\r\n")
        assert found == [Rejected(raw[:-1], RejectReason.DAMAGED), Reading(25014)]


def test_a_sound_foreign_byte_is_not_called_damage():
    """FF FF is a byte 0xFF that arrived well and belongs in no line of text."""
    framer = GrammarFramer(plain(2, 4), marked=True)
    assert framer.feed(b"\n+02\xff\xff0.13\r\n")[1].reason is RejectReason.NOT_A_NUMBER
