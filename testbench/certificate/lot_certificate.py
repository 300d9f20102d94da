"""An order and its runs → a lot certificate: a row for each valve ordered, tested or not. Pure.

It sums up; the evidence is in each valve's own document. It is complete only when every valve ordered was accepted,
has its own document, and nothing was said against run or document since.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from testbench.certificate.content import NOT_STATED, IssueFacts, content_of
from testbench.certificate.data import Layout
from testbench.certificate.evidence import RunClock, title_of
from testbench.certificate.languages import Words
from testbench.certificate.lines import TableLine, brief_of, judged
from testbench.certificate.summary import Row, Summary, Told, draw_summary
from testbench.certificate.summary_form import Following, summary_of
from testbench.metrology.decision_rule import Conformity
from testbench.procedure.criteria import VisualCriterion
from testbench.procedure.valve import Order, Valve
from testbench.run.mentioned import Mentioned
from testbench.run.record import RunRecord, StageRecord, Verdict, canonical, sha256
from testbench.run.samples import Trace
from testbench.run.signature import Signature
from testbench.station.summed_up import NOT_TESTED, VOID, Doubt, Kind, SummedRow, SummedUp
from testbench.station.withdrawals import Withdrawal


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
    order: Order, runs: Sequence[LotRun], number: str, issue: IssueFacts, words: Words, *, replaces: str = "",
    with_pages: bool = False,
) -> Summary:  # fmt: skip
    """Sum up an order.

    Args:
        order: with all its valves; each gets a row.
        runs: closed runs; those of other orders are not looked at. Every one of a valve of the order is told, the
            first failure too.
        number: of the document, from the issuer's series.
        issue: letterhead, time and seal.
        words: the wording.
        replaces: number of the lot certificate that this one takes the place of.
        with_pages: whether the page of each decided valve follows.
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
    told = Told(
        software=counting[-1].software if counting else "", specimens=specimens, about=_about(order, counting, words),
        offsets=(), pages=with_pages,
        dated=max((datetime.fromisoformat(record.ended) for record in counting), default=issue.issued),
    )  # fmt: skip
    return summary_of(listed, rows, told, issue, words)


def draw_lot(
    order: Order, runs: Sequence[LotRun], number: str, issue: IssueFacts, words: Words, *,
    layout: Layout, paper: str, with_pages: bool = False, replaces: str = "",
) -> bytes:  # fmt: skip
    """Draw the lot certificate, and on request the page of each decided valve after it.

    Raises:
        GlyphMissingError: a text holds a character that cannot be printed.
    """
    found = lot_content(order, runs, number, issue, words, replaces=replaces, with_pages=with_pages)
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
    return draw_summary(found, layout, words, paper, pages)


def with_page(order: Order, runs: Sequence[LotRun]) -> list[LotRun]:
    """The deciding runs whose page can follow: decided, and nothing was said against them."""
    first = [of_it[0] for of_it in deciding_runs(order, runs).values() if of_it]
    return [one for one in first if one.record.decided and one.facts.doubt is None]


def following_of(order: Order, runs: Sequence[LotRun]) -> tuple[Following, ...]:
    """What the pages that follow need beside their records."""
    return tuple(
        Following(
            run=one.record.run, signed=one.signed, replaces=one.known.replaces,
            nonconformities=one.known.nonconformities,
            last=tuple(_last_of(*pair) for pair in zip(one.record.stages, one.traces, strict=True)),
        )
        for one in with_page(order, runs)
    )  # fmt: skip


def _last_of(stage: StageRecord, trace: Trace) -> int | None:
    after = trace.between(stage.hold_until or 0, stage.until)
    return int(after.counts[-1]) if len(after) else None


def _about(order: Order, counting: Sequence[RunRecord], words: Words) -> tuple[tuple[str, str], ...]:
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
    return tuple(facts.items())


def _procedure(record: RunRecord, words: Words) -> str:
    asked, digest = record.requirements, record.procedure_sha256[:12]
    return words("identity.procedure_value", id=asked.procedure, revision=asked.revision, hash=digest)


def _row(position: int, valve: Valve, runs: Sequence[LotRun], words: Words) -> Row:
    if not runs:
        cells = (
            str(position),
            valve.serial,
            _kind(valve, words),
            words("results.no_document"),
            words("identity.not_applicable"),
        )
        return row_of(SummedRow(serial=valve.serial), cells, (), words)
    record = runs[0].record
    told = tested_of(record, words)
    cells = (str(position), valve.serial, told[2], runs[0].known.document or words("results.no_document"), told[4])
    others = " ".join(
        words("results.other", run=one.record.run, verdict=verdict_text(one.record, words)) for one in runs[1:]
    )
    return row_of(runs[0].facts, cells, (*results_of(record, words), *([others] if others else [])), words)


def tested_of(record: RunRecord, words: Words) -> dict[int, str]:
    """The cells of a lot's row that its record gives, by their places: what was tested, and when."""
    return {2: _kind(record.valve, words), 4: f"{RunClock(record).local(record.started):%Y-%m-%d %H:%M}"}


def _kind(valve: Valve, words: Words) -> str:
    return words("identity.type_value", type=words(f"valve_type.{valve.type}"), size=valve.size)


def row_of(facts: SummedRow, cells: tuple[str, ...], details: Sequence[str], words: Words) -> Row:
    """A row: an accepted run that is in doubt shows the doubt in place of the verdict."""
    return Row(cells, shown_verdict(facts), judged_text(facts, words), (*against_of(facts, words), *details), facts)


def shown_verdict(row: SummedRow) -> Verdict | None:
    """The verdict that a row shows; None where it has none, or was accepted and is in doubt."""
    verdict = None if row.verdict in {NOT_TESTED, VOID} else Verdict(row.verdict)
    return None if row.doubt is not None and verdict is Verdict.ACCEPTED else verdict


def judged_text(row: SummedRow, words: Words) -> str:
    """The verdict that a row shows, or the doubt, in words."""
    if row.doubt is not None and row.verdict == Verdict.ACCEPTED:
        return words(f"results.{row.doubt}")
    return words(f"results.{row.verdict.replace(' ', '_')}")


def against_of(row: SummedRow, words: Words) -> tuple[str, ...]:
    """What is said against a run."""
    return () if row.doubt is None else (words(f"results.told_{row.doubt}", told=row.told),)


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
