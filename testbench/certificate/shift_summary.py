"""The runs of a shift → a summary for the works itself: what was tested, by whom, with what verdict. Pure.

It certifies nothing, so it carries no verdict; void and inconclusive runs stand on it like the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from testbench.certificate.content import IssueFacts, ledger_of
from testbench.certificate.evidence import Fact, RunClock, stamp
from testbench.certificate.languages import Words
from testbench.certificate.lines import as_recorded
from testbench.certificate.lot_certificate import LotRun, doubts_of, replaced, row_of
from testbench.certificate.summary import Column, Row, Summary
from testbench.run.record import RunRecord, Verdict
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
    verdicts = [record.verdict for record in records]
    counts = words(
        "shift.counts", runs=len(records), accepted=verdicts.count(Verdict.ACCEPTED),
        rejected=verdicts.count(Verdict.REJECTED), inconclusive=verdicts.count(Verdict.INCONCLUSIVE),
        void=verdicts.count(None),
    )  # fmt: skip
    specimens = sum(record.specimen for record in records)
    rows = tuple(_row(run, words) for run in within)
    listed = SummedUp(
        kind=Kind.SHIFT, number=number, bench=shift.bench, subject=shift.name, since=in_utc(shift.since),
        until=in_utc(shift.until), issued=f"{issue.issued:%Y-%m-%dT%H:%M:%SZ}", replaces=replaces, complete=False,
        specimen=specimens > 0, rows=tuple(row.listed for row in rows),
    )  # fmt: skip
    operators = ", ".join(dict.fromkeys(record.operator for record in records)) or words("identity.not_applicable")
    return Summary(
        title=words("shift.title"),
        number=Fact(words("shift.number"), number),
        about=Fact(words("shift.shift"), shift.name),
        word="",
        good=False,
        reasons=(counts if records else words("shift.nothing"), *doubts_of(rows, words)),
        specimen=words("results.specimens", count=specimens) if specimens else "",
        mark=words("results.specimen") if specimens else "",
        works=issue.works,
        issued=stamp(issue.issued),
        left_heading=words("shift.shift"),
        left=(
            Fact(words("shift.bench"), shift.bench),
            Fact(words("shift.from"), f"{stamp(shift.since)} – {stamp(shift.until)}"),
            Fact(words("shift.operators"), operators),
            *replaced(replaces, words),
        ),
        heading=words("results.heading"),
        columns=tuple(
            Column(words(f"results.{key}"), edge)
            for key, edge in (("run", 0.0), ("serial", 0.15), ("document", 0.38), ("operator", 0.54),
                              ("tested", 0.7), ("verdict", 0.84))
        ),
        rows=rows,
        notes=(words("shift.scope"),),
        cautions=(words("cautions.third"),),
        closing=(
            Fact(words("lot.records"), listed.records_sha256),
            Fact(words("closing.seal"), issue.signer),
            Fact(words("closing.fingerprint"), issue.fingerprint),
            *ledger_of(issue, words),
        ),
        how_to_verify=words("lot.how"),
        software=words("foot.software", software=records[-1].software) if records else "",
        listed=listed,
        dated=shift.until,
    )  # fmt: skip


def in_utc(moment: datetime) -> str:
    """ISO 8601, whole seconds, whatever zone it was told in."""
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _within(record: RunRecord, shift: Shift) -> bool:
    return record.bench == shift.bench and shift.since <= datetime.fromisoformat(record.ended) < shift.until


def _row(run: LotRun, words: Words) -> Row:
    record, clock = run.record, RunClock(run.record)
    tested = f"{clock.local(record.started):%H:%M} – {clock.local(record.ended):%H:%M}"
    reason = () if record.decided else (as_recorded(record.reason, words),)
    document = run.known.document or words("results.no_document")
    return row_of(run, (record.run, record.valve.serial, document, record.operator, tested), reason, words)
