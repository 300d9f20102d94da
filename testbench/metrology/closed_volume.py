"""A closed-in body of water: how much volume a change of pressure takes, how much pressure a kelvin brings.

Computed from geometry, for comparison only. Body flex and trapped air make such figures wrong by a factor of 1.2 to
2.5; the C that a verdict rests on is measured in place (``metrology.decay``).

With V = V_water + V_air, φ = V_air/V at absolute pressure P (φ = φ0·P_atm/P, φ0 the free-air fraction):
C = V·[(1−φ)·κ + 1/K_shell + φ/P] and β = [(1−φ)·α − α_shell + φ/T]/(C/V), from the balance of liquid mass, the elastic
shell and isothermal air.
"""

import math
from dataclasses import dataclass

from testbench.metrology.water import ATMOSPHERE_PA, Water

SHELL_EXPANSION_PER_K = 36e-6
"""Volume expansion of a shell of iron or steel, three times the linear one of about 12e-6/K (from memory) [1/K]."""


def pressure_per_kelvin_in_place(water: Water, volume_m3: float, compliance_m3_per_pa: float) -> tuple[float, float]:
    """β of a body whose C was measured, and its standard uncertainty [Pa/K].

    Whether the shell goes along with the water is not known: anything between not at all and wholly is taken as
    equally likely, β = (α_water − α_shell)·V/C with α_shell from 0 to that of iron or steel.
    """
    per_volume = volume_m3 / compliance_m3_per_pa
    half = SHELL_EXPANSION_PER_K / 2
    return (water.thermal_expansion_per_k - half) * per_volume, half / math.sqrt(3) * per_volume


@dataclass(frozen=True, slots=True)
class ClosedVolume:
    """What is shut in between the closures."""

    volume_m3: float
    shell_flexibility_per_pa: float = 0.0
    """Relative growth of the cavity with pressure, 1/K_shell [1/Pa]."""
    shell_expansion_per_k: float = 0.0
    """Volume expansion of the shell, three times the linear one [1/K]; 0 if only the water changes temperature."""
    free_air: float = 0.0
    """Air in it at atmospheric pressure, as a fraction of the volume."""

    def air_fraction(self, absolute_pa: float) -> float:
        """What is left of the air, as a fraction of the volume, at a pressure [Pa]."""
        return self.free_air * ATMOSPHERE_PA / absolute_pa

    def compliance_m3_per_pa(self, water: Water, absolute_pa: float) -> float:
        """C: the volume that a change of pressure takes [m³/Pa]."""
        air = self.air_fraction(absolute_pa)
        liquid = (1 - air) * water.isothermal_compressibility_per_pa
        return self.volume_m3 * (liquid + self.shell_flexibility_per_pa + air / absolute_pa)

    def pressure_per_kelvin_pa(self, water: Water, absolute_pa: float, temperature_k: float) -> float:
        """β: the pressure that one kelvin brings to the closed body [Pa/K]; near 4 °C it changes its sign."""
        air = self.air_fraction(absolute_pa)
        growth = (1 - air) * water.thermal_expansion_per_k - self.shell_expansion_per_k + air / temperature_k
        return growth * self.volume_m3 / self.compliance_m3_per_pa(water, absolute_pa)


def cylinder_flexibility_per_pa(
    diameter_m: float, wall_m: float, youngs_modulus_pa: float, poisson: float, shape: float = 1.0
) -> float:
    """1/K of a thin cylinder with closed ends, (D/(E·t))·(5/4 − ν), times a shape factor for flat flanks [1/Pa]."""
    return shape * diameter_m / (youngs_modulus_pa * wall_m) * (1.25 - poisson)
