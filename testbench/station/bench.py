"""What bench.toml says: who works here, what is connected, where it is."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.errors import ChannelUnknownError, WaterRangeError
from testbench.metrology.water import check_liquid
from testbench.procedure.report_form import ReportForm
from testbench.procedure.valve import Text, Value
from testbench.quantities import Pressure, Temperature, Volume
from testbench.run.bleeding import Burette
from testbench.run.channels import CrossCheck
from testbench.run.record import Origin
from testbench.station.entries import (
    CalibrationEntry,
    ChannelCalibration,
    ChannelEntry,
    Instrument,
    LeakSensorEntry,
    StatedAtmosphere,
    ThermometerEntry,
    several_problems,
)
from testbench.station.lockout import LockOut

__all__ = [
    "Bench", "CalibrationEntry", "ChannelCalibration", "ChannelEntry", "CollectingVessel", "CrossCheckEntry",
    "Instrument", "LeakSensorEntry", "Simulation", "ThermometerEntry", "Works",
]  # fmt: skip


class CollectingVessel(Value):
    """What leakage is caught in."""

    name: Text
    volume_uncertainty: Volume
    """Expanded uncertainty of one reading, k = 2."""
    drops_per_ml: Annotated[int, Field(ge=10, le=30)] = 16
    """The convention for counted drops (API 598 and ISO 5208: 16)."""
    sensor: LeakSensorEntry | None = None
    """Reads the vessel instead of the operator."""


class Works(Value):
    """Who ships the valve; the letterhead of every document."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    address: tuple[Text, ...] = ()
    contact: str = ""


class Simulation(Value):
    """Present only on a simulated bench: its runs are marked, and its clock is the rig's."""

    clock: str = ""
    """File through which the rig tells its time; empty: the ordinary clock."""


class CrossCheckEntry(Value):
    """Two pressure channels that must agree."""

    channels: Annotated[tuple[Text, ...], Field(min_length=2, max_length=2)]
    allowed: Pressure | None = None
    """How far apart they may lie; None: the root of the sum of the squares of both U."""
    lag_s: Annotated[float, Field(ge=0.05, le=30)] = 1.0
    """How much slower one may be than the other, while the pressure moves."""
    lasting_s: Annotated[float, Field(ge=0.05, le=60)] = 2.0
    """A disagreement of this length trips the stage."""

    @field_validator("allowed")
    @classmethod
    def _above_zero(cls, allowed: Pressure | None) -> Pressure | None:
        if allowed is not None and not Pressure.zero("psi") < allowed:
            raise ValueError("it must be above 0")
        return allowed

    @property
    def record(self) -> CrossCheck:
        """As a run keeps it."""
        one, other = self.channels
        lag_ms, lasting_ms = round(self.lag_s * 1000), round(self.lasting_s * 1000)
        return CrossCheck(channels=(one, other), allowed=self.allowed, lag_ms=lag_ms, lasting_ms=lasting_ms)


class Retention(Value):
    """How long records are wanted where they lie. Overdue, it is a notice; nothing is ever deleted for it."""

    years_online: Annotated[int, Field(ge=1, le=100)]

    def before(self, today: date) -> date:
        """Runs that began before this day have been here long enough."""
        leap = (today.month, today.day) == (2, 29)  # which other years do not have
        return today.replace(year=today.year - self.years_online, day=28 if leap else today.day)


class NonconformityEntry(Value):
    """What bench.toml says of nonconformities."""

    largest_attachment_mb: Annotated[int, Field(ge=1, le=500)] = 20
    """Largest file that may be attached [MB]; our own decision: a photograph has some 5 MB."""


class TimeStampEntry(Value):
    """The time-stamp authority (RFC 3161) that documents are stamped by."""

    url: Annotated[str, Field(pattern=r"^https?://\S+$")]
    patience_s: Annotated[float, Field(gt=0, le=120)] = 10.0
    """How long a whole answer may take [s]; this and the next two are our own decisions."""
    tries: Annotated[int, Field(ge=1, le=10)] = 2
    """After how many tries in a row without an answer nobody asks any more for now: pages leave without."""
    again_after_min: Annotated[float, Field(gt=0, le=1440)] = 15.0
    """How long an idle recorder waits before it tries again with the pages that wait [min]."""


class Bench(Value):
    """One bench: the whole of bench.toml."""

    format: Literal[1]
    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,19}$")]
    works: Works
    operators: tuple[Text, ...] = ()
    """By name, as long as no operator is registered."""
    barometer: StatedAtmosphere | None = None
    """What every absolute transmitter shows at atmosphere."""
    channels: Annotated[tuple[ChannelEntry, ...], Field(max_length=4)] = ()
    """All pressure channels of a bench with several; empty where there is one, ``channel``."""
    deciding: Text | None = None
    """Tag of the deciding one among them."""
    channel: ChannelEntry
    """The deciding pressure channel."""
    cross_check: tuple[CrossCheckEntry, ...] = ()
    second_gauge: Text | None = None
    """Tag of the channel that checks the deciding one at the end of each completed hold."""
    collecting: CollectingVessel
    temperature: ThermometerEntry | None = None
    paper: Literal["A4", "Letter"] = "A4"
    report: ReportForm | None = None
    """Language, units and paper of the documents; None: English, the procedure's units, ``paper``."""
    keep_raw: bool = False
    """Whether the raw bytes of each run are kept in captures/."""
    retention: Retention | None = None
    """None: records stay where they are."""
    simulation: Simulation | None = None
    bleeding: Burette | None = None
    """What C is measured with; None where the bench has no burette."""
    people: LockOut = LockOut()
    """When wrong tries lock a person."""
    certificates_signed_by: Literal["station", "persons"] = "station"
    """Or operator and reviewer, each with a key of their own; a rejection report bears the station's seal."""
    water_temperature: Temperature | None = None
    """As somebody states it; a temperature channel overrules it."""
    time_stamp: TimeStampEntry | None = None
    """None: the signing time is the station's clock alone."""
    nonconformity: NonconformityEntry = NonconformityEntry()

    @field_validator("water_temperature")
    @classmethod
    def _liquid_and_not_hot(cls, found: Temperature | None) -> Temperature | None:
        try:
            if found is not None:
                check_liquid(found)
        except WaterRangeError as refusal:
            raise ValueError(str(refusal)) from refusal
        return found

    @model_validator(mode="before")
    @classmethod
    def _one_form(cls, found: Any) -> Any:
        """Take the deciding one out of [[channels]] and give absolute transmitters the barometric value."""
        if not isinstance(found, dict):
            return found
        found = _with_atmosphere(found)
        if not found.get("channels"):
            if found.get("deciding"):
                raise ValueError("deciding: found it without [[channels]]; leave it out beside the one [channel]")
            return found
        if "channel" in found:
            raise ValueError(
                "channels: found beside [channel]; write all pressure channels as [[channels]], or just one"
            )
        return _with_deciding(found)

    @model_validator(mode="after")
    def _fitting_together(self) -> Self:
        listed: tuple[Instrument, ...] = self.channels or (self.channel,)
        for problem in several_problems((*listed, *self.instruments[len(self.pressure_channels) :])):
            raise ValueError(f"{'channels' if self.channels else 'channel'}: {problem}")
        for problem in self._cross_problems():
            raise ValueError(problem)
        sensor = self.collecting.sensor
        if sensor is not None and sensor.unit == "g" and self.temperature is None and self.water_temperature is None:
            raise ValueError(
                "collecting.sensor.unit: found 'g' without a temperature of the water, which its density needs; "
                "state water_temperature, or describe a [temperature] channel"
            )
        beside = [channel.tag for channel in self.beside]
        if self.second_gauge is not None and self.second_gauge not in beside:
            known = f"beside the deciding one there are {', '.join(beside)}" if beside else "there is one channel only"
            raise ValueError(f"second_gauge: found {self.second_gauge!r}, {known}")
        return self

    def _cross_problems(self) -> Sequence[str]:
        tags, found = [channel.tag for channel in self.pressure_channels], []
        for index, check in enumerate(self.cross_check):
            one, other = check.channels
            unknown = [tag for tag in check.channels if tag not in tags]
            if unknown:
                known = ", ".join(tags)
                found.append(f"cross_check[{index}].channels: found {unknown[0]!r}, the pressure channels are {known}")
            elif one == other:
                found.append(f"cross_check[{index}].channels: found {one!r} twice, two channels are compared")
            elif {one, other} in [set(earlier.channels) for earlier in self.cross_check[:index]]:
                found.append(f"cross_check[{index}].channels: found {one} and {other} once more; leave one of them out")
            elif check.allowed is not None and (span := self._smaller_span(one, other)) and span <= check.allowed:
                found.append(
                    f"cross_check[{index}].allowed: found {check.allowed}, the smaller span of the two is {span}, "
                    "so they could never disagree; state less, or leave it out for what both U allow"
                )
        return found

    def _smaller_span(self, *tags: str) -> Pressure | None:
        """Of the calibrations that bench.toml itself states; None where it states none."""
        stated = [channel.calibration for channel in self.pressure_channels if channel.tag in tags]
        return min((one.highest - one.lowest for one in stated if one is not None), default=None)

    @property
    def beside(self) -> tuple[ChannelEntry, ...]:
        """The pressure channels beside the deciding one."""
        return tuple(channel for channel in self.channels if channel.tag != self.channel.tag)

    @property
    def pressure_channels(self) -> tuple[ChannelEntry, ...]:
        """All of them, the deciding one first."""
        return self.channel, *self.beside

    def channel_named(self, tag: str | None) -> ChannelEntry:
        """A pressure channel by its tag; None: the deciding one.

        Raises:
            ChannelUnknownError: there is none of this tag.
        """
        found = next((channel for channel in self.pressure_channels if tag in {None, channel.tag}), None)
        if found is None:
            raise ChannelUnknownError(str(tag), tuple(channel.tag for channel in self.pressure_channels))
        return found

    def channel_with(self, serial: str) -> ChannelEntry:
        """The pressure channel with this serial number; the deciding one where there is none."""
        return next((channel for channel in self.pressure_channels if channel.serial == serial), self.channel)

    @property
    def instruments(self) -> tuple[Instrument, ...]:
        """All that is read over a line, the deciding channel first."""
        others = (self.temperature, self.collecting.sensor)
        return (*self.pressure_channels, *(one for one in others if one is not None))

    @property
    def lines(self) -> tuple[tuple[Instrument, ...], ...]:
        """The instruments by the line that they share, that of the deciding channel first: each is read once."""
        found: list[list[Instrument]] = []
        for instrument in self.instruments:
            sharing = next((line for line in found if line[0].line == instrument.line), None)
            if sharing is None:
                found.append([instrument])
            else:
                sharing.append(instrument)
        return tuple(tuple(line) for line in found)

    @property
    def origin(self) -> Origin:
        """Where this bench's samples come from."""
        return Origin.LIVE if self.simulation is None else Origin.SIMULATED


# Several channels -------------------------------------------------------------------------------


def _with_atmosphere(found: dict[str, Any]) -> dict[str, Any]:
    """The tables of absolute channels with what [barometer] says."""

    def filled(table: Any) -> Any:
        absolute = isinstance(table, dict) and table.get("reference") == "absolute"
        return {"atmosphere": found["barometer"], **table} if absolute else table

    if "barometer" not in found:
        return found
    listed = found.get("channels")
    more = {"channels": [filled(table) for table in listed]} if isinstance(listed, list) else {}
    return found | more | ({"channel": filled(found["channel"])} if "channel" in found else {})


def _with_deciding(found: dict[str, Any]) -> dict[str, Any]:
    listed, deciding = found["channels"], found.get("deciding")
    if not isinstance(listed, list) or not all(isinstance(table, dict) and "tag" in table for table in listed):
        return found  # the rules of the fields say what is wrong
    tags = [str(table["tag"]) for table in listed]
    chosen = next((table for table in listed if table["tag"] == deciding), None)
    if chosen is None:
        said = "nothing" if deciding is None else repr(deciding)
        where = "; write it above the first table" if deciding is None else ""
        raise ValueError(f"deciding: found {said}, it must name one of the channels: {', '.join(tags)}{where}")
    return found | {"channel": chosen}
