"""What is being chosen or typed, and what is said back: values that the keys change and the widgets show."""

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Choice:
    """One line that can be chosen."""

    label: str
    detail: str = ""
    value: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Choosing:
    """A list under the arrow keys. Nothing is selected until somebody selects it."""

    title: str
    choices: tuple[Choice, ...]
    selected: int | None = None
    typed: str | None = None
    """What was typed instead of choosing; None where nothing may be typed."""

    def moved(self, by: int) -> "Choosing":
        """The next or previous line; from nothing to the first or last."""
        count = len(self.choices)
        if count == 0:
            return self
        if self.selected is None:
            return replace(self, selected=0 if by > 0 else count - 1)
        return replace(self, selected=(self.selected + by) % count)


@dataclass(frozen=True, slots=True)
class Entry:
    """A volume or a number of drops being typed."""

    text: str = ""
    drops: bool = False
    counted: str = ""
    """"drops" or "bubbles" where the limit itself is a count; bubbles cannot be entered as a volume."""


@dataclass(frozen=True, slots=True)
class Said:
    """Something said to the person at the keys, until the next key."""

    sentence: str
    remedy: str = ""
    grave: bool = False


def typed(entry: Entry, character: str) -> Entry:
    """The entry with one more character; what is no part of a number is left out."""
    character = "." if character == "," else character
    allowed = character in "0123456789" or (character == "." and not entry.drops and "." not in entry.text)
    if not allowed or len(entry.text) >= 8:
        return entry
    return replace(entry, text=entry.text + character)
