"""Record → words and numbers of a page. Pure: no clock, no disk, no drawing.

Only a run with the verdict accepted or rejected becomes a document: a certificate or a rejection report. A simulated
or replayed run can only yield a page marked SPECIMEN. What is printed is rounded so that it never contradicts the
verdict, and the first failure, every void attempt and every broken hold stay on the page.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from testbench.certificate.conditions import decay_of, times_of, water_of
from testbench.certificate.evidence import (
    Fact,
    RunClock,
    cautions_of,
    compared_of,
    course_of,
    instrument_of,
    mention,
    named,
    sources_of,
    stamp,
    title_of,
)
from testbench.certificate.facts import DocumentFacts
from testbench.certificate.figures import decimals_of
from testbench.certificate.languages import Words
from testbench.certificate.lines import StageTable, as_recorded, collected_of, table_of, undecided_of, unit_in_words
from testbench.certificate.people import asked_of, attendance_of, document_of, people_of
from testbench.errors import NoCertificateError
from testbench.quantities import Pressure
from testbench.run.ledger import Checkpoint
from testbench.run.mentioned import Mentioned
from testbench.run.observations import Seen
from testbench.run.record import Origin, RunRecord, StageRecord, Verdict
from testbench.run.samples import Gap, Scale, Trace
from testbench.run.signature import Signature
from testbench.station.bench import Works
from testbench.station.withdrawals import Withdrawal

NOT_STATED = "not stated"
"""How an order says that it does not state something."""


class Kind(StrEnum):
    """What the page is."""

    CERTIFICATE = "certificate"
    REJECTION_REPORT = "rejection report"


SELF_SIGNED, UNDER_ROOT = "--signer CERT.pem", "--root root-cert.pem"
"""How a reader names whom to trust: by the certificate itself, or by the root that leads to it."""


@dataclass(frozen=True, slots=True)
class IssueFacts:
    """What is known only when a document is issued."""

    works: Works
    issued: datetime
    """Timezone-aware, UTC."""
    signer: str
    fingerprint: str
    """SHA-256 of the seal's certificate, grouped for reading."""
    signed: tuple[Signature, ...] = ()
    """The signatures under the run, in the order in which they were made."""
    checkpoint: Checkpoint | None = None
    """How far the bench's ledger has come."""
    replaces: Withdrawal | None = None
    """The document that this one takes the place of, and its own number; None: it is the run's first."""
    nonconformities: tuple[Mentioned, ...] = ()
    """Those of the serial number, as they stood at the issue."""
    under_root: bool = False
    """Whether the keys lead to the root of the works; else the station signed its certificate itself."""


@dataclass(frozen=True, slots=True)
class PlotFacts:
    """What the two plots of a stage show. Times in ticks since the run began."""

    trace: Trace
    scale: Scale
    unit: str
    shown_unit: str
    decimals: int
    since: int
    until: int
    hold: tuple[int, int] | None
    held_ms: int
    required: Pressure
    acceptance: Pressure
    upper: Pressure
    hold_s: int
    collected: tuple[tuple[int, int], ...]
    """Since and until of each collection that the leakage rate was taken from."""
    leaks: tuple[int, ...]
    """When leakage was seen."""
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True)
class StageContent:
    """One completed attempt at one stage."""

    title: str
    attempt: str
    times: str
    """How the times of its hold are known; empty where it had none, or the record does not say."""
    verdict: Verdict
    judged: str
    conditions: str
    table: StageTable
    undecided: tuple[str, ...]
    """Sentences of the findings that were left undecided."""
    plot: PlotFacts


@dataclass(frozen=True, slots=True)
class Content:
    """All words and numbers of a document."""

    kind: Kind
    title: str
    facts: DocumentFacts
    number_label: str
    verdict: Verdict
    verdict_word: str
    reasons: tuple[str, ...]
    """Why it is accepted or rejected; a rejection names each failed criterion with value and limit."""
    replaces: str
    """Which document it takes the place of, and why; empty where it is the first."""
    specimen: str
    """The sentence that marks a specimen; empty for a live run."""
    works: Works
    issued: str
    valve: tuple[Fact, ...]
    order: tuple[Fact, ...]
    stages: tuple[StageContent, ...]
    course: tuple[str, ...]
    instrument: tuple[Fact, ...]
    compared: tuple[str, ...]
    """The channels that were compared; empty where there is one."""
    rule: tuple[str, ...]
    sources: tuple[str, ...]
    document: tuple[str, ...]
    """What the page is by EN 10204, and what it cannot be; empty where the order names no type."""
    cautions: tuple[str, ...]
    closing: tuple[Fact, ...]
    how_to_verify: str
    software: str
    dated: datetime
    """End of the run, UTC: the date of the unsigned file."""


def kind_of(record: RunRecord) -> Kind:
    """Which document a record becomes.

    Raises:
        NoCertificateError: the run is void or inconclusive.
    """
    match record.verdict:
        case Verdict.ACCEPTED:
            return Kind.CERTIFICATE
        case Verdict.REJECTED:
            return Kind.REJECTION_REPORT
        case Verdict.INCONCLUSIVE:
            raise NoCertificateError(record.run, f"it is inconclusive. {record.reason}".rstrip("."))
        case None:
            raise NoCertificateError(record.run, f"it is void. {record.reason}".rstrip("."))


def number_of(record: RunRecord) -> str:
    """The document's number: C for a certificate or R for a rejection report, the bench, the run."""
    letter = {Kind.CERTIFICATE: "C", Kind.REJECTION_REPORT: "R"}[kind_of(record)]
    run = record.run.removeprefix(f"{record.bench}-")
    return f"{letter}-{record.bench}-{run}"


def content_of(
    record: RunRecord, record_sha256: str, traces: tuple[Trace, ...], issue: IssueFacts, words: Words
) -> Content:
    """Turn a closed run into words and numbers.

    Args:
        record: the closed run.
        record_sha256: hash of its canonical bytes.
        traces: the samples of each stage attempt, in the record's order.
        issue: letterhead, time and seal.
        words: the wording.

    Raises:
        NoCertificateError: the run is void or inconclusive.
    """
    kind = kind_of(record)
    assert record.verdict is not None
    clock = RunClock(record)
    stages = tuple(
        _stage_content(stage, trace, record, clock, words)
        for stage, trace in zip(record.stages, traces, strict=True)
        if stage.finding is not None
    )
    specimen = _why_specimen(record, words)
    key = kind.replace(" ", "_")
    course = (
        *(mention(one, words) for one in issue.nonconformities),
        *attendance_of(record, words),
        *course_of(record, clock, words),
    )
    replaces = _replaces(issue, words)
    number = number_of(record) if issue.replaces is None else issue.replaces.replaced_by
    facts = DocumentFacts(number, record.valve.serial, record.verdict, record_sha256, specimen != "")
    return Content(
        kind=kind,
        title=words(f"kind.{key}"),
        facts=facts,
        number_label=words(f"kind.number_of_{key}"),
        verdict=record.verdict,
        verdict_word=words(f"verdict.{record.verdict}"),
        reasons=_reasons(record, stages, words),
        replaces=replaces,
        specimen=specimen,
        works=issue.works,
        issued=stamp(issue.issued),
        valve=_valve(record, words),
        order=_order(record, issue.signed, clock, words),
        stages=stages,
        course=course,
        instrument=instrument_of(record, words),
        compared=compared_of(record, words),
        rule=(*_rules_of(record, words), words("rule.applied")),
        sources=sources_of(record, words),
        document=document_of(record, issue.signed, words),
        cautions=cautions_of(record, (replaces, *course, *_beside(stages)), words),
        closing=(
            *people_of(record, issue.signed, words),
            Fact(words("closing.record"), record_sha256),
            Fact(words("closing.seal"), issue.signer),
            Fact(words("closing.fingerprint"), issue.fingerprint),
            *ledger_of(issue, words),
        ),
        how_to_verify=words(
            "closing.how", trust=UNDER_ROOT if issue.under_root else SELF_SIGNED, compare=compare_of(issue, words)
        ),
        software=words("foot.software", software=record.software),
        dated=datetime.fromisoformat(record.ended),
    )


def compare_of(issue: IssueFacts, words: Words) -> str:
    """Which fingerprint a reader compares: the works publishes its root's, or the station's where it has no root."""
    return words("closing.compare_root" if issue.under_root else "closing.compare")


def _beside(stages: tuple[StageContent, ...]) -> list[str]:
    """What stands beside the numbers of the stages and may be the record's own words."""
    return [text for stage in stages for text in (*stage.undecided, *(line.detail for line in stage.table.lines))]


def _replaces(issue: IssueFacts, words: Words) -> str:
    old = issue.replaces
    if old is None:
        return ""
    why = as_recorded(old.why.rstrip("."), words)
    return words("head.replaces", number=old.number, on=old.at[:10], by=old.by, why=why)


def ledger_of(issue: IssueFacts, words: Words) -> tuple[Fact, ...]:
    """How far the bench's ledger has come; nothing where no checkpoint is carried."""
    if issue.checkpoint is None:
        return ()
    return (Fact(words("closing.ledger"), words("closing.ledger_value", line=issue.checkpoint.line)),)


def _rules_of(record: RunRecord, words: Words) -> tuple[str, ...]:
    """Each decision rule of the run, once."""
    return tuple(
        dict.fromkeys(words(f"rule.{stage.decision_rule.name.lower()}") for stage in record.requirements.stages)
    )


def _why_specimen(record: RunRecord, words: Words) -> str:
    if not record.specimen:
        return ""
    return words(f"specimen.{record.origin}" if record.origin is not Origin.LIVE else "specimen.not_adopted")


# Verdict ----------------------------------------------------------------------------------------


def _reasons(record: RunRecord, stages: tuple[StageContent, ...], words: Words) -> tuple[str, ...]:
    if record.verdict is Verdict.ACCEPTED:
        done = words("verdict.and").join(named(demanded.stage, words) for demanded in record.requirements.stages)
        return (words("verdict.accepted_because", stages=done),)
    return tuple(sentence for stage in stages for sentence in stage.table.failed)


# Identity ---------------------------------------------------------------------------------------


def _valve(record: RunRecord, words: Words) -> tuple[Fact, ...]:
    valve = record.valve
    values = {
        "type": words("identity.type_value", type=words(f"valve_type.{valve.type}"), size=valve.size),
        "rated": words("identity.rated_value", pressure=words.decimal(str(record.requirements.rating))),
        "seat": words("identity.seat_value", seat=words(f"seat.{valve.seat}"), pairing=valve.seat_pairing),
        "ends": valve.ends,
        "product": valve.product,
        "drawing": valve.drawing,
        "heat_numbers": valve.heat_numbers,
    }
    return _stated(values, words)


def _order(record: RunRecord, signed: tuple[Signature, ...], clock: RunClock, words: Words) -> tuple[Fact, ...]:
    asked = record.requirements
    procedure = words(
        "identity.procedure_value", id=asked.procedure, revision=asked.revision, hash=record.procedure_sha256[:12]
    )
    started, ended = clock.local(record.started), clock.local(record.ended)
    until = f"{ended:%H:%M:%S}" if started.date() == ended.date() else stamp(ended)
    values = {
        "customer_and_order": f"{record.customer}, {_or_not_stated(record.customer_order, words)}",
        "works_order": record.order,
        **({} if record.certificate_type is None else {"document": asked_of(record, signed, words)}),
        "standard": words(
            "identity.standard_value", standard=asked.standard, edition=asked.edition, adopted=_adopted(record, words)
        ),
        "procedure": procedure,
        "tested": words(
            "identity.tested_value", run=record.run, bench=record.bench, times=f"{stamp(started)} – {until}"
        ),
    }
    return _stated(values, words)


def _adopted(record: RunRecord, words: Words) -> str:
    adoption = record.adoption
    if adoption is None:
        return words("identity.not_adopted")
    return words("identity.adopted", who=adoption.adopted_by, on=adoption.at[:10])


def _stated(values: dict[str, str], words: Words) -> tuple[Fact, ...]:
    """Labels and values; the fields that hold nothing are named together on the last line."""
    labels = {key: words("document.asked" if key == "document" else f"identity.{key}") for key in values}
    missing = [labels[key] for key, value in values.items() if value.strip() in {"", NOT_STATED}]
    told = [Fact(labels[key], value.strip()) for key, value in values.items() if labels[key] not in missing]
    return (*told, *([Fact(words("identity.not_stated").capitalize(), "; ".join(missing))] if missing else []))


def _or_not_stated(value: str, words: Words) -> str:
    return words("identity.not_stated") if value.strip() in {"", NOT_STATED} else value.strip()


# Stages -----------------------------------------------------------------------------------------


def _stage_content(stage: StageRecord, trace: Trace, record: RunRecord, clock: RunClock, words: Words) -> StageContent:
    assert stage.finding is not None
    asked = stage.requirement
    # A finding that stays undecided beside a rejection is told in its own sentence.
    undecided = undecided_of(stage, words)
    return StageContent(
        title=title_of(stage.stage, words),
        attempt=words(
            "stage.attempt", number=stage.attempt, since=clock.time(stage.since), until=clock.time(stage.until)
        ),
        times=times_of(stage, words),
        verdict=stage.finding.verdict,
        judged=words(f"stage.{stage.finding.verdict}"),
        conditions=words(
            "stage.conditions",
            side=words.term(asked.pressurized_side),
            open=words.term(asked.open_side),
            pump=words(f"stage.{asked.pump_during_hold.replace(' ', '_')}"),
        )
        + decay_of(stage, words)
        + water_of(stage, words),
        table=table_of(stage, trace, record.channel, words),
        undecided=undecided,
        plot=_plot_facts(stage, trace, record, words),
    )


def _plot_facts(stage: StageRecord, trace: Trace, record: RunRecord, words: Words) -> PlotFacts:
    assert stage.finding is not None
    asked, unit = stage.requirement, (words.pressures or (stage.requirement.required.unit,))[0]
    guard = record.channel.guard_band(stage.requirement)
    hold = None if stage.hold_since is None or stage.hold_until is None else (stage.hold_since, stage.hold_until)
    collected = collected_of(stage)
    return PlotFacts(
        trace=trace,
        scale=record.channel.scale.for_fluid(stage.requirement.fluid),
        unit=unit,
        shown_unit=unit_in_words(unit, words),
        decimals=decimals_of(guard.in_unit(unit).value),
        since=stage.since,
        until=stage.until,
        hold=hold,
        held_ms=stage.finding.held_ms,
        required=asked.required,
        acceptance=asked.required + guard,
        upper=asked.upper_limit,
        hold_s=asked.hold_s,
        collected=tuple(
            (one.collection.since, one.collection.until) for one in (collected.caught if collected else ())
        ),
        leaks=tuple(answer.at for answer in stage.observations if answer.seen is Seen.LEAKAGE),
        gaps=stage.gaps,
    )
