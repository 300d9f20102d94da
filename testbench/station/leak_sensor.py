"""The optional sensor at the collecting vessel: it reads what otherwise the operator would read and type."""

from collections.abc import Iterable, Sequence

from testbench.errors import VesselNotReadError
from testbench.framing.readings import Found, Reading
from testbench.quantities import Temperature, Volume
from testbench.run.observations import Collection
from testbench.run.samples import Sample, to_ticks
from testbench.run.vessel import VesselSensor, ml_per_gram
from testbench.station.acquisition import Decoded, LineEvent, Polled
from testbench.station.bench import LeakSensorEntry

KEPT_EVERY = to_ticks(0.1)
"""A vessel fills slowly: a record keeps no more than ten readings a second."""


class LeakSensor:
    """Takes what was found on its line and keeps the readings of the stage under way."""

    def __init__(self, entry: LeakSensorEntry) -> None:
        self._entry = entry
        self._kept: list[Sample] = []
        self._ml_per_unit: str | None = None

    @property
    def tag(self) -> str:
        """Of the sensor."""
        return self._entry.tag

    def take(self, event: LineEvent) -> None:
        """Take one event of the line."""
        match event:
            case Decoded(at_s, found):
                self._found(at_s, found)
            case Polled(at_s, _, answer):
                self._found(at_s, (answer,))
            case _:
                pass

    def _found(self, at_s: float, found: Sequence[Found]) -> None:
        for item in found:
            at = to_ticks(at_s)
            if isinstance(item, Reading) and (not self._kept or at - self._kept[-1].at >= KEPT_EVERY):
                self._kept.append(Sample(at, item.of(self._entry.index)))

    def begin(self, water: Temperature | None) -> None:
        """A stage begins.

        Args:
            water: what the density of the water follows from; None where it is not known.
        """
        del self._kept[:-1]
        self._ml_per_unit = self._entry.ml_per_mm or "1"
        if self._entry.unit == "g":
            self._ml_per_unit = None if water is None else f"{float(ml_per_gram(water)):.6f}"

    def caught(self, since: int, until: int, origin: int) -> tuple[Volume, Volume]:
        """What was caught between two marks of a run that began at a tick, with U (k = 2).

        Raises:
            VesselNotReadError: it does not tell.
        """
        return self._sensor(origin, self._ml_per_unit, [(since, until)]).caught(since, until)

    def record(self, collections: Iterable[Collection], origin: int) -> VesselSensor | None:
        """What it read while its collections lasted; None where it told none."""
        own = [(one.since, one.until) for one in collections if one.instrument]
        return self._sensor(origin, self._ml_per_unit, own) if own else None

    def _sensor(self, origin: int, ml_per_unit: str | None, marks: Sequence[tuple[int, int]]) -> VesselSensor:
        entry, before = self._entry, to_ticks(self._entry.stale_after_s)
        if ml_per_unit is None:
            raise VesselNotReadError(entry.tag, "the temperature of the water is not known, and so is its density")
        readings = [(kept.at - origin, kept.counts) for kept in self._kept]
        return VesselSensor(
            tag=entry.tag,
            instrument=entry.instrument,
            serial=entry.serial,
            unit=entry.unit,
            decimals=entry.places,
            ml_per_unit=ml_per_unit,
            expanded_uncertainty=entry.expanded_uncertainty,
            lowest=entry.lowest,
            highest=entry.highest,
            longest_gap_ms=round(entry.stale_after_s * 1000),
            readings=tuple(
                (at, counts) for at, counts in readings if any(since - before <= at <= until for since, until in marks)
            ),
        )
