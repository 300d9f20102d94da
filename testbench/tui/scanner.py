"""Tells a barcode scanner from a person: a scanner types faster than anyone can, and ends with a suffix key."""

from dataclasses import dataclass

SUFFIXES = ("enter", "ctrl+j", "tab")
"""CR, LF and Tab as the terminal names them; CR+LF arrives as the first two."""
FASTEST_PERSON_S = 0.05
SHORTEST_SCAN = 6
SUFFIX_WITHIN_S = 0.2


@dataclass
class Scanner:
    """Collects keys. Times are those of the keys [s], never of their handling."""

    collected: str = ""
    last_at: float = float("-inf")
    scanned_at: float = float("-inf")

    def character(self, character: str, at: float) -> None:
        """Take one printable character; a gap that a person could have made begins anew."""
        within = at - self.last_at < FASTEST_PERSON_S
        self.collected = self.collected + character if within else character
        self.last_at = at

    def suffix(self, at: float) -> str | None:
        """Take Enter, LF or Tab.

        Returns:
            The scanned text; "" for the second key of a CR+LF, which means nothing; None if a person pressed it.
        """
        text, self.collected = self.collected, ""
        if len(text) >= SHORTEST_SCAN and at - self.last_at < SUFFIX_WITHIN_S:
            self.scanned_at = at
            return text
        return "" if at - self.scanned_at < SUFFIX_WITHIN_S else None
