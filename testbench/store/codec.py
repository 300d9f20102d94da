"""A stored trace: arrival ticks, counts and, if any, ticks of queries in a few bytes a sample, readable for decades.

Only DEFLATE (RFC 1950 and 1951) and integer arithmetic modulo 2**64 are needed to read a trace, in any language.
All numbers are little-endian; "int64" is two's complement.

========  ======  =====================================================================
offset    type    header, 28 bytes
========  ======  =====================================================================
0         4 byte  ``TBTR``
4         uint8   version of this format: 1, or 2 where the samples were asked for
5         uint8   0
6         uint16  block length L (6000): samples in every block but the last
8         uint32  n, the number of samples
12        int64   first tick, 0 where n is 0
20        int64   last tick, 0 where n is 0
========  ======  =====================================================================

Then two columns, each of ceil(n / L) blocks: first the **ticks**, as what is left after taking off a straight line
through first and last tick, then the **counts** as they are. The line at sample i, with ``span = last - first`` and
``m = max(n - 1, 1)``, is ``first + (span // m) * i + ((span % m) * i) // m`` (// rounds down). Version 2 has a third
column: how many ticks before its tick each sample was asked for.

========  ======  =====================================================================
offset    type    block, 14 bytes and its payload
========  ======  =====================================================================
0         uint8   order k of differences: 0, 1 or 2
1         uint8   p, the number of byte planes: 0 to 8
2         uint32  length of the payload
6         int64   base: the first value of the block
14        bytes   payload: a zlib stream, empty where p is 0
========  ======  =====================================================================

Inflated, the payload holds p planes of one byte per sample: first the lowest byte of every residual, then the next.
A residual r is written as ``(r << 1) ^ (r >> 63)`` (zigzag: 0, -1, 1, -2 … become 0, 1, 2, 3 …). To get the values
back, undo the zigzag, sum up k times from the left, and add the base.
"""

import struct
import zlib
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from testbench.run.samples import Trace

MAGIC = b"TBTR"
VERSION, VERSION_ASKED = 1, 2
BLOCK = 6_000
"""Longer blocks cannot follow the change from ramp to hold; shorter ones pay for their own code tables."""

_HEADER = struct.Struct("<4sBBHIqq")
_BLOCK = struct.Struct("<BBIq")
_STRATEGIES = (zlib.Z_DEFAULT_STRATEGY, zlib.Z_HUFFMAN_ONLY, zlib.Z_RLE)

Column = NDArray[np.int64]


def encode(trace: Trace) -> bytes:
    """Pack the samples of a trace. Its gaps are not in here; the record keeps them."""
    samples = len(trace)
    first, last = (int(trace.at[0]), int(trace.at[-1])) if samples else (0, 0)
    version = VERSION if trace.asked is None else VERSION_ASKED
    header = _HEADER.pack(MAGIC, version, 0, BLOCK, samples, first, last)
    columns = [trace.at - _line(samples, first, last), trace.counts]
    columns += [] if trace.asked is None else [trace.at - trace.asked]
    return b"".join((header, *(block for column in columns for block in _pack(column))))


def decode(stored: bytes) -> Trace:
    """Unpack the samples of a trace; its gaps are empty.

    Raises:
        ValueError: the bytes are no trace of this format, or are incomplete.
    """
    if len(stored) < _HEADER.size:
        raise ValueError(f"a stored trace has at least {_HEADER.size} bytes, this has {len(stored)}")
    magic, version, _, length, samples, first, last = _HEADER.unpack_from(stored)
    if magic != MAGIC or version not in {VERSION, VERSION_ASKED} or length == 0:
        raise ValueError(f"this is no stored trace of version {VERSION} or {VERSION_ASKED}")
    columns, offset = [], _HEADER.size
    for _ in range(2 if version == VERSION else 3):
        column, offset = _unpack(stored, offset, samples, length)
        columns.append(column)
    if offset != len(stored):
        raise ValueError(f"{len(stored) - offset} bytes follow the end of the trace")
    at = columns[0] + _line(samples, first, last)
    return Trace(at, columns[1], asked=at - columns[2] if version == VERSION_ASKED else None)


def _line(samples: int, first: int, last: int) -> Column:
    """The straight line through first and last tick. Wraps where it leaves int64, the same way back and forth."""
    intervals = max(samples - 1, 1)
    whole, rest = divmod(last - first, intervals)
    index = np.arange(samples, dtype=np.uint64)
    start, step = np.array([first % 2**64, whole % 2**64], dtype=np.uint64)
    # rest * index stays below samples**2 < 2**64, so this division is exact.
    line = index * step + (index * np.uint64(rest)) // np.uint64(intervals) + start
    return _signed(line)


def _pack(values: Column) -> Iterator[bytes]:
    for begin in range(0, values.size, BLOCK):
        block = values[begin : begin + BLOCK]
        candidates = (_pack_block(block, order) for order in (0, 1, 2))
        yield min(candidates, key=len)


def _pack_block(block: Column, order: int) -> bytes:
    residuals = block - block[:1]
    for _ in range(order):
        residuals = np.diff(residuals, prepend=np.int64(0))
    folded = ((residuals << 1) ^ (residuals >> 63)).astype("<u8", copy=False).view("<u8")
    planes = (int(folded.max()).bit_length() + 7) // 8
    by_plane = folded.view(np.uint8).reshape(-1, 8)[:, :planes].T.tobytes()
    payload = min((_deflate(by_plane, strategy) for strategy in _STRATEGIES), key=len) if planes else b""
    return _BLOCK.pack(order, planes, len(payload), int(block[0])) + payload


def _deflate(raw: bytes, strategy: int) -> bytes:
    packer = zlib.compressobj(level=6, memLevel=9, strategy=strategy)
    return packer.compress(raw) + packer.flush()


def _unpack(stored: bytes, offset: int, samples: int, length: int) -> tuple[Column, int]:
    """One column from ``offset`` on, and where it ends."""
    blocks = [np.empty(0, dtype=np.int64)]
    for begin in range(0, samples, length):
        if len(stored) < offset + _BLOCK.size:
            raise ValueError("the trace ends in the middle of a block")
        order, planes, size, base = _BLOCK.unpack_from(stored, offset)
        offset += _BLOCK.size
        payload = stored[offset : offset + size]
        if len(payload) < size or order > 2 or planes > 8:
            raise ValueError("a block of the trace is damaged")
        blocks.append(_unpack_block(payload, order, planes, base, min(length, samples - begin)))
        offset += size
    return np.concatenate(blocks), offset


def _unpack_block(payload: bytes, order: int, planes: int, base: int, samples: int) -> Column:
    raw = _inflate(payload, planes * samples)
    folded = np.zeros((samples, 8), dtype=np.uint8)
    folded[:, :planes] = np.frombuffer(raw, dtype=np.uint8).reshape(planes, samples).T
    unsigned = folded.view("<u8").reshape(samples).astype(np.uint64, copy=False)
    values = _signed(unsigned >> np.uint64(1)) ^ -_signed(unsigned & np.uint64(1))
    for _ in range(order):
        values = np.cumsum(values)
    return values + np.int64(base)


def _signed(values: NDArray[np.uint64]) -> Column:
    """The same 64 bits, read as two's complement."""
    return values.view(np.int64)


def _inflate(payload: bytes, expected: int) -> bytes:
    if not expected:
        return b""
    unpacker = zlib.decompressobj()
    try:
        # One byte more than expected is enough to notice that there is too much.
        raw = unpacker.decompress(payload, expected + 1)
    except zlib.error as damage:
        raise ValueError(f"a block of the trace cannot be inflated: {damage}") from damage
    if len(raw) != expected or not unpacker.eof:
        raise ValueError(f"a block of the trace holds {len(raw)} bytes instead of {expected}")
    return raw
