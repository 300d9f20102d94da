"""How stiff a water-filled valve body is: what one more millilitre does to its pressure.

Volumes in mL, pressures in psi gauge, temperatures in K. Geometry and wall thickness are assumptions of usual
proportions, not anybody's drawing; the body is a closed cylinder made twice as soft by its flat flanks and cover.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from testbench.errors import SizeUnknownError
from testbench.quantities import INCH, Pressure

PSI_PA = float(Pressure.factor("psi"))
ATMOSPHERE_PSI = 101_325 / PSI_PA
WATER_PER_PSI = PSI_PA / 2.1915e9
"""Compressibility of water at 20 °C and 250 psi (IF97) [1/psi]."""
WATER_PER_K = 209.2e-6
"""Thermal expansion of water at 20 °C and 250 psi (IF97) [1/K]."""
IRON_PER_K = 3 * 11.5e-6
"""Thermal expansion of the volume inside an iron body [1/K]."""
ROOM_K = 293.15
IRON_PA = 165e9
POISSON = 0.275
SHAPE = 2.0
"""How much softer than a plain cylinder a body with flat flanks and a cover is."""
FULLER_THAN_BORE = 1.6
"""Cavity volume over that of a plain bore of the same length."""

_END_TO_END_AND_WALL_IN: Mapping[str, tuple[float, float]] = {
    "3": (8.0, 0.37), "4": (9.0, 0.40), "6": (10.5, 0.43), "8": (11.5, 0.50), "10": (13.0, 0.63), "12": (14.0, 0.68),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Body:
    """The pressurized cavity of a valve."""

    volume_ml: float
    """At atmosphere and 20 °C [mL]."""
    softness_per_psi: float
    """Relative growth of the cavity [1/psi]."""

    @classmethod
    def of(cls, nps: str) -> "Body":
        """The body of a nominal size.

        Raises:
            SizeUnknownError: the rig has no body of this size.
        """
        if nps not in _END_TO_END_AND_WALL_IN:
            raise SizeUnknownError(f"NPS {nps}", tuple(_END_TO_END_AND_WALL_IN), "the rig's table of bodies")
        length_in, wall_in = _END_TO_END_AND_WALL_IN[nps]
        bore_in = float(nps)
        volume_ml = math.pi / 4 * bore_in**2 * length_in * FULLER_THAN_BORE * float(INCH) ** 3 * 1e6
        cylinder_per_pa = bore_in / (IRON_PA * wall_in) * (5 / 4 - POISSON)
        return cls(volume_ml, SHAPE * cylinder_per_pa * PSI_PA)

    def part(self, share: float) -> "Body":
        """One chamber of the body."""
        return Body(self.volume_ml * share, self.softness_per_psi)

    def compliance(self, water_ml: float, air_ml: float, psi: float) -> float:
        """Water that raises the pressure by one psi [mL/psi].

        Args:
            water_ml: water inside, as measured at atmosphere.
            air_ml: air inside, as measured at atmosphere.
            psi: gauge pressure.
        """
        absolute = ATMOSPHERE_PSI + psi
        air = air_ml * ATMOSPHERE_PSI / absolute**2
        return self.volume_ml * self.softness_per_psi + water_ml * WATER_PER_PSI + air

    def pressure(self, water_ml: float, air_ml: float, *, body_k: float = 0.0, water_k: float = 0.0) -> float:
        """The gauge pressure at which water and air just fill the cavity [psi].

        Args:
            water_ml: water inside, as measured at atmosphere and 20 °C.
            air_ml: air inside, as measured at atmosphere.
            body_k: how much warmer than 20 °C the body is.
            water_k: how much warmer than 20 °C the water is.
        """
        # cavity(p) − water(p) − air(p) = 0 with the gas law for the air is a quadratic in absolute pressure.
        stiff = self.volume_ml * self.softness_per_psi + water_ml * WATER_PER_PSI
        spare = self.volume_ml * (1 + IRON_PER_K * body_k) - water_ml * (1 + WATER_PER_K * water_k)
        linear = spare - stiff * ATMOSPHERE_PSI
        gas = air_ml * ATMOSPHERE_PSI * (1 + water_k / ROOM_K)
        root = math.sqrt(linear * linear + 4 * stiff * gas)
        absolute = 2 * gas / (linear + root) if linear > 0 else (root - linear) / (2 * stiff)
        return absolute - ATMOSPHERE_PSI

    def water_beside(self, air_ml: float, *, body_k: float = 0.0, water_k: float = 0.0) -> float:
        """The water that fills the cavity at no pressure beside this much air [mL]."""
        air = air_ml * (1 + water_k / ROOM_K)
        return max(0.0, (self.volume_ml * (1 + IRON_PER_K * body_k) - air) / (1 + WATER_PER_K * water_k))

    def air_beside(self, water_ml: float, *, body_k: float = 0.0, water_k: float = 0.0) -> float:
        """The air that fills the cavity at no pressure beside this much water [mL]."""
        water = water_ml * (1 + WATER_PER_K * water_k)
        return max(0.0, (self.volume_ml * (1 + IRON_PER_K * body_k) - water) / (1 + water_k / ROOM_K))
