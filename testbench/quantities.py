"""Pressure, volume, leakage rate, temperature and nominal size, with exact factors in one place.

A quantity is held exactly (a fraction of the SI unit) beside the unit it was written in, so that a limit of
500 psi is compared as 500 psi and printed as 500 psi. Two kinds of quantity never mix: adding a pressure to a
volume does not type-check and raises at run time.

Factors follow from 0.0254 m, 0.45359237 kg, 9.80665 m/s² and 231 in³ (NIST SP 811 prints them rounded).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Any, ClassVar, Self

from testbench.errors import QuantityUnreadableError, SizeUnknownError, UnitUnknownError

INCH = Fraction("0.0254")  # m, exact
POUND_FORCE = Fraction("0.45359237") * Fraction("9.80665")  # N, exact
US_GALLON = 231 * INCH**3  # m³, exact
HOUR, MINUTE = 3600, 60

_WRITTEN = re.compile(r"\s*([+-]?[0-9]+(?:\.[0-9]+)?)\s*([^\s0-9.,_].*?)\s*")


def _decimal_places(value: Fraction) -> int | None:
    """How many places after the point write the number exactly; None where it never ends."""
    rest, powers = value.denominator, {2: 0, 5: 0}
    for prime in powers:
        while rest % prime == 0:
            rest //= prime
            powers[prime] += 1
    return max(powers.values()) if rest == 1 else None


@dataclass(frozen=True, slots=True)
class Quantity:
    """An exact amount in SI units and the unit it is shown in."""

    exact: Fraction
    unit: str = field(compare=False)

    UNITS: ClassVar[Mapping[str, Fraction]] = {}

    @classmethod
    def of(cls, value: float | Decimal | Fraction | str, unit: str) -> Self:
        """Build from a number in ``unit``. A decimal text or int is taken exactly."""
        return cls(Fraction(value) * cls.factor(unit), unit)

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``"250 psi"``.

        Raises:
            QuantityUnreadableError: the text is not a number and a unit.
            UnitUnknownError: the unit is none of this quantity.
        """
        match = _WRITTEN.fullmatch(text)
        if match is None:
            raise QuantityUnreadableError(cls.__name__, text)
        return cls.of(match[1], match[2])

    @classmethod
    def factor(cls, unit: str) -> Fraction:
        """SI units per ``unit``, exact."""
        try:
            return cls.UNITS[unit]
        except KeyError:
            raise UnitUnknownError(cls.__name__, unit, tuple(cls.UNITS)) from None

    @classmethod
    def zero(cls, unit: str) -> Self:
        """Nothing, shown in ``unit``."""
        return cls(Fraction(0), unit)

    def to(self, unit: str) -> float:
        """The amount in another unit."""
        return float(self.exact / self.factor(unit))

    def in_unit(self, unit: str) -> Self:
        """The same amount, shown in another unit."""
        self.factor(unit)
        return type(self)(self.exact, unit)

    @property
    def value(self) -> Fraction:
        """The number in the unit it is shown in, exact."""
        return self.exact / self.factor(self.unit)

    @property
    def digits(self) -> str:
        """The number in its own unit as a plain decimal text: exact where it ends, else 15 digits."""
        value = self.value
        places = _decimal_places(value)
        if places is None:
            number = Decimal(f"{Decimal(value.numerator) / Decimal(value.denominator):.15g}")
        else:
            number = Decimal(f"{value.numerator * 10**places // value.denominator}E-{places}")
        text = f"{number:f}"
        return text.rstrip("0").rstrip(".") if "." in text else text

    def __str__(self) -> str:
        return f"{self.digits} {self.unit}"

    def text(self, decimals: int, unit: str | None = None) -> str:
        """Rounded for reading, for example ``text(1) == "503.0 psi"``."""
        shown = unit or self.unit
        return f"{self.to(shown):z.{decimals}f} {shown}"

    def text_beside(self, other: Self, decimals: int = 2) -> str:
        """Rounded for reading, with as many more decimals as it takes to tell it from another amount."""
        for digits in range(decimals, 10):
            if self.text(digits) != other.text(digits, self.unit) or self == other:
                return self.text(digits)
        return str(self)

    def __add__(self, other: Self) -> Self:
        return type(self)(self.exact + self._same(other).exact, self.unit)

    def __sub__(self, other: Self) -> Self:
        return type(self)(self.exact - self._same(other).exact, self.unit)

    def __mul__(self, by: float | Fraction | Decimal) -> Self:
        return type(self)(self.exact * Fraction(by), self.unit)

    def __abs__(self) -> Self:
        return type(self)(abs(self.exact), self.unit)

    def ratio(self, other: Self) -> Fraction:
        """How many times ``other`` fits."""
        return self.exact / self._same(other).exact

    def __eq__(self, other: object) -> bool:
        return type(other) is type(self) and self.exact == other.exact

    def __hash__(self) -> int:
        return hash((type(self).__name__, self.exact))

    def __lt__(self, other: Self) -> bool:
        return self.exact < self._same(other).exact

    def __le__(self, other: Self) -> bool:
        return self.exact <= self._same(other).exact

    def __gt__(self, other: Self) -> bool:
        return self.exact > self._same(other).exact

    def __ge__(self, other: Self) -> bool:
        return self.exact >= self._same(other).exact

    def _same(self, other: Self) -> Self:
        if type(other) is not type(self):
            raise TypeError(f"{type(self).__name__} and {type(other).__name__} do not mix")
        return other

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> Any:
        """In files and records a quantity is written as text, for example ``"500 psi"``."""
        from pydantic_core import core_schema

        def read(found: Any) -> Any:
            if isinstance(found, cls):
                return found
            try:
                return cls.parse(str(found))
            except (QuantityUnreadableError, UnitUnknownError) as refusal:
                raise ValueError(str(refusal)) from refusal

        return core_schema.no_info_plain_validator_function(
            read,
            serialization=core_schema.plain_serializer_function_ser_schema(str),
            json_schema_input_schema=core_schema.str_schema(),
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: Any, handler: Any) -> dict[str, Any]:
        """Describe the text form for editors."""
        units = ", ".join(cls.UNITS)
        return {"type": "string", "description": f"{cls.__name__}: a number and one of {units}"}


class Pressure(Quantity):
    """Gauge pressure [Pa]. Absolute pressure is another thing: ``AbsolutePressure``."""

    __slots__ = ()
    UNITS: ClassVar[Mapping[str, Fraction]] = {
        "psi": POUND_FORCE / INCH**2,
        "bar": Fraction(100_000),
        "kPa": Fraction(1_000),
        "MPa": Fraction(1_000_000),
        "Pa": Fraction(1),
        "kgf/cm2": Fraction("98066.5"),
        "inH2O": Fraction("249.08891"),  # conventional: 1 g/cm³, 9.80665 m/s²
    }


class AbsolutePressure(Quantity):
    """Pressure above nothing [Pa], such as that of the atmosphere. It does not mix with gauge pressure."""

    __slots__ = ()
    UNITS: ClassVar[Mapping[str, Fraction]] = {
        **Pressure.UNITS,
        "hPa": Fraction(100),
        "mbar": Fraction(100),
        # conventional: mercury of 13 595.1 kg/m³ at 9.80665 m/s² (NIST SP 811, B.8 prints 3.386 389 E+03)
        "inHg": Fraction("13595.1") * Fraction("9.80665") * INCH,
    }


class Volume(Quantity):
    """Volume [m³]."""

    __slots__ = ()
    UNITS: ClassVar[Mapping[str, Fraction]] = {
        "mL": Fraction(1, 1_000_000),
        "L": Fraction(1, 1_000),
        "fl_oz": US_GALLON / 128,
        "in3": INCH**3,
        "ft3": (12 * INCH) ** 3,
        "gal_us": US_GALLON,
        "gal_imp": Fraction("0.00454609"),
        "mm3": Fraction(1, 1_000_000_000),
        "m3": Fraction(1),
    }


class LeakageRate(Quantity):
    """Liquid volume per time [m³/s]."""

    __slots__ = ()
    UNITS: ClassVar[Mapping[str, Fraction]] = {
        f"{name}/{time}": amount / seconds
        for name, amount in Volume.UNITS.items()
        for time, seconds in (("s", 1), ("min", MINUTE), ("h", HOUR))
    }

    @classmethod
    def over(cls, volume: Volume, seconds: float | Fraction, unit: str = "mL/h") -> Self:
        """What a volume collected in a time amounts to [m³/s]."""
        return cls(volume.exact / Fraction(seconds), unit)


class Temperature(Quantity):
    """Thermodynamic temperature [K]; degC and degF are scales, not factors."""

    __slots__ = ()
    UNITS: ClassVar[Mapping[str, Fraction]] = {
        "K": Fraction(1),
        "degC": Fraction(1),
        "degF": Fraction(5, 9),
    }
    ZERO: ClassVar[Mapping[str, Fraction]] = {
        "K": Fraction(0),
        "degC": Fraction("273.15"),
        "degF": Fraction("273.15") - 32 * Fraction(5, 9),
    }

    @classmethod
    def of(cls, value: float | Decimal | Fraction | str, unit: str) -> Self:
        """Build from a reading on a scale."""
        return cls(Fraction(value) * cls.factor(unit) + cls.ZERO[unit], unit)

    def to(self, unit: str) -> float:
        """The reading on another scale."""
        return float((self.exact - self.ZERO[unit]) / self.factor(unit))

    @property
    def value(self) -> Fraction:
        """The reading on its own scale, exact."""
        return (self.exact - self.ZERO[self.unit]) / self.factor(self.unit)


# NPS (inch number) and DN (millimetre number) name the same sizes; ISO 6708 and the DN/NPS columns of the API
# leakage table (../procedures). The pair is a name, not a conversion.
_SIZES: Mapping[str, int] = {
    "2": 50, "2.5": 65, "3": 80, "4": 100, "5": 125, "6": 150, "8": 200, "10": 250, "12": 300,
    "14": 350, "16": 400, "18": 450, "20": 500, "24": 600, "26": 650, "28": 700, "30": 750,
    "32": 800, "36": 900, "40": 1000, "42": 1050, "48": 1200,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class NominalSize:
    """A nominal size under both its names."""

    nps: str
    dn: int

    @classmethod
    def from_nps(cls, number: str | int | float) -> Self:
        """Look an NPS number up, for example ``"8"`` or ``2.5``.

        Raises:
            SizeUnknownError: the number is no size of the table.
        """
        key = f"{Decimal(str(number)).normalize():f}" if _is_number(str(number)) else str(number)
        if key not in _SIZES:
            raise SizeUnknownError(f"NPS {number}", tuple(_SIZES))
        return cls(key, _SIZES[key])

    @classmethod
    def from_dn(cls, number: int) -> Self:
        """Look a DN number up, for example 200.

        Raises:
            SizeUnknownError: the number is no size of the table.
        """
        for nps, dn in _SIZES.items():
            if dn == number:
                return cls(nps, dn)
        raise SizeUnknownError(f"DN {number}", tuple(str(dn) for dn in _SIZES.values()))

    @property
    def inches(self) -> Fraction:
        """The NPS number as a factor for limits stated per inch of nominal size."""
        return Fraction(self.nps)

    def __str__(self) -> str:
        return f"NPS {self.nps} (DN {self.dn})"


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[0-9]+(\.[0-9]+)?", text) is not None
