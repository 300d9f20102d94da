"""How a serial line is opened."""

from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator

from testbench.procedure.valve import Text, Value

NETWORKED = ("socket", "rfc2217")
KINDS_OF_URL = (*NETWORKED, "loop", "spy", "alt", "hwgrep", "cp2110")
"""What pyserial knows."""


class SerialSettings(Value):
    """How the line is opened."""

    port: Text
    """A device path, best by /dev/serial/by-id, or a URL such as socket://127.0.0.1:5020."""
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 9600
    byte_size: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1

    @field_validator("port")
    @classmethod
    def _known_url(cls, port: str) -> str:
        kind, url, _ = port.partition("://")
        if url and kind not in KINDS_OF_URL:
            raise ValueError(f"found {port!r}, allowed are a device path, socket://HOST:PORT and rfc2217://HOST:PORT")
        if url and kind in NETWORKED and not _names_host_and_port(port):
            raise ValueError(f"found {port!r}, {kind}:// needs HOST:PORT, the port a number from 1 to 65535")
        return port

    @property
    def where(self) -> str:
        """Name of the port."""
        return self.port


def _names_host_and_port(url: str) -> bool:
    try:
        found = urlsplit(url)
        return bool(found.hostname and found.port)
    except ValueError:  # a port that is no number, or too large
        return False
