"""A run as its reviewer reads it: record, samples and what it bears → page. Reads, decides nothing."""

import re
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal

from testbench.run.decisions import decision_of
from testbench.run.evaluation import same_decision
from testbench.run.record import ChannelRecord, CriterionFinding, RunRecord, StageRecord
from testbench.run.samples import TICKS_PER_S, Trace, to_s
from testbench.station.ports import JournalLine
from testbench.station.review import Borne, Case, remarks_of, waits_for
from testbench.station.review_models import (
    Again,
    AttemptPage,
    DrawnTrace,
    EventLine,
    FindingLine,
    InstrumentLine,
    Limit,
    Offer,
    RunPage,
    SaidLine,
)
from testbench.station.session import STAGE_CLOSED, STAGE_OPENED
from testbench.station.view import thinned

POINTS = 1500
"""Of a drawn trace."""
_NUMBER = re.compile(r"-?\d+\.\d{4,}")


def run_page(
    case: Case,
    traces: Sequence[Trace],
    journal: Iterable[JournalLine],
    offers: tuple[Offer, ...],
    nonconformities: tuple[str, ...] = (),
) -> RunPage:
    """Put the page of a run together.

    Args:
        case: the run.
        traces: one for each stage of the record.
        journal: of the run.
        offers: what its reviewer may do.
        nonconformities: of its serial number, a line each.
    """
    record, borne = case.record, case.borne
    signed = {one.meaning for one in borne.signed}
    valve = record.valve
    return RunPage(
        run=record.run,
        serial=valve.serial,
        valve=f"{valve.type} {valve.size}, {valve.seat} seat",
        order=record.order,
        customer=record.customer,
        procedure=f"{record.requirements.standard}, {record.requirements.procedure} {record.requirements.revision}",
        operator=record.operator,
        operator_id=record.operator_id,
        started=record.started,
        ended=record.ended,
        software=record.software,
        specimen=record.specimen,
        verdict=record.verdict or "void",
        reason=record.reason,
        record_sha256=case.record_sha256,
        attempts=tuple(_attempt(record, *both) for both in zip(record.stages, traces, strict=True)),
        events=tuple(map(_event, (one for one in journal if one.happening.event not in {STAGE_OPENED, STAGE_CLOSED}))),
        instruments=tuple(_instruments(record)),
        earlier=tuple(
            SaidLine(at="", who=one.run, what=one.verdict or "void", note=one.reason) for one in record.earlier
        ),
        nonconformities=nonconformities,
        said=_said(record, borne),
        again=_again(case),
        remarks=remarks_of(case),
        waits_for=waits_for(record.verdict, signed) if record.operator_id else None,
        offers=offers,
    )


def shown(exact: str) -> str:
    """An exact text with its long numbers rounded to four significant digits, for reading only."""
    return _NUMBER.sub(lambda found: f"{Decimal(found[0]):.4g}", exact)


def _event(line: JournalLine) -> EventLine:
    return EventLine(at_s=to_s(line.happening.at), event=line.happening.event, sentence=line.happening.sentence)


def _attempt(record: RunRecord, stage: StageRecord, trace: Trace) -> AttemptPage:
    finding = stage.finding
    return AttemptPage(
        stage=stage.stage,
        attempt=stage.attempt,
        ended=stage.ended,
        verdict=finding.verdict if finding else "void",
        reason=stage.reason,
        findings=tuple(_finding(one, stage) for one in finding.criteria) if finding else (),
        beside=tuple(_beside(stage)),
        trace=_drawn(record.channel, stage, trace),
    )


def _finding(found: CriterionFinding, stage: StageRecord) -> FindingLine:
    decision = decision_of(found, stage.requirement)
    return FindingLine(
        criterion=found.criterion,
        required=shown(found.required),
        measured=shown(found.measured),
        limit=shown(found.limit),
        uncertainty=shown(found.uncertainty),
        conformity=found.conformity,
        sentence=f"{found.sentence} {decision.words}" if decision else found.sentence,
    )


def _beside(stage: StageRecord) -> Iterable[str]:
    if stage.finding is not None and stage.finding.decay is not None:
        yield stage.finding.decay.sentence
    if stage.finding is not None and stage.finding.timing is not None:
        yield stage.finding.timing.sentence
    if stage.restarts:
        yield f"The hold began anew {stage.restarts} times."
    if stage.gaps:
        silent = to_s(sum(gap.until - gap.since for gap in stage.gaps))
        yield f"{len(stage.gaps)} gaps without a usable reading, {silent:.1f} s in all."
    for one in stage.observations:
        where, note = (f" ({one.where})" if one.where else ""), (f": {one.note}" if one.note else "")
        if where or note:
            yield f"{one.operator} saw {one.seen}{where}{note}."
    if stage.attendance is not None:
        names = ", ".join(one.name for one in stage.attendance.attended) or "nobody"
        yield f"Attended by {names}."


def _drawn(channel: ChannelRecord, stage: StageRecord, trace: Trace) -> DrawnTrace:
    channel = channel.for_fluid(stage.requirement.fluid)
    scale, asked = channel.scale, stage.requirement
    kept = thinned(trace, POINTS)
    times, pressures = kept.at / TICKS_PER_S, scale.pressures(kept.counts).round(6)
    limits = (
        ("acceptance limit", asked.required + channel.guard_band(asked)), ("upper limit", asked.upper_limit),
    )  # fmt: skip
    held = stage.hold_since is not None and stage.hold_until is not None
    return DrawnTrace(
        unit=scale.unit,
        points=tuple(zip(times.tolist(), pressures.tolist(), strict=True)),
        limits=tuple(Limit(at=float(limit.to(scale.unit)), name=name) for name, limit in limits),
        hold=(to_s(stage.hold_since or 0), to_s(stage.hold_until or 0)) if held else None,
        gaps=tuple((to_s(gap.since), to_s(gap.until)) for gap in stage.gaps),
    )


def _instruments(record: RunRecord) -> Iterable[InstrumentLine]:
    on = date.fromisoformat(record.started[:10])
    channels = [(record.channel, record.zero_check)]
    channels += [(one.channel, one.zero_check) for one in record.beside]
    needed = [pressure for one in record.requirements.stages for pressure in (one.required, one.upper_limit)]
    for channel, zero in channels:
        faults = [] if channel.calibration.in_date(on) else [f"calibration not in date on {on}"]
        faults += [] if all(map(channel.calibration.covers, needed)) else ["calibrated range does not cover the test"]
        faults += [] if zero.passed else ["zero check not passed"]
        gauges = [one for one in (channel.second_gauge, *channel.checked_since) if one is not None]
        faults += [f"disagreed with a second gauge: {one.sentence}" for one in gauges if not one.agrees]
        second = f", second gauge agreed: {gauges[-1].sentence}" if gauges else ", no second gauge was held beside it"
        yield InstrumentLine(
            tag=channel.tag,
            instrument=channel.instrument,
            serial=channel.serial,
            calibration=f"{channel.certificate_number}, {channel.laboratory}, {channel.calibrated_on} to "
            f"{channel.due_on}",
            range=f"{channel.lowest.text(1)} to {channel.highest.text(1)}",
            uncertainty=f"U = {channel.expanded_uncertainty.text(2)} (k = 2)",
            state="; ".join(faults) if faults else f"in date on {on}, range covered, zero passed{second}",
            good=not faults,
        )


def _said(record: RunRecord, borne: Borne) -> tuple[SaidLine, ...]:
    lines = [
        SaidLine(
            at=one.signed_at, who=f"{one.printed_name}, {one.role}", what=one.meaning,
            note="" if one.binds(record) else "DOES NOT BIND THIS RECORD",
        )
        for one in borne.signed
    ]  # fmt: skip
    lines += [
        SaidLine(at=one.at, who=one.printed_name, what=f"{one.step} to {one.to}" if one.to else one.step, note=one.note)
        for one in borne.entries
    ]
    return tuple(sorted(lines, key=lambda line: line.at))


def _again(case: Case) -> Again:
    record, again = case.record, case.again
    same = same_decision(again, record)
    sentences = []
    if not same:
        sentences = [f"{again.verdict or 'void'}: {again.reason}"]
        for old, new in zip(record.stages, again.stages, strict=True):
            before = set(old.finding.criteria) if old.finding else set()
            found = new.finding.criteria if new.finding else ()
            sentences += [f"{new.stage}, attempt {new.attempt}: {one.sentence}" for one in found if one not in before]
    return Again(same=same, verdict=again.verdict or "void", sentences=tuple(sentences))
