"""What a closed run found, in numbers that many runs can be compared by: derived from its record, never beside it.

One line for each criterion that looks at the valve, one for the pressure lost over a hold, and one for whatever did not
conform or was void. Leakage rates are in mL/min, pressures in kPa, whatever unit the record is written in.
"""

import re
from dataclasses import dataclass
from typing import Final

from testbench.errors import BenchError
from testbench.metrology.decision_rule import Conformity
from testbench.procedure.criteria import CriterionName
from testbench.quantities import LeakageRate, Pressure
from testbench.run.record import CriterionFinding, RunRecord, StageRecord

PRESSURE_LOSS: Final = "pressure loss"
"""How far the pressure fell over the hold: its slope times how long it was held; a rise is negative."""
LEAKAGE_RATE: Final = CriterionName.LARGEST_LEAKAGE_RATE.value
UNITS = {LEAKAGE_RATE: "mL/min", PRESSURE_LOSS: "kPa"}
VOID: Final = "void"
_OF_THE_VALVE = {name.value for name in CriterionName}
_CLAUSE_ENDS = re.compile(r"[:;]|\. |\.$| of \d")


@dataclass(frozen=True, slots=True)
class FoundLine:
    """One line. Numbers are None where nothing was measured, or where there is no limit."""

    stage: str
    attempt: int
    criterion: str
    verdict: str
    """As the criterion was judged, or void."""
    reason: str | None = None
    """Why it was not accepted, in words that runs have in common."""
    measured: float | None = None
    most: float | None = None
    """The limit."""
    u: float | None = None
    """Expanded uncertainty, k = 2."""


@dataclass(frozen=True, slots=True)
class Facets:
    """What many runs have in common."""

    product: str
    procedure: str
    standard: str
    verdict: str
    """Of the run, or void."""
    operator: str
    bench: str
    origin: str


def facets_of(record: RunRecord) -> Facets:
    """What a run has in common with others."""
    asked = record.requirements
    return Facets(
        product=record.valve.product,
        procedure=asked.procedure,
        standard=f"{asked.standard} {asked.edition}".strip(),
        verdict=record.verdict.value if record.verdict else VOID,
        operator=record.operator,
        bench=record.bench,
        origin=record.origin.value,
    )


def found_in(record: RunRecord) -> tuple[FoundLine, ...]:
    """The lines of a run, in the order of its stages."""
    lines = [line for stage in record.stages for line in _of_stage(stage)]
    if record.verdict is None and not any(line.verdict == VOID for line in lines):
        lines.append(FoundLine("run", 1, "", VOID, clause(record.reason)))
    return tuple(lines)


def clause(sentence: str) -> str:
    """What a sentence says first, without the case's own words: the pressure, the hose that dripped."""
    first = _CLAUSE_ENDS.split(sentence, maxsplit=1)[0].strip()
    return f"{first[:1].lower()}{first[1:]}" or "no reason given"


def _of_stage(stage: StageRecord) -> list[FoundLine]:
    if stage.finding is None:
        return [FoundLine(stage.stage, stage.attempt, "", VOID, clause(stage.reason))]
    lines = [
        _of_criterion(stage, found)
        for found in stage.finding.criteria
        if found.criterion in _OF_THE_VALVE or found.conformity is not Conformity.CONFORMS
    ]
    slope = stage.finding.decay.slope_per_min if stage.finding.decay else ""
    if slope:
        lost = -Pressure.parse(slope).to("kPa") * stage.finding.held_ms / 60_000
        lines.append(FoundLine(stage.stage, stage.attempt, PRESSURE_LOSS, "", measured=lost))
    return lines


def _of_criterion(stage: StageRecord, found: CriterionFinding) -> FoundLine:
    rate = found.criterion == LEAKAGE_RATE
    return FoundLine(
        stage.stage,
        stage.attempt,
        found.criterion,
        found.conformity.value,
        None if found.conformity is Conformity.CONFORMS else _why(found),
        *((_ml_per_min(text) for text in (found.measured, found.limit, found.uncertainty)) if rate else ()),
    )


def _why(found: CriterionFinding) -> str:
    near = found.conformity is Conformity.WITHIN_GUARD_BAND
    if found.criterion == LEAKAGE_RATE:
        return "leakage rate not told from the limit" if near else "leakage rate above the limit"
    if found.criterion in _OF_THE_VALVE:
        return found.measured
    return f"{found.criterion} {'not decided' if near else 'not in order'}"


def _ml_per_min(text: str) -> float | None:
    """A rate as a record writes it; None where it is none: nothing was collected, or two rates contradict."""
    try:
        return LeakageRate.parse(text).to("mL/min")
    except BenchError:
        return None
