"""What waits, what is said in review, and how the seal of a run stands: in the file."""

import shutil
import sqlite3
import threading
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from testbench.errors import AlreadySignedError, RunUnknownError
from testbench.procedure.valve import Order
from testbench.run.record import canonical, sha256
from testbench.run.signature import Meaning, Method, Role, Signature, uuid7
from testbench.station.review import ReviewEntry, Step, waits_for
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore

RECORDS = Path(__file__).parents[1] / "records"
AT = "2026-11-26T09:00:00.000Z"
SIGNED = [Meaning.PERFORMED, Meaning.REVIEWED, Meaning.RELEASED]
KINDS = {
    "accepted": {"caught": "0.2 mL"},
    "rejected": {"caught": "6 mL"},
    "inconclusive": {"caught": "1.0 mL"},
    "void": {"stopped": True},
}


@pytest.fixture(scope="module")
def made(examples):
    """A run of each verdict, worked out once."""
    tested = examples.valve("HL-4-0117", "NPS 4")
    made = {kind: examples.example_run("", tested, **how) for kind, how in KINDS.items()}
    assert [record.verdict or "void" for record, _ in made.values()] == list(KINDS)
    return made


def closed(store, examples, made, kind="accepted", operator_id="quill", **other) -> str:
    record, traces = made[kind]
    return examples.keep_closed(store, record.model_copy(update={"operator_id": operator_id, **other}), traces)


def sign(store, run: str, meaning: Meaning, check=lambda _: None) -> None:
    record, _ = store.load(run)
    one = Signature(
        id=uuid7(1, 1), person="ashe", printed_name="Tobin Ashe", role=Role.REVIEWER, meaning=meaning,
        statement="I did.", signed_at=AT, utc_offset_minutes=0, clock_status="test", bench="B1", method=Method.PASSWORD,
        subject="run", subject_id=run, record_sha256=sha256(canonical(record)),
    )  # fmt: skip
    store.add_signature(one, check)


def said(run: str, step: Step, **more) -> ReviewEntry:
    return ReviewEntry(
        step=step, run=run, record_sha256="0" * 64, person="ashe", printed_name="Tobin Ashe", method=Method.PASSWORD,
        at=AT, bench="B1", **more,
    )  # fmt: skip


def waiting(store, **which) -> list[tuple[str, str]]:
    return [(one.run, one.waits_for) for one in store.waiting(**which)]


# What waits --------------------------------------------------------------------------------------


def test_runs_wait_oldest_first_each_for_its_next_signature(store, examples, made):
    """Those of operators who were not authenticated wait for nobody."""
    first, second, third = (closed(store, examples, made, kind) for kind in ("accepted", "rejected", "void"))
    closed(store, examples, made, operator_id="")
    assert waiting(store) == [(first, "performed"), (second, "performed"), (third, "performed")]
    for run in (first, second, third):
        sign(store, run, Meaning.PERFORMED)
    assert waiting(store) == [(first, "released"), (second, "reviewed")]
    sign(store, second, Meaning.REVIEWED)
    sign(store, first, Meaning.REVIEWED)
    assert waiting(store) == [(first, "released")]
    sign(store, first, Meaning.RELEASED)
    assert waiting(store) == []


def test_the_queue_tells_a_run_whole(store, examples, made):
    """Copied from its record, and what was said of it in review."""
    run = closed(store, examples, made, "rejected")
    store.add_review(said(run, Step.RETURNED, note="Which vessel?"), lambda _: None)
    (line,) = store.waiting()
    assert (line.serial, line.order, line.operator, line.verdict) == ("HL-4-0117", "HL-2041", "Mara Quill", "rejected")
    assert (line.reason, line.origin) == ("The seat test was rejected.", "simulated")
    assert line.record_sha256 == sha256(canonical(store.load(run)[0]))
    assert [one.note for one in line.entries] == ["Which vessel?"]


def test_the_queue_by_order_and_page(store, examples, made):
    """Of one order only; behind a run; so many at most."""
    runs = [closed(store, examples, made, order=f"HL-204{number % 2}") for number in range(4)]
    assert store.waiting_by_order() == {"HL-2040": 2, "HL-2041": 2}
    assert [run for run, _ in waiting(store, order="HL-2041")] == [runs[1], runs[3]]
    assert [run for run, _ in waiting(store, after=runs[1])] == runs[2:]
    assert [run for run, _ in waiting(store, limit=3)] == runs[:3]
    assert waiting(store, order="HL-2099") == []
    with pytest.raises(RunUnknownError):
        store.waiting(after="B1-999999")


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    kinds=st.lists(st.tuples(st.sampled_from(list(KINDS)), st.booleans()), min_size=1, max_size=3),
    signed=st.lists(
        st.tuples(st.integers(0, 2), st.sampled_from([Meaning.PERFORMED, Meaning.REVIEWED, Meaning.RELEASED])),
        max_size=8,
    ),
)
def test_the_list_says_what_the_records_say(tmp_path_factory, empty, examples, made, kinds, signed):
    """Whatever is signed in whatever order: the list is what the rule gives for every run, and a rebuilt one is it."""
    path = tmp_path_factory.mktemp("walk") / "testbench.db"
    shutil.copy(empty, path)
    with SqliteStore(path, "B1") as store:
        known = [
            closed(store, examples, made, kind, "quill" if owed else "", valve=examples.valve(f"HL-4-{n}", "NPS 4"))
            for n, (kind, owed) in enumerate(kinds)
        ]
        for index, meaning in signed:
            if index < len(known) and (meaning is not Meaning.RELEASED or kinds[index][0] == "accepted"):
                sign(store, known[index], meaning)
        expected = []
        for run, (_, owed) in zip(known, kinds, strict=True):
            bears = {one.meaning for one in store.signatures_of(run)}
            following = waits_for(store.load(run)[0].verdict, bears) if owed else None
            expected += [(run, following)] if following else []
        assert waiting(store) == expected


def test_runs_from_before_the_list_are_put_on_it(path, examples, made, store):
    """An upgrade reads signatures and records once; a home where nobody is registered is not read at all."""
    runs = [closed(store, examples, made, kind) for kind in ("accepted", "rejected", "void")]
    closed(store, examples, made, operator_id="")
    for run in runs[1:]:
        sign(store, run, Meaning.PERFORMED)
    examples.fill_people(store, runs[0])
    before = waiting(store)
    store.close()
    take_back_to(path, "0008")
    with SqliteStore(path, "B1") as again:
        assert waiting(again) == before == [(runs[0], "performed"), (runs[1], "reviewed")]


def take_back_to(path, version):
    """Drop whatever the released file of an older version does not have."""
    older, released = sqlite3.connect(path), sqlite3.connect(RECORDS / f"schema-{version}.db")
    query = "SELECT type, name FROM sqlite_master WHERE type IN ('table', 'index') AND sql IS NOT NULL"
    known = set(released.execute(query))
    for kind, name in sorted(set(older.execute(query)) - known):
        if not name.startswith("serial_part_"):  # SQLite's own, they go with their index
            older.execute(f"DROP {kind.upper()} IF EXISTS {name}")
    older.execute("UPDATE alembic_version SET version_num = ?", (version,))
    older.commit()
    older.close()
    released.close()


def test_a_file_from_before_has_no_queue(path):
    """Read beside another program, as it lies there."""
    shutil.copy(RECORDS / "schema-0008.db", path)
    with RunReader.beside(path) as reader:
        assert (reader.waiting(), reader.waiting_by_order()) == ((), {})
        assert reader.borne_by("B1-000001").entries == ()


# What is said ------------------------------------------------------------------------------------


def test_what_is_said_in_review_lies_in_the_ledger(store, examples, made):
    """Each with an entry of its own; the check sees what was said before, and a refusal keeps nothing."""
    run = closed(store, examples, made)
    store.add_review(said(run, Step.OPENED), lambda _: None)
    seen = []
    store.add_review(said(run, Step.RETURNED, note="Why?"), lambda borne: seen.append(borne.entries))
    assert [[one.step for one in entries] for entries in seen] == [[Step.OPENED]]
    assert [one.kind for one in store.chain()][-2:] == ["review", "review"]

    def refuse(_) -> None:
        raise AlreadySignedError("it", "x", "y")

    with pytest.raises(AlreadySignedError):
        store.add_review(said(run, Step.ANSWERED), refuse)
    assert [one.step for one in store.borne_by(run).entries] == [Step.OPENED, Step.RETURNED]


def test_several_are_signed_or_none(store, examples, made):
    """A refusal for one of them keeps none; the check sees what each bears."""
    runs = [closed(store, examples, made) for _ in range(2)]
    sign(store, runs[1], Meaning.PERFORMED)
    record = store.load(runs[0])[0]

    def signature(run: str) -> Signature:
        return Signature(
            id=uuid7(1, 2), person="ashe", printed_name="Tobin Ashe", role=Role.REVIEWER, meaning=Meaning.RELEASED,
            statement="I did.", signed_at=AT, utc_offset_minutes=0, clock_status="test", bench="B1",
            method=Method.PASSWORD, subject="run", subject_id=run, record_sha256=sha256(canonical(record)),
        )  # fmt: skip

    def refuse(borne) -> None:
        assert [len(borne[run].signed) for run in runs] == [0, 1]
        raise AlreadySignedError("it", "x", "y")

    with pytest.raises(AlreadySignedError):
        store.add_signatures([signature(run) for run in runs], refuse)
    assert [len(store.signatures_of(run)) for run in runs] == [0, 1]
    store.add_signatures([signature(run) for run in runs], lambda _: None)
    assert [len(store.signatures_of(run)) for run in runs] == [1, 2]


def test_of_two_at_once_the_second_sees_the_first(path, store, examples, made):
    """Two programs, two connections: the rule is asked within the transaction that keeps the signature."""
    run = closed(store, examples, made)
    outcomes: list[str] = []
    both = threading.Barrier(2)

    def release(opened: SqliteStore) -> None:
        def check(borne) -> None:
            if any(one.meaning is Meaning.RELEASED for one in borne.signed):
                raise AlreadySignedError(f"Run {run}", "released", "Tobin Ashe")

        both.wait()
        try:
            sign(opened, run, Meaning.RELEASED, check)
        except AlreadySignedError as refusal:
            outcomes.append(str(refusal))
        else:
            outcomes.append("signed")

    with SqliteStore(path, "B1") as one, SqliteStore(path, "B1") as other:
        threads = [threading.Thread(target=release, args=(opened,)) for opened in (one, other)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert sorted(outcomes) == [f"Run {run} is already signed as released, by Tobin Ashe.", "signed"]


# The seal ----------------------------------------------------------------------------------------


def tamper(path: Path, statement: str) -> None:
    """Change rows behind the program's back, its triggers aside."""
    raw = sqlite3.connect(path)
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    raw.execute(statement)
    raw.commit()
    raw.close()


WAS = "stands for was changed after it was written"


@pytest.mark.parametrize(
    ("statement", "fault"),
    [("SELECT 1", ""),
     ("UPDATE run SET reason = 'All is well.' WHERE number = 2", f"what entry 4 (run sealed B1-000002) {WAS}"),
     ("UPDATE journal SET sentence = 'x' WHERE run = 2 AND seq = 1", f"what entry 4 (run sealed B1-000002) {WAS}"),
     ("UPDATE journal SET sentence = 'x' WHERE run = 1 AND seq = 1", ""),
     ("UPDATE ledger SET body_sha256 = hash WHERE seq = 4",
      "entry 4 (run sealed B1-000002) does not match its own hash"),
     ("UPDATE ledger SET hash = body_sha256 WHERE seq = 3",
      "entry 4 (run sealed B1-000002) does not follow from its neighbours"),
     ("UPDATE ledger SET prev = body_sha256 WHERE seq = 5",
      "entry 4 (run sealed B1-000002) does not follow from its neighbours"),
     ("DELETE FROM ledger WHERE seq = 4", "the ledger holds no entry of it")],
)  # fmt: skip
def test_a_run_is_held_against_its_entry_in_the_ledger(path, store, examples, made, statement, fault):
    """The row itself, its entry, and the entries before and after it; another run's damage is not its own."""
    for _ in range(3):
        closed(store, examples, made)
    tamper(path, statement)
    assert store.borne_by("B1-000002").seal_fault == fault


def test_the_newest_and_the_first_entry_have_one_neighbour(store, examples, made):
    """Nothing is missed there."""
    run = closed(store, examples, made)
    assert store.borne_by(run).seal_fault == ""
    with pytest.raises(RunUnknownError):
        store.borne_by("B1-000099")


# Released ----------------------------------------------------------------------------------------


def test_what_was_released_is_told_by_order_and_serial_number(store, examples, made):
    """From signatures alone."""
    runs = [closed(store, examples, made, order=order) for order in ("HL-2041", "HL-2042")]
    sign(store, runs[0], Meaning.PERFORMED)
    order = Order.model_validate({
        "number": "HL-2041", "customer": "Ellery Water Board", "procedure": "waterworks-swing-check",
        "valves": [examples.valve("HL-4-0117", "NPS 4")],
    })  # fmt: skip
    assert store.released_of([order]) == frozenset()
    for run in runs:
        sign(store, run, Meaning.RELEASED)
    assert store.released_of([order]) == {("HL-2041", "HL-4-0117")}
    assert store.released_of([]) == frozenset()
