"""Rate of change over a sliding window, and when a pressure counts as steady.

Sums run about a moving origin that is rebuilt every second window: O(1) a sample, and free of the cancellation that
sums about a far origin suffer. Times are monotonic seconds.
"""

import math
from collections import deque
from dataclasses import dataclass

ONE_SIDED_95 = 1.6449  # standard normal quantile for 95 %


@dataclass(frozen=True, slots=True)
class Slope:
    """A least-squares rate of change and its standard uncertainty, per second."""

    per_s: float
    standard_uncertainty: float
    samples: int
    span_s: float

    @property
    def bound(self) -> float:
        """|slope| plus 1.645 u: with 95 % probability the true rate is no larger."""
        return abs(self.per_s) + ONE_SIDED_95 * self.standard_uncertainty


class SlidingSlope:
    """Ordinary least squares over the newest ``window_s`` seconds, one sample at a time."""

    def __init__(self, window_s: float) -> None:
        self.window_s = window_s
        self._points: deque[tuple[float, float]] = deque()
        self.clear()

    def clear(self) -> None:
        """Forget everything, for example after a gap or a change of phase."""
        self._points.clear()
        self._origin = (0.0, 0.0)
        self._sums = [0.0] * 5  # Σx, Σy, Σx², Σxy, Σy² about the origin

    def add(self, at_s: float, value: float) -> None:
        """Take the newest sample and drop those older than the window."""
        if not self._points or at_s - self._origin[0] > 2 * self.window_s:
            self._rebuild(at_s, value)
        self._points.append((at_s, value))
        self._count(at_s, value, 1)
        while at_s - self._points[0][0] > self.window_s:
            self._count(*self._points.popleft(), -1)

    def estimate(self) -> Slope | None:
        """The slope over a full window; None while the window is not yet full."""
        n = len(self._points)
        if n < 3:
            return None
        span = self._points[-1][0] - self._points[0][0]
        if span < 0.95 * self.window_s:
            return None
        sx, sy, sxx, sxy, syy = self._sums
        centred_xx = sxx - sx * sx / n
        if centred_xx <= 0:
            return None
        centred_xy = sxy - sx * sy / n
        slope = centred_xy / centred_xx
        residual = max(0.0, syy - sy * sy / n - slope * centred_xy)
        return Slope(slope, math.sqrt(residual / (n - 2) / centred_xx), n, span)

    def _rebuild(self, at_s: float, value: float) -> None:
        self._origin = (at_s, value)
        self._sums = [0.0] * 5
        for point in self._points:
            self._count(*point, 1)

    def _count(self, at_s: float, value: float, sign: int) -> None:
        x, y = at_s - self._origin[0], value - self._origin[1]
        for index, term in enumerate((x, y, x * x, x * y, y * y)):
            self._sums[index] += sign * term
