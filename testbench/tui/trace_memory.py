"""The points that a screen keeps of the trace, and how they come down to columns. No peak is ever lost."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

MOST_POINTS = 12_000

Point = tuple[float, float]
Column = tuple[float, float] | None
"""Smallest and largest pressure of a column; None where nothing was read."""


@dataclass
class TraceMemory:
    """Points in order of time, bounded: the older half is thinned when there are too many."""

    points: list[Point] = field(default_factory=list)

    def take(self, new: Iterable[Point], *, complete: bool) -> None:
        """Add points, or replace all of them. Time that goes backwards means another run: the old points go."""
        new = list(new)
        if complete or (new and self.points and new[0][0] < self.points[-1][0]):
            self.points = []
        self.points.extend(new)
        while len(self.points) > MOST_POINTS:
            half = len(self.points) // 2
            self.points = [*thinned(self.points[:half]), *self.points[half:]]

    def columns(self, since_s: float, until_s: float, count: int, raster_s: float = 0.0) -> list[Column]:
        """Smallest and largest value of each of ``count`` columns.

        Columns lie on a raster of time that is fixed at ``raster_s``, so that a peak does not flicker while the
        window moves.
        """
        step = (until_s - since_s) / count
        first = math.floor((since_s - raster_s) / step + 1e-9)
        found: list[Column] = [None] * count
        for at, value in self.points:
            column = math.floor((at - raster_s) / step + 1e-9) - first
            if 0 <= column < count:
                ends = found[column]
                found[column] = (value, value) if ends is None else (min(ends[0], value), max(ends[1], value))
        return found


def thinned(points: list[Point]) -> list[Point]:
    """Half as many points: of each four the lowest and the highest, in order."""
    kept: list[Point] = []
    for start in range(0, len(points), 4):
        four = points[start : start + 4]
        kept.extend(sorted({min(four, key=_value), max(four, key=_value)}))
    return kept


def _value(point: Point) -> float:
    return point[1]


def joined(columns: list[Column], bridge: int) -> list[Column]:
    """Let neighbours touch, over at most ``bridge`` empty columns; a longer silence is drawn as silence."""
    result = list(columns)
    before: tuple[int, float, float] | None = None
    for at, column in enumerate(columns):
        if column is None:
            continue
        if before is not None and at - before[0] - 1 <= bridge:
            since, low, high = before
            result[since + 1 : at] = [(low, high)] * (at - since - 1)
            result[at] = (min(column[0], high), max(column[1], low))
        before = (at, *column)
    return result
