"""A PIN being typed: digits only, by hand only. What was typed is shown as dots and leaves with Enter."""

from dataclasses import dataclass, field, replace

from testbench.station import messages as m
from testbench.tui.scanner import FASTEST_PERSON_S

LONGEST_PIN = 8


@dataclass(frozen=True, slots=True)
class PinEntry:
    """Whose PIN is asked for, and what for."""

    operator: str = ""
    statement: str = ""
    """What is signed with it; empty where a run is started."""
    request: m.StartRun | m.Sign | None = None
    """What it goes into."""
    typed: str = field(default="", repr=False)
    last_at: float = field(default=float("-inf"), repr=False)

    def character(self, character: str, at: float) -> "tuple[PinEntry, bool]":
        """Take one printable character.

        A scanner types faster than a hand; whatever it types empties the entry.

        Returns:
            The entry, and whether a hand can have typed this.
        """
        by_hand = at - self.last_at >= FASTEST_PERSON_S
        digit = character if character.isascii() and character.isdigit() else ""
        typed = f"{self.typed}{digit}"[:LONGEST_PIN] if by_hand else ""
        return replace(self, typed=typed, last_at=at), by_hand

    def corrected(self) -> "PinEntry":
        """Without its last digit."""
        return replace(self, typed=self.typed[:-1])

    def by_hand(self, at: float) -> bool:
        """Whether Enter comes from a hand and not from the end of a scan."""
        return at - self.last_at >= FASTEST_PERSON_S

    def filled_in(self) -> m.StartRun | m.Sign:
        """The request with the PIN."""
        assert self.request is not None
        return type(self.request).model_validate({**self.request.model_dump(), "pin": self.typed})
