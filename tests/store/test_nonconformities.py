"""Nonconformities, attachments, recalls and what runs rest on, in the file."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from testbench.errors import (
    AttachmentDamagedError,
    AttachmentUnknownError,
    NonconformityOpenError,
    NonconformityStepError,
    NonconformityUnknownError,
    RecallLiftedError,
    RecallUnknownError,
    RowNotNamedError,
    RunNonconformingError,
    RunRecalledError,
    StoreFailedError,
)
from testbench.procedure.adoption import Adoption
from testbench.procedure.valve import Order
from testbench.run.nonconformity import Closed, Disposed, Disposition, Noted, Part, Reworked, Standing
from testbench.run.recall import Lifting, Recall
from testbench.run.record import Origin, canonical, sha256
from testbench.run.signature import Meaning
from testbench.store.ledger_check import LedgerCheck
from testbench.store.nonconformities import EnteredBy, recalled_run
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore

RECORDS = Path(__file__).parents[1] / "records"
BY = EnteredBy("2026-11-25T10:00:00.000Z", "Tobin Ashe", "ashe")
REWORK = Disposed(disposition=Disposition.REWORK, why="The seat can be lapped.")
LAPPED = Reworked(done="Seat lapped.", disturbed=(Part.SEAT,))
NUMBER = "N-B1-000001"


def kept(store, examples, serial="HL-6-0118", caught="6 mL", **changes):
    """A closed run: 6 mL reject an NPS 6 valve, 0.2 mL accept it."""
    record, traces = examples.example_run("", examples.valve(serial, "NPS 6"), caught)
    return examples.keep_closed(store, record.model_copy(update=changes), traces)


def check(path, **options):
    return LedgerCheck(RunReader.beside(path).database, (), lambda _: True, **options).report()


def change(path, *statements):
    """Past the program and its triggers."""
    with closing(sqlite3.connect(path)) as file, file:
        for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            file.execute(statement)


# Opened with the seal ----------------------------------------------------------------------------


def test_a_rejection_opens_one_and_nothing_else_does(store, examples):
    """Numbers of their own for each bench, without gaps."""
    kept(store, examples, "HL-6-0117", "0.2 mL")
    kept(store, examples, "HL-6-0118")
    kept(store, examples, "HL-6-0119")
    found = store.nonconformities()
    assert [(one.number, one.opened.serial, one.standing) for one in found] == [
        ("N-B1-000002", "HL-6-0119", Standing.UNDECIDED), ("N-B1-000001", "HL-6-0118", Standing.UNDECIDED),
    ]  # fmt: skip
    record, _ = store.load("B1-000002")
    (first,) = store.nonconformities_of("hl-6-0118")
    assert first.opened.record_sha256 == sha256(canonical(record))
    assert (first.entries[0].by, first.entries[0].at) == ("recorder", record.ended)


def test_a_void_run_opens_none(store, examples):
    """It has shown nothing."""
    record, traces = examples.example_run("", examples.valve("HL-8-0119", "NPS 8", "resilient"), stopped=True)
    examples.keep_closed(store, record, traces)
    assert store.nonconformities() == ()


def test_run_and_nonconformity_are_kept_together_or_not_at_all(store, examples, monkeypatch):
    """What cannot be opened leaves the run open, to be sealed again."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-6-0118", "NPS 6"), "6 mL")
    store.begin_run(examples.opening_of(record), examples.STARTED)

    def full(*_: object) -> None:
        raise StoreFailedError("testbench.db", "the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(SqliteStore, "_open_nonconformity", full)
        with pytest.raises(StoreFailedError):
            store.seal(record, traces)
    assert (len(store.open_runs()), store.nonconformities(), store.history()) == (1, (), [])
    store.seal(record, traces)
    assert [one.opened.run for one in store.nonconformities()] == ["B1-000001"]


def test_a_retest_enters_itself_in_the_transaction_that_seals_it(store, examples):
    """Rejected again: the first one ends, the second begins."""
    kept(store, examples)
    store.add_to_nonconformity(NUMBER, REWORK, BY)
    store.add_to_nonconformity(NUMBER, LAPPED, BY)
    kept(store, examples)
    first, second = store.nonconformities_of("HL-6-0118")
    assert (first.standing, first.retests[0].run) == (Standing.FAILED, "B1-000002")
    assert (second.number, second.standing, second.opened.run) == ("N-B1-000002", Standing.UNDECIDED, "B1-000002")


def test_an_accepted_retest_is_noted_as_such(store, examples):
    kept(store, examples)
    store.add_to_nonconformity(NUMBER, REWORK, BY)
    store.add_to_nonconformity(NUMBER, LAPPED, BY)
    kept(store, examples, caught="0.2 mL")
    (found,) = store.nonconformities_of("HL-6-0118")
    assert (found.standing, found.retests[0].shell_accepted) == (Standing.PASSED, True)


def test_a_trial_is_no_retest_of_a_real_valve(store, examples):
    """A simulated acceptance shows nothing about a valve that was rejected on water; a real one does."""
    adopted = Adoption(
        procedure="waterworks-swing-check", revision="2", sha256="a" * 64, adopted_by="Tobin Ashe",
        at="2026-11-20T08:00:00+00:00", confirmed=(),
    )  # fmt: skip
    kept(store, examples, adoption=adopted, origin=Origin.LIVE)
    store.add_to_nonconformity(NUMBER, REWORK, BY)
    store.add_to_nonconformity(NUMBER, LAPPED, BY)
    kept(store, examples, caught="0.2 mL", adoption=adopted, origin=Origin.SIMULATED)
    assert not store.nonconformity(NUMBER).opened.specimen
    assert (store.nonconformity(NUMBER).standing, store.nonconformity(NUMBER).retests) == (Standing.REWORKED, ())
    kept(store, examples, caught="0.2 mL", adoption=adopted, origin=Origin.LIVE)
    assert store.nonconformity(NUMBER).standing is Standing.PASSED


@pytest.mark.parametrize("table", ["nonconformity", "recall"])
def test_a_forged_row_is_never_believed(store, path, examples, table):
    """Each row is held against the ledger when it is read: a rework that nobody entered opens no way to a retest."""
    run = kept(store, examples)
    recall(store, run)
    change(path, f"UPDATE {table} SET body = replace(body, 'a', 'e')")
    with pytest.raises(RowNotNamedError):
        store.nonconformities_of("HL-6-0118") if table == "nonconformity" else store.recalls()


# Entries and attachments -------------------------------------------------------------------------


def test_what_may_not_follow_is_not_kept(store, examples):
    kept(store, examples)
    with pytest.raises(NonconformityStepError):
        store.add_to_nonconformity(NUMBER, LAPPED, BY)
    with pytest.raises(NonconformityUnknownError) as refusal:
        store.add_to_nonconformity("N-B1-000009", Noted(text="?"), BY)
    assert str(refusal.value) == "There is no nonconformity N-B1-000009 in these records."
    assert len(store.nonconformity(NUMBER).entries) == 1


def test_an_attachment_comes_back_byte_for_byte(store, examples):
    """Its name says nothing about where it lies."""
    kept(store, examples)
    store.attach(NUMBER, "seat.png", "image/png", b"\x89PNG\r\n\x1a\n" + bytes(range(256)), BY)
    attached, data = store.attachment(NUMBER, 1)
    assert data == b"\x89PNG\r\n\x1a\n" + bytes(range(256))
    assert (attached.name, attached.size, attached.sha256) == ("seat.png", 264, sha256(data))
    with pytest.raises(AttachmentUnknownError) as refusal:
        store.attachment(NUMBER, 2)
    assert str(refusal.value) == f"Nonconformity {NUMBER} has no attachment 2; it has 1."


@pytest.mark.parametrize("statement", [
    "UPDATE attachment SET stored = x'00'",
    "UPDATE attachment SET sha256 = '0'",
    "DELETE FROM attachment",
])  # fmt: skip
def test_an_exchanged_content_is_found(store, path, examples, statement):
    """By the ledger, and by whoever wants the file."""
    kept(store, examples)
    store.attach(NUMBER, "seat.png", "image/png", b"\x89PNG\r\n\x1a\n", BY)
    assert check(path).fault is None
    change(path, statement)
    assert check(path).fault.kind == "attachment"
    if "sha256" not in statement:
        with pytest.raises(AttachmentDamagedError):
            store.attachment(NUMBER, 1)


def test_one_is_opened_by_hand_where_the_rejection_opened_none(store, examples):
    """A run from before, or one that a reviewer sends back; never twice."""
    run = kept(store, examples, caught="0.2 mL")
    record, _ = store.load(run)
    found = store.open_nonconformity(record, "Scratched flange.", BY)
    assert (found.number, found.opened.why, found.opened.verdict) == (NUMBER, "Scratched flange.", "accepted")
    with pytest.raises(NonconformityOpenError) as refusal:
        store.open_nonconformity(record, "Once more.", BY)
    assert str(refusal.value) == f"Run B1-000001 has the nonconformity {NUMBER} already."


def test_only_those_that_are_not_closed(store, examples):
    """Scrapped and closed: it is in the list of all."""
    kept(store, examples, "HL-6-0118")
    kept(store, examples, "HL-6-0119")
    store.add_to_nonconformity(NUMBER, Disposed(disposition=Disposition.SCRAP, why="Porous."), BY)
    store.add_to_nonconformity(NUMBER, Closed(why="Sawn up."), BY)
    assert [one.number for one in store.nonconformities(only_open=True)] == ["N-B1-000002"]
    assert [one.number for one in store.nonconformities(limit=1)] == ["N-B1-000002"]
    assert len(store.nonconformities()) == 2


# What runs rest on -------------------------------------------------------------------------------


def test_a_run_is_found_by_every_calibration_it_rests_on(store, examples):
    """That of the deciding channel and those beside it; by its procedure in one revision or any."""
    record, traces = examples.compared_run("", examples.valve("HL-4-0117", "NPS 4"))
    run, other = examples.keep_closed(store, record, traces), kept(store, examples)
    revision = record.requirements.revision
    assert store.runs_relying_on("calibration", subject="CAL-26-0312") == (run,)
    assert store.runs_relying_on("calibration", subject="CAL-26-0311") == (run, other)
    assert store.runs_relying_on("calibration", detail="T-0043") == (run,)
    assert store.runs_relying_on("procedure", subject="waterworks-swing-check") == (run, other)
    assert store.runs_relying_on("procedure", subject="waterworks-swing-check", detail=revision) == (run, other)
    assert store.runs_relying_on("procedure", subject="waterworks-swing-check", detail="99") == ()
    assert store.runs_relying_on("calibration", subject="waterworks-swing-check") == ()


@pytest.mark.parametrize("version", ["0001", "0003", "0005", "0007", "0008"])
def test_runs_from_before_are_found_as_well(path, version):
    """The migration notes what they rest on; the new tables agree with the records, and nothing else is opened."""
    shutil.copy(RECORDS / f"schema-{version}.db", path)
    SqliteStore(path, "B1").close()
    with RunReader.beside(path) as store:
        closed = {one.run for one in store.history()}
        assert set(store.runs_relying_on("calibration", subject="CAL-26-0311")) == closed
        beside = store.runs_relying_on("calibration", detail="T-0043")
        assert beside == (("B1-000001",) if version >= "0003" else ())
        assert store.nonconformities() == ()
    assert check(path, traces=True).fault is None


def test_a_damaged_record_stops_no_migration(path):
    """It gives nothing, and the ledger names it."""
    shutil.copy(RECORDS / "schema-0008.db", path)
    change(path, "UPDATE record SET body = 'torn' WHERE run = 2")
    with SqliteStore(path, "B1") as store:
        assert "B1-000002" not in store.runs_relying_on("calibration", subject="CAL-26-0311")


def test_a_file_from_before_is_read_without_them(path):
    """Beside an older program: no nonconformities, no recalls, and the ledger is walked."""
    shutil.copy(RECORDS / "schema-0008.db", path)
    with RunReader.beside(path) as store:
        assert (store.nonconformities(), store.recalls(), store.nonconformities_of("HL-6-0118")) == ((), (), ())
        assert len(store.runs_measured_with("T-0042")) == 3
    assert check(path).fault is None


def test_a_run_that_was_hidden_from_recalls_is_found(store, path, examples):
    """What it rests on is bound by its record: the walk with the samples compares."""
    run = kept(store, examples)
    change(path, "DELETE FROM relied_on WHERE kind = 'calibration'")
    fault = check(path, traces=True).fault
    assert (fault.subject, fault.what) == (run, "what it rests on is not noted as its record says it")


# Recalls -----------------------------------------------------------------------------------------


def recall(store, *runs):
    """Of these runs, for the procedure."""
    named = [recalled_run(record, "tested under it", [document]) for record, document in store.records_of(runs)]
    return store.add_recall(
        Recall(
            number="RC-B1-000000", of="procedure", subject="waterworks-swing-check", why="A misprint.", at=BY.at,
            by=BY.name, runs=tuple(named),
        )
    )  # fmt: skip


def lift(store, number):
    return store.lift_recall(Lifting(number=number, why="It was right.", at=BY.at, by=BY.name))


def test_a_recall_shows_wherever_its_run_does(store, path, examples):
    """In the history, among the runs of the valve, on the board; no longer once it is lifted."""
    run = kept(store, examples, caught="0.2 mL")
    record, _ = store.load(run)
    order = Order(
        number=record.order, customer="Ellery Water Board", procedure="waterworks-swing-check", valves=(record.valve,)
    )
    assert recall(store, run).number == "RC-B1-000001"
    assert [one.recalled for one in store.history()] == [("RC-B1-000001",)]
    assert store.runs_of("hl-6-0118")[0].recalled == ("RC-B1-000001",)
    assert store.recalled() == {run: ("RC-B1-000001",)}
    assert store.recalled_valves([order]) == {(record.order, "HL-6-0118")}
    lift(store, "RC-B1-000001")
    assert [one.recalled for one in store.history()] == [()]
    assert store.recalled_valves([order]) == set()
    assert check(path).fault is None


def test_a_recalled_acceptance_does_not_stand_in_the_way_of_a_new_test(store, examples):
    """Else the valve could never be shown good again."""
    run = kept(store, examples, caught="0.2 mL")
    assert store.accepted_run_of("HL-6-0118") == run
    recall(store, run)
    assert store.accepted_run_of("HL-6-0118") is None
    lift(store, "RC-B1-000001")
    assert store.accepted_run_of("HL-6-0118") == run


def test_an_acceptance_with_a_nonconformity_is_neither_released_nor_in_the_way(store, examples):
    """Opened by hand for an accepted run: from then on the rules of the nonconformity decide."""
    examples.fill(store)
    (signature,) = store.signatures_of("B1-000001")
    store.open_nonconformity(store.load("B1-000001")[0], "Scratched flange.", BY)
    with pytest.raises(RunNonconformingError) as refusal:
        store.add_signature(signature.model_copy(update={"meaning": Meaning.RELEASED}), lambda _: None)
    assert str(refusal.value) == "Run B1-000001 cannot be released: it has the nonconformity N-B1-000002."
    assert store.accepted_run_of("HL-4-0117") is None
    assert store.nonconformities_of("HL-4-0117")[0].standing is Standing.UNDECIDED


def test_a_recall_is_lifted_once(store, examples):
    run = kept(store, examples, caught="0.2 mL")
    recall(store, run)
    lift(store, "RC-B1-000001")
    with pytest.raises(RecallLiftedError) as refusal:
        lift(store, "RC-B1-000001")
    assert str(refusal.value) == "Recall RC-B1-000001 was lifted already, by Tobin Ashe on 2026-11-25."
    with pytest.raises(RecallUnknownError) as unknown:
        lift(store, "RC-B1-000002")
    assert str(unknown.value) == "There is no recall RC-B1-000002."


def test_a_recalled_run_cannot_be_released(store, examples):
    """Asked within the transaction that would keep the signature; a review is still allowed."""
    examples.fill(store)
    (signature,) = store.signatures_of("B1-000001")
    released = signature.model_copy(update={"meaning": Meaning.RELEASED})
    recall(store, "B1-000001")
    with pytest.raises(RunRecalledError) as refusal:
        store.add_signature(released, lambda _: None)
    assert str(refusal.value) == "Run B1-000001 cannot be released: it is recalled by RC-B1-000002."
    store.add_signature(signature, lambda _: None)
    lift(store, "RC-B1-000002")
    store.add_signature(released, lambda _: None)
