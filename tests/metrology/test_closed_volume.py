"""A closed-in body of water: C and β from geometry, against figures computed beforehand by separate code.

The bodies: cavity π/4·D²·L·1.6, thin-cylinder shell with E = 165 GPa, ν = 0.275, shape factor 2, linear expansion
11.5e-6/K; water of 20 °C from IAPWS-IF97; free air isothermal. All geometry is assumed.
"""

import math

import pytest

from testbench.metrology.closed_volume import ClosedVolume, cylinder_flexibility_per_pa
from testbench.metrology.decay import ML_PER_PSI
from testbench.metrology.water import ATMOSPHERE_PA, Water, water_at
from testbench.quantities import INCH, Pressure

PSI = float(Pressure.factor("psi"))
LENGTH_AND_WALL_IN = {3: (8, 0.37), 4: (9, 0.40), 6: (10.5, 0.43), 8: (11.5, 0.50), 10: (13, 0.63), 12: (14, 0.68)}
ROOM_K = 293.15


def body(size: int, free_air: float = 0.0, shape: float = 2.0, youngs_pa: float = 165e9) -> ClosedVolume:
    length, wall = LENGTH_AND_WALL_IN[size]
    inch = float(INCH)
    return ClosedVolume(
        math.pi / 4 * size**2 * length * 1.6 * inch**3,
        cylinder_flexibility_per_pa(size * inch, wall * inch, youngs_pa, 0.275, shape),
        3 * 11.5e-6,
        free_air,
    )


def at(psig: float, temperature_k: float = ROOM_K) -> tuple[Water, float]:
    absolute = psig * PSI + ATMOSPHERE_PA
    return water_at(temperature_k, absolute), absolute


@pytest.mark.parametrize(
    ("size", "litres", "c", "fl_oz", "ml", "drop", "beta"),
    [
        (3, 1.48, 0.0056, 262, 88.6, 11.1, 45.9),
        (4, 2.97, 0.0117, 168, 56.8, 5.32, 44.1),
        (6, 7.78, 0.0333, 88.7, 30.0, 1.88, 40.8),
        (8, 15.2, 0.0674, 58.5, 19.8, 0.93, 39.3),
        (10, 26.8, 0.1188, 41.5, 14.0, 0.53, 39.4),
        (12, 41.5, 0.1903, 31.1, 10.5, 0.33, 38.1),
    ],
)
def test_how_fast_a_body_decays_at_its_allowance(size, litres, c, fl_oz, ml, drop, beta):
    """At 250 psi without air: V [L], C [mL/psi], decay [psi/min] at three allowances, β [psi/K].

    The allowances: 1 fl oz/h per inch of size, 10 mL/h per inch, one drop a minute (16 drops a millilitre).
    """
    water, absolute = at(250)
    found = body(size).compliance_m3_per_pa(water, absolute) / ML_PER_PSI
    assert body(size).volume_m3 * 1000 == pytest.approx(litres, rel=0.005)
    assert found == pytest.approx(c, rel=0.01)
    assert 29.5735 * size / 60 / found == pytest.approx(fl_oz, rel=0.002)
    assert 10 * size / 60 / found == pytest.approx(ml, rel=0.004)
    assert 3.75 / 60 / found == pytest.approx(drop, rel=0.009)
    assert body(size).pressure_per_kelvin_pa(water, absolute, ROOM_K) / PSI == pytest.approx(beta, rel=0.002)


@pytest.mark.parametrize(
    ("psig", "ratios"),
    [
        (50, (1.82, 5.09, 9.18, 17.4, 41.9)),
        (100, (1.26, 2.30, 3.60, 6.20, 14.0)),
        (150, (1.13, 1.63, 2.26, 3.53, 7.31)),
        (250, (1.05, 1.24, 1.49, 1.98, 3.45)),
        (500, (1.01, 1.06, 1.13, 1.26, 1.65)),
    ],
)
def test_what_trapped_air_does_to_c(psig, ratios):
    """NPS 6 with 0.1, 0.5, 1, 2, 5 % of free air: C over that without. Air rules at low pressure."""
    water, absolute = at(psig)
    bare = body(6).compliance_m3_per_pa(water, absolute)
    for free_air, ratio in zip((0.001, 0.005, 0.01, 0.02, 0.05), ratios, strict=True):
        assert body(6, free_air).compliance_m3_per_pa(water, absolute) / bare == pytest.approx(ratio, rel=0.005)


@pytest.mark.parametrize(
    ("size", "fl_oz", "ml", "drop"),
    [
        (3, 5.7, 1.93, 0.24),
        (4, 3.8, 1.29, 0.12),
        (6, 2.2, 0.74, 0.046),
        (8, 1.5, 0.50, 0.024),
        (10, 1.05, 0.36, 0.013),
        (12, 0.82, 0.28, 0.0086),
    ],
)
def test_the_drift_that_feigns_the_whole_allowance(size, fl_oz, ml, drop):
    """K/min at 1 fl oz/h and 10 mL/h per inch, and at a drop a minute: Q/(C·β)."""
    water, absolute = at(250)
    per_kelvin = body(size).compliance_m3_per_pa(water, absolute) * body(size).pressure_per_kelvin_pa(
        water, absolute, ROOM_K
    )
    ml_per_kelvin = per_kelvin * 1e6
    assert 29.5735 * size / 60 / ml_per_kelvin == pytest.approx(fl_oz, rel=0.02)
    assert 10 * size / 60 / ml_per_kelvin == pytest.approx(ml, rel=0.02)
    assert 3.75 / 60 / ml_per_kelvin == pytest.approx(drop, rel=0.03)


@pytest.mark.parametrize(("celsius", "psi"), [(4, -0.63), (7, 0.37), (10, 1.31), (20, 4.08), (30, 6.42)])
def test_warming_changes_its_sign_near_four_degrees(celsius, psi):
    """A whole NPS 6 body that warms by 0.1 K at 250 psi [psi]."""
    kelvin = 273.15 + celsius
    water, absolute = at(250, kelvin)
    assert 0.1 * body(6).pressure_per_kelvin_pa(water, absolute, kelvin) / PSI == pytest.approx(psi, abs=0.006)


@pytest.mark.parametrize(("shape", "youngs_pa", "share"), [(1, 165e9, 0.18), (5, 100e9, 1.49)])
def test_the_shell_gives_too(shape, youngs_pa, share):
    """From 18 % (ideal cylinder) to 149 % (soft flanks, grey iron) beside the water: a computed C is no measurement."""
    water, _ = at(250)
    shell = body(6, shape=shape, youngs_pa=youngs_pa).shell_flexibility_per_pa
    assert shell / water.isothermal_compressibility_per_pa == pytest.approx(share, abs=0.006)
