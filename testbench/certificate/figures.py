"""How many digits a page prints: as many as the uncertainty justifies, more where fewer would belie the verdict."""

from collections.abc import Callable
from fractions import Fraction

from testbench.metrology.uncertainty import expanded_text, places_of

MOST_DECIMALS = 12


def written(value: Fraction, decimals: int) -> str:
    """A number rounded half to even, with a true minus."""
    scaled = round(value * 10**decimals)
    whole, rest = divmod(abs(scaled), 10**decimals)
    sign = "−" if scaled < 0 else ""
    return f"{sign}{whole}.{rest:0{decimals}d}" if decimals else f"{sign}{whole}"


def rounded(value: Fraction, decimals: int) -> Fraction:
    """The number that :func:`written` prints."""
    return Fraction(round(value * 10**decimals), 10**decimals)


def decimals_of(uncertainty: Fraction) -> int:
    """Decimals that show an uncertainty with two significant digits; 1 where there is none."""
    if uncertainty <= 0:
        return 1
    return min(max(0, places_of(float(uncertainty))), MOST_DECIMALS)


def written_up(uncertainty: Fraction, decimals: int) -> str:
    """An uncertainty rounded up to two significant digits, or to the decimals of its line where those are more."""
    fewest = decimals_of(uncertainty)
    printed = expanded_text(float(uncertainty), decimals if decimals > fewest else None)
    return written(Fraction(printed), max(decimals, fewest) if uncertainty else decimals)


def fewest_decimals(start: int, consistent: Callable[[int], bool]) -> int:
    """The fewest decimals, from ``start`` on, at which the printed numbers tell what the exact ones tell."""
    for decimals in range(start, MOST_DECIMALS):
        if consistent(decimals):
            return decimals
    return MOST_DECIMALS
