"""The instruments of a bench as bench.toml describes them: what each is, how it is read, what it means."""

import math
from collections.abc import Callable, Sequence
from datetime import date
from decimal import ROUND_UP, Context, Decimal
from fractions import Fraction
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import AfterValidator, Field, field_validator, model_validator

from testbench.framing.lines import GrammarFramer, LineFramer
from testbench.procedure.valve import Text, Value
from testbench.quantities import AbsolutePressure, Pressure
from testbench.run.channels import Atmosphere, ChannelRecord, SecondGaugeCheck, UncertaintyPoint, bare_scale
from testbench.run.samples import NUMBER, Scale
from testbench.station.ascii_settings import AsciiLineSettings, AsciiPromptSettings
from testbench.station.line_settings import BenchLine, PlainLineSettings
from testbench.station.pace import marks_damage

Positive = Annotated[str, Field(pattern=r"^(0\.[0-9]*[1-9][0-9]*|[1-9][0-9]*(\.[0-9]+)?)$")]
"""A number above 0, as text."""
MOST_OF_WEATHER = AbsolutePressure.of(50, "hPa")
"""More than the weather of a day moves a barometer; our own choice."""


def _of_a_file_name(tag: str) -> str:
    if tag.startswith(".") or not tag.isprintable() or set(tag) & set("/\\"):
        raise ValueError("it becomes part of file names; leave out '/', '\\', control characters and a dot in front")
    return tag


def _believable(found: Atmosphere) -> Atmosphere:
    u = found.expanded_uncertainty
    if not AbsolutePressure.zero("hPa") < u <= MOST_OF_WEATHER:
        raise ValueError(
            f"expanded_uncertainty: found {u}, it must be above 0 and at most {MOST_OF_WEATHER}, more than the weather "
            "moves a barometer; state how well it is known and how far it moves until it is stated again"
        )
    return found


Tag = Annotated[Text, AfterValidator(_of_a_file_name)]
StatedAtmosphere = Annotated[Atmosphere, AfterValidator(_believable)]


class CalibrationEntry(Value):
    """The calibration in force, from its certificate."""

    certificate_number: Text
    laboratory: Text
    calibrated_on: date
    due_on: date
    lowest: Pressure
    highest: Pressure
    expanded_uncertainty: Pressure
    """U with coverage factor k = 2 over the whole range."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.due_on < self.calibrated_on:
            raise ValueError("due_on lies before calibrated_on")
        if not self.lowest < self.highest:
            raise ValueError("lowest must lie below highest")
        if self.expanded_uncertainty <= Pressure.zero("psi"):
            raise ValueError("expanded_uncertainty must be above 0")
        return self


class ChannelCalibration(CalibrationEntry):
    """A calibration as runs apply it; from the register it brings a curve and U along the range."""

    gain: str = "1"
    bend: str = "0"
    uncertainty_points: tuple[UncertaintyPoint, ...] = ()


class Instrument(Value):
    """Something that is read over a line, and which of the line's values is meant."""

    tag: Tag
    instrument: Text
    serial: Text
    line: BenchLine
    value: Text | None = None
    """Name of the value, where the line brings several; None: its first."""
    decimals: Annotated[int, Field(ge=0, le=4)] | None = None
    """Of plain lines; other protocols say it in the settings of the line."""
    whole_digits: Annotated[int, Field(ge=1, le=6)] = 4

    @model_validator(mode="after")
    def _readable(self) -> Self:
        if isinstance(self.line, PlainLineSettings):
            if self.decimals is None:
                raise ValueError("decimals: found nothing, plain lines need it: +0250.13 has 2")
            if self.value is not None:
                raise ValueError(f"value: found {self.value!r}, a plain line has one value without a name")
            return self
        names = tuple(self.line.decimals)
        if self.value is not None and self.value not in names:
            raise ValueError(f"value: found {self.value!r}, the line brings {', '.join(names)}")
        if "decimals" in self.model_fields_set and self.decimals != self.places:
            raise ValueError(f"decimals: found {self.decimals}, the line's own settings say {self.places}")
        return self

    @property
    def index(self) -> int:
        """Place of the value within a reading of the line."""
        return (
            0 if isinstance(self.line, PlainLineSettings) or not self.value else [*self.line.decimals].index(self.value)
        )

    @property
    def places(self) -> int:
        """Decimals of a count."""
        if isinstance(self.line, PlainLineSettings):
            assert self.decimals is not None
            return self.decimals
        return [*self.line.decimals.values()][self.index]

    def framer(self) -> GrammarFramer | None:
        """The decoder of a line that comes of its own accord; None for a polled one, whose driver decodes."""
        if isinstance(self.line, PlainLineSettings):
            return LineFramer(self.places, self.whole_digits, marked=marks_damage(self.line))
        return self.line.framer() if isinstance(self.line, AsciiLineSettings) else None


ChannelUnit = Literal["psi", "bar", "kPa", "MPa"]


class ChannelEntry(Instrument):
    """A pressure channel."""

    unit: ChannelUnit
    reference: Literal["gauge", "absolute"] = "gauge"
    atmosphere: StatedAtmosphere | None = None
    """What an absolute transmitter shows at atmosphere; bench.toml says it once, in [barometer]."""
    height_above_valve_m: Annotated[str, Field(pattern=r"^-?[0-9]+(\.[0-9]+)?$")] = "0"
    """How far the transmitter sits above the valve [m]; the water column between them is put on every reading."""
    stale_after_s: Annotated[float, Field(gt=0, le=10)] = 0.5
    """Silence after which the screen blanks the number."""
    frozen_after_s: Annotated[float, Field(gt=0, le=60)] = 10.0
    """A reading that stands still to the last digit this long is a fault, never a steady pressure."""
    fastest_change_per_s: Pressure | None = None
    """Faster than this the pressure on this rig cannot change: a reading that does is a fault. None: not checked."""
    gauge_check_every_h: Annotated[int, Field(ge=1, le=8760)] | None = None
    """No run starts when the newest check against a second gauge is older than this [h]; None: it is not demanded."""
    calibration: CalibrationEntry | None = None
    """What the channel has where the register holds no calibration of this serial number."""

    def scale(self, calibration: ChannelCalibration | None) -> Scale:
        """What a count means, the zero of a run aside."""
        return bare_scale(self.unit, self.places, self.atmosphere).model_copy(
            update={
                "head_millicounts": self._head_millicounts(),
                "gain": "1" if calibration is None else calibration.gain,
                "bend": "0" if calibration is None else calibration.bend,
            }
        )

    def record(self, calibration: ChannelCalibration, second_gauge: SecondGaugeCheck | None = None) -> ChannelRecord:
        """The channel as a run record keeps it, its zero not yet checked."""
        facts: dict[str, Any] = {name: getattr(calibration, name) for name in CalibrationEntry.model_fields}
        facts["uncertainty_points"] = calibration.uncertainty_points
        return ChannelRecord(
            tag=self.tag,
            port=self.line.where,
            instrument=self.instrument,
            serial=self.serial,
            scale=self.scale(calibration),
            second_gauge=second_gauge,
            atmosphere=self.atmosphere,
            **(facts if self.atmosphere is None else facts | _as_gauge(calibration, self.atmosphere)),
        )

    def _head_millicounts(self) -> int:
        count = Pressure.of(Fraction(1, 10**self.places), self.unit)
        return round((WATER_COLUMN_PER_M * Fraction(self.height_above_valve_m)).ratio(count) * 1000)

    @model_validator(mode="after")
    def _unit_as_sent(self) -> Self:
        sent = (
            self.line.pressure_unit(self.index)
            if isinstance(self.line, AsciiLineSettings | AsciiPromptSettings)
            else None
        )
        if sent not in {None, self.unit}:
            write = f'write unit = "{sent}", or ' if sent in get_args(ChannelUnit) else ""
            found = f"unit: found {self.unit!r}, the parts of its line say {sent}"
            raise ValueError(f"{found}; {write}let the instrument send {self.unit}")
        return self

    @model_validator(mode="after")
    def _atmosphere_known(self) -> Self:
        if self.reference == "absolute" and self.atmosphere is None:
            raise ValueError(
                "reference: found 'absolute' and no barometric value, which must be taken off; state it in [barometer]"
            )
        if self.reference == "gauge" and self.atmosphere is not None:
            raise ValueError(
                'atmosphere: found one for a gauge transmitter; set reference = "absolute" or leave it out'
            )
        return self

    @field_validator("fastest_change_per_s")
    @classmethod
    def _above_zero(cls, fastest: Pressure | None) -> Pressure | None:
        if fastest is not None and not Pressure.zero("psi") < fastest:
            raise ValueError(f"found {fastest}, it must be above 0")
        return fastest


def _as_gauge(calibration: ChannelCalibration, atmosphere: Atmosphere) -> dict[str, Any]:
    """The calibration of an absolute transmitter as one of gauge pressure: range less, U with that of the atmosphere.

    The zero taken at atmosphere before each run takes the atmosphere off whatever it is; its U stands for how far it
    moves within a run, and is put in by the root of the sum of squares.
    """
    off, moves = Pressure(atmosphere.pressure.exact, "Pa"), float(atmosphere.expanded_uncertainty.exact)

    def both(u: Pressure) -> Pressure:
        root = Decimal(math.hypot(u.to("Pa"), moves) / float(Pressure.factor(u.unit)))
        return Pressure.of(Context(prec=4, rounding=ROUND_UP).plus(root), u.unit)

    def gauge(absolute: Pressure) -> Pressure:
        return absolute - off

    def inwards(absolute: Pressure, rounding: Callable[[Fraction], int]) -> Pressure:
        return Pressure.of(Fraction(rounding(gauge(absolute).value * 1000), 1000), absolute.unit)

    return {
        "lowest": inwards(calibration.lowest, math.ceil),
        "highest": inwards(calibration.highest, math.floor),
        "expanded_uncertainty": both(calibration.expanded_uncertainty),
        "uncertainty_points": tuple(
            UncertaintyPoint(at=gauge(point.at), expanded_uncertainty=both(point.expanded_uncertainty))
            for point in calibration.uncertainty_points
        ),
    }


WATER_COLUMN_PER_M = Pressure.of("9806.65", "Pa")
"""A metre of water at 1000 kg/m³ and 9.80665 m/s²: 0.098 bar, 1.42 psi."""


class ThermometerEntry(Instrument):
    """The temperature channel of the test water, where there is one; plain lines such as ``+018.3``."""

    unit: Literal["degC", "degF", "K"] = "degC"
    decimals: Annotated[int, Field(ge=0, le=4)] | None = 1
    whole_digits: Annotated[int, Field(ge=1, le=6)] = 3
    expanded_uncertainty_k: Annotated[str, Field(pattern=r"^[0-9]+(\.[0-9]+)?$")]
    """U with coverage factor k = 2 [K]."""
    stale_after_s: Annotated[float, Field(gt=0, le=600)] = 30.0
    """Silence after which no temperature is known."""


class LeakSensorEntry(Instrument):
    """A sensor that tells what the collecting vessel holds, or what flows into it."""

    unit: Literal["g", "mL", "mm", "mL/min"]
    decimals: Annotated[int, Field(ge=0, le=4)] | None = 2
    ml_per_mm: Positive | None = None
    """Cross-section of the vessel, where its level is told [mL/mm]."""
    expanded_uncertainty: Positive
    """U of one reading in its unit, k = 2."""
    lowest: Annotated[str, Field(pattern=NUMBER)] = "0"
    highest: Annotated[str, Field(pattern=NUMBER)]
    """Its range, in its unit."""
    stale_after_s: Annotated[float, Field(gt=0, le=60)] = 2.0
    """Silence after which it is not believed."""

    @model_validator(mode="after")
    def _fitting(self) -> Self:
        if (self.unit == "mm") != (self.ml_per_mm is not None):
            needed = "a level in mm needs it" if self.unit == "mm" else f"{self.unit} needs none"
            raise ValueError(f"ml_per_mm: found {self.ml_per_mm or 'nothing'}, {needed}")
        if not Fraction(self.lowest) < Fraction(self.highest):
            raise ValueError("lowest must lie below highest")
        return self


def several_problems(instruments: Sequence[Instrument]) -> list[str]:
    """What does not fit between the instruments of a bench, each as found and what to write."""
    found = []
    for index, one in enumerate(instruments):
        for other in instruments[:index]:
            found += _between(other, one)
    return found


def _between(one: Instrument, other: Instrument) -> list[str]:
    """Why two instruments cannot be on one bench."""
    if one.tag == other.tag:
        return [f"found tag {one.tag!r} twice; give each instrument a tag of its own"]
    if one.serial == other.serial and type(one) is type(other):
        return [f"found serial number {one.serial!r} for {one.tag} and {other.tag}; each instrument has its own"]
    if one.line.where != other.line.where:
        return []
    if one.line != other.line:
        said = f"found other settings of {one.line.where} for {other.tag} than for {one.tag}"
        return [f"{said}; a line is opened once, so write the same for both"]
    if one.index == other.index:
        said = f"found the same value of {one.line.where} for {one.tag} and {other.tag}"
        return [f"{said}; name another one with value = …"]
    return []
