"""Which serial ports there are, and what arrives on one that nobody has described yet. Nothing is ever written."""

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serial.tools import list_ports

from testbench.framing.guessing import Guess, guess, share_of_text
from testbench.instruments.serial_port import open_link
from testbench.station.serial_settings import SerialSettings

BY_ID = Path("/dev/serial/by-id")
BAUDS = (9600, 19200, 115200, 38400, 57600, 4800, 2400)
"""In the order in which they are tried; 9600 and 19200 are the commonest (common practice)."""
ENOUGH = 600
"""Bytes after which a baud rate is judged."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A port of this machine."""

    path: str
    """By its id where it has one, for that survives unplugging."""
    device: str
    description: str


def ports() -> tuple[FoundPort, ...]:
    """Every serial port that this machine lists; pseudo-terminals are never among them."""
    links = {str(link.resolve()): str(link) for link in sorted(BY_ID.glob("*"))} if BY_ID.is_dir() else {}
    found = sorted(list_ports.comports(), key=lambda port: port.device)
    return tuple(FoundPort(links.get(port.device, port.device), port.device, _described(port)) for port in found)


def _described(port: Any) -> str:
    words = [port.manufacturer, port.product, port.serial_number and f"serial number {port.serial_number}"]
    return ", ".join(word for word in words if word) or port.description


@dataclass(frozen=True, slots=True)
class Heard:
    """What arrived on a port."""

    settings: SerialSettings
    guess: Guess
    data: bytes


def listen(path: str, seconds: float) -> Heard:
    """Listen on a port at one baud rate after the other until what arrives can be read.

    Args:
        path: of the port.
        seconds: to listen at each [s].

    Raises:
        PortMissingError: nothing is there.
        PortBusyError: another program holds it.
        PortFailedError: anything else.
    """
    best: Heard | None = None
    for baud in BAUDS:
        heard = _listen_at(SerialSettings(port=path, baud=baud), seconds)
        if heard.guess.settings:
            return heard
        if not heard.data and baud == BAUDS[1]:
            return best if best is not None and best.data else heard  # silent at two bauds is silent at all
        if best is None or share_of_text(heard.data) > share_of_text(best.data):
            best = heard
    assert best is not None
    return best


def _listen_at(settings: SerialSettings, seconds: float) -> Heard:
    data, errors = _read_at(settings, seconds)
    if share_of_text(data) < 0.9 and (masked := _seven_bits(data)) is not None:
        return Heard(settings.model_copy(update={"byte_size": 7, "parity": masked[1]}), guess(masked[0]), data)
    if errors and share_of_text(data) >= 0.9:  # text with framing errors: the ninth bit is a parity
        for parity in ("even", "odd"):
            tried = settings.model_copy(update={"parity": parity})
            again, errors = _read_at(tried, seconds)
            if again and not errors:
                return Heard(tried, guess(again), again)
    return Heard(settings, guess(data), data)


def _read_at(settings: SerialSettings, seconds: float) -> tuple[bytes, int]:
    """The bytes that arrive, and the framing and parity errors that the driver counted."""
    link = open_link(settings)
    data, until = bytearray(), time.monotonic() + seconds  # noqa: TID251 - how long to listen, not a time of a test
    try:
        while len(data) < ENOUGH and (left := until - time.monotonic()) > 0:  # noqa: TID251
            data += link.read(left) or b""
        errors = link.line_errors(0.0)
    finally:
        link.close()
    return bytes(data), 0 if errors is None else errors.framing + errors.parity


def _seven_bits(data: bytes) -> tuple[bytes, str] | None:
    """The same as seven bits and a parity, where that makes text of it."""
    ones = {byte.bit_count() % 2 for byte in data}
    masked = bytes(byte & 0x7F for byte in data)
    if len(ones) != 1 or share_of_text(masked) < 0.99:
        return None
    return masked, "odd" if ones.pop() else "even"
