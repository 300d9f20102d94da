"""A bench without hardware: the real session, with a clock, a store and a line that tests hold in their hands."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import pytest

from testbench.errors import GlyphMissingError, StoreFailedError
from testbench.procedure.valve import Order
from testbench.procedure_files.loader import find_procedure
from testbench.run.nonconformity import Entry, folded, opened_by
from testbench.run.progress import Happening
from testbench.run.record import EarlierRun, RunRecord
from testbench.run.samples import Gap, Sample, Trace
from testbench.station import messages as m
from testbench.station.acquisition import Acquisition, Arrived, PortOpened, Quiet
from testbench.station.bench import Bench, ChannelEntry, ThermometerEntry
from testbench.station.calibrations import CalibrationReport
from testbench.station.gauge_checks import GaugeCheck
from testbench.station.line import Line
from testbench.station.session import Outside, Session
from testbench.station.thermometer import Thermometer
from testbench.station.view import Viewer


class OwnLine(Acquisition):
    """A channel that has its line to itself: takes bytes as they arrive."""

    def __init__(self, entry: ChannelEntry) -> None:
        super().__init__(entry)
        self.decoder = Line(entry)

    def take(self, event):
        return super().take(self.decoder.take(event))


class OwnThermometer(Thermometer):
    """The same of a thermometer."""

    def __init__(self, entry: ThermometerEntry) -> None:
        super().__init__(entry)
        self.decoder = Line(entry)

    def take(self, event):
        super().take(self.decoder.take(event))


def printable_here(text: str) -> None:
    """As the documents' fonts are: no Chinese signs."""
    for character in text:
        if "\u4e00" <= character <= "\u9fff":
            raise GlyphMissingError(text, character)


@dataclass
class FakeClock:
    """Stands still until a test moves it."""

    seconds: float = 100.0
    start: datetime = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)

    def elapsed_s(self) -> float:
        return self.seconds

    def utc(self) -> datetime:
        return self.start + timedelta(seconds=self.seconds)


@dataclass
class MemoryStore:
    """Keeps everything in lists; ``full`` makes it refuse as a full disk does."""

    full: bool = False
    accepted: dict[str, str] = field(default_factory=dict)
    adoptions: dict[str, object] = field(default_factory=dict)
    opened: list[str] = field(default_factory=list)
    samples: dict[int, list[Sample]] = field(default_factory=dict)
    journal: list[Happening] = field(default_factory=list)
    beside: dict[tuple[int, str], list[Sample]] = field(default_factory=dict)
    sealed: list[tuple[RunRecord, tuple[Trace, ...]]] = field(default_factory=list)
    calibrations: list[CalibrationReport] = field(default_factory=list)
    gauge_checks: list[GaugeCheck] = field(default_factory=list)
    documents: dict[str, str] = field(default_factory=dict)

    def document_of(self, run):
        return self.documents.get(run, "")

    def _check(self) -> None:
        if self.full:
            raise StoreFailedError("testbench.db", "the disk is full")

    def begin_run(self, opening: str, at: datetime) -> str:
        self._check()
        self.opened.append(opening)
        return f"B1-{len(self.opened):06d}"

    def append(
        self, run: str, stage: int, samples: Sequence[Sample], gaps: Sequence[Gap], rejected, happenings, beside=None
    ):
        self._check()
        self.samples.setdefault(stage, []).extend(samples)
        self.journal.extend(happenings)
        for tag, (read, _) in (beside or {}).items():
            self.beside.setdefault((stage, tag), []).extend(read)

    def seal(self, record: RunRecord, traces: Sequence[Trace]) -> str:
        self._check()
        self.sealed.append((record, tuple(traces)))
        if record.verdict == "accepted":
            self.accepted[record.valve.serial] = record.run
        return "0" * 64

    def earlier_runs_of(self, serial):
        return tuple(
            EarlierRun(run=record.run, verdict=record.verdict, reason=record.reason, record_sha256="0" * 64)
            for record, _ in self.sealed
            if record.valve.serial == serial
        )

    def adoption_of(self, procedure_sha256: str):
        return self.adoptions.get(procedure_sha256)

    def accepted_run_of(self, serial: str, *, specimen: bool) -> str | None:
        return self.accepted.get(serial)

    def recalls(self):
        return getattr(self, "recalled", ())

    def nonconformities_of(self, serial):
        return folded(
            Entry(number=f"N-B1-{n:06d}", at=record.ended, by="recorder", what=opened_by(record, "0" * 64))
            for n, (record, _) in enumerate(self.sealed, 1)
            if record.verdict == "rejected" and record.valve.serial == serial
        )

    def states_of(self, orders):
        return {}

    def calibrations_of(self, serial):
        return tuple(self.calibrations)

    def gauge_checks_of(self, serial):
        return tuple(check for check in self.gauge_checks if check.serial == serial)

    def add_gauge_check(self, check):
        self._check()
        self.gauge_checks.append(check)


@dataclass
class Desk:
    """Notes which documents were asked for."""

    asked: list[str] = field(default_factory=list)

    def order(self, run: str) -> None:
        self.asked.append(run)

    def written(self):
        return []


@dataclass
class Space:
    free: int = 10**12

    def free_bytes(self) -> int:
        return self.free


class BenchInHand:
    """Drives a session as line, operator and wall clock at once."""

    def __init__(self, bench: Bench, order: Order) -> None:
        self.clock, self.store, self.desk, self.space = FakeClock(), MemoryStore(), Desk(), Space()
        outside = Outside(
            self.clock,
            self.store,
            self.desk,
            self.space,
            lambda name: find_procedure(name, None),
            "test",
            lambda: ((order,), ()),
            printable_here,
        )
        self.session = Session(bench, outside)
        self.viewer = Viewer(self.session)
        self.noise = 0
        self.session.take(PortOpened(self.clock.seconds, ""))
        self.session.take(Arrived(self.clock.seconds, b"\r\n"))

    def line(self, psi: float) -> None:
        """One line of the transmitter, its last digit never at rest."""
        self.noise = (self.noise + 1) % 3
        text = f"{psi + 0.01 * (self.noise - 1):+08.2f}\r\n"
        self.session.take(Arrived(self.clock.seconds, text.encode()))

    def hold(self, psi: float, seconds: float, rate: float = 10.0) -> None:
        """Let the transmitter say the same pressure for a while."""
        for _ in range(round(seconds * rate)):
            self.clock.seconds += 1 / rate
            self.line(psi)
            self.session.tick()
        self.session.commit()

    def silence(self, seconds: float) -> None:
        """Let time pass without a line."""
        for _ in range(round(seconds * 10)):
            self.clock.seconds += 0.1
            self.session.take(Quiet(self.clock.seconds))
            self.session.tick()

    def ask(self, request: str, **facts: object) -> m.Answer:
        """Send a request as a screen would, through JSON."""
        import json

        return self.session.request(m.read_request(json.dumps({"request": request, "id": 7, **facts}).encode()))

    def do(self, request: str, **facts: object) -> None:
        """Send a request that must be carried out."""
        answer = self.ask(request, **facts)
        assert answer.done, answer.sentence

    def see(self) -> m.Update:
        return self.viewer.update()

    def start(self, serial: str) -> None:
        self.hold(0.2, 3)
        self.do("start_run", order="HL-2041", serial=serial, operator="Mara Quill")

    def to_hold(self, psi: float) -> None:
        """Start the next stage and bring it to its hold."""
        self.do("start_stage")
        self.do("vent_closed")
        self.hold(psi, 40)
        assert self.see().stage.phase == "holding"

    def shell(self, serial: str = "HL-4-0117") -> None:
        """Take a valve through an accepted shell test."""
        self.start(serial)
        self.to_hold(505)
        self.hold(505, 125)
        self.do("observe", criterion=0, seen="no leakage")
        self.hold(0.2, 2)

    def seat(self, **caught: object) -> None:
        """Take a metal seat through a hold in which leakage is caught for 60 s."""
        self.to_hold(253)
        self.do("collection_started")
        self.hold(253, 60)
        self.do("collection_ended")
        self.hold(253, 1)
        self.do("collected", **caught)
        self.hold(0.2, 2)


@pytest.fixture
def at_hand(bench: Bench, order: Order) -> BenchInHand:
    return BenchInHand(bench, order)
