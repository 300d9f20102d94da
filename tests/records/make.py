"""Makes a stored database for this folder: one for each released version of the tables, never made again.

``python tests/records/make.py`` writes ``schema-<version>.db`` with four runs: accepted, rejected, stopped, and one
that was cut short by a power cut; from 0002 on also a calibration and a check against a second gauge; from 0003 on
the accepted one and the one cut short have a second pressure channel that is compared, and from 0004 on they come from
polled transmitters; from 0005 on there is an engineer, who signed the accepted one as reviewed; from 0010 on the
rejected one has its nonconformity, and the accepted one was recalled for a time; from 0013 on the order has a lot
certificate. Every later version must read and judge them. The functions in here also give the tests of the store
their example runs.
"""

import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from testbench.framing.lines import Rejected, RejectReason
from testbench.procedure.criteria import LargestLeakageRate
from testbench.procedure.requirements import StageRequirement, requirements_for
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Valve
from testbench.quantities import Pressure, Volume
from testbench.run.evaluation import evaluate_stage, rejudged
from testbench.run.machine import Ending
from testbench.run.nonconformity import Disposed, Disposition, Part, Reworked
from testbench.run.observations import Collection, Observation, Seen, ZeroCheck
from testbench.run.recall import Lifting, Recall
from testbench.run.record import (
    BesideRecord,
    BesideTrace,
    ChannelRecord,
    CrossCheck,
    Origin,
    RunRecord,
    SecondGaugeCheck,
    StageRecord,
    TraceReference,
    canonical,
    sha256,
)
from testbench.run.samples import TICKS_PER_S, Gap, GapReason, Sample, Scale, Trace
from testbench.run.signature import Meaning, Method, Role, Signature, trace_sha256, uuid7
from testbench.run.state import Happening
from testbench.station.calibrations import CalibrationReport
from testbench.station.current_run import StageOpening, closed
from testbench.station.gauge_checks import GaugeCheck
from testbench.station.lockout import Attempt, Outcome
from testbench.station.people import Kept, PersonEntry
from testbench.station.session import STAGE_OPENED
from testbench.station.summed_up import VOID, Kind, SummedRow, SummedUp
from testbench.store.nonconformities import EnteredBy, recalled_run
from testbench.store.register import KeptSummary

PROCEDURE = Path(__file__).parents[2] / "procedures" / "waterworks-swing-check.toml"
STARTED = datetime(2026, 11, 20, 8, 30, tzinfo=UTC)
RATE = 10  # samples a second
RAMP, SETTLED, SPARE, DUMP = 10, 30, 5, 8  # seconds before and after the hold

CHANNEL = ChannelRecord(
    tag="PT-101",
    instrument="pressure transmitter 0–1000 psi",
    serial="T-0042",
    scale=Scale(unit="psi", decimals=2, zero_millicounts=12_000),
    certificate_number="CAL-26-0311",
    laboratory="Saltmarsh Calibration Laboratory",
    calibrated_on=date(2026, 3, 11),
    due_on=date(2027, 3, 11),
    lowest=Pressure.of(0, "psi"),
    highest=Pressure.of(1000, "psi"),
    expanded_uncertainty=Pressure.of("1.0", "psi"),
)
COMPARED = ChannelRecord(
    tag="PT-102",
    instrument="pressure transmitter 0–1500 psi",
    serial="T-0043",
    scale=Scale(unit="psi", decimals=1, zero_millicounts=-300),
    certificate_number="CAL-26-0312",
    laboratory="Saltmarsh Calibration Laboratory",
    calibrated_on=date(2026, 3, 11),
    due_on=date(2027, 3, 11),
    lowest=Pressure.of(0, "psi"),
    highest=Pressure.of(1500, "psi"),
    expanded_uncertainty=Pressure.of("1.5", "psi"),
)
ZERO = ZeroCheck(at=0, samples=50, mean_millicounts=12_000, passed=True)


def valve(serial: str, size: str, seat: str = "metal") -> Valve:
    """A swing check valve of the order."""
    return Valve.model_validate({
        "serial": serial,
        "type": "swing-check",
        "size": size,
        "rated": "250 psi",
        "seat": seat,
        "seat_pairing": "bronze on bronze" if seat == "metal" else "EPDM on ductile iron",
    })


def asked_for(trace: Trace, seed: int) -> Trace:
    """The same from a polled transmitter that takes 20 ms to answer, more or less."""
    return replace(trace, asked=trace.at - 200 - np.random.default_rng(seed).integers(0, 30, len(trace)))


def stage_trace(requirement: StageRequirement, since: int, seed: int, gaps: tuple[Gap, ...] = ()) -> Trace:
    """Fill, raise, settle, hold, release, as a transmitter with a little noise tells it."""
    chance = np.random.default_rng(seed)
    seconds = RAMP + SETTLED + requirement.hold_s + SPARE + DUMP
    at = np.arange(seconds * RATE, dtype=np.int64) * (TICKS_PER_S // RATE) + since
    top = requirement.required.to("psi") * 100 + 1_000
    turns = [0, RAMP, RAMP + SETTLED + requirement.hold_s + SPARE, seconds - 2]
    ideal = np.interp((at - since) / TICKS_PER_S, turns, [12, top, top - 40, 12])
    counts = np.rint(ideal + chance.normal(0, 2, at.size)).astype(np.int64)
    return Trace(at + np.rint(chance.normal(0, 3, at.size)).astype(np.int64), counts, gaps)


def completed_stage(
    requirement: StageRequirement, since: int, seed: int, caught: str, *, polled: bool
) -> tuple[StageRecord, Trace]:
    """A stage that ran to its end; ``caught`` is what was collected at the open side, where that is asked for."""
    trace = stage_trace(requirement, since, seed)
    trace = asked_for(trace, seed) if polled else trace
    begin = int(np.searchsorted(trace.at, since + (RAMP + SETTLED) * TICKS_PER_S))
    end = begin + (requirement.hold_s + 1) * RATE
    hold_since, hold_until = int(trace.at[begin]), int(trace.at[end])
    observations: list[Observation] = []
    collections: list[Collection] = []
    for index, criterion in enumerate(requirement.criteria):
        if isinstance(criterion, LargestLeakageRate):
            first = hold_since + (criterion.settle_s + 1) * TICKS_PER_S
            collections.append(
                Collection(
                    since=first,
                    until=first + (criterion.collect_s + 1) * TICKS_PER_S,
                    volume=Volume.parse(caught),
                    volume_uncertainty=Volume.parse("0.05 mL"),
                    operator="Mara Quill",
                )
            )
        else:
            seen = Observation(at=hold_until + 5_000, criterion=index, seen=Seen.NO_LEAKAGE, operator="Mara Quill")
            observations.append(seen)
    stage = StageRecord(
        stage=requirement.stage,
        attempt=1,
        requirement=requirement,
        since=since,
        until=int(trace.at[-1]),
        ended=Ending.COMPLETED,
        reason="",
        hold_since=hold_since,
        hold_until=hold_until,
        restarts=0,
        observations=tuple(observations),
        collections=tuple(collections),
        gaps=(),
        rejected_lines=1,
        trace=TraceReference(samples=len(trace), sha256=trace.sha256()),
        finding=None,
    )
    finding = evaluate_stage(stage, trace, CHANNEL, ZERO, STARTED.date())
    return stage.model_copy(update={"finding": finding}), trace


def stopped_stage(requirement: StageRequirement, since: int, seed: int) -> tuple[StageRecord, Trace]:
    """A stage that the operator stopped before its hold, with a gap on the way."""
    gap = Gap(since=since + 40_000, until=since + 46_000, reason=GapReason.SILENT)
    whole = stage_trace(requirement, since, seed, (gap,))
    seen = (whole.at < gap.since) | (whole.at > gap.until)
    trace = Trace(whole.at[seen][:200], whole.counts[seen][:200], (gap,))
    stage = StageRecord(
        stage=requirement.stage,
        attempt=1,
        requirement=requirement,
        since=since,
        until=int(trace.at[-1]),
        ended=Ending.STOPPED,
        reason="Stopped by the operator: hose fitting drips.",
        hold_since=None,
        hold_until=None,
        restarts=0,
        observations=(),
        collections=(),
        gaps=(gap,),
        rejected_lines=0,
        trace=TraceReference(samples=len(trace), sha256=trace.sha256()),
        finding=None,
    )
    return stage, trace


def example_run(run: str, tested: Valve, caught: str = "0.2 mL", *, stopped: bool = False, polled: bool = False):
    """A closed run as (record, traces): accepted, rejected where too much is caught, or stopped in its first stage."""
    text = PROCEDURE.read_text(encoding="utf-8")
    requirements = requirements_for(Procedure.model_validate(tomllib.loads(text)), tested)
    stages: list[StageRecord] = []
    traces: list[Trace] = []
    since = 10_000
    for seed, requirement in enumerate(requirements.stages):
        made = (
            stopped_stage(requirement, since, seed)
            if stopped
            else completed_stage(requirement, since, seed, caught, polled=polled)
        )
        stages.append(made[0])
        traces.append(made[1])
        since = stages[-1].until + 600_000
        if stopped:
            break
    record = RunRecord(
        run=run,
        bench="B1",
        works="Harrow Lane Valve Works",
        origin=Origin.SIMULATED,
        software="0.1.0",
        order="HL-2041",
        customer="Ellery Water Board",
        customer_order="EWB-7733",
        operator="Mara Quill",
        valve=tested,
        requirements=requirements,
        procedure_sha256=sha256(text.encode()),
        channel=CHANNEL,
        zero_check=ZERO,
        started=STARTED.isoformat(timespec="milliseconds"),
        ended=(STARTED + timedelta(minutes=20)).isoformat(timespec="milliseconds"),
        utc_offset_minutes=0,
        stages=tuple(stages),
        verdict=None,
        reason="",
    )
    return closed(record, record.ended), tuple(traces)


def beside(trace: Trace) -> Trace:
    """What a second channel, its last digit ten times coarser, read at the same time and a little later."""
    at = trace.at + 130
    pressures = CHANNEL.scale.pressures(trace.counts)
    counts = np.rint(pressures * 10 - 0.3).astype(np.int64)
    return Trace(at, counts, tuple(gap.model_copy(update={"reason": GapReason.UNPLUGGED}) for gap in trace.gaps))


def compared_run(run: str, tested: Valve, *, polled: bool = False):
    """The same on a bench with a second pressure channel that is compared with the first."""
    record, traces = example_run(run, tested, polled=polled)
    second = BesideRecord(channel=COMPARED, zero_check=ZERO.model_copy(update={"mean_millicounts": -300}))
    check = CrossCheck(channels=("PT-101", "PT-102"))
    record = record.model_copy(update={"beside": (second,), "cross_checks": (check,)})
    both = tuple(replace(trace, beside=(beside(trace),)) for trace in traces)
    stages = tuple(with_beside(stage, trace) for stage, trace in zip(record.stages, both, strict=True))
    return rejudged(record.model_copy(update={"stages": stages}), both), both


def with_beside(stage: StageRecord, trace: Trace) -> StageRecord:
    """The stage with its reference to the second channel's trace."""
    (other,) = trace.beside
    named = TraceReference(samples=len(other), sha256=other.sha256())
    found = BesideTrace(tag="PT-102", gaps=other.gaps, rejected_lines=2, trace=named)
    return stage.model_copy(update={"beside": (found,)})


def opening_of(record: RunRecord) -> str:
    """The opening facts as the station gives them: the record as far as it is known."""
    unknown = {"run": "", "ended": "", "stages": (), "verdict": None, "reason": "", "ending": None}
    return canonical(record.model_copy(update=unknown)).decode()


def keep_running(store, run: str, stage: int, trace: Trace) -> None:
    """Append a trace second by second, as the recorder does."""
    for begin in range(0, len(trace), RATE):
        part = slice(begin, begin + RATE)
        read = {f"PT-{102 + number}": (samples_in(other, part), []) for number, other in enumerate(trace.beside)}
        store.append(run, stage, samples_in(trace, part), [], [], [], read)
    bad = (int(trace.at[0]), Rejected(b"+02\xff0.13\r", RejectReason.NOT_A_NUMBER))
    line = Happening(int(trace.at[-1]), "released", "Pressure released.")
    silent = {f"PT-{102 + number}": ([], list(other.gaps)) for number, other in enumerate(trace.beside)}
    store.append(run, stage, [], list(trace.gaps), [bad], [line], silent)


def samples_in(trace: Trace, part: slice) -> list[Sample]:
    """Some of the samples of a trace."""
    at, counts = trace.at[part].tolist(), trace.counts[part].tolist()
    asked = [None] * len(at) if trace.asked is None else trace.asked[part].tolist()
    return list(map(Sample, at, counts, asked))


def keep_closed(store, record: RunRecord, traces: tuple[Trace, ...]) -> str:
    """Begin, record and seal a run; the run number of the record is replaced by the one given out."""
    run = store.begin_run(opening_of(record), STARTED)
    for stage, trace in enumerate(traces):
        keep_running(store, run, stage, trace)
    store.seal(record.model_copy(update={"run": run}), traces)
    return run


def fill_registers(store) -> None:
    """A calibration and a check against a second gauge."""
    points = [(psi, f"{psi + 0.25 * way}", ("up", "down")[way]) for way in (0, 1) for psi in (0, 250, 500, 750, 1000)]
    calibration = CalibrationReport.model_validate({
        "channel": "PT-101",
        "serial": "T-0042",
        "certificate_number": "SCL-26-0411",
        "laboratory": "Saltmarsh Calibration Laboratory",
        "calibrated_on": "2026-06-02",
        "due_on": "2027-06-01",
        "reference_instrument": "pressure balance PB-3, certificate SCL-25-0930",
        "unit": "psi",
        "points": [dict(zip(("reference", "indication", "direction"), point, strict=True)) for point in points],
        "reference_uncertainty": "0.05 psi",
        "resolution": "0.01 psi",
        "entered_by": "Tobin Ashe",
        "entered_at": "2026-06-05T09:00:00+00:00",
    })
    store.add_calibration(calibration)
    check = SecondGaugeCheck.model_validate({
        "gauge": "test gauge G-07",
        "at": "2026-11-20T07:55:00+00:00",
        "by": "Mara Quill",
        "indicated": "250.31 psi",
        "uncertainty": "0.3 psi",
        "gauge_indicated": "250 psi",
        "gauge_uncertainty": "1.5 psi",
    })
    number = calibration.certificate_number
    store.add_gauge_check(GaugeCheck(channel="PT-101", serial="T-0042", certificate_number=number, check=check))


def fill_people(store, run: str) -> None:
    """An engineer who reviews as well, a right and a wrong try, and a signature under a run."""
    record, _ = store.load(run)
    at = "2026-11-25T09:00:00.000Z"
    added = {"person": "ashe", "change": "added", "name": "Tobin Ashe", "roles": ("engineer", "reviewer")}
    owner = {"at": at, "by": "owner of the home", "authenticated": "owner of the home"}
    stored = "$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHQ$8nhLqGmrKDlxIBlZBZTTTg"  # of nothing that anybody uses
    password = {"person": "ashe", "change": "password set", "secret_sha256": sha256(stored.encode())}
    entries = [PersonEntry.model_validate(found | owner) for found in (added, password)]
    store.add_people([Kept(entries[0]), Kept(entries[1], stored)], lambda _: None)
    for outcome in (Outcome.BEGUN, Outcome.RIGHT, Outcome.BEGUN):
        store.add_attempt(Attempt(person="ashe", method=Method.PASSWORD, at=at, outcome=outcome), lambda _: None)
    signature = Signature(
        id=uuid7(1_795_000_000_000, 41), person="ashe", printed_name="Tobin Ashe", role=Role.REVIEWER,
        meaning=Meaning.REVIEWED, statement="I have reviewed the record.", signed_at=at, utc_offset_minutes=0,
        clock_status="not compared with another clock", bench="B1", method=Method.PASSWORD, subject="run",
        subject_id=run, record_sha256=sha256(canonical(record)),
        trace_sha256=trace_sha256(stage.trace.sha256 for stage in record.stages),
    )  # fmt: skip
    store.add_signature(signature, lambda _: None)


def fill_nonconformity(store) -> None:
    """What the rejection opened: a photograph, the decision to rework, the rework; and a recall that was lifted."""
    by, number = EnteredBy("2026-11-25T10:00:00.000Z", "Tobin Ashe", "ashe"), "N-B1-000001"
    store.attach(number, "seat.png", "image/png", b"\x89PNG\r\n\x1a\n", by)
    store.add_to_nonconformity(number, Disposed(disposition=Disposition.REWORK, why="The seat can be lapped."), by)
    store.add_to_nonconformity(number, Reworked(done="Seat lapped.", disturbed=(Part.SEAT, Part.COVER_JOINT)), by)
    record, document = next(store.records_of(store.runs_relying_on("calibration", subject="CAL-26-0311")[:1]))
    recall = Recall(
        number="RC-B1-000000", of="calibration", subject="CAL-26-0311", detail="T-0042", why="Withdrawn.", at=by.at,
        by=by.name, by_id=by.id, runs=(recalled_run(record, "measured on it", [document]),),
    )  # fmt: skip
    kept = store.add_recall(recall)
    store.lift_recall(Lifting(number=kept.number, why="It was right after all.", at=by.at, by=by.name, by_id=by.id))


def fill(store) -> None:
    """The four runs of a stored database, and its registers."""
    fill_registers(store)
    accepted = keep_closed(store, *compared_run("", valve("HL-4-0117", "NPS 4"), polled=True))
    keep_closed(store, *example_run("", valve("HL-6-0118", "NPS 6"), "6 mL"))
    keep_closed(store, *example_run("", valve("HL-8-0119", "NPS 8", "resilient"), stopped=True))
    digest = store.load(accepted)[0]
    store.add_document(
        accepted,
        "certificate",
        "certificates/B1-000001.pdf",
        sha256="0" * 64,
        record_sha256=sha256(canonical(digest)),
        at=STARTED + timedelta(minutes=25),
    )
    fill_people(store, accepted)
    fill_nonconformity(store)
    fill_summary(store)
    record, traces = compared_run("", valve("HL-8-0119", "NPS 8", "resilient"))
    cut_short = store.begin_run(opening_of(record), STARTED + timedelta(hours=1))
    first = record.stages[0]
    opened = StageOpening(stage=first.stage, attempt=1, since=first.since, requirement=first.requirement)
    begun = Happening(first.since, STAGE_OPENED, canonical(opened).decode())
    store.append(cut_short, 0, [], [], [], [begun])
    whole, (other,) = asked_for(traces[0], 0), traces[0].beside
    keep_running(store, cut_short, 0, replace(whole.between(0, 300_000), beside=(other.between(0, 300_000),)))


def fill_summary(store) -> None:
    """A lot certificate of the order, which is not complete."""
    rows = [
        SummedRow(serial=record.valve.serial, run=record.run, record_sha256=sha256(canonical(record)),
                  verdict=record.verdict or VOID, printed=(record.valve.serial,))
        for record, _ in store.records_of(store.runs_on("HL-2041"))
    ]  # fmt: skip
    listed = SummedUp(
        kind=Kind.LOT, number="L-B1-000001", subject="HL-2041", issued="2026-11-25T10:00:00Z", complete=False,
        specimen=True, rows=tuple(rows),
    )  # fmt: skip
    kept = KeptSummary("certificates/L-B1-000001_HL-2041.pdf", "0" * 64, listed)
    store.add_summary(kept, unstamped="Time-stamp authority http://127.0.0.1:9/ gave no time stamp: HTTP status 503.")


def main() -> None:
    """Write the database of the newest version, unless it is there."""
    from testbench.store.repository import SqliteStore
    from testbench.store.schema import HEAD

    path = Path(__file__).with_name(f"schema-{HEAD}.db")
    if path.exists():
        raise SystemExit(f"{path} is there; a released record is never made again.")
    store = SqliteStore(path, "B1")
    fill(store)
    store.close()
    path.with_name(path.name + ".lock").unlink()


if __name__ == "__main__":
    main()
