"""What 'channel find' proposes for a line whose bits are simulated: settings that read every value, or nothing.

Senders of every framing in use, slow and quick, are listened to at every baud rate that is tried, from the middle of
a line on, with pauses between the lines and without, with drivers that count errors and such that do not.
"""

import time
from functools import cache

import pytest

from testbench.framing.readings import Reading
from testbench.instruments import ports
from testbench.instruments.ports import BAUDS, ENOUGH
from testbench.station.acquisition import LineErrors
from testbench.station.line_settings import LINE_SETTINGS
from testbench.station.serial_settings import SerialSettings
from tests.instruments.uart import Framing, Received, Waveform, receive

LINES = 80
SENDERS = (BAUDS[0], BAUDS[2], BAUDS[-1])
COUNTS = [25_000 + (number * 37) % 1000 for number in range(LINES)]
SENT = [b"%+08.2f\r\n" % (counts / 100) for counts in COUNTS]
FRAMINGS = {
    "8N1": (8, "none", 1), "8N2": (8, "none", 2), "8E1": (8, "even", 1), "8O1": (8, "odd", 1),
    "7E1": (7, "even", 1), "7O1": (7, "odd", 1), "7E2": (7, "even", 2), "7N2": (7, "none", 2),
}  # fmt: skip


class Simulated:
    """An open port at the end of a simulated line."""

    counting = False

    def __init__(self, heard: Received, *, counting: bool) -> None:
        self._heard, self._counting = heard, counting
        self._given = False

    def read(self, wait_s: float) -> bytes | None:
        if self._given:
            time.sleep(max(0.0, wait_s))
            return None
        self._given = True
        return bytes(self._heard.data[: 2 * ENOUGH])

    def line_errors(self, at_s: float) -> LineErrors | None:
        counted = LineErrors(at_s, self._heard.framing, 0, self._heard.parity, 0, 0)
        return counted if self._counting and any(counted.counters) else None

    def close(self) -> None:
        """Nothing is open."""


@cache
def received(sender, pause_bits, ours, *, zero_is_start):
    """What arrives from the middle of a line on."""
    return receive(
        Waveform(SENT, sender, pause_bits / sender.baud), ours, 43.7 / sender.baud, zero_is_start=zero_is_start
    )


def proposed(monkeypatch, framing, *, pause_bits, counting, zero_is_start):
    """The settings proposed for a sender, and what they read of it; None where none are."""

    def heard(settings: SerialSettings) -> Received:
        ours = Framing(settings.baud, settings.byte_size, settings.parity, settings.stop_bits)
        return received(framing, pause_bits, ours, zero_is_start=zero_is_start)

    monkeypatch.setattr(ports, "open_link", lambda settings: Simulated(heard(settings), counting=counting))
    found = ports.listen("/dev/x", 0.001)
    if not found.guess.settings:
        return None
    settings = LINE_SETTINGS.validate_python({**found.guess.settings, **found.settings.model_dump()})
    read = settings.framer().feed(bytes(heard(found.settings).data))
    return found.settings, [item.counts for item in read if isinstance(item, Reading)]


@pytest.mark.parametrize("baud", SENDERS)
@pytest.mark.parametrize("name", FRAMINGS)
def test_a_proposal_reads_what_was_sent_or_there_is_none(monkeypatch, baud, name):
    """Every value of it, no other, in order; whatever the driver and the receiver are like."""
    framing = Framing(baud, *FRAMINGS[name])
    for pause_bits in (0, 400):
        for counting in (True, False):
            for zero_is_start in (True, False):
                found = proposed(
                    monkeypatch, framing, pause_bits=pause_bits, counting=counting, zero_is_start=zero_is_start
                )
                if found is not None:
                    settings, read = found
                    assert settings.baud == baud
                    assert read
                    assert read == COUNTS[LINES - len(read) :]
                    assert len(read) >= LINES - 3


@pytest.mark.parametrize("baud", SENDERS)
@pytest.mark.parametrize(
    ("name", "byte_size", "parity"),
    [
        ("8N1", 8, "none"),
        ("8N2", 8, "none"),
        ("8E1", 8, "even"),
        ("8O1", 8, "odd"),
        ("7E1", 7, "even"),
        ("7O1", 7, "odd"),
    ],
)
def test_the_usual_framings_are_found(monkeypatch, baud, name, byte_size, parity):
    """Ten lines a second or so, a driver that counts, a receiver that waits for the next edge."""
    framing = Framing(baud, *FRAMINGS[name])
    found = proposed(monkeypatch, framing, pause_bits=400, counting=True, zero_is_start=False)
    assert found is not None
    settings, _ = found
    assert (settings.baud, settings.byte_size, settings.parity) == (baud, byte_size, parity)


def test_the_simulated_receiver_reads_its_own_framing_and_sees_errors_in_another():
    """8E1 read as 8N1: the parity bit stands where the stop bit should; every sound byte is still there."""
    line = Waveform([b"+0250.13\r\n"], Framing(9600, 8, "even"), 0.01)
    assert receive(line, Framing(9600, 8, "even")).data == b"+0250.13\r\n"
    plain = receive(line, Framing(9600))
    assert plain.data == b"+0250.13\r\n"
    assert plain.framing == sum(byte.bit_count() % 2 == 0 for byte in b"+0250.13\r\n")
    assert receive(line, Framing(9600, 8, "odd")).parity == 10
