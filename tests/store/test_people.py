"""The registers of people, tries and signatures, and which runs wait for a signature."""

import shutil
from pathlib import Path

import pytest

from testbench.errors import PersonEntryDamagedError
from testbench.run.record import Verdict, canonical, sha256
from testbench.run.signature import Meaning, Method, Role, Signature, uuid7
from testbench.station.lockout import Attempt, Outcome
from testbench.station.ports import UnsignedRun
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from tests.store.test_records import tamper

RECORDS = Path(__file__).parents[1] / "records"


def closed(store, examples, operator_id: str, **other) -> str:
    record, traces = examples.example_run("", examples.valve("HL-4-0117", "NPS 4"), **other)
    return examples.keep_closed(store, record.model_copy(update={"operator_id": operator_id}), traces)


def performed(store, run: str) -> None:
    record, _ = store.load(run)
    one = Signature(
        id=uuid7(1, 1), person="quill", printed_name="Mara Quill", role=Role.OPERATOR, meaning=Meaning.PERFORMED,
        statement="I performed it.", signed_at="2026-11-25T09:00:00.000Z", utc_offset_minutes=0, clock_status="test",
        bench="B1", method=Method.PIN, subject="run", subject_id=run, record_sha256=sha256(canonical(record)),
    )  # fmt: skip
    store.add_signature(one, lambda _: None)


def test_closed_runs_of_an_authenticated_operator_wait_until_they_are_signed(store, examples):
    """Newest first; void ones as well; those from before people were registered never."""
    closed(store, examples, "")
    first, second = closed(store, examples, "quill"), closed(store, examples, "quill", stopped=True)
    assert store.unsigned_runs() == (
        UnsignedRun(second, "HL-4-0117", "Mara Quill", None),
        UnsignedRun(first, "HL-4-0117", "Mara Quill", Verdict.ACCEPTED),
    )
    performed(store, second)
    assert [one.run for one in store.unsigned_runs()] == [first]
    assert store.unsigned_runs(among=1) == ()
    performed(store, first)
    assert store.unsigned_runs() == ()


def test_tries_are_given_since_the_last_that_was_not_wrong(store):
    """Of one person by one method, in the order they were kept; that one first."""
    for person, method, outcome in (
        ("quill", Method.PIN, "begun"), ("quill", Method.PIN, "right"), ("venn", Method.PIN, "begun"),
        ("quill", Method.PIN, "begun"), ("quill", Method.PASSWORD, "begun"), ("quill", Method.PIN, "begun"),
    ):  # fmt: skip
        one = Attempt(person=person, method=method, at="2026-11-25T09:00:00.000Z", outcome=Outcome(outcome))
        store.add_attempt(one, lambda _: None)
    assert [one.outcome for one in store.tries_of("quill", Method.PIN)] == ["right", "begun", "begun"]
    assert [one.outcome for one in store.tries_of("quill", Method.PASSWORD)] == ["begun"]
    assert store.tries_of("nobody", Method.PIN) == ()


def test_a_file_from_before_holds_nobody(path):
    """Read beside another program, as it lies there."""
    shutil.copy(RECORDS / "schema-0002.db", path)
    with RunReader.beside(path) as reader:
        assert (reader.people(), reader.signatures_of("B1-000001"), reader.tries_of("ashe", Method.PIN)) == ((), (), ())


def test_a_secret_that_was_exchanged_before_there_was_a_ledger_is_found(path):
    """The ledger takes over what it finds; the entry itself names the hash that it was made with."""
    shutil.copy(RECORDS / "schema-0005.db", path)
    tamper(path, "UPDATE person_entry SET secret = 'another' WHERE seq = 2")
    with SqliteStore(path, "B1") as store, pytest.raises(PersonEntryDamagedError) as refusal:
        store.people()
    assert str(refusal.value) == (
        "The stored secret of 'ashe' does not match its entry; it was changed after it was written."
    )
