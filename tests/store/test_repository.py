"""What the recorder gives to the store is on disk when the call returns, and comes back as it was given."""

import shutil
import sqlite3
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from testbench.errors import RunClosedError, RunOpenError, RunUnknownError, StoreFailedError
from testbench.framing.lines import Rejected, RejectReason
from testbench.procedure.valve import Order
from testbench.run.machine import Ending
from testbench.run.record import TraceReference, Verdict, canonical, sha256
from testbench.run.samples import Gap, GapReason, Sample, Trace
from testbench.run.state import Happening
from testbench.station.ports import JournalLine, RunStore, RunSummary
from testbench.store.reading import RunReader, StoredDocument
from testbench.store.repository import SqliteStore

RECORDS = Path(__file__).parents[1] / "records"
AT = datetime(2026, 11, 20, 8, 30, 0, 123_456, tzinfo=UTC)


def counted(connection_path, table: str) -> int:
    connection = sqlite3.connect(connection_path)
    (found,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    connection.close()
    return found


def test_the_store_is_the_run_store_that_the_station_asks_for(store: SqliteStore) -> None:
    """The names at run time; mypy compares the signatures in the line below."""
    asked: RunStore = store
    names = [name for name in vars(RunStore) if not name.startswith("_")]
    assert len(names) == 11
    assert all(callable(getattr(asked, name)) for name in names)


def test_runs_are_numbered_without_gaps_and_named_after_the_bench(store, path):
    """A number is given out once, and the next program goes on where the last one stopped."""
    assert [store.begin_run("{}", AT) for _ in range(3)] == ["B1-000001", "B1-000002", "B1-000003"]
    store.close()
    with SqliteStore(path, "B1") as again:
        assert again.begin_run("{}", AT) == "B1-000004"


def test_an_open_run_comes_back_with_all_that_was_acknowledged(store, path):
    """Samples by stage, gaps, rejected lines and the journal: everything to close it as lost."""
    opening = '{"order":"HL-2041","serial":"HL-8-0119 „ä\'\\""}'
    run = store.begin_run(opening, AT)
    gap = Gap(since=300, until=900, reason=GapReason.UNPLUGGED)
    bad = Rejected(b"\x00\xff+1", RejectReason.NOT_A_NUMBER)
    store.append(run, -1, [Sample(0, 12)], [], [], [Happening(0, "zero check", "Zero checked.")])
    store.append(run, 0, [Sample(100, -5), Sample(200, 2**40)], [], [(250, bad)], [])
    store.append(run, 0, [Sample(1_000, 7)], [gap], [(260, bad), (270, bad)], [Happening(1_000, "steady", "Steady.")])
    store.append(run, 1, [], [], [], [Happening(2_000, "begun", "Seat test begun.")])
    store.close()
    with RunReader.beside(path) as reader:
        (found,) = reader.open_runs()
    assert (found.run, found.opening, found.opened) == (run, opening, AT)
    assert {stage: trace.at.tolist() for stage, trace in found.traces.items()} == {-1: [0], 0: [100, 200, 1_000]}
    assert found.traces[0].counts.tolist() == [-5, 2**40, 7]
    assert (found.traces[-1].gaps, found.traces[0].gaps) == ((), (gap,))
    assert found.rejected_lines == {0: 3}
    assert found.journal == (
        JournalLine(-1, Happening(0, "zero check", "Zero checked.")),
        JournalLine(0, Happening(1_000, "steady", "Steady.")),
        JournalLine(1, Happening(2_000, "begun", "Seat test begun.")),
    )


def test_both_ends_of_a_polled_sample_come_back(store, path):
    """Of an open run; beside samples that nobody asked for, as where the protocol was changed between two stages."""
    run = store.begin_run("{}", AT)
    store.append(run, 0, [Sample(100, 7, 80)], [], [], [])
    store.append(run, 0, [Sample(200, 8, 170), Sample(300, 9, 285)], [], [], [])
    store.append(run, 1, [Sample(400, 9)], [], [], [])
    store.append(run, 2, [Sample(500, 9)], [], [], [])
    store.append(run, 2, [Sample(600, 9, 570)], [], [], [])
    with RunReader.beside(path) as reader:
        (found,) = reader.open_runs()
    assert found.traces[0].asked.tolist() == [80, 170, 285]
    assert found.traces[1].asked is None
    assert found.traces[2].asked.tolist() == [500, 570]


def test_both_ends_of_a_polled_sample_are_sealed(store, path, examples):
    """And the chunks go, because the sealed trace says the very same."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"), polled=True)
    run = store.begin_run("{}", AT)
    for stage, trace in enumerate(traces):
        examples.keep_running(store, run, stage, trace)
    store.seal(record, traces)
    _, back = store.load(run)
    assert [trace.asked.tolist() for trace in back] == [trace.asked.tolist() for trace in traces]
    assert counted(path, "chunk") == 0


def test_chunks_with_other_queries_than_the_sealed_trace_stay(store, path, examples):
    """A sealed trace that lost its queries does not cost what was acknowledged."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    run = store.begin_run("{}", AT)
    for stage, trace in enumerate(traces):
        examples.keep_running(store, run, stage, replace(trace, asked=trace.at - 200))
    written = counted(path, "chunk")
    store.seal(record, traces)
    assert counted(path, "chunk") == written > 200


def test_a_file_from_before_the_queries_is_read_as_it_is(path):
    """Also the samples of a run that was cut short: a reader brings no file up to date."""
    shutil.copy(RECORDS / "schema-0002.db", path)
    with RunReader.beside(path) as reader:
        (found,) = reader.open_runs()
    assert (len(found.traces[0]), found.traces[0].asked) == (290, None)


def test_a_call_with_nothing_in_it_adds_nothing(store, path):
    """An empty second is no chunk."""
    run = store.begin_run("{}", AT)
    store.append(run, 0, [], [], [], [])
    assert counted(path, "chunk") == 0


def test_a_gap_before_any_sample_is_kept(store):
    """A stage in which nothing was ever read still has its silence."""
    run = store.begin_run("{}", AT)
    gap = Gap(since=0, until=300_000, reason=GapReason.SILENT)
    store.append(run, 0, [], [gap], [], [])
    (found,) = store.open_runs()
    assert (len(found.traces[0]), found.traces[0].gaps) == (0, (gap,))


def test_a_sealed_run_comes_back_with_record_and_traces(store, path, examples):
    """The very record, every sample and every gap; the hash is that of the record's bytes."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    run = store.begin_run("{}", AT)
    for stage, trace in enumerate(traces):
        examples.keep_running(store, run, stage, trace)
    assert counted(path, "chunk") > 200
    assert store.seal(record, traces) == sha256(canonical(record))
    with RunReader.beside(path) as reader:
        back, back_traces = reader.load(run)
    assert back == record
    assert [trace.sha256() for trace in back_traces] == [trace.sha256() for trace in traces]
    assert [trace.gaps for trace in back_traces] == [stage.gaps for stage in record.stages]
    assert counted(path, "chunk") == 0
    assert store.open_runs() == []
    assert [line.happening.event for line in store.journal_of(run)] == ["released", "released"]


def test_the_gaps_of_a_void_stage_come_back_with_its_trace(store, examples):
    """Silence is part of what was seen."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"), stopped=True)
    store.begin_run("{}", AT)
    store.seal(record, traces)
    _, (trace,) = store.load("B1-000001")
    assert trace.gaps == traces[0].gaps != ()


def test_a_run_without_any_stage_can_be_closed(store, examples):
    """Begun and given up before the first stage: a void record all the same."""
    record, _ = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    nothing = record.model_copy(update={"stages": (), "verdict": None, "reason": "Ended before the first stage."})
    nothing = nothing.model_copy(update={"ending": Ending.STOPPED})
    store.begin_run("{}", AT)
    store.seal(nothing, [])
    assert store.load("B1-000001") == (nothing, ())
    assert (store.history()[0].stages, store.history()[0].ended) == ("", "stopped")


def test_samples_outside_a_stage_are_kept_sealed(store, path, examples):
    """What was read between the stages belongs to no finding, and is not thrown away."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    run = store.begin_run("{}", AT)
    store.append(run, -1, [Sample(1, 2), Sample(3, 4)], [], [], [])
    store.seal(record, traces)
    assert (counted(path, "chunk"), counted(path, "trace")) == (0, 3)
    assert len(store.load(run)[1]) == 2


def test_chunks_that_say_something_else_than_the_sealed_trace_stay(store, path, examples):
    """A slip of the caller must not cost acknowledged samples."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    run = store.begin_run("{}", AT)
    examples.keep_running(store, run, 0, traces[0])
    store.append(run, 1, [Sample(1, 2)], [], [], [])
    store.seal(record, traces)
    assert counted(path, "chunk") == 1
    assert store.load(run)[0] == record


def test_a_record_that_names_other_traces_is_not_sealed(store, examples):
    """Record and samples belong together before they are written, not only after."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    store.begin_run("{}", AT)
    with pytest.raises(ValueError, match=r"^the record names another trace for the shell test, attempt 1$"):
        store.seal(record, traces[::-1])
    with pytest.raises(ValueError, match="argument 2 is shorter"):
        store.seal(record, traces[:1])
    assert store.history() == []


def test_a_closed_run_takes_nothing_more(store, closed_run, examples):
    """No chunk, no second record."""
    record, traces = examples.example_run(closed_run, examples.valve("HL-4-0117", "NPS 4"))
    for call in (
        lambda: store.append(closed_run, 0, [Sample(0, 0)], [], [], []),
        lambda: store.seal(record, traces),
    ):
        with pytest.raises(RunClosedError) as refusal:
            call()
        assert str(refusal.value) == "Run B1-000001 is closed; a closed run is never changed."
        assert refusal.value.remedy == "Begin a new run; the record of this one stays as it is."


def test_an_unknown_run_is_refused_everywhere(store, tmp_path, examples):
    """Also where the name looks like a piece of SQL."""
    name = "B1-000009'; DROP TABLE run; --"
    record, traces = examples.example_run(name, examples.valve("HL-4-0117", "NPS 4"))
    document = {"sha256": "0" * 64, "record_sha256": "0" * 64, "at": AT}
    calls = [
        lambda: store.append(name, 0, [], [], [], []),
        lambda: store.seal(record, traces),
        lambda: store.load(name),
        lambda: store.journal_of(name),
        lambda: store.documents_of(name),
        lambda: store.add_document(name, "certificate", "x.pdf", **document),
        lambda: store.history(before=name),
    ]
    for call in calls:
        with pytest.raises(RunUnknownError) as refusal:
            call()
        assert str(refusal.value) == f"There is no run {name} in {tmp_path}."


def test_an_open_run_has_no_record_to_load(store):
    """Nothing can be judged or certified before it is closed."""
    run = store.begin_run("{}", AT)
    with pytest.raises(RunOpenError) as refusal:
        store.load(run)
    assert str(refusal.value) == f"Run {run} is still open; only a closed run is read, signed or put on paper."


# Many runs --------------------------------------------------------------------------------------


@pytest.fixture
def sealed(store, examples):
    """A function that closes runs with changed records, without samples."""
    nothing = Trace.of([])
    base, _ = examples.example_run("", examples.valve("HL-4-0117", "NPS 4"))
    empty = TraceReference(samples=0, sha256=nothing.sha256())
    stages = tuple(stage.model_copy(update={"trace": empty}) for stage in base.stages)

    def seal(serial: str = "HL-4-0117", **changes: object) -> str:
        run = store.begin_run("{}", AT)
        valve = base.valve.model_copy(update={"serial": serial})
        record = base.model_copy(update={"run": run, "valve": valve, "stages": stages, **changes})
        store.seal(record, [nothing] * len(record.stages))
        return run

    return seal


def test_the_history_gives_a_line_for_every_closed_run(path):
    """All that a list needs, without opening a record."""
    shutil.copy(RECORDS / "schema-0001.db", path)
    with RunReader.beside(path) as reader:
        stopped, rejected, accepted = reader.history()
    assert accepted == RunSummary(
        run="B1-000001",
        serial="HL-4-0117",
        order="HL-2041",
        stages="shell test accepted, seat test accepted",
        verdict=Verdict.ACCEPTED,
        ended="completed",
        reason="Every demanded stage was accepted.",
        started="2026-11-20T08:30:00.000+00:00",
        origin="simulated",
        record_sha256=accepted.record_sha256,
        document="certificates/B1-000001.pdf",
    )
    assert (rejected.verdict, rejected.ended, rejected.document) == (Verdict.REJECTED, "completed", "")
    assert rejected.stages == "shell test accepted, seat test rejected"
    assert (stopped.verdict, stopped.ended, stopped.stages) == (None, "stopped", "shell test void (stopped)")


@pytest.mark.parametrize("limit", [1, 2, 3, 7, 50])
def test_the_pages_of_the_history_give_every_run_once(store, sealed, limit):
    """Newest first, by the last run of the page before; open runs do not disturb."""
    runs = []
    for _ in range(3):
        runs += [sealed(), sealed()]
        store.begin_run("{}", AT)
    seen, before = [], None
    while page := store.history(limit, before):
        assert len(page) <= limit
        seen += [line.run for line in page]
        before = page[-1].run
    assert seen == runs[::-1]


def test_a_serial_number_is_found_where_it_was_accepted(store, sealed):
    """The first acceptance counts, of whatever origin; a rejection or a void run is none."""
    sealed("HL-6-0118", verdict=Verdict.REJECTED)
    sealed("HL-6-0118", verdict=None)
    assert store.accepted_run_of("HL-6-0118") is None
    first = sealed("HL-6-0118")
    sealed("HL-6-0118")
    assert store.accepted_run_of("HL-6-0118") == first
    assert store.accepted_run_of("HL-6-011") is None
    assert store.accepted_run_of("HL-6-0118", specimen=False) is None  # simulated: it stands in no real test's way
    assert store.accepted_run_of("hl-6-0118") == first  # another spelling makes no other valve


def test_the_states_of_an_order_are_those_of_the_newest_closed_runs(store, sealed, examples):
    """A retest takes the place of what was before; a valve without a closed run is not in it."""
    serials = ("HL-4-0117", "HL-6-0118", "HL-8-0119", "HL-8-0120")
    valves = tuple(examples.valve(serial, "NPS 4") for serial in serials)
    order = Order(number="HL-2041", customer="Ellery Water Board", procedure="waterworks-swing-check", valves=valves)
    other = order.model_copy(update={"number": "HL-2042"})
    sealed("HL-4-0117", verdict=None)
    sealed("HL-4-0117")
    sealed("HL-6-0118", verdict=Verdict.REJECTED)
    sealed("HL-6-0118", verdict=None)
    sealed("HL-8-0119", verdict=Verdict.INCONCLUSIVE, order="HL-2042")
    sealed("HL-9-0001")
    store.begin_run("{}", AT)
    assert store.states_of([order, other]) == {
        ("HL-2041", "HL-4-0117"): "accepted",
        ("HL-2041", "HL-6-0118"): "void",
        ("HL-2042", "HL-8-0119"): "inconclusive",
    }
    assert store.states_of([]) == {}


def test_the_states_of_more_orders_than_one_query_asks_for(store, sealed, examples):
    """501 orders; the first and the last are tested."""
    valves = (examples.valve("HL-4-0117", "NPS 4"),)
    orders = [
        Order(
            number=f"A-{number:03d}", customer="Ellery Water Board", procedure="waterworks-swing-check", valves=valves
        )
        for number in range(501)
    ]
    for number in ("A-000", "A-500"):
        sealed("HL-4-0117", order=number)
    assert store.states_of(orders) == {("A-000", "HL-4-0117"): "accepted", ("A-500", "HL-4-0117"): "accepted"}


STRANGE = [
    "O'Brien-1",
    'say "hi"',
    "Robert'); DROP TABLE run;--",
    "../../etc/passwd",
    "a/b\\c",
    "%_*?[x]",
    "阀门-七",
    "ventil-ä-é",
    "é",
    "🛠 7",
    " lead and trail ",
    "NULL",
    "-1",
]


@pytest.mark.parametrize("serial", STRANGE)
def test_a_serial_number_may_hold_any_sign(store, sealed, serial):
    """It is a name on a casting, never a piece of SQL, of a path or of a pattern."""
    run = sealed(serial)
    sealed("HL-4-0117")
    assert store.accepted_run_of(serial) == run
    assert store.load(run)[0].valve.serial == serial
    assert store.history()[-1].serial == serial


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30, deadline=None)
@given(
    st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=40),
    st.text(st.characters(exclude_categories=("Cs",)), max_size=60),
)
def test_any_text_comes_back_as_it_was_given(store, sealed, serial, words):
    """Serial numbers, reasons and journal lines in any script, control signs in free text included."""
    run = sealed(serial, reason=words)
    assert store.load(run)[0].reason == words
    assert store.history(1)[0].reason == words
    opened = store.begin_run("{}", AT)
    store.append(opened, 0, [], [], [], [Happening(0, "note", words)])
    assert store.journal_of(opened) == (JournalLine(0, Happening(0, "note", words)),)


# Documents --------------------------------------------------------------------------------------


def test_documents_are_listed_in_the_order_they_were_issued(store, closed_run):
    """A second copy is a second line; the history names the newest."""
    digest = store.history()[0].record_sha256
    local = AT.astimezone(timezone(timedelta(hours=-5)))
    store.add_document(closed_run, "certificate", "a.pdf", sha256="a" * 64, record_sha256=digest, at=AT)
    store.add_document(closed_run, "certificate", "b.pdf", sha256="b" * 64, record_sha256=digest, at=local)
    assert store.documents_of(closed_run) == (
        StoredDocument("certificate", "a.pdf", "a" * 64, digest, AT),
        StoredDocument("certificate", "b.pdf", "b" * 64, digest, AT),
    )
    assert store.history()[0].document == "b.pdf"


def test_a_document_of_another_record_is_refused(store, closed_run, path):
    """What a page prints as record hash is what the run has, or the page is not noted."""
    with pytest.raises(StoreFailedError) as refusal:
        store.add_document(closed_run, "certificate", "a.pdf", sha256="a" * 64, record_sha256="c" * 64, at=AT)
    assert str(refusal.value) == (
        f"The records in {path} cannot be used: "
        "a rule of the records refused this: a document names the record it was made from."
    )
    run = store.begin_run("{}", AT)
    with pytest.raises(StoreFailedError):
        store.add_document(run, "certificate", "a.pdf", sha256="a" * 64, record_sha256="c" * 64, at=AT)


def test_threads_take_turns(store, examples):
    """The writer of documents may ask while the station appends."""
    run = store.begin_run("{}", AT)
    failures = []

    def ask() -> None:
        try:
            for _ in range(50):
                store.open_runs()
                store.history()
        except BaseException as failure:  # noqa: BLE001 - shown by the assertion below
            failures.append(failure)

    asking = [threading.Thread(target=ask) for _ in range(3)]
    for thread in asking:
        thread.start()
    for number in range(50):
        store.append(run, 0, [Sample(number, number)], [], [], [])
    for thread in asking:
        thread.join()
    assert failures == []
    assert np.array_equal(store.open_runs()[0].traces[0].at, np.arange(50))
