"""What may lie in the place of a plot that cannot be drawn anew, because its readings are not attached.

Its lines are nobody's to check here. But it may not leave its place, cover what lies beside it, write with signs that
look otherwise than the page's own, or say anything but what the labels of a plot say.
"""

import re
from collections.abc import Iterator
from typing import Any

from testbench.certificate.data import layout
from testbench.certificate.languages import Words
from testbench.certificate.marks import STROKE, Mark, points_of
from testbench.certificate.pen import printable, runs
from testbench.quantities import Pressure

MARGIN, THICKER = 6.0, 0.05
"""How far labels may reach beyond those of another plot, and how much thicker than there a line may be [pt]."""
LABELS = ("required", "required_and_met_at", "upper", "upper_beyond", "hold_length", "lowest", "collecting", "gap")
"""Those that hang on the readings: where they lie, whether there is room for them, or what they say."""
FIGURES = r"[0-9.,+−\- ]{1,40}"
ASCENT, DESCENT = 1.0, 0.25
"""Of any sign, in sizes of its text."""

Corner = tuple[float, float]


def labels_of(words: Words) -> re.Pattern[str]:
    """What a piece of writing in a plot may say, beside what is said there without readings; signs of one face each."""
    units = "|".join(map(re.escape, Pressure.UNITS))
    figures = rf"{FIGURES}(?:{units})?"
    texts = [re.sub(r"\{\w+\}", "0", words.texts[f"plot.{key}"]) for key in LABELS]
    pieces = {piece for text in texts for piece, _ in runs(printable(text, layout()), "")}
    return re.compile("|".join((figures, *(re.escape(piece).replace("0", figures) for piece in sorted(pieces)))))


def is_no_plot(plot: list[Mark], room: list[Mark], known: set[tuple[Any, ...]], labels: re.Pattern[str]) -> bool:
    """Whether something in the place of a plot cannot be part of one.

    Args:
        plot: what is drawn there.
        room: a plot of the same stage without readings.
        known: every sign that the faces drawn anew have, as a mark tells it.
        labels: see :func:`labels_of`.
    """
    said = {mark.text for mark in room}
    strange = any(
        mark.text and (mark.what not in known or not (mark.text in said or labels.fullmatch(mark.text)))
        for mark in plot
    )
    return strange or _thickest(plot) > _thickest(room) + THICKER or _leaves(plot, room)


def _leaves(plot: list[Mark], room: list[Mark]) -> bool:
    """Whether anything that is not clipped lies outside the place of a plot; a clip is where what it clips may lie."""
    (left, low), (right, high) = _extent(room)
    (west, south), (east, north) = _extent(plot)
    return min(west - left, south - low, right - east, high - north) < -MARGIN


def _extent(plot: list[Mark]) -> tuple[Corner, Corner]:
    """Lower left and upper right corner of what is not clipped."""
    points = [point for mark in plot if not mark.clips for point in _corners(mark)]
    across, up = zip(*points, strict=True)
    return (min(across), min(up)), (max(across), max(up))


def _corners(mark: Mark) -> Iterator[Corner]:
    """The corners of a line or area; of a sign those of a square of its size."""
    if not mark.text:
        yield from points_of(mark)
        return
    a, b, c, d, x, y = mark.places[:6]
    for along, up in ((0.0, -DESCENT), (1.0, -DESCENT), (0.0, ASCENT), (1.0, ASCENT)):
        yield x + along * a + up * c, y + along * b + up * d


def _thickest(plot: list[Mark]) -> float:
    """Of the lines that are not clipped [pt]."""
    pens = [
        mark.places[len(mark.places) - mark.what[-1] :] for mark in plot if mark.what[0] == STROKE and not mark.clips
    ]
    return max((abs(side) for pen in pens for side in pen[:4]), default=0.0)
