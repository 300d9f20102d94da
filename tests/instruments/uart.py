"""A UART, bit by bit: what one end sends in one framing, and what the other end makes of it in another.

Asynchronous characters as every UART sends them (common practice): start bit 0, data bits from the lowest, parity if
any, stop bits 1, idle 1. The receiver waits for a falling edge, looks into the middle of each bit, and takes a stop bit
that is 0 for a framing error. After one, some wait for the next edge; the 16550 takes the 0 for the next start bit
(its data sheet, from memory).
"""

from bisect import bisect_right
from dataclasses import dataclass


@dataclass(frozen=True)
class Framing:
    """How characters are sent."""

    baud: int
    byte_size: int = 8
    parity: str = "none"
    stop_bits: int = 1

    def parity_of(self, value: int) -> int:
        return (value.bit_count() + (self.parity == "odd")) % 2


class Waveform:
    """The level of a line over time, from bytes sent in portions with a pause after each."""

    def __init__(self, portions: list[bytes], framing: Framing, pause_s: float) -> None:
        self._levels, self._since = [1], [0.0]
        self.end_s = 0.01
        bit_s = 1 / framing.baud
        for portion in portions:
            for byte in portion:
                value = byte & ((1 << framing.byte_size) - 1)
                bits = [0, *(value >> place & 1 for place in range(framing.byte_size))]
                bits += [] if framing.parity == "none" else [framing.parity_of(value)]
                for bit in [*bits, *[1] * framing.stop_bits]:
                    self._add(bit, bit_s)
            self._add(1, pause_s)

    def _add(self, level: int, seconds: float) -> None:
        if level != self._levels[-1]:
            self._levels.append(level)
            self._since.append(self.end_s)
        self.end_s += seconds

    def level(self, at_s: float) -> int:
        return self._levels[bisect_right(self._since, at_s) - 1]

    def next_edge(self, at_s: float) -> float | None:
        """When it falls next."""
        place = bisect_right(self._since, at_s)
        while place < len(self._levels) and self._levels[place] == 1:
            place += 1
        return self._since[place] if place < len(self._since) else None


@dataclass
class Received:
    """What a receiver hands on: bytes, marked as the kernel marks them where parity is checked; and its counters."""

    data: bytearray
    framing: int = 0
    parity: int = 0


def receive(line: Waveform, framing: Framing, since_s: float = 0.0, *, zero_is_start: bool = False) -> Received:
    """Listen to a line from a moment on."""
    found, bit_s = Received(bytearray()), 1 / framing.baud
    start = line.next_edge(since_s)
    while start is not None and start < line.end_s:
        middle = start + bit_s / 2
        if line.level(middle):  # a glitch, no start bit
            start = line.next_edge(middle)
            continue
        bits = [line.level(middle + place * bit_s) for place in range(1, framing.byte_size + 1)]
        value = sum(bit << place for place, bit in enumerate(bits))
        checked = framing.parity != "none"
        bad_parity = checked and line.level(middle + (framing.byte_size + 1) * bit_s) != framing.parity_of(value)
        stop = middle + (framing.byte_size + 1 + checked) * bit_s
        bad_stop = not line.level(stop)
        found.framing, found.parity = found.framing + bad_stop, found.parity + bad_parity
        found.data += _handed_on(value, marked=checked, bad=bad_parity or bad_stop)
        start = stop - bit_s / 2 if bad_stop and zero_is_start else line.next_edge(stop)
    return found


def _handed_on(value: int, *, marked: bool, bad: bool) -> bytes:
    """POSIX termios with INPCK and PARMRK where marked; as it came where not."""
    if not marked:
        return bytes([value])
    return bytes([0xFF, 0, value]) if bad else b"\xff\xff" if value == 0xFF else bytes([value])
