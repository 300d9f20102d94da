"""Figures along the axes of a plot."""

import numpy as np


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers along an axis, about as many as asked for."""
    rough = (high - low) / about
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(step for step in (1 * power, 2 * power, 5 * power, 10 * power) if step >= rough)
    first = int(np.ceil(low / step - 1e-9))
    last = int(np.floor(high / step + 1e-9))
    return [float(number * step) for number in range(first, last + 1)]


def tidy(number: float) -> str:
    """A number at an axis."""
    return f"{round(number, 6):g}".replace("-", "−")


def figures(marks: list[float]) -> list[str]:
    """The numbers of one axis, with the same decimals all along it."""
    decimals = max((len(tidy(mark).partition(".")[2]) for mark in marks), default=0)
    return [f"{mark:.{decimals}f}".replace("-", "−") if decimals else tidy(mark) for mark in marks]
