"""What the station needs from the outside, as protocols. The edges implement them; tests bring their own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from testbench.framing.lines import Rejected
from testbench.procedure.adoption import Adoption
from testbench.procedure.valve import Order
from testbench.run.nonconformity import Nonconformity
from testbench.run.progress import Happening
from testbench.run.recall import RecallLine
from testbench.run.record import EarlierRun, RunRecord, Verdict
from testbench.run.samples import Gap, Sample, Trace
from testbench.run.signature import Meaning
from testbench.station.calibrations import CalibrationReport
from testbench.station.gauge_checks import GaugeCheck
from testbench.station.review import ReviewEntry


class Clock(Protocol):
    """One clock to count with, one to write down."""

    def elapsed_s(self) -> float:
        """Seconds since the recorder started; never goes backwards."""

    def utc(self) -> datetime:
        """The time of day to put on a record, timezone-aware, UTC."""


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One line of the history."""

    run: str
    serial: str
    order: str
    stages: str
    verdict: Verdict | None
    ended: str
    """How the run ended: completed, stopped, tripped or lost."""
    reason: str
    started: str
    origin: str
    record_sha256: str
    document: str
    recalled: tuple[str, ...] = ()
    """Recalls in force that name it."""


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One line of a run's journal."""

    stage: int
    """Running number of the stage attempt, -1 outside a stage."""
    happening: Happening


@dataclass(frozen=True, slots=True)
class OpenRun:
    """A run that was begun and not closed, with everything that was acknowledged of it."""

    run: str
    opening: str
    """Canonical JSON, as it was given at the beginning."""
    opened: datetime
    traces: Mapping[int, Trace]
    """By running number of the stage attempt, -1 outside a stage; each with its closed gaps."""
    rejected_lines: Mapping[int, int]
    journal: tuple[JournalLine, ...]
    beside: Mapping[tuple[int, str], Trace] = field(default_factory=dict)
    """The traces of the other pressure channels, by stage attempt and tag."""


@dataclass(frozen=True, slots=True)
class UnsignedRun:
    """A closed run that waits for its operator's signature."""

    run: str
    serial: str
    operator: str
    """Printed name."""
    verdict: Verdict | None
    """None where the run is void."""


@dataclass(frozen=True, slots=True)
class WaitingRun:
    """A closed run whose signatures are not complete."""

    run: str
    serial: str
    order: str
    operator: str
    """Printed name."""
    verdict: Verdict | None
    """None where the run is void."""
    reason: str
    started: str
    origin: str
    record_sha256: str
    waits_for: Meaning
    entries: tuple[ReviewEntry, ...]
    """What was said of it in review."""


class CalibrationRegister(Protocol):
    """What is known of an instrument."""

    def calibrations_of(self, serial: str) -> tuple[CalibrationReport, ...]:
        """Every entry of this instrument, in the order of entry."""

    def gauge_checks_of(self, serial: str) -> tuple[GaugeCheck, ...]:
        """Every check of this instrument against a second gauge, in the order they were made."""


class RunStore(CalibrationRegister, Protocol):
    """Where everything is kept. Each call returns only when its transaction is committed to disk."""

    def begin_run(self, opening: str, at: datetime) -> str:
        """Give out the next run number and keep the opening facts (canonical JSON)."""

    def append(  # noqa: PLR0917 - one commit carries all that came since the last
        self,
        run: str,
        stage: int,
        samples: Sequence[Sample],
        gaps: Sequence[Gap],
        rejected: Sequence[tuple[int, Rejected]],
        happenings: Sequence[Happening],
        beside: Mapping[str, tuple[Sequence[Sample], Sequence[Gap]]],
    ) -> None:
        """Keep what arrived since the last call: one chunk, one commit.

        Args:
            run: the open run.
            stage: running number of the stage attempt within the run, from 0; -1 outside a stage.
            samples: in order of arrival.
            gaps: closed gaps.
            rejected: ticks and bytes that were no reading.
            happenings: journal lines.
            beside: samples and closed gaps of the other pressure channels, by tag.
        """

    def seal(self, record: RunRecord, traces: Sequence[Trace]) -> str:
        """Close a run: record, findings and sealed traces in one transaction. Gives the record's SHA-256."""

    def add_gauge_check(self, check: GaugeCheck) -> None:
        """Keep a check against a second gauge."""

    def adoption_of(self, procedure_sha256: str) -> Adoption | None:
        """The newest adoption of a procedure file with this hash, if any."""

    def accepted_run_of(self, serial: str, *, specimen: bool) -> str | None:
        """The run in which this serial number was accepted, if any.

        Args:
            serial: the number.
            specimen: whether specimens count, too: a trial stands in the way of a trial, not of the real test.
        """

    def nonconformities_of(self, serial: str) -> tuple[Nonconformity, ...]:
        """The nonconformities of this serial number, in the order of their opening."""

    def recalls(self) -> tuple[RecallLine, ...]:
        """Every recall, in the order of entry."""

    def earlier_runs_of(self, serial: str) -> tuple[EarlierRun, ...]:
        """The closed runs of this serial number, oldest first."""

    def states_of(self, orders: Sequence[Order]) -> dict[tuple[str, str], str]:
        """(order, serial) → verdict or "void" of the newest closed run."""

    def document_of(self, run: str) -> str:
        """Where the newest document of a run lies; empty where it has none."""


class Documents(Protocol):
    """Writes the certificate or rejection report of a closed run, without holding up the bench."""

    def order(self, run: str) -> None:
        """Ask for the document of a run; at once back."""

    def written(self) -> list[tuple[str, str, str]]:
        """What was finished since the last call: (run, path, sentence); the path is empty where refused."""


class RawBytes(Protocol):
    """Keeps what goes over a line during a run."""

    def begin(self, run: str) -> None:
        """Begin a file named after the run.

        Raises:
            CaptureNotWrittenError: it cannot be written.
        """

    def end(self) -> tuple[str, str]:
        """Close it; gives its name and SHA-256, both empty where none was begun.

        Raises:
            CaptureNotWrittenError: it could not be written to its end.
        """


class FreeSpace(Protocol):
    """How much room is left where the records lie."""

    def free_bytes(self) -> int:
        """Bytes that can still be written."""
