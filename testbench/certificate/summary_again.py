"""A lot certificate or shift summary drawn again, from its list, its form, and the records where they are attached."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from testbench.certificate.attach import MOST_RECORDS
from testbench.certificate.content import Content, IssueFacts, content_of
from testbench.certificate.data import layout
from testbench.certificate.languages import Words, words_of
from testbench.certificate.lot_certificate import against_of, judged_text, results_of, shown_verdict, tested_of
from testbench.certificate.page_form import FormError
from testbench.certificate.shift_summary import tested_within
from testbench.certificate.summary import Row, draw_summary
from testbench.certificate.summary_form import COLUMNS, Following, SummaryForm, summary_of
from testbench.run.ledger import Checkpoint
from testbench.run.record import RunRecord, StageRecord, Verdict, canonical, sha256
from testbench.run.samples import Trace
from testbench.station.summed_up import Kind, SummedRow, SummedUp

DECIDED = frozenset({Verdict.ACCEPTED, Verdict.REJECTED})


def page_again(
    listed: SummedUp, form: SummaryForm, records: Mapping[str, RunRecord], checkpoint: Checkpoint | None, total: int
) -> bytes:
    """Draw a summary, and the pages of valves that follow where every record of theirs is attached, with bare plots.

    Args:
        listed: the attached list.
        form: the attached form.
        records: those that are attached, by their runs.
        checkpoint: of the ledger.
        total: how many pages the whole document has, with those of valves that follow.

    Raises:
        FormError: list and form do not go together.
        BenchError: it cannot be drawn here, for want of a language or a face.
    """
    if listed.specimen != (form.specimens > 0):
        raise FormError("List and form of its page state different facts.")
    if [one.run for one in form.following] != (followed_by(listed) if form.pages else []):
        raise FormError("List and form of its page name different pages that follow.")
    if len(form.following) <= MOST_RECORDS and not with_all(form, records):
        raise FormError("The record of a page that follows is not attached, or not one that this version can read.")
    words = words_of(form.report)
    rows = [
        row_again(number, row, records.get(row.run), listed.kind, words)
        for number, row in enumerate(listed.rows, start=1)
    ]
    facts = form.facts(checkpoint)
    found = summary_of(listed, rows, form.told, facts, words)
    pages = [_page_of(one, records[one.run], facts, words) for one in form.following] if with_all(form, records) else []
    return draw_summary(found, layout(), words, form.paper, pages, total=total if form.pages else None)


def row_again(number: int, row: SummedRow, record: RunRecord | None, kind: Kind, words: Words) -> Row:
    """A row from its facts; what only the record tells is taken from there, or as it was listed where there is none."""
    cells, rest = list(row.printed[: len(COLUMNS[kind]) - 1]), row.printed[len(COLUMNS[kind]) :]
    document = row.document or words("results.no_document")
    known = (
        {0: str(number), 1: row.serial, 3: document} if kind is Kind.LOT else {0: row.run, 1: row.serial, 2: document}
    )
    if record is not None:
        told = tested_of(record, words) if kind is Kind.LOT else tested_within(record)
        known |= told
    cells = [known.get(index, cell) for index, cell in enumerate(cells)]
    against = against_of(row, words)
    details = (*against, *rest[len(against) :])
    if record is not None:
        results = results_of(record, words)
        details = (*against, *results, *details[len(against) + len(results) :])
    return Row(tuple(cells), shown_verdict(row), judged_text(row, words), details, row)


def followed_by(listed: SummedUp) -> list[str]:
    """The runs whose pages follow, where pages do: decided, and nothing was said against them."""
    return [row.run for row in listed.rows if row.verdict in DECIDED and row.doubt is None]


def with_all(form: SummaryForm, records: Mapping[str, RunRecord]) -> bool:
    """Whether the record of every page that follows is attached."""
    return all(one.run in records for one in form.following)


def _page_of(one: Following, record: RunRecord, facts: IssueFacts, words: Words) -> Content:
    """The words and numbers of a valve's page; of its readings only the last ones are known."""
    if not all(signature.binds(record) for signature in one.signed):
        raise FormError(f"A signature on the page of run {one.run} was made under another record.")
    traces = tuple(_bare(*pair) for pair in zip(record.stages, one.last, strict=True))
    facts = replace(facts, signed=one.signed, replaces=one.replaces, nonconformities=one.nonconformities)
    return content_of(record, sha256(canonical(record)), traces, facts, words)


def _bare(stage: StageRecord, last: int | None) -> Trace:
    """As few readings as a plot can be drawn of: begin of the stage and of the hold, end of both."""
    held = () if stage.hold_since is None or stage.hold_until is None else (stage.hold_since, stage.hold_until - 1)
    at = (stage.since, *held, *(() if last is None else (stage.until,)))
    return Trace(np.array(at, dtype=np.int64), np.full(len(at), last or 0, dtype=np.int64), stage.gaps)
