"""The pressure that a known volume costs, read between two stretches of rest.

Before and after the volume is let out the pressure is read for a while. What it would have lost by itself in between,
by a leak or by heat, is taken off: the rate of change of both stretches, on average. Values may be in any one unit,
rates per second.
"""

import math
from dataclasses import dataclass
from typing import Self

from testbench.metrology.signal import Values, dot, noise_of

LARGEST_RELATIVE_U = 0.03
"""A loss is read well enough when its standard uncertainty is at most this share of it."""
_CERTAIN = 3.0  # standard uncertainties beyond which noise is no explanation
_TO_BLAME = 2.0
_RECTANGLE = 2 * math.sqrt(3)  # full width over standard deviation of a rectangular distribution


@dataclass(frozen=True, slots=True)
class Rest:
    """A stretch in which nothing was let out: its middle, its mean and its rate of change."""

    at_s: float
    mean: float
    mean_u: float
    per_s: float
    per_s_u: float
    steps_u: float
    """The same from the changes from sample to sample alone: blind to a bend, that a pump leaves as it stops."""

    def moves_beyond(self, limit_per_s: float) -> bool:
        """Whether its rate of change lies beyond a limit, for certain."""
        return abs(self.per_s) - _CERTAIN * self.steps_u > limit_per_s

    @classmethod
    def of(cls, at_s: Values, values: Values) -> Self:
        """Fit a line; at least three readings at different times."""
        t, first = at_s - at_s.mean(), float(values[0])
        y = values - first
        mean = float(y.mean())
        sxx = dot(t, t)
        slope = dot(t, y - mean) / sxx
        rest = (y - mean) - slope * t
        sd = math.sqrt(dot(rest, rest) / (t.size - 2))
        root = math.sqrt(sxx)
        return cls(
            at_s=float(at_s.mean()),
            mean=first + mean,
            mean_u=sd / math.sqrt(t.size),
            per_s=slope,
            per_s_u=sd / root,
            steps_u=noise_of(values) / root,
        )


@dataclass(frozen=True, slots=True)
class Loss:
    """What the pressure lost between two stretches of rest, beyond what it would have lost by itself."""

    value: float
    noise_u: float
    """Standard uncertainty from the scatter of the readings."""
    moving_u: float
    """Standard uncertainty from a rate of change that is not the same before and after."""
    moving_per_s: float
    """Rate of change after it."""
    settling: bool
    """Whether the pressure moves faster after it than before, for certain."""
    restless_before: bool
    """Whether most of the doubt lies in the stretch before it: it was not at rest, and will never be better known."""

    @property
    def standard_uncertainty(self) -> float:
        """Of the loss, combined."""
        return math.hypot(self.noise_u, self.moving_u)

    @property
    def seen(self) -> bool:
        """Whether anything was lost at all that is not noise."""
        return self.value > _CERTAIN * self.noise_u

    @property
    def well_read(self) -> bool:
        """Whether the loss is known to a few per cent."""
        return self.seen and self.standard_uncertainty <= LARGEST_RELATIVE_U * self.value

    @property
    def unsettled(self) -> bool:
        """Whether waiting would make it better known: the pressure still comes to rest."""
        return self.settling and self.moving_u > LARGEST_RELATIVE_U * abs(self.value)


def loss_between(before: Rest, after: Rest) -> Loss:
    """The loss from one stretch of rest to the next."""
    seconds = after.at_s - before.at_s
    by_itself = (before.per_s + after.per_s) / 2 * seconds
    slopes_u = math.hypot(before.per_s_u, after.per_s_u)
    faster = abs(after.per_s) - abs(before.per_s)
    moving_u = abs(after.per_s - before.per_s) / _RECTANGLE * seconds
    of_before, of_after = (math.hypot(rest.mean_u, rest.per_s_u / 2 * seconds) for rest in (before, after))
    if faster < 0:
        of_before = math.hypot(of_before, moving_u)
    return Loss(
        value=before.mean - after.mean + by_itself,
        noise_u=math.hypot(before.mean_u, after.mean_u, slopes_u / 2 * seconds),
        moving_u=moving_u,
        moving_per_s=after.per_s,
        settling=faster > _CERTAIN * slopes_u,
        restless_before=of_before > _TO_BLAME * of_after,
    )
