"""The runs of a shift → a summary for the works itself: what was tested, by whom, with what verdict. Pure.

It certifies nothing, so it carries no verdict; void and inconclusive runs stand on it like the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from testbench.certificate.content import IssueFacts, number_of
from testbench.certificate.evidence import Fact, RunClock, stamp
from testbench.certificate.languages import Words
from testbench.certificate.lines import as_recorded
from testbench.certificate.lot_certificate import results_of, verdict_text
from testbench.certificate.summary import Column, Row, Summary
from testbench.run.record import RunRecord, Verdict, canonical, sha256


@dataclass(frozen=True, slots=True)
class Shift:
    """Which shift of which bench."""

    name: str
    bench: str
    since: datetime
    until: datetime
    """Timezone-aware; a run belongs to the shift in which it ended, ``since`` included, ``until`` not."""


def shift_content(shift: Shift, records: Sequence[RunRecord], number: str, issue: IssueFacts, words: Words) -> Summary:
    """Sum up a shift.

    Args:
        shift: records that ended outside it, or on another bench, are not looked at.
        records: closed runs.
        number: of the document, from the issuer's series.
        issue: letterhead, time and seal.
        words: the wording.
    """
    runs = sorted((one for one in records if _within(one, shift)), key=lambda one: (one.started, one.run))
    verdicts = [record.verdict for record in runs]
    counts = words(
        "shift.counts", runs=len(runs), accepted=verdicts.count(Verdict.ACCEPTED),
        rejected=verdicts.count(Verdict.REJECTED), inconclusive=verdicts.count(Verdict.INCONCLUSIVE),
        void=verdicts.count(None),
    )  # fmt: skip
    specimens = sum(record.specimen for record in runs)
    digest = sha256("".join(sha256(canonical(record)) for record in runs).encode())
    operators = ", ".join(dict.fromkeys(record.operator for record in runs)) or words("identity.not_applicable")
    return Summary(
        title=words("shift.title"),
        number=Fact(words("shift.number"), number),
        about=Fact(words("shift.shift"), shift.name),
        word="",
        good=False,
        reasons=(counts if runs else words("shift.nothing"),),
        specimen=words("results.specimens", count=specimens) if specimens else "",
        mark=words("results.specimen") if specimens else "",
        works=issue.works,
        issued=stamp(issue.issued),
        left_heading=words("shift.shift"),
        left=(
            Fact(words("shift.bench"), shift.bench),
            Fact(words("shift.from"), f"{stamp(shift.since)} – {stamp(shift.until)}"),
            Fact(words("shift.operators"), operators),
        ),
        heading=words("results.heading"),
        columns=tuple(
            Column(words(f"results.{key}"), edge)
            for key, edge in (("run", 0.0), ("serial", 0.15), ("document", 0.38), ("operator", 0.54),
                              ("tested", 0.7), ("verdict", 0.84))
        ),
        rows=tuple(_row(record, words) for record in runs),
        notes=(words("shift.scope"),),
        cautions=(words("cautions.third"),),
        closing=(
            Fact(words("lot.records"), digest),
            Fact(words("closing.seal"), issue.signer),
            Fact(words("closing.fingerprint"), issue.fingerprint),
        ),
        how_to_verify=words("lot.how"),
        software=words("foot.software", software=runs[-1].software) if runs else "",
        code=" | ".join((number, shift.bench, str(len(runs)), digest, *(["SPECIMEN"] if specimens else []))),
        dated=shift.until,
    )  # fmt: skip


def _within(record: RunRecord, shift: Shift) -> bool:
    return record.bench == shift.bench and shift.since <= datetime.fromisoformat(record.ended) < shift.until


def _row(record: RunRecord, words: Words) -> Row:
    document = number_of(record) if record.decided else words("results.no_document")
    clock = RunClock(record)
    tested = f"{clock.local(record.started):%H:%M} – {clock.local(record.ended):%H:%M}"
    reason = () if record.decided else (as_recorded(record.reason, words),)
    cells = (record.run, record.valve.serial, document, record.operator, tested)
    return Row(cells, record.verdict, verdict_text(record, words), (*results_of(record, words), *reason))
