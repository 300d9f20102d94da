"""What bench.toml says: who works here, what is connected, where it is."""

from datetime import date
from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.procedure.valve import Text, Value
from testbench.quantities import Pressure, Volume
from testbench.run.record import ChannelRecord, Origin, SecondGaugeCheck, UncertaintyPoint
from testbench.run.samples import Scale


class SerialSettings(Value):
    """How the line is opened."""

    port: Text
    """A device path, best by /dev/serial/by-id, or a URL such as socket://127.0.0.1:5020."""
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 9600
    byte_size: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1


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


class ChannelEntry(Value):
    """The deciding pressure channel: an ASCII transmitter that sends lines such as ``+0250.13``."""

    tag: Text
    instrument: Text
    serial: Text
    line: SerialSettings
    unit: Literal["psi", "bar", "kPa", "MPa"]
    decimals: Annotated[int, Field(ge=0, le=4)]
    whole_digits: Annotated[int, Field(ge=1, le=6)] = 4
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
            decimals=self.decimals,
            head_millicounts=self._head_millicounts(),
            gain="1" if calibration is None else calibration.gain,
            bend="0" if calibration is None else calibration.bend,
        )

    def record(self, calibration: ChannelCalibration, second_gauge: SecondGaugeCheck | None = None) -> ChannelRecord:
        """The channel as a run record keeps it, its zero not yet checked."""
        facts = {name: getattr(calibration, name) for name in CalibrationEntry.model_fields}
        return ChannelRecord(
            tag=self.tag,
            port=self.line.port,
            instrument=self.instrument,
            serial=self.serial,
            scale=self.scale(calibration),
            uncertainty_points=calibration.uncertainty_points,
            second_gauge=second_gauge,
            **facts,
        )

    def _head_millicounts(self) -> int:
        count = Pressure.of(Fraction(1, 10**self.decimals), self.unit)
        return round((WATER_COLUMN_PER_M * Fraction(self.height_above_valve_m)).ratio(count) * 1000)

    @field_validator("fastest_change_per_s")
    @classmethod
    def _above_zero(cls, fastest: Pressure | None) -> Pressure | None:
        if fastest is not None and not Pressure.zero("psi") < fastest:
            raise ValueError(f"found {fastest}, it must be above 0")
        return fastest


WATER_COLUMN_PER_M = Pressure.of("9806.65", "Pa")
"""A metre of water at 1000 kg/m³ and 9.80665 m/s²: 0.098 bar, 1.42 psi."""


class ThermometerEntry(Value):
    """The temperature channel of the test water, where there is one: lines such as ``+018.3``."""

    tag: Text
    instrument: Text
    serial: Text
    line: SerialSettings
    unit: Literal["degC", "degF", "K"] = "degC"
    decimals: Annotated[int, Field(ge=0, le=4)] = 1
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
    simulation: Simulation | None = None

    @property
    def origin(self) -> Origin:
        """Where this bench's samples come from."""
        return Origin.LIVE if self.simulation is None else Origin.SIMULATED
