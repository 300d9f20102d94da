"""What deciding stored runs again has shown: counted by the program version that recorded them."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from testbench.run.evaluation import rejudged, same_decision
from testbench.run.record import RunRecord
from testbench.run.samples import Trace

NAMED = 1000
"""Runs that are named of each version; the others are only counted, so that memory stays bounded."""


class Outcome(StrEnum):
    """What deciding a run again came to."""

    SAME = "same"
    DIFFERS = "differs"
    DAMAGED = "damaged"
    """Its record or a trace of it is not what was written, so nothing can be decided."""


@dataclass(frozen=True, slots=True)
class Rejudged:
    """One run decided again."""

    run: str
    software: str
    """The version that recorded it; empty where its record cannot be read."""
    outcome: Outcome
    sentence: str = ""
    """How it differs, or what is damaged."""


@dataclass(slots=True)
class OfVersion:
    """The runs that one version recorded."""

    counts: Counter[Outcome] = field(default_factory=Counter)
    named: list[Rejudged] = field(default_factory=list)
    """Those that are not the same, the first ``NAMED``."""


@dataclass(slots=True)
class Tally:
    """Counts what comes in, in any order."""

    versions: dict[str, OfVersion] = field(default_factory=dict)

    def add(self, found: Iterable[Rejudged]) -> None:
        """Count some more."""
        for one in found:
            version = self.versions.setdefault(one.software, OfVersion())
            version.counts[one.outcome] += 1
            if one.outcome is not Outcome.SAME and len(version.named) < NAMED:
                version.named.append(one)

    def count(self, outcome: Outcome) -> int:
        """How many came to this."""
        return sum(version.counts[outcome] for version in self.versions.values())

    @property
    def runs(self) -> int:
        """How many were looked at."""
        return sum(version.counts.total() for version in self.versions.values())

    @property
    def all_same(self) -> bool:
        """Whether every run was decided as it is recorded."""
        return self.count(Outcome.SAME) == self.runs


def decided_again(record: RunRecord, traces: Sequence[Trace]) -> Rejudged:
    """Decide one run again and compare."""
    again = rejudged(record, traces)
    if same_decision(again, record):
        return Rejudged(record.run, record.software, Outcome.SAME)
    return Rejudged(record.run, record.software, Outcome.DIFFERS, difference(record, again))


def difference(record: RunRecord, again: RunRecord) -> str:
    """How a record decided again differs, in one sentence: the verdict, else the criteria."""
    if again.verdict is not record.verdict:
        return f"recorded {record.verdict or 'void'}, now {again.verdict or 'void'}: {again.reason}"
    changed = []
    for old, new in zip(record.stages, again.stages, strict=True):
        before = {one.criterion: one for one in old.finding.criteria} if old.finding else {}
        for one in new.finding.criteria if new.finding else ():
            was = before.pop(one.criterion, None)
            if was is None or (was.measured, was.limit, was.uncertainty, was.conformity) != (
                one.measured, one.limit, one.uncertainty, one.conformity
            ):  # fmt: skip
                changed.append(f"{new.stage}, attempt {new.attempt}, {one.criterion}")
        changed += [f"{new.stage}, attempt {new.attempt}, {gone}" for gone in before]
    return f"{record.verdict or 'void'} as recorded, on other figures: {'; '.join(changed) or 'another stage verdict'}"
