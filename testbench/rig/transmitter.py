"""The transmitter: a pressure becomes a line of text, with noise, an offset, and faults on demand.

Pure but for its own random numbers: the same seed gives the same lines.
"""

import random
from dataclasses import dataclass
from enum import StrEnum

from testbench.quantities import Pressure


class Fault(StrEnum):
    """What can be wrong with a transmitter and its cable."""

    NONE = "none"
    SILENT = "silent"
    FROZEN = "frozen"
    GARBAGE = "garbage"
    OUT_OF_RANGE = "out of range"
    UNPLUGGED = "unplugged"


@dataclass(frozen=True, slots=True)
class TransmitterSettings:
    """How the transmitter writes, and how well it measures."""

    unit: str = "psi"
    decimals: int = 2
    whole_digits: int = 4
    noise_psi: float = 0.05
    """Standard deviation of white noise."""
    zero_psi: float = 0.12
    """What it shows at atmosphere."""
    resolution_psi: float = 0.0
    """Smallest step; 0: only its digits limit it."""
    range_psi: float = 1000.0
    """Above this it says that it is out of range."""
    seed: int = 1
    values: int = 1
    """Numbers on a line, each of a transmitter of its own at the same place: ``+0250.13,+0250.10``."""


class Transmitter:
    """Turns a pressure into a line."""

    def __init__(self, settings: TransmitterSettings | None = None) -> None:
        self.settings = settings or TransmitterSettings()
        self.fault = Fault.NONE
        self._random = random.Random(self.settings.seed)  # noqa: S311 - noise, not a secret
        self._per_psi = 1 / Pressure.of(1, self.settings.unit).to("psi")
        # Each has its own noise, so that more of them leave the first one as it is.
        self._others = [
            random.Random(self.settings.seed + 1000 * number)  # noqa: S311
            for number in range(1, self.settings.values)
        ]
        self.shifts = [0.0] * self.settings.values
        """What each value reads too much [psi]."""
        self._last = self._written([0.0] * self.settings.values)

    def line(self, psi: float) -> bytes:
        """What goes over the wire for a pressure [psi]; nothing while silent or unplugged."""
        settings = self.settings
        # The noise is drawn in every state, so that a fault does not change what comes after it.
        shown = psi + settings.zero_psi + self._random.gauss(0.0, settings.noise_psi)
        garbage = self._random.getrandbits(64)
        match self.fault:
            case Fault.SILENT | Fault.UNPLUGGED:
                return b""
            case Fault.GARBAGE:
                return garbage.to_bytes(8, "big").replace(b"\n", b"?") + b"\r\n"
            case Fault.OUT_OF_RANGE:
                return ",".join([self._nines] * settings.values).encode("ascii") + b"\r\n"
            case Fault.FROZEN:
                return self._last
        all_shown = [
            shown, *(psi + settings.zero_psi + other.gauss(0.0, settings.noise_psi) for other in self._others),
        ]  # fmt: skip
        all_shown = [found + shift for found, shift in zip(all_shown, self.shifts, strict=True)]
        if settings.resolution_psi > 0:
            all_shown = [round(found / settings.resolution_psi) * settings.resolution_psi for found in all_shown]
        self._last = self._written(all_shown)
        return self._last

    def _written(self, all_shown: list[float]) -> bytes:
        return ",".join(self._number(psi) for psi in all_shown).encode("ascii") + b"\r\n"

    def _number(self, psi: float) -> str:
        if psi > self.settings.range_psi:
            return self._nines
        width = self.settings.whole_digits + 1 + (self.settings.decimals + 1 if self.settings.decimals else 0)
        text = f"{psi * self._per_psi:+0{width}.{self.settings.decimals}f}"
        return text if len(text) == width else self._nines

    @property
    def _nines(self) -> str:
        whole, decimals = "9" * self.settings.whole_digits, "9" * self.settings.decimals
        return f"+{whole}.{decimals}" if decimals else f"+{whole}"
