"""Air in a body of water, seen on the way up: at a constant flow of the pump it makes the rise slow at first.

With the water's own C_w and air that goes as A/P² (P absolute, isothermal), a flow q gives dt/dP = (C_w + A/P²)/q, so
that t = t0 + (C_w·P − A/P)/q. A fit of the times gives C now over C without air, whatever the flow. A pump that slows
down as the pressure rises hides air and never feigns it; one that pauses fits badly, and then nothing is said.
"""

import math
from dataclasses import dataclass

import numpy as np

from testbench.metrology.decay import LARGEST_WATER_ONLY_RATIO
from testbench.metrology.signal import Values, dot
from testbench.metrology.water import ATMOSPHERE_PA

LEAST_READINGS = 8
LARGEST_MISFIT = 0.02
"""Scatter of the times about the fit, as a share of the whole rise, above which nothing is said."""
_DOUBTS = 2.0  # standard uncertainties left for the doubt
_LEAST_SHARE = 0.01
_MOST_LASTING = 0.9


@dataclass(frozen=True, slots=True)
class Rise:
    """What a rise of pressure shows of the air in the body."""

    water_share: float
    """C without air over C now, at the end of the rise."""
    standard_uncertainty: float
    misfit: float
    """Standard deviation of the times about the fit over the time of the rise."""

    @property
    def fits(self) -> bool:
        """Whether the rise looks like a constant flow into water and air."""
        return self.misfit <= LARGEST_MISFIT

    @property
    def ratio_at_least(self) -> float:
        """C now over C without air: at least this much, doubt left for the scatter."""
        return 1 / max(self.water_share + _DOUBTS * self.standard_uncertainty, _LEAST_SHARE)

    @property
    def shows_air(self) -> bool:
        """Whether C is so far above that without air that the rig should be vented again."""
        return self.fits and self.ratio_at_least > LARGEST_WATER_ONLY_RATIO


def rise_of(at_s: Values, gauge_pa: Values) -> Rise | None:
    """Judge a rise of pressure under the pump.

    Args:
        at_s: times, rising [s].
        gauge_pa: gauge pressures [Pa], same length.

    Returns:
        What it shows; None where there are too few readings to tell.
    """
    if at_s.size < LEAST_READINGS or at_s[-1] <= at_s[0]:
        return None
    t, p = at_s - at_s[0], gauge_pa / ATMOSPHERE_PA + 1
    if float(p.min()) <= 0.5:
        return None
    parts = np.column_stack([np.ones_like(p), p, -1 / p])
    fitted = np.linalg.lstsq(parts, t, rcond=None)[0]
    water, air = float(fitted[1]), float(fitted[2])
    rest = t - parts @ fitted
    variance = dot(rest, rest) / (t.size - 3)
    lasting = min(max(dot(rest[1:], rest[:-1]) / max(dot(rest, rest), 1e-300), 0.0), _MOST_LASTING)
    spread = np.linalg.pinv(parts.T @ parts) * variance * (1 + lasting) / (1 - lasting)
    square = float(p[-1]) ** 2
    now = water + air / square
    if now <= 0:
        return None
    slope = np.array([0.0, air / square, -water / square]) / now**2
    return Rise(water / now, math.sqrt(max(float(slope @ spread @ slope), 0.0)), math.sqrt(variance) / float(t[-1]))
