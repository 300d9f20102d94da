"""What is read beside the pressure: the temperature of the water, and the sensor at the collecting vessel."""

from testbench.errors import VesselNotReadError
from testbench.quantities import Temperature
from testbench.run.observations import Collection
from testbench.run.progress import Happening, Stage, StageState
from testbench.run.record import StageRecord
from testbench.station.acquisition import LineEvent
from testbench.station.bench import Bench
from testbench.station.leak_sensor import LeakSensor
from testbench.station.thermometer import Thermometer


class Meters:
    """Both, where the bench has them.

    Args:
        bench: what it has.
    """

    def __init__(self, bench: Bench) -> None:
        self._stated = bench.water_temperature
        sensor = bench.collecting.sensor
        self.thermometer = None if bench.temperature is None else Thermometer(bench.temperature)
        self.leak_sensor = None if sensor is None else LeakSensor(sensor)
        self._lines = {one.tag: number for number, line in enumerate(bench.lines) for one in line}

    def take(self, event: LineEvent, line: int) -> None:
        """Take one event of a line."""
        for meter in (self.thermometer, self.leak_sensor):
            if meter is not None and self._lines[meter.tag] == line:
                meter.take(event)

    def water(self, now: int) -> Temperature | None:
        """The temperature of the water: measured, else as the bench states it [ticks]."""
        measured = None if self.thermometer is None else self.thermometer.reading(now)
        return self._stated if measured is None else measured

    def check(self, now: int) -> None:
        """Refuse what liquid water cannot be.

        Raises:
            WaterRangeError: the thermometer reads outside 0 °C … 60 °C.
        """
        if self.thermometer is not None:
            self.thermometer.check(now)

    def begin(self, now: int) -> None:
        """A stage begins: what was read before belongs to none."""
        if self.thermometer is not None:
            self.thermometer.begin()
        if self.leak_sensor is not None:
            self.leak_sensor.begin(self.water(now))

    def with_readings(self, stage: StageRecord, origin: int) -> StageRecord:
        """A stage with what was read in it.

        Args:
            stage: an attempt that has ended.
            origin: the station's tick at which the run began.
        """
        found: dict[str, object] = {}
        if self.thermometer is not None:
            found["water"] = self.thermometer.record(stage.since + origin, stage.until + origin, origin)
        if self.leak_sensor is not None:
            found["vessel"] = self.leak_sensor.record((*stage.collections, *stage.exceeded), origin)
        return stage.model_copy(update=found)

    def vessel_read(
        self, rules: Stage, state: StageState, at: int, origin: int, operator: str
    ) -> tuple[StageState, list[Happening]]:
        """Let the sensor tell what has just been caught; where it cannot, that is said and the operator reads it.

        What the criterion has counted is counted by a person.
        """
        if self.leak_sensor is None or rules.collected is None or rules.collected.counted is not None:
            return state, []
        since = state.collections[-1].since if state.collecting_since is None else state.collecting_since
        try:
            volume, u = self.leak_sensor.caught(since, at, origin)
        except VesselNotReadError as refusal:
            return state, [Happening(at, "vessel not read", f"{refusal} {refusal.remedy}")]
        told = Collection(
            since=since, until=at, volume=volume, volume_uncertainty=u, operator=operator,
            instrument=self.leak_sensor.tag,
        )  # fmt: skip
        return rules.read_volume(state, at, told)
