"""The colours: fills of Okabe and Ito with black text on them, white on black for the rest.

The fills stay apart by lightness under every common colour blindness; contrast with black is at least 5.4 : 1.
"""

from functools import lru_cache

from rich.style import Style

SKY = "#56b4e9"
YELLOW = "#f0e442"
WHITE = "#ffffff"
VERMILLION = "#d55e00"
BLACK = "#000000"
GROUND = "#0b0d10"
EDGE = "#2a3038"
DIM = "#9aa4af"
AREA = "#3f83ab"
SPREAD = "#8fd0f5"


@lru_cache(maxsize=256)
def ink(colour: str, ground: str = GROUND, *, bold: bool = False) -> Style:
    """Text of a colour on a ground; the ground is always set, or the default would show through."""
    return Style(color=colour, bgcolor=ground, bold=bold)


PLAIN = ink(WHITE)
STRONG = ink(WHITE, bold=True)
FAINT = ink(DIM)
CAUTION = ink(BLACK, YELLOW, bold=True)
