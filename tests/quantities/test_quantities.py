"""What a quantity does and refuses."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from testbench.errors import QuantityUnreadableError, UnitUnknownError
from testbench.quantities import LeakageRate, Pressure, Quantity, Temperature, Volume

KINDS = (Pressure, Volume, LeakageRate, Temperature)
kinds = st.sampled_from(KINDS)
decimals = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9, places=6)


@st.composite
def quantities(draw: st.DrawFn, kind: type[Quantity] | None = None) -> Quantity:
    kind = kind or draw(kinds)
    return kind.of(draw(decimals), draw(st.sampled_from(sorted(kind.UNITS))))


@given(quantity=quantities())
def test_what_is_printed_reads_back_as_the_same_quantity(quantity: Quantity):
    """A record keeps quantities as text; reading it again gives exactly the same amount in the same unit."""
    again = type(quantity).parse(str(quantity))
    assert again == quantity
    assert again.unit == quantity.unit


@given(quantity=quantities(), data=st.data())
def test_a_unit_is_only_a_way_of_showing(quantity: Quantity, data: st.DataObject):
    """Showing an amount in another unit does not change it, even where the number no longer ends."""
    unit = data.draw(st.sampled_from(sorted(quantity.UNITS)))
    assert quantity.in_unit(unit) == quantity
    assert quantity.in_unit(unit).in_unit(quantity.unit).digits == quantity.digits


@given(exact=st.fractions(), unit=st.sampled_from(sorted(LeakageRate.UNITS)))
def test_digits_are_a_plain_decimal_number_that_reads_back(exact: Fraction, unit: str):
    """No exponents, however small or large; at least 15 digits are right."""
    rate = LeakageRate(exact, unit)
    again = LeakageRate.parse(str(rate))
    assert set(rate.digits) <= set("-0123456789.")
    assert abs(again.exact - exact) <= abs(exact) / 10**14


@pytest.mark.parametrize(
    ("quantity", "digits"),
    [
        (Pressure.of("500", "psi"), "500"),
        (Pressure.of("500.0", "psi"), "500"),
        (Pressure.of("0.5", "bar"), "0.5"),
        (Pressure.of("-1.25", "psi"), "-1.25"),
        (Pressure.of(0, "psi"), "0"),
        (Pressure.of(Fraction(1, 8), "psi"), "0.125"),
        (Pressure.of(Decimal("250.13"), "psi"), "250.13"),
        (Pressure.of("1e30", "psi"), "1" + 30 * "0"),
        (LeakageRate.of(Fraction(1, 3), "mL/h"), "0.333333333333333"),
        (LeakageRate.of(Fraction(2, 3 * 10**10), "mL/h"), "0.0000000000666666666666667"),
        (Pressure.of(250, "psi").in_unit("bar"), "17.2368932329209"),
    ],
)
def test_digits(quantity: Quantity, digits: str):
    """Exact where the number ends, else 15 significant digits, never an exponent."""
    assert quantity.digits == digits


@pytest.mark.parametrize(
    ("decimals", "unit", "text"),
    [(1, None, "503.0 psi"), (0, None, "503 psi"), (2, "bar", "34.68 bar"), (3, "MPa", "3.468 MPa")],
)
def test_text_is_rounded_for_reading(decimals: int, unit: str | None, text: str):
    """A screen shows as many decimals as it asks for."""
    assert Pressure.of(503, "psi").text(decimals, unit) == text


def test_a_small_negative_reading_is_not_shown_as_minus_zero():
    """A transmitter at atmosphere reads -0.01 psi; with one decimal that is 0.0 psi."""
    assert Pressure.of("-0.01", "psi").text(1) == "0.0 psi"


def test_arithmetic_keeps_the_unit_of_the_first():
    """500 psi and 1 bar make a pressure that is shown in psi."""
    total = Pressure.of(500, "psi") + Pressure.of(1, "bar")
    assert total.unit == "psi"
    assert total - Pressure.of(1, "bar") == Pressure.of(500, "psi")
    assert Pressure.of(250, "psi") * Fraction("1.1") == Pressure.of(275, "psi")
    assert abs(Pressure.of(-3, "psi")) == Pressure.of(3, "psi")
    assert Volume.of(10, "mL").ratio(Volume.of(4, "mL")) == Fraction(5, 2)
    assert LeakageRate.over(Volume.of(1, "L"), 3600) == LeakageRate.of(1000, "mL/h")


def test_equal_amounts_are_equal_in_any_unit():
    """1 bar is 100 kPa, also as a key of a table; a pressure is never equal to a volume."""
    assert Pressure.of(1, "bar") == Pressure.of(100, "kPa")
    assert len({Pressure.of(1, "bar"), Pressure.of(100, "kPa")}) == 1
    assert Pressure(Fraction(1), "Pa") != Volume(Fraction(1), "m3")
    assert Pressure.zero("psi") != 0


def test_limits_are_compared_exactly():
    """500 psi is not above 500 psi, and a millionth of a pascal more is."""
    limit = Pressure.of(500, "psi")
    more = limit + Pressure.of("0.000001", "Pa")
    assert limit <= Pressure.of("500.00", "psi")
    assert limit >= Pressure.of("500.00", "psi")
    assert not limit < Pressure.of("500.00", "psi")
    assert not limit > Pressure.of("500.00", "psi")
    assert more > limit
    assert limit < more


@pytest.mark.parametrize(
    "operation",
    [
        lambda a, b: a + b,
        lambda a, b: a - b,
        lambda a, b: a < b,
        lambda a, b: a <= b,
        lambda a, b: a > b,
        lambda a, b: a >= b,
        lambda a, b: a.ratio(b),
    ],
)
def test_two_kinds_never_mix(operation):
    """Adding or comparing a pressure and a volume is a mistake of the programmer and stops at once."""
    with pytest.raises(TypeError, match=r"^Pressure and Volume do not mix$"):
        operation(Pressure.of(1, "psi"), Volume.of(1, "mL"))


@pytest.mark.parametrize("number", [1, 1.0, Fraction(1)])
def test_a_bare_number_is_no_pressure(number):
    """A number without a unit is compared with nothing."""
    with pytest.raises(TypeError, match="do not mix"):
        Pressure.of(1, "psi") < number  # noqa: B015


def test_two_pressures_do_not_multiply():
    """Only a plain number scales a quantity."""
    with pytest.raises(TypeError):
        Pressure.of(1, "psi") * Pressure.of(1, "psi")  # type: ignore[operator]


def test_a_unit_of_another_quantity_is_refused_in_a_sentence():
    """The refusal names the quantity, the unit found and the units allowed."""
    with pytest.raises(UnitUnknownError) as refusal:
        Pressure.parse("250 mL")
    assert str(refusal.value) == ("Pressure has no unit 'mL'; allowed are psi, bar, kPa, MPa, Pa, kgf/cm2, inH2O.")
    assert refusal.value.remedy == "Write one of the allowed units."


def test_showing_in_an_unknown_unit_is_refused():
    """There is no way round the table of units."""
    with pytest.raises(UnitUnknownError):
        Volume.of(1, "mL").in_unit("psi")


@pytest.mark.parametrize(
    "text", ["", "psi", "250", "two psi", "nan psi", "inf psi", "1_000 psi", "1,000 psi", "٢٥٠ psi"]
)
def test_what_is_not_a_number_and_a_unit_is_refused_in_a_sentence(text: str):
    """Exponents, not-a-number, thousands separators and foreign digits are no numbers on an order."""
    with pytest.raises(QuantityUnreadableError) as refusal:
        Pressure.parse(text)
    assert str(refusal.value) == f"Pressure cannot be read from '{text}'; a number and a unit are needed."
    assert refusal.value.remedy == "Write a number and a unit, for example 250 psi."


def test_the_unit_is_spelled_as_the_table_spells_it():
    """Units are names, not guesses, and an exponent is no part of a number."""
    for text, unit in {"250 PSI": "PSI", "250 lb/in2": "lb/in2", "1e3 psi": "e3 psi"}.items():
        with pytest.raises(UnitUnknownError, match=f"^Pressure has no unit '{unit}'; allowed are psi, "):
            Pressure.parse(text)


class Limit(BaseModel):
    at_most: Pressure


def test_a_file_writes_a_quantity_as_text():
    """Files and records hold "500 psi"; a bare number is refused with the sentence of the quantity."""
    limit = Limit.model_validate({"at_most": "500 psi"})
    assert limit.at_most == Pressure.of(500, "psi")
    assert limit.model_dump(mode="json") == {"at_most": "500 psi"}
    assert Limit(at_most=Pressure.of(500, "psi")) == limit
    with pytest.raises(ValidationError, match="Pressure cannot be read from '500'; a number and a unit are needed"):
        Limit.model_validate({"at_most": 500})
    with pytest.raises(ValidationError, match="Pressure has no unit 'mL'"):
        Limit.model_validate({"at_most": "500 mL"})


def test_the_schema_tells_an_editor_the_units():
    """Whoever writes a procedure sees which units there are."""
    assert Limit.model_json_schema()["properties"]["at_most"] == {
        "type": "string",
        "title": "At Most",
        "description": "Pressure: a number and one of psi, bar, kPa, MPa, Pa, kgf/cm2, inH2O",
    }


def test_a_number_beside_a_limit_gets_the_digits_that_tell_them_apart():
    """118.294 beside a limit of 118.29 is not printed as 118.29."""
    limit = LeakageRate.of("118.29", "mL/h")
    assert LeakageRate.of("118.294", "mL/h").text_beside(limit) == "118.294 mL/h"
    assert LeakageRate.of("40", "mL/h").text_beside(limit) == "40.00 mL/h"
    assert limit.text_beside(limit) == "118.29 mL/h"
