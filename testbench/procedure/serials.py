"""Serial numbers as people write, read and mistake them: ranges, look-alikes, and what a spreadsheet makes of them."""

import re
import unicodedata

from testbench.errors import SerialsUnreadableError

MOST_VALVES = 20_000
"""Most valves of one order: above it the files get too large to be read again at every start of a run."""
LONGEST = 40
"""Most signs of one serial number."""
BETWEEN = "|"
"""Parts a list of serial numbers, or of anything else, within one cell."""
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for the beginning of a formula (OWASP, "CSV Injection")."""

_RANGE_END = re.compile(r"(.*?)([0-9]+)([^0-9]*)", re.DOTALL)

# Signs of other alphabets that look like a Latin letter, and dashes that look like a hyphen: what an office keyboard
# and a copied text bring. The full table (Unicode TS 39, confusables) knows thousands more.
_LOOKS_LIKE = str.maketrans(
    "АВЕЅІЈКМНОРСТУХавеѕіјкмнорстух" + "ΑΒΕΖΗΙΚΜΝΟΡΤΥΧαικνορυχ" + "‐‑‒–—―−",
    "ABESIJKMHOPCTYXabesijkmhopctyx" + "ABEZHIKMNOPTYXaikvopux" + "-------",
)
_READ_ALIKE = str.maketrans({"O": "0", "I": "1", "L": "1", "S": "5", "B": "8"})
_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
_REWRITTEN = (
    ("a number with an exponent", re.compile(r"[0-9]+([.,][0-9]+)?e[+-]?[0-9]+", re.IGNORECASE)),
    ("a day", re.compile(r"(19|20)[0-9]{2}-(0?[1-9]|1[0-2])-(0?[1-9]|[12][0-9]|3[01])([ T].*)?")),
    ("a day", re.compile(r"(0?[1-9]|[12][0-9]|3[01])([./-])(0?[1-9]|[12][0-9]|3[01])\2((19|20)?[0-9]{2})")),
    ("a day", re.compile(rf"[0-9]{{1,2}}[-. ]({_MONTHS})([-. ][0-9]{{2,4}})?", re.IGNORECASE)),
    ("a month", re.compile(rf"({_MONTHS})-[0-9]{{2}}", re.IGNORECASE)),
)


def plain(serial: str) -> str:
    """A serial number as it is kept: no spaces at its ends, one code point for one sign."""
    return unicodedata.normalize("NFKC", serial).strip()


def compared(serial: str) -> str:
    """What two serial numbers are the same by: capital or small makes no other valve."""
    return plain(serial).casefold()


def skeleton(serial: str) -> str:
    """What look-alikes share: O is 0, I and l are 1, S is 5, B is 8; spaces and alphabets count for nothing."""
    latin = compared(serial).upper().translate(_LOOKS_LIKE)
    return "".join(latin.split()).translate(_READ_ALIKE)


def acts_on_screen(sign: str) -> bool:
    """Whether a sign is not seen but moves the cursor, turns the text or ends the line: no name or reason has one."""
    return unicodedata.category(sign) in {"Cc", "Cf", "Cs", "Zl", "Zp"}


def begins_a_formula(text: str) -> bool:
    """Whether a spreadsheet would take this cell for a formula, in full-width signs as well."""
    return unicodedata.normalize("NFKC", text[:1]) in FORMULA


def objection(serial: str) -> str:
    """What a serial number must not be, in words of what is allowed; empty where nothing is wrong with it."""
    if any(map(acts_on_screen, serial)):
        return "a serial number is one line of signs that can be seen"
    if not 1 <= len(serial) <= LONGEST:
        return f"a serial number has 1 to {LONGEST} signs"
    return ""


def doubt(serial: str) -> str:
    """Why a serial number may not be what was meant; empty where nothing speaks against it."""
    for sign, looks in zip(serial, serial.translate(_LOOKS_LIKE), strict=True):
        if sign != looks:
            return f"its sign '{sign}' is {unicodedata.name(sign)}, which looks like '{looks}'"
    rewritten = next((what for what, form in _REWRITTEN if form.fullmatch(serial)), "")
    return f"it looks like {rewritten} that a spreadsheet made of it; keep that column as text" if rewritten else ""


def serials_of(text: str) -> tuple[str, ...]:
    """The serial numbers that a cell names, in order: one, a list ``A|B``, or ranges ``HL-8-0001..HL-8-0040``.

    Raises:
        SerialsUnreadableError: a part is empty, a range cannot be counted, or it holds more than an order may.
    """
    found: list[str] = []
    for part in text.split(BETWEEN):
        first, dots, last = (plain(side) for side in part.partition(".."))
        if not first or (dots and not last):
            raise SerialsUnreadableError(text, "an empty place", "| and .. have a serial number on both sides")
        found.extend(_counted(first, last) if dots else [first])
        if len(found) > MOST_VALVES:
            raise SerialsUnreadableError(text, f"more than {MOST_VALVES} serial numbers", "an order has no more")
    return tuple(found)


def _counted(first: str, last: str) -> list[str]:
    """Each of a range; the digits keep their width."""
    written = f"{first}..{last}"
    if max(len(first), len(last)) > LONGEST:
        raise SerialsUnreadableError(
            written[:60], "an end that is too long", f"a serial number has 1 to {LONGEST} signs"
        )
    low, high = _RANGE_END.fullmatch(first), _RANGE_END.fullmatch(last)
    if low is None or high is None:
        raise SerialsUnreadableError(written, "an end without digits", "a range counts digits")
    if (low[1], low[3]) != (high[1], high[3]) or len(low[2]) != len(high[2]):
        allowed = "both ends differ in their last digits only, and have as many of them"
        raise SerialsUnreadableError(written, "ends that differ in more than a number", allowed)
    begin, end = int(low[2]), int(high[2])
    if not begin <= end < begin + MOST_VALVES:
        found = "an end before its beginning" if end < begin else f"{end - begin + 1} serial numbers"
        raise SerialsUnreadableError(written, found, f"a range goes up, to {MOST_VALVES} serial numbers at most")
    return [f"{low[1]}{number:0{len(low[2])}d}{low[3]}" for number in range(begin, end + 1)]
