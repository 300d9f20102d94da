"""What bench.toml says: who works here, what is connected, where it is."""

from datetime import date
from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.errors import WaterRangeError
from testbench.framing.lines import GrammarFramer, LineFramer
from testbench.metrology.water import check_liquid
from testbench.procedure.valve import Text, Value
from testbench.quantities import Pressure, Temperature, Volume
from testbench.run.bleeding import Burette
from testbench.run.record import ChannelRecord, Origin, SecondGaugeCheck, UncertaintyPoint
from testbench.run.samples import Scale
from testbench.station.ascii_settings import AsciiLineSettings
from testbench.station.line_settings import BenchLine, PlainLineSettings
from testbench.station.pace import marks_damage


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

    tag: Text
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


class ChannelEntry(Instrument):
    """The deciding pressure channel."""

    unit: Literal["psi", "bar", "kPa", "MPa"]
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
        return Scale(
            unit=self.unit,
            decimals=self.places,
            head_millicounts=self._head_millicounts(),
            gain="1" if calibration is None else calibration.gain,
            bend="0" if calibration is None else calibration.bend,
        )

    def record(self, calibration: ChannelCalibration, second_gauge: SecondGaugeCheck | None = None) -> ChannelRecord:
        """The channel as a run record keeps it, its zero not yet checked."""
        facts = {name: getattr(calibration, name) for name in CalibrationEntry.model_fields}
        return ChannelRecord(
            tag=self.tag,
            port=self.line.where,
            instrument=self.instrument,
            serial=self.serial,
            scale=self.scale(calibration),
            uncertainty_points=calibration.uncertainty_points,
            second_gauge=second_gauge,
            **facts,
        )

    def _head_millicounts(self) -> int:
        count = Pressure.of(Fraction(1, 10**self.places), self.unit)
        return round((WATER_COLUMN_PER_M * Fraction(self.height_above_valve_m)).ratio(count) * 1000)

    @field_validator("fastest_change_per_s")
    @classmethod
    def _above_zero(cls, fastest: Pressure | None) -> Pressure | None:
        if fastest is not None and not Pressure.zero("psi") < fastest:
            raise ValueError(f"found {fastest}, it must be above 0")
        return fastest


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


class CollectingVessel(Value):
    """What leakage is caught in."""

    name: Text
    volume_uncertainty: Volume
    """Expanded uncertainty of one reading, k = 2."""
    drops_per_ml: Annotated[int, Field(ge=10, le=30)] = 16
    """The convention for counted drops (API 598 and ISO 5208: 16)."""


class Works(Value):
    """Who ships the valve; the letterhead of every document."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    address: tuple[Text, ...] = ()
    contact: str = ""


class Simulation(Value):
    """Present only on a simulated bench: its runs are marked, and its clock is the rig's."""

    clock: str = ""
    """File through which the rig tells its time; empty: the ordinary clock."""


class TimeStampEntry(Value):
    """The time-stamp authority (RFC 3161) that documents are stamped by."""

    url: Annotated[str, Field(pattern=r"^https?://\S+$")]


class Bench(Value):
    """One bench: the whole of bench.toml."""

    format: Literal[1]
    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,19}$")]
    works: Works
    operators: Annotated[tuple[Text, ...], Field(min_length=1)]
    channel: ChannelEntry
    collecting: CollectingVessel
    temperature: ThermometerEntry | None = None
    paper: Literal["A4", "Letter"] = "A4"
    keep_raw: bool = False
    """Whether the raw bytes of each run are kept in captures/."""
    simulation: Simulation | None = None
    bleeding: Burette | None = None
    """What C is measured with; None where the bench has no burette."""
    water_temperature: Temperature | None = None
    """As somebody states it; a temperature channel overrules it."""
    time_stamp: TimeStampEntry | None = None
    """None: the signing time is the station's clock alone."""

    @field_validator("water_temperature")
    @classmethod
    def _liquid_and_not_hot(cls, found: Temperature | None) -> Temperature | None:
        try:
            if found is not None:
                check_liquid(found)
        except WaterRangeError as refusal:
            raise ValueError(str(refusal)) from refusal
        return found

    @property
    def origin(self) -> Origin:
        """Where this bench's samples come from."""
        return Origin.LIVE if self.simulation is None else Origin.SIMULATED
