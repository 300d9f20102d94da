"""A lot certificate or shift summary drawn again, from its list, its form, and the records where they are attached."""

from collections.abc import Mapping

from testbench.certificate.data import layout
from testbench.certificate.languages import Words, words_of
from testbench.certificate.lot_certificate import against_of, judged_text, results_of, shown_verdict, tested_of
from testbench.certificate.shift_summary import tested_within
from testbench.certificate.summary import Row, draw_summary
from testbench.certificate.summary_form import COLUMNS, SummaryForm, summary_of
from testbench.run.ledger import Checkpoint
from testbench.run.record import RunRecord
from testbench.station.summed_up import Kind, SummedRow, SummedUp


def page_again(
    listed: SummedUp, form: SummaryForm, records: Mapping[str, RunRecord], checkpoint: Checkpoint | None, total: int
) -> bytes:
    """Draw the sheets of the summary itself.

    Args:
        listed: the attached list.
        form: the attached form.
        records: those that are attached, by their runs.
        checkpoint: of the ledger.
        total: how many pages the whole document has, with those of valves that follow.

    Raises:
        ValueError: list and form do not go together.
        BenchError: it cannot be drawn here, for want of a language or a face.
    """
    if listed.specimen != (form.specimens > 0):
        raise ValueError("List and form of its page state different facts.")
    words = words_of(form.report)
    rows = [
        row_again(number, row, records.get(row.run), listed.kind, words)
        for number, row in enumerate(listed.rows, start=1)
    ]
    found = summary_of(listed, rows, form.told, form.facts(checkpoint), words)
    return draw_summary(found, layout(), words, form.paper, total=total if form.pages else None)


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
