"""Calibration points taken in series up and down, and what the series show that a line cannot.

Zero deviation f0, repeatability b′ and hysteresis h as EURAMET cg-17 and DKD-R 6-1 define them (from memory, held
against a worked example). All are full widths in the unit of the reference.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from testbench.errors import DataRefusedError


class Direction(StrEnum):
    """Whether a point was reached from below or from above."""

    UP = "up"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """What the reference showed and what the instrument indicated; ``direction`` None where it was not noted."""

    reference: float
    indication: float
    direction: Direction | None = None


Series = tuple[CalibrationPoint, ...]


@dataclass(frozen=True, slots=True)
class SeriesUpAndDown:
    """The series of one calibration; ``read`` turns an indication into a calibrated reading."""

    series: tuple[Series, ...]
    read: Callable[[float], float]

    @property
    def zero_deviation(self) -> float | None:
        """f0: the most that the reading at the lowest point changed between series; None where one series has it."""
        zeros = [zero for zero in self._zeros() if zero is not None]
        return max(zeros) - min(zeros) if len(zeros) > 1 else None

    def repeatability(self, reference: float) -> float | None:
        """b′: the largest difference between like series; None with one series each way.

        Their zeros are subtracted first, if every series began or ended at the lowest point.
        """
        found: list[float] = []
        for direction in Direction:
            net = [reading - zero for way, reading, zero in self._readings(reference) if way is direction]
            if len(net) > 1:
                found.append(max(net) - min(net))
        return max(found) if found else None

    def hysteresis(self, reference: float) -> float | None:
        """h: the mean of |up − down| over pairs of a series up and a series down, in the order taken."""
        readings = self._readings(reference)
        up = [reading for way, reading, _ in readings if way is Direction.UP]
        down = [reading for way, reading, _ in readings if way is Direction.DOWN]
        pairs = list(zip(up, down, strict=False))
        return math.fsum(abs(a - b) for a, b in pairs) / len(pairs) if pairs else None

    def _zeros(self) -> list[float | None]:
        """Of every series the reading at the lowest point of all, if it went there."""
        lowest = min((point.reference for series in self.series for point in series), default=0.0)
        return [
            next((self.read(point.indication) for point in series if point.reference == lowest), None)
            for series in self.series
        ]

    def _readings(self, reference: float) -> list[tuple[Direction | None, float, float]]:
        """Of every visit to this point: its direction, the calibrated reading, and the zero to subtract."""
        zeros = self._zeros()
        known = [zero for zero in zeros if zero is not None]
        subtracted = known if len(known) == len(zeros) else [0.0] * len(zeros)
        return [
            (point.direction, self.read(point.indication), zero)
            for series, zero in zip(self.series, subtracted, strict=True)
            for point in series
            if point.reference == reference
        ]


def with_directions(points: tuple[CalibrationPoint, ...]) -> tuple[CalibrationPoint, ...]:
    """Take the directions as noted; where none is, see whether the points are complete series up and down.

    Raises:
        DataRefusedError: a direction is noted for some points only.
    """
    noted = [point.direction is not None for point in points]
    if any(noted) and not all(noted):
        raise DataRefusedError("calibration points", "a direction for some of them only", "one for all or for none")
    if all(noted):
        return points
    guessed = _by_movement(points)
    series = cut_into_series(guessed)
    levels = [sorted(point.reference for point in one) for one in series]
    complete = len(series) >= 2 and all(level == levels[0] for level in levels)
    return guessed if complete else points


def cut_into_series(points: tuple[CalibrationPoint, ...]) -> tuple[Series, ...]:
    """Begin a new series where the direction changes, or where the reference moves against it."""
    series: list[list[CalibrationPoint]] = []
    for point in points:
        if series and _continues(series[-1][-1], point):
            series[-1].append(point)
        else:
            series.append([point])
    return tuple(tuple(one) for one in series)


def _by_movement(points: tuple[CalibrationPoint, ...]) -> tuple[CalibrationPoint, ...]:
    """Up where the reference has risen, down where it has fallen; at a standstill (a turn) as it moves next."""
    moved = [
        math.copysign(1, b.reference - a.reference) if a.reference != b.reference else 0 for a, b in pairwise(points)
    ]
    before, after = [0.0, *moved], [*moved, 0.0]
    return tuple(
        replace(point, direction=Direction.UP if (came or goes) > 0 else Direction.DOWN)
        for point, came, goes in zip(points, before, after, strict=True)
    )


def _continues(last: CalibrationPoint, point: CalibrationPoint) -> bool:
    if last.direction is not point.direction:
        return False
    return point.reference >= last.reference if point.direction is Direction.UP else point.reference <= last.reference
