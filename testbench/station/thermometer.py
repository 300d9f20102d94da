"""The optional temperature channel of the test water. Nothing hangs on it but what it can explain.

Where it is silent no temperature is known; where it reads what liquid water cannot be, nothing is computed from it.
"""

from collections.abc import Sequence

from testbench.framing.readings import Found, Reading
from testbench.metrology.water import check_liquid
from testbench.quantities import Temperature
from testbench.run.record import WaterTemperature
from testbench.run.samples import Sample, to_ticks
from testbench.station.acquisition import Decoded, LineEvent, Polled, PortLost, PortOpened
from testbench.station.bench import ThermometerEntry

KEPT_EVERY = to_ticks(1)
"""Water changes slowly: a record keeps no more than one reading a second."""


class Thermometer:
    """Takes what was found on its line; knows the newest reading and keeps those of the stage under way."""

    def __init__(self, entry: ThermometerEntry) -> None:
        self._entry = entry
        self._newest: Sample | None = None
        self._kept: list[Sample] = []
        self._lost = ""

    @property
    def tag(self) -> str:
        """Of the channel."""
        return self._entry.tag

    def take(self, event: LineEvent) -> None:
        """Take one event of the line."""
        match event:
            case PortOpened():
                self._lost = ""
            case PortLost(sentence=sentence):
                self._newest, self._lost = None, sentence
            case Decoded(at_s, found):
                self._found(at_s, found)
            case Polled(at_s, _, answer):
                self._found(at_s, (answer,))
            case _:
                pass

    def _found(self, at_s: float, found: Sequence[Found]) -> None:
        for item in found:
            if isinstance(item, Reading):
                self._keep(Sample(to_ticks(at_s), item.of(self._entry.index)))

    def _keep(self, sample: Sample) -> None:
        self._newest = sample
        if not self._kept or sample.at - self._kept[-1].at >= KEPT_EVERY:
            self._kept.append(sample)

    def begin(self) -> None:
        """A stage begins: what was kept before belongs to none."""
        self._kept.clear()

    def reading(self, now: int) -> Temperature | None:
        """The newest reading; None where it is too old to be believed, or there was none [ticks]."""
        if self._newest is None or now - self._newest.at > to_ticks(self._entry.stale_after_s):
            return None
        return Temperature.of(f"{self._newest.counts}e-{self._entry.places}", self._entry.unit)

    def fault(self, now: int) -> str:
        """Why there is no reading; empty where there is one [ticks]."""
        if self.reading(now) is not None:
            return ""
        return self._lost or f"No reading for more than {self._entry.stale_after_s:g} s."

    def check(self, now: int) -> None:
        """Refuse what liquid water cannot be.

        Raises:
            WaterRangeError: it reads outside 0 °C … 60 °C.
        """
        found = self.reading(now)
        if found is not None:
            check_liquid(found)

    def record(self, since: int, until: int, origin: int) -> WaterTemperature | None:
        """What was read within a stage; None where nothing was.

        Args:
            since: when the stage began, on the station's ticks.
            until: when it ended.
            origin: the station's tick at which the run began.
        """
        readings = tuple((kept.at - origin, kept.counts) for kept in self._kept if since <= kept.at <= until)
        if not readings:
            return None
        entry = self._entry
        return WaterTemperature(
            tag=entry.tag,
            instrument=entry.instrument,
            serial=entry.serial,
            unit=entry.unit,
            decimals=entry.places,
            expanded_uncertainty_k=entry.expanded_uncertainty_k,
            readings=readings,
        )
