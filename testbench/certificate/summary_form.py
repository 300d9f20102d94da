"""A list and the form of its page → the words and numbers of a lot certificate or shift summary. Pure.

The form is attached beside the list, so that anybody can draw the page again (``certificate/summary_again``). Whatever
follows from the rows follows from them here: whether the lot is complete, how many stand how, what is said of it.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta, timezone
from typing import Annotated, Literal

from pydantic import Field

from testbench.certificate.content import IssueFacts, compare_of, ledger_of
from testbench.certificate.evidence import Fact, stamp
from testbench.certificate.languages import Words
from testbench.certificate.page_form import versions
from testbench.certificate.summary import Column, Row, Summary, Told
from testbench.procedure.report_form import ReportForm
from testbench.procedure.valve import Value
from testbench.run.ledger import Checkpoint
from testbench.run.mentioned import Mentioned
from testbench.run.record import Verdict
from testbench.run.signature import Signature
from testbench.station.bench import Works
from testbench.station.summed_up import VOID, Kind, SummedUp
from testbench.station.withdrawals import Withdrawal

COLUMNS = {
    Kind.LOT: (
        ("position", 0.0), ("serial", 0.045), ("type", 0.265), ("document", 0.53), ("tested", 0.7), ("verdict", 0.845),
    ),
    Kind.SHIFT: (
        ("run", 0.0), ("serial", 0.15), ("document", 0.38), ("operator", 0.54), ("tested", 0.7), ("verdict", 0.84),
    ),
}  # fmt: skip
OPERATOR = 3
"""Which cell of a shift's row names who tested."""


class Following(Value):
    """What the page of a valve behind a lot certificate needs beside its record."""

    run: str
    signed: tuple[Signature, ...]
    replaces: Withdrawal | None
    nonconformities: tuple[Mentioned, ...] = ()
    last: tuple[int | None, ...]
    """Of each stage attempt, the last reading after its hold [counts]; None where there was none."""


class SummaryForm(Value):
    """Letterhead, paper, time and seal of a summary, and what its list does not hold."""

    format: Literal[1] = 1
    paper: Literal["A4", "Letter"]
    report: ReportForm
    """Language and units."""
    works: Works
    issued: datetime
    signer: str
    fingerprint: str
    under_root: bool = False
    software: str
    specimens: Annotated[int, Field(ge=0)]
    about: tuple[tuple[str, str], ...]
    offsets: tuple[int, ...]
    pages: bool
    following: tuple[Following, ...]
    dated: datetime
    drawn_with: Mapping[str, Annotated[str, Field(max_length=60)]]

    @property
    def told(self) -> Told:
        """What the list does not hold."""
        return Told(self.software, self.specimens, self.about, self.offsets, self.pages, self.dated)

    def facts(self, checkpoint: Checkpoint | None) -> IssueFacts:
        """The facts of issue."""
        return IssueFacts(
            self.works, self.issued, self.signer, self.fingerprint, checkpoint=checkpoint, under_root=self.under_root
        )


def summary_form(
    found: Summary, facts: IssueFacts, report: ReportForm, paper: str, following: Sequence[Following] = ()
) -> SummaryForm:
    """The form of a page that is drawn now."""
    told = found.told
    return SummaryForm.model_validate({
        "paper": paper, "report": report, "works": facts.works, "issued": facts.issued, "signer": facts.signer,
        "fingerprint": facts.fingerprint, "under_root": facts.under_root, "software": told.software,
        "specimens": told.specimens, "about": told.about,
        "offsets": told.offsets, "pages": told.pages, "following": tuple(following), "dated": told.dated,
        "drawn_with": versions(),
    })  # fmt: skip


def summary_of(listed: SummedUp, rows: Sequence[Row], told: Told, issue: IssueFacts, words: Words) -> Summary:
    """Everything that a lot certificate or shift summary says.

    Args:
        listed: what is attached.
        rows: the same rows with their cells.
        told: what the list does not hold.
        issue: letterhead, time and seal.
        words: the wording.
    """
    lot = listed.kind is Kind.LOT
    subject = Fact(words("lot.order" if lot else "shift.shift"), listed.subject)
    return Summary(
        title=words("lot.title" if lot else "shift.title"),
        number=Fact(words("lot.number" if lot else "shift.number"), listed.number),
        about=subject,
        word=words("lot.complete" if listed.complete else "lot.incomplete") if lot else "",
        good=listed.complete,
        reasons=(_reasons_of_lot(listed, rows, words) if lot else _reasons_of_shift(rows, words)),
        specimen=words("results.specimens", count=told.specimens) if told.specimens else "",
        mark=words("results.specimen") if told.specimens else "",
        works=issue.works,
        issued=stamp(issue.issued),
        left_heading=subject.label,
        left=_left(listed, rows, told, words),
        heading=words("results.heading"),
        columns=tuple(Column(words(f"results.{key}"), edge) for key, edge in COLUMNS[listed.kind]),
        rows=tuple(rows),
        notes=(words("lot.scope" if lot else "shift.scope"), *((words("lot.pages_follow"),) if told.pages else ())),
        cautions=(*((words("cautions.second"),) if lot else ()), words("cautions.third")),
        closing=(
            Fact(words("lot.records"), listed.records_sha256),
            Fact(words("closing.seal"), issue.signer),
            Fact(words("closing.fingerprint"), issue.fingerprint),
            *ledger_of(issue, words),
        ),
        how_to_verify=words("lot.how", compare=compare_of(issue, words)),
        software=words("foot.software", software=told.software) if told.software else "",
        listed=listed,
        told=told,
    )


def _left(listed: SummedUp, rows: Sequence[Row], told: Told, words: Words) -> tuple[Fact, ...]:
    """What stands beside the subject; whatever the list holds is taken from there."""
    from_list = {"lot.valves": str(len(rows))}
    if listed.kind is Kind.SHIFT:
        ends = zip((listed.since, listed.until), told.offsets, strict=True)
        since, until = (stamp(_at(moment, minutes)) for moment, minutes in ends)
        operators = ", ".join(dict.fromkeys(row.cells[OPERATOR] for row in rows))
        from_list = {
            "shift.bench": listed.bench, "shift.from": f"{since} – {until}",
            "shift.operators": operators or words("identity.not_applicable"),
        }  # fmt: skip
    facts = [Fact(words(key), value) for key, value in {**dict(told.about), **from_list}.items()]
    return (*facts, Fact(words("lot.replaces"), listed.replaces)) if listed.replaces else tuple(facts)


def _at(moment: str, offset_minutes: int) -> datetime:
    return datetime.fromisoformat(moment).astimezone(timezone(timedelta(minutes=offset_minutes)))


# How many stand how -------------------------------------------------------------------------------


def _reasons_of_lot(listed: SummedUp, rows: Sequence[Row], words: Words) -> tuple[str, ...]:
    """How many were accepted and count, were rejected, have no verdict, or are in doubt."""
    accepted, doubted = (sum(row.verdict is Verdict.ACCEPTED for row in rows), sum(row.doubted for row in rows))
    rejected = sum(row.verdict is Verdict.REJECTED for row in rows)
    undecided = len(rows) - accepted - rejected - doubted
    counts = {"accepted": accepted, "rejected": rejected, "undecided": undecided, "valves": len(rows)}
    whole = (words("lot.all_accepted"),) if listed.complete else ()
    return (*whole, words("lot.counted", **counts), *_doubts(rows, words))


def _reasons_of_shift(rows: Sequence[Row], words: Words) -> tuple[str, ...]:
    verdicts = [row.facts.verdict for row in rows]
    counts = words(
        "shift.counts", runs=len(rows), accepted=verdicts.count(Verdict.ACCEPTED),
        rejected=verdicts.count(Verdict.REJECTED), inconclusive=verdicts.count(Verdict.INCONCLUSIVE),
        void=verdicts.count(VOID),
    )  # fmt: skip
    return (counts if rows else words("shift.nothing"), *_doubts(rows, words))


def _doubts(rows: Sequence[Row], words: Words) -> tuple[str, ...]:
    """How many were accepted in their run and do not count as such; nothing where none is."""
    doubted = sum(row.doubted for row in rows)
    return (words("lot.in_doubt", count=doubted),) if doubted else ()
