"""The people of a page: who performed, reviewed, released and witnessed the run, and who attended its stages."""

from collections.abc import Sequence
from datetime import datetime, timedelta, timezone

from testbench.certificate.data import Words
from testbench.certificate.evidence import Fact, stamp, title_of
from testbench.run.record import RunRecord
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
    return words("signed.value", name=one.printed_name, role=one.role, at=stamp(local), method=one.method)


def attendance_of(record: RunRecord, words: Words) -> tuple[str, ...]:
    """What was said of each witness point or hold point before its stage."""
    return tuple(
        words(
            "course.attended" if stage.attendance.attended else "course.not_attended",
            stage=title_of(stage.stage, words),
            number=stage.attempt,
            point=stage.attendance.point.point,
            party=stage.attendance.point.party,
            who="; ".join(f"{one.name}, {one.party}" for one in stage.attendance.attended),
            notice=stage.attendance.notice,
        )
        for stage in record.stages
        if stage.attendance is not None
    )
