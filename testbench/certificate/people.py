"""The people of a page: who performed, reviewed, released and witnessed the run, and who attended its stages."""

from collections.abc import Sequence
from datetime import datetime, timedelta, timezone

from testbench.certificate.evidence import Fact, stamp, title_of
from testbench.certificate.languages import Words
from testbench.certificate.lines import as_recorded
from testbench.procedure.valve import CertificateType
from testbench.run.record import RunRecord, Verdict
from testbench.run.signature import Meaning, Signature


def people_of(record: RunRecord, signed: Sequence[Signature], words: Words) -> tuple[Fact, ...]:
    """A line for each signature; before them the operator, where nobody signed as performed."""
    lines = [Fact(words(f"signed.{one.meaning}"), _signature(one, words)) for one in signed]
    if any(one.meaning is Meaning.PERFORMED for one in signed):
        return tuple(lines)
    tested = words("closing.tested_value", operator=record.operator, bench=record.bench)
    return Fact(words("closing.tested_by"), tested), *lines


def _signature(one: Signature, words: Words) -> str:
    local = datetime.fromisoformat(one.signed_at).astimezone(timezone(timedelta(minutes=one.utc_offset_minutes)))
    return words(
        "signed.value", name=one.printed_name, role=words(f"role.{one.role}"), at=stamp(local),
        method=words(f"signed.by_{one.method.lower()}"),
    )  # fmt: skip


def type_of(asked: CertificateType, words: Words) -> str:
    """A type of EN 10204 by its name."""
    return words("document.value", type=words(f"document.type_{asked.replace('.', '')}"))


def asked_of(record: RunRecord, signed: Sequence[Signature], words: Words) -> str:
    """The type that the order asks for, and whether this page is none of it; empty where the order asks for none."""
    asked = record.certificate_type
    if asked is None:
        return ""
    needed = {
        CertificateType.INSPECTION_CERTIFICATE_3_1: {Meaning.RELEASED},
        CertificateType.INSPECTION_CERTIFICATE_3_2: {Meaning.RELEASED, Meaning.WITNESSED},
    }.get(asked, set())
    document = type_of(asked, words)
    if record.verdict is Verdict.ACCEPTED and needed <= {one.meaning for one in signed}:
        return document
    return words("document.none_yet", document=document, heading=words("document.heading"))


def document_of(record: RunRecord, signed: Sequence[Signature], words: Words) -> tuple[str, ...]:
    """What the page is by EN 10204:2004, who validated it, and what it cannot show (sense of the standard from memory).

    Whoever released a run has not performed it; that they stand outside the manufacturing department, and that a
    witness is the purchaser's inspector, only the works can declare.
    """
    asked = record.certificate_type
    if asked is None:
        return ()
    if record.verdict is not Verdict.ACCEPTED:
        return (words("document.rejected", type=type_of(asked, words)),)
    by = {meaning: ", ".join(one.printed_name for one in signed if one.meaning is meaning) for meaning in Meaning}
    facts = {}
    if asked in {CertificateType.INSPECTION_CERTIFICATE_3_1, CertificateType.INSPECTION_CERTIFICATE_3_2}:
        facts["validated"] = _signed_or_not("validated", by[Meaning.RELEASED], words)
    if asked is CertificateType.INSPECTION_CERTIFICATE_3_2:
        facts["inspected"] = _signed_or_not("inspected", by[Meaning.WITNESSED], words)
    return (words(f"document.says_{asked.replace('.', '')}", **facts), words("document.limits"))


def _signed_or_not(what: str, names: str, words: Words) -> str:
    return words(f"document.{what}", name=names) if names else words(f"document.not_{what}")


def attendance_of(record: RunRecord, words: Words) -> tuple[str, ...]:
    """What was said of each witness point or hold point before its stage."""
    return tuple(
        words(
            "course.attended" if stage.attendance.attended else "course.not_attended",
            stage=title_of(stage.stage, words),
            number=stage.attempt,
            point=words(f"point.{stage.attendance.point.point.replace(' ', '_')}"),
            party=stage.attendance.point.party,
            who="; ".join(f"{one.name}, {one.party}" for one in stage.attendance.attended),
            notice=as_recorded(stage.attendance.notice, words),
        )
        for stage in record.stages
        if stage.attendance is not None
    )
