"""Names of persons and parties as they are typed, printed and mistaken for each other."""

import unicodedata

from testbench.procedure.serials import acts_on_screen, skeleton


def plain_name(name: str) -> str:
    """A name as it is kept: one code point for one sign (NFKC), single spaces, none at its ends."""
    return " ".join(unicodedata.normalize("NFKC", name).split())


def likeness(name: str) -> str:
    """What names share that look alike on paper: of each letter and digit its skeleton, nothing else.

    Case, spaces, points, hyphens, accents and signs that cannot be seen tell no two persons apart; see
    ``serials.skeleton`` for the letters.
    """
    letters = (sign for sign in unicodedata.normalize("NFKD", name) if not unicodedata.category(sign).startswith("M"))
    return "".join(sign for sign in skeleton("".join(letters)) if sign.isalnum())


def objection_to_name(name: str) -> str:
    """What a printed name must not be, in words; empty where nothing is wrong with it."""
    if not likeness(name):
        return "a name has at least one letter"
    if any(map(acts_on_screen, name)):
        return "a name is one line of signs that can be seen"
    alphabets = {_alphabet(sign): sign for sign in name if sign.isalpha()}
    strange = next((sign for alphabet, sign in alphabets.items() if alphabet != "LATIN"), "")
    if strange and "LATIN" in alphabets:
        return f"its letter '{strange}' is {unicodedata.name(strange)}, among Latin letters"
    return ""


def _alphabet(letter: str) -> str:
    return unicodedata.name(letter, "").split(" ")[0]
