"""What of a record follows from its readings and its own words: compared value by value with the record decided again.

Compared are the verdict, its reason and every value of every finding (lowest and highest pressure, how long it was
held, the slope and its interval, how the times are known, the sentences), how many readings there are, and each stage's
requirement with the one that the run demands. Of what the machine noted beside the readings is checked what they can
show: hold and gaps begin and end at readings, nothing was read within a gap, a silence longer than allowed in a hold is
a gap, and a hold began again no more often than something was there to break it off.

**What cannot follow from readings**, and rests on who signed alone: what the operator saw, caught and drew off, and
when; when a stage was opened and closed; how many lines were rejected; what a gap is called, and a gap left out that is
no longer than allowed; a hold that began again, left out; the mean of the zero check; who, what and for whom; the
calibrations; and what the procedure and the order asked for.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from testbench.procedure.valve import Value
from testbench.run.hold import FAULTS, hold_of
from testbench.run.record import Finding, RunRecord, StageRecord
from testbench.run.samples import TICKS_PER_S, Gap, GapReason, Thresholds, Trace

WORDS = frozenset({"sentence", "gate", "method", "dominant", "required", "reason"})
"""Values in the words of the version that wrote them: another version may word them better, on the same numbers."""
SAME_WITHIN = 1e-9
"""Relative: the last digits of a least-squares slope are those of a machine's arithmetic."""
ROUNDED_WITHIN = 0.1
"""Relative: one version rounds U to one digit where another keeps two."""
_NUMBER = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Difference:
    """One value that does not follow."""

    where: str
    recorded: Any
    given: Any
    worded: bool = False
    """Whether only words differ, and no number in them but by its rounding."""

    @property
    def sentence(self) -> str:
        """Without its stop."""
        return f"{self.where}: recorded {_told(self.recorded)}, the readings give {_told(self.given)}"


@dataclass(frozen=True, slots=True)
class Contradiction(Difference):
    """Two places of one record that differ, or a mark that its readings do not bear out."""

    @property
    def sentence(self) -> str:
        """Without its stop."""
        return f"{self.where}: recorded {_told(self.recorded)}, but {_told(self.given)}"


def differences(record: RunRecord, again: RunRecord, traces: Sequence[Trace]) -> Iterator[Difference]:
    """Everything of a record that does not follow.

    Args:
        record: as it is kept.
        again: the same, decided again (``evaluation.rejudged``).
        traces: the readings of each stage attempt, with the gaps that the record keeps.
    """
    yield from _against_itself(record)
    tried: Counter[str] = Counter()
    for stage, found, trace in zip(record.stages, again.stages, traces, strict=True):
        tried[stage.stage] += 1
        where = f"{stage.stage}, attempt {stage.attempt}"
        if stage.attempt != tried[stage.stage]:
            yield Contradiction(where, f"attempt {stage.attempt}", f"it is number {tried[stage.stage]} of that stage")
        for one in _against_readings(stage, trace, record):
            yield Contradiction(f"{where}, {one.where}", one.recorded, one.given)
        yield from _between(where, _values(stage.finding), _values(found.finding))
    yield from _between("run", _of_run(record), _of_run(again))


# The record and itself ----------------------------------------------------------------------------


def _against_itself(record: RunRecord) -> Iterator[Difference]:
    asked = record.requirements
    rated = record.valve.rated
    if rated is not None and rated != asked.rating:
        yield Contradiction("rated pressure", str(rated), f"the requirements are for {asked.rating}")
    demanded = {one.stage: one for one in asked.stages}
    for stage in record.stages:
        where, of = f"{stage.stage}, attempt {stage.attempt}", demanded.get(stage.stage)
        if of is None:
            yield Contradiction(where, "as carried out", "no such stage is demanded")
            continue
        own, run = _values(stage.requirement), _values(of)
        for name in [name for name in own | run if own.get(name) != run.get(name)]:
            told = f"the run demands {_told(run.get(name))}"
            yield Contradiction(f"{where}, requirement {_spoken(name)}", own.get(name), told)
    for one, other in pairwise(record.stages):
        if other.since < one.until:
            yield Contradiction(f"{other.stage}, attempt {other.attempt}", "its begin", "the stage before was not over")


# The record and its readings ----------------------------------------------------------------------


def _against_readings(stage: StageRecord, trace: Trace, record: RunRecord) -> Iterator[Difference]:
    for named, read in zip((stage.trace, *(one.trace for one in stage.beside)), (trace, *trace.beside), strict=True):
        if named.samples != len(read):
            yield Difference("number of readings", named.samples, f"{len(read)} are attached")
    if not len(trace):
        return
    for name in ("hold_since", "hold_until"):
        at = getattr(stage, name)
        if at is not None and not (trace.at == at).any():
            yield Difference(_spoken(name), at, "no reading has that time")
    for read in (trace, *trace.beside):
        for gap in read.gaps:
            yield from _of_gap(gap, read)
    yield from _kept_quiet(stage, trace)
    yield from _of_restarts(stage, trace, record)


def _of_gap(gap: Gap, trace: Trace) -> Iterator[Difference]:
    """A gap ends with a reading, and but for a reading that stood still nothing was read in it."""
    if not len(trace):
        return
    where, span = "gap", f"{gap.since} to {gap.until}"
    inside = trace.counts[(trace.at > gap.since) & (trace.at < gap.until)]
    if inside.size and (gap.reason is not GapReason.FROZEN or (inside != inside[0]).any()):
        yield Difference(where, span, f"{inside.size} readings lie within it")
    elif gap.reason is not GapReason.SUSPENDED:
        begins = gap.since < int(trace.at[0]) or (trace.at == gap.since).any()
        if not begins or not (trace.at == gap.until).any():
            yield Difference(where, span, "it does not lie between two readings")


def _kept_quiet(stage: StageRecord, trace: Trace) -> Iterator[Difference]:
    """A hold in which nothing was read for longer than allowed has a gap there."""
    hold = hold_of(stage, trace)
    for index in np.flatnonzero(np.diff(hold.at) > stage.requirement.longest_gap_s * TICKS_PER_S):
        since, until = int(hold.at[index]), int(hold.at[index + 1])
        if not any(gap.since < until and gap.until > since for gap in hold.gaps):
            yield Difference("gaps", "none there", f"nothing was read from {since} to {until}")


def _of_restarts(stage: StageRecord, trace: Trace, record: RunRecord) -> Iterator[Difference]:
    """Only a fall below the limit, a fault or a long gap breaks off a hold that another follows."""
    if stage.hold_since is None:
        return
    channel = record.channel.for_fluid(stage.requirement.fluid)
    limits = Thresholds.of(stage.requirement, channel.guard_band(stage.requirement), channel.scale)
    above = trace.counts[trace.at <= stage.hold_since] >= limits.acceptance
    fell = int((above[:-1] & ~above[1:]).sum())
    longest = stage.requirement.longest_gap_s * TICKS_PER_S
    gaps = [gap for read in (trace, *trace.beside) for gap in read.gaps if gap.since <= stage.hold_since]
    broken = sum(gap.reason in FAULTS or gap.until - gap.since > longest for gap in gaps)
    if stage.restarts > fell + broken:
        told = f"the readings show {fell + broken} times at most that could break a hold off"
        yield Difference("the hold began again", f"{stage.restarts} times", told)


# Values -------------------------------------------------------------------------------------------


def _of_run(record: RunRecord) -> dict[str, Any]:
    return {"verdict": record.verdict or "void", "reason": record.reason}


def _values(value: Value | Finding | None) -> dict[str, Any]:
    """Every single value by its path; a criterion is called by its name."""
    return {} if value is None else dict(_leaves("", value.model_dump(mode="json")))


def _leaves(path: str, value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _leaves(f"{path}.{name}" if path else name, one)
    elif isinstance(value, list):
        for index, one in enumerate(value, start=1):
            yield from _leaves(f"{path} {index}", one)
    else:
        yield path, value


def _between(where: str, recorded: dict[str, Any], given: dict[str, Any]) -> Iterator[Difference]:
    for name in recorded | given:
        one, other = recorded.get(name), given.get(name)
        if not _alike(one, other):
            words = name.rpartition(".")[2] in WORDS and _near(one, other)
            yield Difference(f"{where}, {_spoken(name)}", one, other, worded=words)


def _alike(one: Any, other: Any) -> bool:
    if one == other or not (isinstance(one, str) and isinstance(other, str)):
        return bool(one == other)
    (first, _, unit), (second, _, other_unit) = one.partition(" "), other.partition(" ")
    try:
        a, b = float(first), float(second)
    except ValueError:
        return False
    return unit == other_unit and abs(a - b) <= SAME_WITHIN * max(abs(a), abs(b))


def _near(one: Any, other: Any) -> bool:
    """Whether every number of a sentence is, but for its rounding, one of the other."""
    told, given = ([float(number) for number in _NUMBER.findall(str(words or ""))] for words in (one, other))
    return all(any(abs(a - b) <= ROUNDED_WITHIN * max(a, b) for b in given) for a in told)


def _spoken(path: str) -> str:
    return path.replace("_", " ").replace(".", ", ")


def _told(value: Any) -> str:
    return "nothing" if value is None or value == "" else str(value).rstrip(".")
