"""An order and its runs → a lot certificate: a row for each valve ordered, tested or not. Pure.

It sums up; the evidence is in each valve's own document. It is complete only when every valve ordered was accepted,
has its own document, and nothing was said against run or document since.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from testbench.certificate.content import NOT_STATED, IssueFacts, content_of, ledger_of
from testbench.certificate.data import Layout
from testbench.certificate.evidence import Fact, RunClock, stamp, title_of
from testbench.certificate.languages import Words
from testbench.certificate.lines import TableLine, brief_of, judged
from testbench.certificate.summary import Column, Row, Summary, draw_summary
from testbench.metrology.decision_rule import Conformity
from testbench.procedure.criteria import VisualCriterion
from testbench.procedure.valve import Order, Valve
from testbench.run.mentioned import Mentioned
from testbench.run.record import RunRecord, StageRecord, Verdict, canonical, sha256
from testbench.run.samples import Trace
from testbench.run.signature import Signature
from testbench.station.summed_up import VOID, Doubt, Kind, SummedRow, SummedUp
from testbench.station.withdrawals import Withdrawal

_COLUMNS = (
    ("position", 0.0), ("serial", 0.045), ("type", 0.265), ("document", 0.53), ("tested", 0.7), ("verdict", 0.845),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Known:
    """What the registers say of a run beside its record."""

    document: str = ""
    """Number of its newest document; empty where none was issued."""
    document_sha256: str = ""
    doubt: Doubt | None = None
    told: str = ""
    """Numbers of what brings the doubt."""
    replaces: Withdrawal | None = None
    """What the document takes the place of."""
    nonconformities: tuple[Mentioned, ...] = ()
    """Those of its serial number."""


@dataclass(frozen=True, slots=True)
class LotRun:
    """A closed run of a valve of the order. Traces and signatures are needed only where its own page is to follow."""

    record: RunRecord
    known: Known
    traces: tuple[Trace, ...] = ()
    signed: tuple[Signature, ...] = ()

    @property
    def facts(self) -> SummedRow:
        """As a row lists it."""
        record, known = self.record, self.known
        owed = record.verdict is Verdict.ACCEPTED and not known.document
        return SummedRow(
            serial=record.valve.serial, run=record.run, record_sha256=sha256(canonical(record)),
            verdict=record.verdict or VOID, doubt=known.doubt or (Doubt.NOT_ISSUED if owed else None), told=known.told,
            document=known.document, document_sha256=known.document_sha256,
        )  # fmt: skip


def deciding_runs(order: Order, runs: Sequence[LotRun]) -> dict[str, list[LotRun]]:
    """Serial number → its runs for this order, the one that counts first: the last that was decided, else the last."""
    found: dict[str, list[LotRun]] = {valve.serial: [] for valve in order.valves}
    for run in sorted(runs, key=lambda one: (one.record.started, one.record.run), reverse=True):
        if run.record.order == order.number and run.record.valve.serial in found:
            found[run.record.valve.serial].append(run)
    return {serial: sorted(of_it, key=lambda one: not one.record.decided) for serial, of_it in found.items()}


def lot_content(
    order: Order, runs: Sequence[LotRun], number: str, issue: IssueFacts, words: Words, *, replaces: str = ""
) -> Summary:
    """Sum up an order.

    Args:
        order: with all its valves; each gets a row.
        runs: closed runs; those of other orders are not looked at. Every one of a valve of the order is told, the
            first failure too.
        number: of the document, from the issuer's series.
        issue: letterhead, time and seal.
        words: the wording.
        replaces: number of the lot certificate that this one takes the place of.
    """
    found = deciding_runs(order, runs)
    counting = [of_it[0].record for of_it in found.values() if of_it]
    rows = tuple(_row(n, valve, found[valve.serial], words) for n, valve in enumerate(order.valves, start=1))
    specimens = sum(record.specimen for record in counting)
    complete = all(row.facts.counts for row in rows)
    listed = SummedUp(
        kind=Kind.LOT, number=number, subject=order.number, issued=f"{issue.issued:%Y-%m-%dT%H:%M:%SZ}",
        replaces=replaces, complete=complete, specimen=specimens > 0, rows=tuple(row.listed for row in rows),
    )  # fmt: skip
    return Summary(
        title=words("lot.title"),
        number=Fact(words("lot.number"), number),
        about=Fact(words("lot.order"), order.number),
        word=words("lot.complete" if complete else "lot.incomplete"),
        good=complete,
        reasons=((words("lot.all_accepted"),) if complete else ()) + _counted(rows, words),
        specimen=words("results.specimens", count=specimens) if specimens else "",
        mark=words("results.specimen") if specimens else "",
        works=issue.works,
        issued=stamp(issue.issued),
        left_heading=words("lot.order"),
        left=(*_about(order, counting, words), *replaced(replaces, words)),
        heading=words("results.heading"),
        columns=tuple(
            Column(words(f"results.{key}"), edge)
            for key, edge in _COLUMNS
        ),
        rows=rows,
        notes=(words("lot.scope"),),
        cautions=(words("cautions.second"), words("cautions.third")),
        closing=(
            Fact(words("lot.records"), listed.records_sha256),
            Fact(words("closing.seal"), issue.signer),
            Fact(words("closing.fingerprint"), issue.fingerprint),
            *ledger_of(issue, words),
        ),
        how_to_verify=words("lot.how"),
        software=words("foot.software", software=counting[-1].software) if counting else "",
        listed=listed,
        dated=max((datetime.fromisoformat(record.ended) for record in counting), default=issue.issued),
    )  # fmt: skip


def draw_lot(
    order: Order, runs: Sequence[LotRun], number: str, issue: IssueFacts, words: Words, *,
    layout: Layout, paper: str, with_pages: bool = False, replaces: str = "",
) -> bytes:  # fmt: skip
    """Draw the lot certificate, and on request the page of each decided valve after it.

    Raises:
        GlyphMissingError: a text holds a character that cannot be printed.
    """
    found = lot_content(order, runs, number, issue, words, replaces=replaces)
    if not with_pages:
        return draw_summary(found, layout, words, paper)
    pages = [
        content_of(
            one.record, one.facts.record_sha256, one.traces,
            replace(issue, signed=one.signed, replaces=one.known.replaces, nonconformities=one.known.nonconformities),
            words,
        )
        for one in with_page(order, runs)
    ]  # fmt: skip
    return draw_summary(replace(found, notes=(*found.notes, words("lot.pages_follow"))), layout, words, paper, pages)


def with_page(order: Order, runs: Sequence[LotRun]) -> list[LotRun]:
    """The deciding runs whose page can follow: decided, and nothing was said against them."""
    first = [of_it[0] for of_it in deciding_runs(order, runs).values() if of_it]
    return [one for one in first if one.record.decided and one.facts.doubt is None]


def replaced(number: str, words: Words) -> tuple[Fact, ...]:
    """Which page this one takes the place of."""
    return (Fact(words("lot.replaces"), number),) if number else ()


def _counted(rows: Sequence[Row], words: Words) -> tuple[str, ...]:
    """How many were accepted and count, were rejected, have no verdict, or are in doubt."""
    accepted, doubted = (sum(row.verdict is Verdict.ACCEPTED for row in rows), sum(row.doubted for row in rows))
    rejected = sum(row.verdict is Verdict.REJECTED for row in rows)
    undecided = len(rows) - accepted - rejected - doubted
    counts = {"accepted": accepted, "rejected": rejected, "undecided": undecided, "valves": len(rows)}
    return (words("lot.counted", **counts), *doubts_of(rows, words))


def doubts_of(rows: Sequence[Row], words: Words) -> tuple[str, ...]:
    """How many were accepted in their run and do not count as such; nothing where none is."""
    doubted = sum(row.doubted for row in rows)
    return (words("lot.in_doubt", count=doubted),) if doubted else ()


def _about(order: Order, counting: Sequence[RunRecord], words: Words) -> tuple[Fact, ...]:
    theirs = words("identity.not_stated") if order.customer_order == NOT_STATED else order.customer_order
    standards = dict.fromkeys(f"{one.requirements.standard}, {one.requirements.edition}" for one in counting)
    procedures = dict.fromkeys(_procedure(record, words) for record in counting)
    facts = {
        "identity.customer": order.customer,
        "identity.customer_order": theirs,
        "lot.valves": str(len(order.valves)),
        "identity.standard": "; ".join(standards) or words("identity.not_stated"),
        "identity.procedure": "; ".join(procedures) or order.procedure,
    }
    if order.certificate_type is not None:
        kind = words(f"document.type_{order.certificate_type.replace('.', '')}")
        facts["document.asked"] = words("document.value", type=kind)
    return tuple(Fact(words(key), value) for key, value in facts.items())


def _procedure(record: RunRecord, words: Words) -> str:
    asked, digest = record.requirements, record.procedure_sha256[:12]
    return words("identity.procedure_value", id=asked.procedure, revision=asked.revision, hash=digest)


def _row(position: int, valve: Valve, runs: Sequence[LotRun], words: Words) -> Row:
    kind = words("identity.type_value", type=words(f"valve_type.{valve.type}"), size=valve.size)
    if not runs:
        cells = (str(position), valve.serial, kind, words("results.no_document"), words("identity.not_applicable"))
        return Row(cells, None, words("results.not_tested"), (), SummedRow(serial=valve.serial))
    record = runs[0].record
    tested = f"{RunClock(record).local(record.started):%Y-%m-%d %H:%M}"
    cells = (str(position), valve.serial, kind, runs[0].known.document or words("results.no_document"), tested)
    others = " ".join(
        words("results.other", run=one.record.run, verdict=verdict_text(one.record, words)) for one in runs[1:]
    )
    return row_of(runs[0], cells, [others] if others else [], words)


def row_of(run: LotRun, cells: tuple[str, ...], more: Sequence[str], words: Words) -> Row:
    """The row of a run: an accepted one that is in doubt shows the doubt in place of the verdict."""
    facts, record = run.facts, run.record
    verdict, judged, against = record.verdict, verdict_text(record, words), []
    if facts.doubt is not None:
        against = [words(f"results.told_{facts.doubt}", told=facts.told)]
        if verdict is Verdict.ACCEPTED:
            verdict, judged = None, words(f"results.{facts.doubt}")
    return Row(cells, verdict, judged, (*against, *results_of(record, words), *more), facts)


def verdict_text(record: RunRecord, words: Words) -> str:
    """The verdict of a run in words; void where it has none."""
    return words(f"results.{record.verdict or 'void'}")


def results_of(record: RunRecord, words: Words) -> tuple[str, ...]:
    """What each completed attempt showed, one line each."""
    return tuple(_result(stage, record, words) for stage in record.stages if stage.finding is not None)


def _result(stage: StageRecord, record: RunRecord, words: Words) -> str:
    assert stage.finding is not None
    hold, criteria = brief_of(stage, record.channel, words)
    title, verdict = title_of(stage.stage, words), words(f"stage.{stage.finding.verdict}")
    if stage.hold_since is None or stage.hold_until is None:
        first = words("results.no_hold", stage=title, judged=verdict)
    else:
        first = words("results.pressure", stage=title, judged=verdict, **_figures(hold), met_at=hold.met_at)
    told = [
        words("results.visual", measured=line.measured)
        if isinstance(criterion, VisualCriterion)
        else _rate(line, words)
        for criterion, line in zip(stage.requirement.criteria, criteria, strict=True)
    ]
    return f"{'; '.join([first, *told])}."


def _rate(line: TableLine, words: Words) -> str:
    said = words("results.rate", **_figures(line))
    return said if line.conformity is Conformity.CONFORMS else f"{said}, {judged(line.conformity, words)}"


def _figures(line: TableLine) -> Mapping[str, str]:
    return {"measured": line.measured, "unit": line.unit, "required": line.required, "uncertainty": line.uncertainty}
