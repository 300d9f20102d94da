"""What came together since the last commit: kept in memory until the disk has it, and tried again when it refused."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from testbench.errors import StoreFailedError
from testbench.framing.lines import Rejected
from testbench.run.progress import Happening
from testbench.run.record import RunRecord
from testbench.run.samples import Gap, Sample, Trace, to_ticks
from testbench.station.ports import RunStore

RETRY_S = 1.0
T = TypeVar("T")


@dataclass(slots=True)
class Batch:
    """Samples, gaps, rejected bytes and journal lines that wait for one commit; those of other channels by tag."""

    samples: list[Sample] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    rejected: list[tuple[int, Rejected]] = field(default_factory=list)
    happenings: list[Happening] = field(default_factory=list)
    beside: dict[str, tuple[list[Sample], list[Gap]]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.samples or self.gaps or self.rejected or self.happenings or self.beside)

    def add_beside(self, tag: str, samples: Sequence[Sample], gaps: Sequence[Gap]) -> None:
        """Put what another channel gave."""
        kept = self.beside.setdefault(tag, ([], []))
        kept[0].extend(samples)
        kept[1].extend(gaps)


class Keeper:
    """Writes batches of the open run to the store.

    Args:
        store: where they go.
        now: ticks of the station's clock.
        failed: hears of a refusal, once until it is over.
    """

    def __init__(self, store: RunStore, now: Callable[[], int], failed: Callable[[StoreFailedError], None]) -> None:
        self._store = store
        self._now = now
        self._failed = failed
        self._retry_at = 0
        self._batches: list[tuple[int, Batch]] = []
        self.fault: StoreFailedError | None = None
        """Why the last write failed; None while all is well."""

    def batch(self, stage: int) -> Batch:
        """Where to put what belongs to a stage attempt (-1: to none); it never mixes with another's."""
        if not self._batches or self._batches[-1][0] != stage:
            self._batches.append((stage, Batch()))
        return self._batches[-1][1]

    @property
    def owes(self) -> StoreFailedError | None:
        """The refusal that keeps something off the disk; None where everything is on it."""
        return self.fault if any(batch for _, batch in self._batches) else None

    def may_try(self) -> bool:
        """Whether it is time to try again after a refusal."""
        return self.fault is None or self._now() >= self._retry_at

    def commit(self, run: str) -> bool:
        """Write what has come together, a transaction a stage; gives whether nothing is owed any more."""
        while self._batches:
            stage, batch = self._batches[0]
            if batch and not self._append(run, stage, batch):
                return False
            self._batches.pop(0)
        return True

    def _append(self, run: str, stage: int, batch: Batch) -> bool:
        if not self.may_try():
            return False
        try:
            self._store.append(run, stage, batch.samples, batch.gaps, batch.rejected, batch.happenings, batch.beside)
        except StoreFailedError as fault:
            self._refused(fault)
            return False
        self.fault = None
        return True

    def seal(self, record: RunRecord, traces: Sequence[Trace]) -> bool:
        """Close a run on disk; gives whether it is."""
        try:
            self._store.seal(record, traces)
        except StoreFailedError as fault:
            self._refused(fault)
            return False
        self.fault = None
        return True

    def asked(self, question: Callable[[], T]) -> T | None:
        """The answer of the store; None where it refused."""
        try:
            return question()
        except StoreFailedError as fault:
            self._refused(fault)
            return None

    def _refused(self, fault: StoreFailedError) -> None:
        self._retry_at = self._now() + to_ticks(RETRY_S)
        if self.fault is None:
            self._failed(fault)
        self.fault = fault
