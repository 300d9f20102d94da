"""Water against the release's own table, an independent formulation, and its own derivatives."""

import pytest
import seuif97
from CoolProp import CoolProp
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import WaterRangeError
from testbench.metrology.water import ATMOSPHERE_PA, water, water_at
from testbench.quantities import Pressure, Temperature

# IAPWS-IF97, table 5: T [K], p [MPa], v [m³/kg], h [kJ/kg], u, s [kJ/kg/K], cp, w [m/s], as the public tests of the
# repository jjgomera/iapws carry it.
TABLE_5 = [
    (300, 3, 0.00100215168, 115.331273, 112.324818, 0.392294792, 4.17301218, 1507.73921),
    (300, 80, 0.000971180894, 184.142828, 106.448356, 0.368563852, 4.01008987, 1634.69054),
    (500, 3, 0.0012024180, 975.542239, 971.934985, 2.58041912, 4.65580682, 1240.71337),
]

# Bulk modulus [GPa] and thermal expansion [1e-6/K] at 0.101, 1.8, 3.55, 10, 35 and 70 MPa, computed once with an
# implementation of region 1 of our own, written from the release.
MEGAPASCAL = (0.101325, 1.8, 3.55, 10, 35, 70)
COMPUTED = {
    0: "1.9654 -67.7 1.9748 -61.2 1.9845 -54.7 2.0206 -31.1 2.1663 51.5 2.3827 146.4",
    5: "2.0339 16.3 2.0432 21.5 2.0528 26.8 2.0886 45.8 2.2326 112.6 2.4462 189.7",
    10: "2.0925 88.1 2.1017 92.3 2.1113 96.5 2.1468 111.8 2.2894 165.7 2.5006 228.4",
    20: "2.1822 206.6 2.1914 209.2 2.2009 211.8 2.2362 221.3 2.3773 255.4 2.5853 295.9",
    30: "2.2391 302.9 2.2484 304.3 2.2580 305.8 2.2935 311.0 2.4348 330.4 2.6422 354.4",
    40: "2.2676 384.9 2.2770 385.5 2.2868 386.0 2.3229 388.0 2.4661 395.9 2.6748 406.8",
    60: "2.2553 523.1 2.2653 522.3 2.2756 521.4 2.3137 518.4 2.4636 508.9 2.6791 499.6",
}


@pytest.mark.parametrize("row", TABLE_5)
def test_the_library_gives_every_value_of_table_5(row: tuple[float, ...]):
    """Volume, enthalpy, inner energy, entropy, heat capacity and speed of sound, to the digits printed."""
    temperature, pressure, *published = row
    found = [seuif97.pt(pressure, temperature - 273.15, number) for number in (3, 4, 7, 5, 8, 10)]
    assert found == pytest.approx(published, rel=5e-9)


@pytest.mark.parametrize(("temperature", "pressure", "volume"), [row[:3] for row in TABLE_5[:2]])
def test_the_density_is_that_of_table_5(temperature: float, pressure: float, volume: float):
    """IAPWS-IF97, table 5; the third state, 500 K, is out of our range and refused below."""
    assert 1 / water_at(temperature, pressure * 1e6).density_kg_m3 == pytest.approx(volume, rel=5e-9)


@pytest.mark.parametrize("celsius", COMPUTED)
def test_compressibility_and_expansion_over_the_range_of_a_bench(celsius: int):
    """Both against the values computed once, to the digits kept of them."""
    numbers = [float(text) for text in COMPUTED[celsius].split()]
    for megapascal, modulus, expansion in zip(MEGAPASCAL, numbers[::2], numbers[1::2], strict=True):
        found = water_at(celsius + 273.15, megapascal * 1e6)
        assert found.bulk_modulus_pa / 1e9 == pytest.approx(modulus, abs=0.00006)
        assert found.thermal_expansion_per_k * 1e6 == pytest.approx(expansion, abs=0.06)


@pytest.mark.parametrize("celsius", [0.5, 5, 20, 40, 60])
@pytest.mark.parametrize("megapascal", [0.101325, 3.55, 35, 70])
def test_an_independent_formulation_agrees(celsius: float, megapascal: float):
    """Oracle: CoolProp, which computes IAPWS-95, not IF97: density 16 ppm, compressibility 0.4 %, expansion 1e-6/K."""
    state = ("T", celsius + 273.15, "P", megapascal * 1e6, "Water")
    found = water_at(celsius + 273.15, megapascal * 1e6)
    assert found.density_kg_m3 == pytest.approx(CoolProp.PropsSI("D", *state), rel=16e-6)
    compressibility = CoolProp.PropsSI("ISOTHERMAL_COMPRESSIBILITY", *state)
    assert found.isothermal_compressibility_per_pa == pytest.approx(compressibility, rel=0.004)
    expansion = CoolProp.PropsSI("ISOBARIC_EXPANSION_COEFFICIENT", *state)
    assert found.thermal_expansion_per_k == pytest.approx(expansion, abs=1.0e-6)


@pytest.mark.parametrize(("density", "pressure"), [(996.556, 0.0992418352), (1005.308, 20.0022515)])
def test_the_oracle_itself_gives_the_verification_values_of_iapws_95(density: float, pressure: float):
    """IAPWS-95, table 7, at 300 K: pressure [MPa] from density."""
    assert CoolProp.PropsSI("P", "T", 300, "D", density, "Water") / 1e6 == pytest.approx(pressure, rel=1e-7)


inside_k = st.floats(273.2, 333.1)
inside_pa = st.floats(0.12e6, 99.9e6)


@given(kelvin=inside_k, pascal=inside_pa)
def test_compressibility_and_expansion_are_the_derivatives_of_the_density(kelvin: float, pascal: float):
    """κ = (1/ρ)·∂ρ/∂p and α = −(1/ρ)·∂ρ/∂T, by central differences."""
    here = water_at(kelvin, pascal)
    step_pa, step_k = 0.05e6, 0.02
    by_pressure = water_at(kelvin, pascal + step_pa).density_kg_m3 - water_at(kelvin, pascal - step_pa).density_kg_m3
    by_heat = water_at(kelvin + step_k, pascal).density_kg_m3 - water_at(kelvin - step_k, pascal).density_kg_m3
    rho = here.density_kg_m3
    assert here.isothermal_compressibility_per_pa == pytest.approx(by_pressure / (2 * step_pa) / rho, rel=1e-5)
    assert here.thermal_expansion_per_k == pytest.approx(-by_heat / (2 * step_k) / rho, abs=1e-9)


def test_one_kelvin_brings_closed_in_water_of_20_degrees_about_four_and_a_half_bar():
    """α·K at 20 °C and atmosphere: 206.6e-6 · 2.1822e9 Pa = 0.4508 MPa; below 4 °C warming lowers the pressure."""
    assert water_at(293.15, 101_325).pressure_per_kelvin_pa == pytest.approx(0.4508e6, rel=1e-3)
    assert water_at(275.15, 101_325).pressure_per_kelvin_pa < 0


def test_a_gauge_pressure_stands_on_the_atmosphere():
    """500 psi gauge are 500 psi and one atmosphere absolute."""
    gauge = Pressure.of("500", "psi")
    assert water(Temperature.of(20, "degC"), gauge) == water_at(293.15, float(gauge.exact) + ATMOSPHERE_PA)


@pytest.mark.parametrize(
    ("kelvin", "pascal"), [(273.15, 101_325), (333.15, 101_325), (273.15, 100e6), (333.15, 100e6), (293.15, 0.02e6)]
)
def test_the_ends_of_the_range_belong_to_it(kelvin: float, pascal: float):
    """0 °C, 60 °C, 0.02 MPa and 100 MPa are answered."""
    assert 950 < water_at(kelvin, pascal).density_kg_m3 < 1050


@pytest.mark.parametrize(
    ("kelvin", "pascal", "sentence"),
    [
        (273.14, 1e6, "Water: temperature is -0.01 °C; its properties are held for 0 °C to 60 °C."),
        (333.16, 1e6, "Water: temperature is 60.01 °C; its properties are held for 0 °C to 60 °C."),
        (500, 3e6, "Water: temperature is 226.85 °C; its properties are held for 0 °C to 60 °C."),
        (float("nan"), 1e6, "Water: temperature is nan °C; its properties are held for 0 °C to 60 °C."),
        (293.15, 100.1e6, "Water: absolute pressure is 100.1 MPa; its properties are held for 0.02 MPa to 100 MPa."),
        (293.15, 0.0, "Water: absolute pressure is 0 MPa; its properties are held for 0.02 MPa to 100 MPa."),
    ],
)
def test_outside_the_range_water_is_refused(kelvin: float, pascal: float, sentence: str):
    """Nothing is extrapolated."""
    with pytest.raises(WaterRangeError) as refusal:
        water_at(kelvin, pascal)
    assert str(refusal.value) == sentence
    assert refusal.value.remedy == "Check the temperature and pressure readings; other conditions need an engineer."
