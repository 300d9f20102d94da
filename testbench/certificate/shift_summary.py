"""The runs of a shift → a summary for the works itself: what was tested, by whom, with what verdict. Pure.

It certifies nothing, so it carries no verdict; void and inconclusive runs stand on it like the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from testbench.certificate.content import IssueFacts
from testbench.certificate.evidence import RunClock
from testbench.certificate.languages import Words
from testbench.certificate.lines import as_recorded
from testbench.certificate.lot_certificate import LotRun, results_of, row_of
from testbench.certificate.summary import Row, Summary, Told
from testbench.certificate.summary_form import summary_of
from testbench.run.record import RunRecord
from testbench.station.summed_up import Kind, SummedUp


@dataclass(frozen=True, slots=True)
class Shift:
    """Which shift of which bench."""

    name: str
    bench: str
    since: datetime
    until: datetime
    """Timezone-aware; a run belongs to the shift in which it ended, ``since`` included, ``until`` not."""


def shift_content(
    shift: Shift, runs: Sequence[LotRun], number: str, issue: IssueFacts, words: Words, *, replaces: str = ""
) -> Summary:
    """Sum up a shift.

    Args:
        shift: runs that ended outside it, or on another bench, are not looked at.
        runs: closed ones.
        number: of the document, from the issuer's series.
        issue: letterhead, time and seal.
        words: the wording.
        replaces: number of the summary of the same shift that this one takes the place of.
    """
    within = sorted(
        (one for one in runs if _within(one.record, shift)), key=lambda one: (one.record.started, one.record.run)
    )
    records = [one.record for one in within]
    specimens = sum(record.specimen for record in records)
    rows = tuple(_row(run, words) for run in within)
    listed = SummedUp(
        kind=Kind.SHIFT, number=number, bench=shift.bench, subject=shift.name, since=in_utc(shift.since),
        until=in_utc(shift.until), issued=f"{issue.issued:%Y-%m-%dT%H:%M:%SZ}", replaces=replaces, complete=False,
        specimen=specimens > 0, rows=tuple(row.listed for row in rows),
    )  # fmt: skip
    offsets = tuple(int((at.utcoffset() or timedelta()).total_seconds() // 60) for at in (shift.since, shift.until))
    told = Told(
        software=records[-1].software if records else "", specimens=specimens, about=(), offsets=offsets, pages=False,
        dated=shift.until,
    )  # fmt: skip
    return summary_of(listed, rows, told, issue, words)


def in_utc(moment: datetime) -> str:
    """ISO 8601, whole seconds, whatever zone it was told in."""
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _within(record: RunRecord, shift: Shift) -> bool:
    return record.bench == shift.bench and shift.since <= datetime.fromisoformat(record.ended) < shift.until


def _row(run: LotRun, words: Words) -> Row:
    record = run.record
    told = tested_within(record)
    document = run.known.document or words("results.no_document")
    cells = (record.run, record.valve.serial, document, told[3], told[4])
    reason = () if record.decided else (as_recorded(record.reason, words),)
    return row_of(run.facts, cells, (*results_of(record, words), *reason), words)


def tested_within(record: RunRecord) -> dict[int, str]:
    """The cells of a shift's row that its record gives, by their places: who tested, and when."""
    clock = RunClock(record)
    return {3: record.operator, 4: f"{clock.local(record.started):%H:%M} – {clock.local(record.ended):%H:%M}"}
