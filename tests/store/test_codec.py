"""A stored trace gives back the very samples, and can be read from its description alone."""

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from testbench.run.samples import Trace
from testbench.store.codec import BLOCK, decode, encode

INT64 = np.iinfo(np.int64)


def read_by_the_book(stored: bytes) -> tuple[list[int], list[int], list[int] | None]:
    """A second decoder, in plain Python integers, written from the description of the format."""
    magic, version, zero, length, samples, first, last = struct.unpack_from("<4sBBHIqq", stored)
    assert (magic, zero) == (b"TBTR", 0)
    offset, columns = 28, []
    for _ in range({1: 2, 2: 3}[version]):
        column: list[int] = []
        while len(column) < samples:
            order, planes, size, base = struct.unpack_from("<BBIq", stored, offset)
            payload = stored[offset + 14 : offset + 14 + size]
            offset += 14 + size
            here = min(length, samples - len(column))
            raw = zlib.decompress(payload) if planes else b""
            values = []
            for i in range(here):
                folded = sum(raw[plane * here + i] << 8 * plane for plane in range(planes))
                values.append(-(folded + 1 >> 1) if folded % 2 else folded >> 1)
            for _ in range(order):
                total, summed = 0, []
                for value in values:
                    total += value
                    summed.append(total)
                values = summed
            column += [value + base for value in values]
        columns.append(column)
    assert offset == len(stored)
    span, m = last - first, max(samples - 1, 1)
    line = [first + (span // m) * i + ((span % m) * i) // m for i in range(samples)]
    ticks = [wrapped(residual + on_line) for residual, on_line in zip(columns[0], line, strict=True)]
    before = [wrapped(value) for value in columns[2]] if version == 2 else None
    asked = None if before is None else [wrapped(at - ago) for at, ago in zip(ticks, before, strict=True)]
    return ticks, [wrapped(value) for value in columns[1]], asked


def wrapped(value: int) -> int:
    """Modulo 2**64, read as two's complement."""
    return (value + 2**63) % 2**64 - 2**63


def same(one: Trace, other: Trace) -> bool:
    asked = [None if trace.asked is None else trace.asked.tolist() for trace in (one, other)]
    return bool(np.array_equal(one.at, other.at) and np.array_equal(one.counts, other.counts)) and asked[0] == asked[1]


def trace_of(ticks: list[int], counts: list[int]) -> Trace:
    return Trace(np.array(ticks, dtype=np.int64), np.array(counts, dtype=np.int64))


integers = st.one_of(
    st.integers(INT64.min, INT64.max), st.integers(-300, 300), st.sampled_from([INT64.min, -1, 0, 1, INT64.max])
)


def traces_of(n: int) -> st.SearchStrategy[Trace]:
    column = arrays(np.int64, n, elements=integers)
    return st.builds(Trace, column, column, asked=st.none() | column)


traces = st.integers(0, 40).flatmap(traces_of)


@given(traces)
def test_whatever_was_stored_comes_back(trace):
    """The law of the codec: no value of 64 bits is lost or changed, in any order, with any jump."""
    back = decode(encode(trace))
    assert same(back, trace)
    assert back.sha256() == trace.sha256()


@given(traces)
def test_the_description_is_enough_to_read_a_trace(trace):
    """A decoder written from the format's description, without our code and without numpy, reads the same."""
    ticks, counts, asked = read_by_the_book(encode(trace))
    assert (ticks, counts) == (trace.at.tolist(), trace.counts.tolist())
    assert asked == (None if trace.asked is None else trace.asked.tolist())


def test_a_trace_that_was_not_asked_for_is_written_as_before():
    """Version 1 to the byte: what this program wrote before it kept queries."""
    stored = encode(trace_of([7, 107, 207], [25_013] * 3))
    block = struct.pack("<BBIq", 0, 0, 0, 0)
    header = struct.pack("<4sBBHIqq", b"TBTR", 1, 0, 6_000, 3, 7, 207)
    assert stored == header + block + block[:6] + struct.pack("<q", 25_013)


@pytest.mark.parametrize("spread", [0, 5, 100], ids=["no spread", "0.5 ms", "10 ms"])
def test_a_query_costs_about_a_byte(spread):
    """The third column holds how long each answer took: nothing where it was always the same, else about a byte."""
    chance = np.random.default_rng(7)
    at = np.arange(6_000) * 1_000
    free = Trace(at, chance.integers(0, 3, 6_000))
    polled = Trace(at, free.counts, asked=at - 200 - chance.integers(0, spread + 1, 6_000))
    assert len(encode(polled)) - len(encode(free)) <= (14 if spread == 0 else 6_000)


@pytest.mark.parametrize("samples", [0, 1, 2, 3, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK, 2 * BLOCK + 1])
def test_every_length_around_a_block_comes_back(samples):
    """Empty, single, and on both sides of a full block."""
    chance = np.random.default_rng(samples)
    trace = Trace(np.arange(samples) * 100 + 7, chance.integers(-5, 50_000, samples))
    assert same(decode(encode(trace)), trace)
    assert read_by_the_book(encode(trace)) == (trace.at.tolist(), trace.counts.tolist(), None)


@pytest.mark.parametrize(
    "counts",
    [
        [25_013] * 500,
        [-1, -2, -3] * 100,
        [INT64.min, INT64.max] * 50,
        list(range(0, 100_000, 37)),
        [i * i for i in range(2_000)],
    ],
    ids=["still", "negative", "from end to end", "ramp", "parabola"],
)
def test_shapes_of_a_signal_come_back(counts):
    """One shape for each order of differences, and the widest jumps there are."""
    trace = trace_of(list(range(len(counts))), counts)
    assert same(decode(encode(trace)), trace)


def test_a_still_signal_costs_nearly_nothing():
    """Blocks without any residual have no payload: header and two empty blocks."""
    assert len(encode(trace_of(list(range(0, 500_000, 100)), [25_013] * 5_000))) == 28 + 2 * 14


def test_stamps_that_run_backwards_come_back():
    """The codec judges nothing: a clock that stepped back is stored as it was seen."""
    trace = trace_of([100, 90, 300, 20], [1, 2, 3, 4])
    assert same(decode(encode(trace)), trace)


def test_a_reading_with_another_strategy_of_deflate_is_the_same_trace():
    """The hash is over the samples: another packer may give other bytes for the same trace."""
    trace = trace_of(list(range(300)), [7 * i % 13 for i in range(300)])
    stored = encode(trace)
    order, planes, size, base = struct.unpack_from("<BBIq", stored, 42)
    raw = zlib.decompress(stored[56 : 56 + size])
    other = zlib.compress(raw, 1)
    repacked = stored[:42] + struct.pack("<BBIq", order, planes, len(other), base) + other
    assert repacked != stored
    assert decode(repacked).sha256() == trace.sha256()


def damaged(change) -> bytes:
    return change(encode(trace_of(list(range(0, 9_000, 3)), [i * 7_919 % 1_000 for i in range(3_000)])))


def repack(stored: bytes, **fields: int) -> bytes:
    """The first block of ticks with other numbers in it."""
    names = ("order", "planes", "size", "base")
    block = dict(zip(names, struct.unpack_from("<BBIq", stored, 28), strict=True)) | fields
    return stored[:28] + struct.pack("<BBIq", *(block[name] for name in names)) + stored[42:]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda _: b"", "a stored trace has at least 28 bytes, this has 0"),
        (lambda stored: stored[:27], "a stored trace has at least 28 bytes, this has 27"),
        (lambda stored: b"X" + stored[1:], "this is no stored trace of version 1 or 2"),
        (lambda stored: stored[:4] + b"\x03" + stored[5:], "this is no stored trace of version 1 or 2"),
        (lambda stored: stored[:6] + b"\x00\x00" + stored[8:], "this is no stored trace of version 1 or 2"),
        (lambda stored: stored[:30], "the trace ends in the middle of a block"),
        (lambda stored: stored[:-1], "a block of the trace is damaged"),
        (lambda stored: stored + b"\x00", "1 bytes follow the end of the trace"),
        (lambda stored: repack(stored, order=3), "a block of the trace is damaged"),
        (lambda stored: repack(stored, planes=9), "a block of the trace is damaged"),
        (
            lambda stored: stored[:8] + b"\xff\xff\xff\xff" + stored[12:],
            "a block of the trace holds 6000 bytes instead of 12000",
        ),
    ],
)
def test_a_damaged_trace_is_refused(change, sentence):
    """Never a shorter trace, never a guess."""
    with pytest.raises(ValueError) as refusal:  # noqa: PT011 - the whole sentence is compared
        decode(damaged(change))
    assert str(refusal.value) == sentence


def test_a_block_that_inflates_to_another_size_is_refused():
    """Too little or too much in a block is damage; no more than one byte too many is ever unpacked."""
    stored = damaged(lambda whole: whole)
    planes, size = struct.unpack_from("<xBI", stored, 42)
    assert planes == 2
    for held, found in ((5, 5), (10**7, 6_001)):
        other = zlib.compress(bytes(held))
        changed = stored[:42] + struct.pack("<BBIq", 1, 2, len(other), 0) + other + stored[56 + size :]
        with pytest.raises(ValueError, match=f"^a block of the trace holds {found} bytes instead of 6000$"):
            decode(changed)


@given(st.data())
def test_a_flipped_bit_never_gives_the_same_hash(data):
    """Wherever a bit of the blob flips, the trace is refused or hashes differently, or nothing of it changed."""
    trace = trace_of(list(range(0, 900, 3)), [i * 7_919 % 1_000 for i in range(300)])
    stored = bytearray(encode(trace))
    bit = data.draw(st.integers(0, len(stored) * 8 - 1))
    stored[bit // 8] ^= 1 << bit % 8
    try:
        back = decode(bytes(stored))
    except ValueError:
        return
    assert same(back, trace) == (back.sha256() == trace.sha256())
