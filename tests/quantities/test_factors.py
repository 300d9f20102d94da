"""Conversion factors against sources outside this project."""

from fractions import Fraction

import pint
import pytest
import scipy.constants

from testbench.quantities import (
    INCH,
    POUND_FORCE,
    AbsolutePressure,
    LeakageRate,
    Pressure,
    Quantity,
    Temperature,
    Volume,
)

# Exact values that follow from 0.0254 m, 0.45359237 kg, 9.80665 m/s² and 231 in³ (international yard and pound
# agreement of 1959; NIST SP 811 prints them rounded), worked out by hand and typed here.
EXACT = [
    (Pressure, "psi", Fraction(8896443230521, 1290320000)),
    (Pressure, "bar", Fraction(100000)),
    (Pressure, "kPa", Fraction(1000)),
    (Pressure, "MPa", Fraction(1000000)),
    (Pressure, "Pa", Fraction(1)),
    (Pressure, "kgf/cm2", Fraction(196133, 2)),
    (Pressure, "inH2O", Fraction(24908891, 100000)),
    (AbsolutePressure, "hPa", Fraction(100)),
    (AbsolutePressure, "mbar", Fraction(100)),
    (AbsolutePressure, "inHg", Fraction("3386.388640341")),
    (Volume, "fl_oz", Fraction(473176473, 16 * 10**12)),
    (Volume, "gal_us", Fraction("0.003785411784")),
    (Volume, "gal_imp", Fraction("0.00454609")),
    (Volume, "in3", Fraction("0.000016387064")),
    (Volume, "ft3", Fraction("0.028316846592")),
    (Volume, "mL", Fraction(1, 10**6)),
    (Volume, "L", Fraction(1, 1000)),
    (Volume, "mm3", Fraction(1, 10**9)),
    (Volume, "m3", Fraction(1)),
]


@pytest.mark.parametrize(("kind", "unit", "factor"), EXACT)
def test_a_factor_is_exact(kind: type[Quantity], unit: str, factor: Fraction):
    """A factor is the defined value to the last digit, not a rounded one."""
    assert kind.factor(unit) == factor


def test_every_pressure_and_volume_unit_stands_in_the_list_above():
    """A unit that is added without a checked value is noticed."""
    named = {(kind, unit) for kind, unit, _ in EXACT}
    assert named == {
        *((kind, unit) for kind in (Pressure, Volume) for unit in kind.UNITS),
        *((AbsolutePressure, unit) for unit in AbsolutePressure.UNITS.keys() - Pressure.UNITS.keys()),
    }
    assert all(AbsolutePressure.factor(unit) == factor for unit, factor in Pressure.UNITS.items())


def test_the_inch_and_the_pound_force_are_exact():
    """25.4 mm, and 0.45359237 kg under 9.80665 m/s²."""
    assert Fraction("0.0254") == INCH
    assert Fraction("4.4482216152605") == POUND_FORCE


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (Pressure.factor("psi"), scipy.constants.psi),
        (Pressure.factor("bar"), scipy.constants.bar),
        (Volume.factor("fl_oz"), scipy.constants.fluid_ounce),
        (Volume.factor("gal_us"), scipy.constants.gallon),
        (Volume.factor("gal_imp"), scipy.constants.gallon_imp),
        (INCH, scipy.constants.inch),
        (POUND_FORCE, scipy.constants.pound_force),
    ],
)
def test_scipy_agrees(ours: Fraction, theirs: float):
    """scipy.constants (CODATA and NIST SP 811) gives the same factor to 15 digits."""
    assert float(ours) == pytest.approx(theirs, rel=1e-15)


@pytest.mark.parametrize(
    ("kind", "unit", "theirs", "si"),
    [
        (Pressure, "psi", "psi", "pascal"),
        (Pressure, "bar", "bar", "pascal"),
        (Pressure, "kPa", "kilopascal", "pascal"),
        (Pressure, "MPa", "megapascal", "pascal"),
        (Pressure, "kgf/cm2", "kilogram_force / centimeter ** 2", "pascal"),
        (Pressure, "inH2O", "inch * g_0 * gram / centimeter ** 3", "pascal"),
        (AbsolutePressure, "hPa", "hectopascal", "pascal"),
        (AbsolutePressure, "mbar", "millibar", "pascal"),
        (AbsolutePressure, "inHg", "inch_Hg", "pascal"),
        (Volume, "mL", "milliliter", "meter ** 3"),
        (Volume, "fl_oz", "fluid_ounce", "meter ** 3"),
        (Volume, "in3", "inch ** 3", "meter ** 3"),
        (Volume, "ft3", "foot ** 3", "meter ** 3"),
        (Volume, "gal_us", "gallon", "meter ** 3"),
        (Volume, "gal_imp", "imperial_gallon", "meter ** 3"),
        (Volume, "mm3", "millimeter ** 3", "meter ** 3"),
        (LeakageRate, "mL/min", "milliliter / minute", "meter ** 3 / second"),
        (LeakageRate, "fl_oz/h", "fluid_ounce / hour", "meter ** 3 / second"),
        (LeakageRate, "L/s", "liter / second", "meter ** 3 / second"),
    ],
)
def test_pint_agrees(kind: type[Quantity], unit: str, theirs: str, si: str):
    """Pint's unit registry, an independent table, gives the same factor."""
    registry: pint.UnitRegistry = pint.UnitRegistry()
    assert float(kind.factor(unit)) == pytest.approx(registry.Quantity(1, theirs).to(si).magnitude, rel=1e-14)


def test_one_bar_in_psi():
    """14.503773773020922 psi to the bar, and 0.07030695796391593 kgf/cm² to the psi: the usual tables, to 16 digits."""
    assert Pressure.of(1, "bar").to("psi") == pytest.approx(14.503773773020922, rel=3e-16)
    assert Pressure.of(1, "psi").to("kgf/cm2") == pytest.approx(0.07030695796391593, rel=3e-16)


@pytest.mark.parametrize(
    ("written", "unit", "reading"),
    [("0 degC", "K", 273.15), ("212 degF", "degC", 100.0), ("-40 degF", "degC", -40.0), ("68 degF", "K", 293.15)],
)
def test_fixed_points_of_temperature(written: str, unit: str, reading: float):
    """Ice, steam, the common point of both scales, and 68 °F = 20 °C."""
    assert Temperature.parse(written).to(unit) == pytest.approx(reading, abs=1e-12)


def test_a_temperature_is_shown_on_its_own_scale():
    """70 degF prints as 70 degF, whatever it is in kelvin."""
    assert str(Temperature.parse("70 degF")) == "70 degF"
    assert Temperature.parse("70 degF").in_unit("degC").text(1) == "21.1 degC"


def test_an_atmosphere_in_inches_of_mercury():
    """NIST SP 811, B.8, from memory: conventional inch of mercury 3.386 389 E+03 Pa; 1013.25 hPa is 29.92 inHg."""
    assert round(float(AbsolutePressure.factor("inHg")), 3) == 3386.389
    assert AbsolutePressure.of("1013.25", "hPa").text(2, "inHg") == "29.92 inHg"
