"""A record is what was written, or it is refused; and it can be read for ever."""

import json
import shutil
import sqlite3
from datetime import date, datetime
from pathlib import Path

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from testbench.errors import RecordDamagedError
from testbench.run.evaluation import evaluate_stage, judge_run, rejudged, same_decision
from testbench.run.observations import Observation, Seen
from testbench.run.record import RunRecord, Verdict, canonical, sha256
from testbench.run.samples import Gap, GapReason
from testbench.station.recovery import close_interrupted
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from testbench.store.schema import KNOWN

RECORDS = Path(__file__).parents[1] / "records"


# Released databases -----------------------------------------------------------------------------


def test_every_released_version_has_left_a_database():
    """One for each version of the tables that was ever given away."""
    assert sorted(found.name for found in RECORDS.glob("*.db")) == [f"schema-{version}.db" for version in KNOWN]


@pytest.mark.parametrize("name", [f"schema-{version}.db" for version in KNOWN])
def test_a_released_database_is_read_and_judged_again(name, path):
    """Brought up to date and verified; every verdict comes out as it was, and what was cut short is closed as lost."""
    shutil.copy(RECORDS / name, path)
    with SqliteStore(path, "B1") as store:
        lines = store.history()
        assert [line.verdict for line in lines] == [None, Verdict.REJECTED, Verdict.ACCEPTED]
        for line in lines:
            record, traces = store.load(line.run)
            assert judge_run(record)[0] == line.verdict
            assert same_decision(rejudged(record, traces), record)
            for stage, trace in zip(record.stages, traces, strict=True):
                day = datetime.fromisoformat(record.started).date()
                again = evaluate_stage(stage, trace, record.channel, record.zero_check, day)
                assert (again and again.verdict) == (stage.finding and stage.finding.verdict)
        (cut_short,) = store.open_runs()
        assert (cut_short.run, len(cut_short.traces[0])) == ("B1-000004", 290)
        close_interrupted(store, cut_short.opened)
        lost, (trace,) = store.load("B1-000004")
        assert (lost.verdict, lost.stages[0].ended, len(trace)) == (None, "lost", 290)
        assert (store.open_runs(), store.history(1)[0].ended) == ([], "lost")
        assert store.documents_of("B1-000001")[0].path == "certificates/B1-000001.pdf"


# Damage -----------------------------------------------------------------------------------------


def tamper(path: Path, *statements: str) -> None:
    """Edit a file as somebody would who drops the triggers first."""
    editor = sqlite3.connect(path)
    for (name,) in editor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        editor.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        assert editor.execute(statement).rowcount == 1
    editor.commit()
    editor.close()


def flip_in_file(path: Path, needle: bytes) -> None:
    """Flip one bit in the middle of where these bytes lie in the file itself."""
    whole = bytearray(path.read_bytes())
    assert whole.count(needle) == 1
    whole[whole.find(needle) + len(needle) // 2] ^= 0x10
    path.write_bytes(whole)


RECORD = "Run B1-000001: the record does not match its hash; it was changed after it was written."
LINE = "Run B1-000001: its line in the history does not match its hash; it was changed after it was written."
TRACE = (
    "Run B1-000001: the trace of the seat test, attempt 1, does not match its hash; "
    "it was changed after it was written."
)


@pytest.mark.parametrize(
    ("statement", "sentence"),
    [
        ("UPDATE record SET body = replace(body, '0.2 mL', '0.1 mL')", RECORD),
        ("UPDATE record SET body = body || ' '", RECORD),
        ("DELETE FROM record", RECORD),
        ("UPDATE run SET record_sha256 = replace(record_sha256, substr(record_sha256, 1, 4), '0000')", RECORD),
        ("UPDATE run SET verdict = 'rejected'", LINE),
        ("UPDATE run SET verdict = NULL", LINE),
        ("UPDATE run SET serial = 'HL-4-0118'", LINE),
        ("UPDATE run SET origin = 'live'", LINE),
        ("UPDATE run SET started = '2026-11-21T08:30:00.000+00:00'", LINE),
        ("UPDATE trace SET stored = zeroblob(100) WHERE stage = 1", TRACE),
        ("UPDATE trace SET stored = (SELECT stored FROM trace WHERE stage = 0) WHERE stage = 1", TRACE),
        ("DELETE FROM trace WHERE stage = 1", TRACE),
    ],
)
def test_an_edited_record_is_refused(store, path, closed_run, statement, sentence):
    """No verdict, no certificate and no second judgement from something that was changed."""
    store.close()
    tamper(path, statement)
    with RunReader.beside(path) as reader, pytest.raises(RecordDamagedError) as refusal:
        reader.load(closed_run)
    assert str(refusal.value) == sentence
    assert refusal.value.remedy == "Restore this record from a backup; do not issue a certificate from it."


def test_one_flipped_bit_in_a_stored_trace_is_found(store, path, closed_run):
    """SQLite's own integrity check passes over it; the hash of the samples does not."""
    store.close()
    reader = sqlite3.connect(path)
    (stored,) = reader.execute("SELECT stored FROM trace WHERE stage = 1").fetchone()
    reader.close()
    flip_in_file(path, stored[-200:])
    check = sqlite3.connect(path)
    assert check.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    check.close()
    with RunReader.beside(path) as reader, pytest.raises(RecordDamagedError) as refusal:
        reader.load(closed_run)
    assert str(refusal.value) == TRACE


def test_a_record_of_an_unknown_shape_is_refused_even_with_its_hash(store, path, closed_run):
    """A new hash over other facts does not make them a record."""
    store.close()
    body = '{"format":1}'
    tamper(path, f"UPDATE record SET body = '{body}'", f"UPDATE run SET record_sha256 = '{sha256(body.encode())}'")
    with RunReader.beside(path) as reader, pytest.raises(RecordDamagedError) as refusal:
        reader.load(closed_run)
    assert str(refusal.value) == RECORD


# Canonical JSON ---------------------------------------------------------------------------------

words = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=40)
ticks = st.integers(-(2**53) + 1, 2**53 - 1)
gaps = st.builds(Gap, since=ticks, until=ticks, reason=st.sampled_from(GapReason))
observations = st.builds(
    Observation, at=ticks, criterion=st.integers(0, 9), seen=st.sampled_from(Seen), where=words, note=words
)


@st.composite
def changed_records(draw: st.DrawFn, base: RunRecord) -> RunRecord:
    """Records with any text and any number of things in them."""
    stages = tuple(
        stage.model_copy(
            update={
                "since": draw(ticks),
                "reason": draw(words),
                "hold_since": draw(st.none() | ticks),
                "gaps": tuple(draw(st.lists(gaps, max_size=3))),
                "observations": tuple(draw(st.lists(observations, max_size=3))),
            }
        )
        for stage in base.stages[: draw(st.integers(0, 2))]
    )
    serial = draw(st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=40))
    return base.model_copy(
        update={
            "stages": stages,
            "valve": base.valve.model_copy(update={"serial": serial, "product": draw(words)}),
            "operator": draw(words),
            "reason": draw(words),
            "utc_offset_minutes": draw(st.integers(-720, 840)),
            "verdict": draw(st.none() | st.sampled_from(Verdict)),
            "channel": base.channel.model_copy(update={"due_on": draw(st.dates(date(2000, 1, 1)))}),
        }
    )


@settings(deadline=None)
@given(data=st.data())
def test_the_bytes_of_a_record_are_those_of_canonical_json(data, examples):
    """Oracle: rfc8785, an independent implementation of RFC 8785."""
    base, _ = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    record = data.draw(changed_records(base))
    assert canonical(record) == rfc8785.dumps(json.loads(canonical(record)))
    assert canonical(record) == rfc8785.dumps(record.model_dump(mode="json"))


@settings(deadline=None)
@given(data=st.data())
def test_a_record_read_back_has_the_same_bytes(data, examples):
    """Reading and writing a record again changes no byte of it, so its hash stays."""
    base, _ = examples.example_run("B1-000001", examples.valve("HL-6-0118", "NPS 6"), "6 mL")
    record = data.draw(changed_records(base))
    again = RunRecord.model_validate_json(canonical(record))
    assert again == record
    assert canonical(again) == canonical(record)
