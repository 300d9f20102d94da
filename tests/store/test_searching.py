"""Runs are found in any combination, whichever index leads: as by looking at every one of them."""

import shutil
import sqlite3

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from testbench.errors import RecordsOlderError, RunUnknownError
from testbench.procedure.serials import compared
from testbench.run.record import Origin
from testbench.station.searching import Search, search_of
from testbench.store import searching
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from tests.store.test_schema import RECORDS

SERIALS = ("HL-4-0117", "hl-4-0118", "HL-40", "XL-4", "Ü-117", 'HL"7', "HL-4-0117", "HL%4")
PEOPLE = ("Mara Quill", "Tobin Ashe", "Mara Quill")
PRODUCTS = ("Swing check valve SC-4", "Swing check valve SC-6")
DAYS = ("2026-01-31", "2026-02-01", "2025-12-31", "2026-02-01", "2026-03-15")  # a clock was set back


@pytest.fixture(scope="module")
def filled(tmp_path_factory, empty, examples):
    """Forty runs whose facts march out of step, and what each is, newest first."""
    path = tmp_path_factory.mktemp("searching") / "testbench.db"
    shutil.copy(empty, path)
    made, facts = {}, []
    with SqliteStore(path, "B1") as store:
        for number in range(40):
            kind = ("0.2 mL", "60 mL", "stopped")[number % 7 % 3]
            if kind not in made:
                caught = "0.2 mL" if kind == "stopped" else kind
                made[kind] = examples.example_run("", examples.valve("X", "NPS 4"), caught, stopped=kind == "stopped")
            record, traces = made[kind]
            changed = {"serial": SERIALS[number % len(SERIALS)], "product": PRODUCTS[number % 5 % 2]}
            day = DAYS[number * len(DAYS) // 40]
            record = record.model_copy(
                update={
                    "valve": record.valve.model_copy(update=changed),
                    "operator": PEOPLE[number % 3], "order": f"HL-20{number % 4}",
                    "started": f"{day}T08:30:00.000+00:00",
                    "origin": Origin.LIVE if number % 11 == 0 else Origin.SIMULATED,
                }
            )  # fmt: skip
            run = examples.keep_closed(store, record, traces)
            facts.append((run, record))
    return path, facts[::-1]


def fits(asked: Search, record) -> bool:
    """The plain way."""
    serial, asks = compared(record.valve.serial), record.requirements
    verdict = record.verdict.value if record.verdict else "void"
    standard = f"{asks.procedure} {asks.standard} {asks.edition}".lower()
    day = record.started[:10]
    return (
        (not asked.serial or serial == compared(asked.serial))
        and serial.startswith(compared(asked.prefix))
        and compared(asked.part) in serial
        and asked.order in {"", record.order}
        and asked.product.lower() in record.valve.product.lower()
        and asked.operator.lower() in record.operator.lower()
        and asked.procedure.lower() in standard
        and asked.verdict in {"", verdict}
        and asked.bench in {"", record.bench}
        and asked.origin in {"", record.origin.value}
        and (asked.since is None or str(asked.since) <= day)
        and (asked.until is None or day <= str(asked.until))
    )


ASKED = st.fixed_dictionaries(
    {},
    optional={
        "serial": st.sampled_from(["HL-4-0117", "hl-40", "nobody"]),
        "prefix": st.sampled_from(["HL", "hl-4-", "Ü", "HL%", "x", "zz"]),
        "part": st.sampled_from(["117", "L-4", "hl-4", 'hl"', "xyz", "ü-1"]),
        "order": st.sampled_from(["HL-200", "HL-203", "HL-9"]),
        "product": st.sampled_from(["sc-4", "SWING", "gate"]),
        "procedure": st.sampled_from(["awwa", "waterworks-swing", "API"]),
        "verdict": st.sampled_from(["accepted", "rejected", "void", "inconclusive"]),
        "operator": st.sampled_from(["Mara", "ashe", "wren"]),
        "bench": st.sampled_from(["B1", "B2"]),
        "origin": st.sampled_from(["live", "simulated", "replayed"]),
        "since": st.sampled_from(["2025", "2026-01-31", "2026-02", "2027"]),
        "until": st.sampled_from(["2027-01", "2027-12"]) | st.just(""),
    },
)


@pytest.mark.parametrize(("dense", "window", "read"), [(100_000, 20_000, 400_000), (3, 5, 10), (0, 1, 0), (2, 1, 99)])
@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(said=ASKED, limit=st.integers(1, 9))
def test_every_combination_is_found_as_by_looking_at_every_run(filled, monkeypatch, dense, window, read, said, limit):
    """All pages together, by the key of the last run; with limits so small that every way of looking is taken."""
    monkeypatch.setattr(searching, "DENSE", dense)
    monkeypatch.setattr(searching, "WINDOW", window)
    monkeypatch.setattr(searching, "MOST_READ", read)
    path, facts = filled
    asked, found, before = search_of(**said), [], None
    with RunReader.beside(path) as reader:
        while page := reader.search(asked, limit, before):
            assert len(page) <= limit
            found += [line.run for line in page]
            before = page[-1].run
    assert found == [run for run, record in facts if fits(asked, record)]


def test_a_line_says_what_its_record_says(filled):
    path, facts = filled
    with RunReader.beside(path) as reader:
        lines = list(reader.search_all(Search()))
        assert [reader.record_of(line.run) for line in lines[:5]] == [
            record.model_copy(update={"run": run}) for run, record in facts[:5]
        ]
    for line, (run, record) in zip(lines, facts, strict=True):
        assert (line.run, line.serial, line.operator, line.product) == (
            run, record.valve.serial, record.operator, record.valve.product,
        )  # fmt: skip
        assert line.verdict == (record.verdict.value if record.verdict else "void")
        assert line.reason == record.reason


def test_no_such_run_to_go_on_from(filled):
    with RunReader.beside(filled[0]) as reader, pytest.raises(RunUnknownError):
        reader.search(Search(), 5, "B1-999999")


def test_records_from_before_can_be_read_but_not_searched(tmp_path):
    """A file that nobody brought up to date, on a write-protected stick."""
    path = tmp_path / "testbench.db"
    shutil.copy(RECORDS / "schema-0007.db", path)
    with RunReader.beside(path) as reader:
        assert len(reader.history()) == 3
        with pytest.raises(RecordsOlderError) as refusal:
            reader.search(Search())
    assert str(refusal.value) == f"The records in {path} are from before runs could be searched."


@pytest.mark.parametrize("version", [f"000{number}" for number in range(1, 9)])
def test_old_records_are_searched_once_brought_up_to_date(tmp_path, version):
    """Whatever version they are from; the run cut short is not closed and not found."""
    path = tmp_path / "testbench.db"
    shutil.copy(RECORDS / f"schema-{version}.db", path)
    with SqliteStore(path, "B1") as store:
        assert [line.serial for line in store.search(Search())] == ["HL-8-0119", "HL-6-0118", "HL-4-0117"]
        assert [line.run for line in store.search(search_of(part="0118", verdict="rejected"))] == ["B1-000002"]
        assert store.reasons(Search()) == {
            "seat test: leakage rate above the limit": 1, "shell test: stopped by the operator": 1,
        }  # fmt: skip
        assert store.rebuild_derived() == (3, 0)


# Derived, and made anew ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE finding SET measured = 0 WHERE run = 2 AND criterion = 'largest-leakage-rate'",
        "DELETE FROM finding WHERE run = 2",
        "UPDATE search_line SET serial = 'hl-9' WHERE run = 2",
        "INSERT INTO search_line SELECT number, 1, '2026-11-20', 'ghost' FROM run WHERE state = 'open'",
    ],
)
def test_what_was_changed_beside_the_program_is_told_and_mended(tmp_path, change):
    """The tables are a convenience: nothing binds them but the records that they are made from."""
    path = tmp_path / "testbench.db"
    shutil.copy(RECORDS / "schema-0007.db", path)
    SqliteStore(path, "B1").close()
    before = rows_of(path)
    stranger = sqlite3.connect(path)
    stranger.execute(change)
    stranger.commit()
    stranger.close()
    with SqliteStore(path, "B1") as store:
        assert store.rebuild_derived() == (3, 1)
        assert store.rebuild_derived() == (3, 0)
    assert rows_of(path) == before


def rows_of(path) -> list:
    file = sqlite3.connect(path)
    lines = "SELECT run, day, serial, product, verdict, operator, runs FROM search_line JOIN facet ON id = facet"
    rows = [
        file.execute(query).fetchall() for query in (f"{lines} ORDER BY run", "SELECT * FROM finding ORDER BY 1, 2")
    ]
    rows.append(file.execute("SELECT rowid FROM serial_part WHERE serial_part MATCH '\"011\"'").fetchall())
    file.close()
    return rows


def test_a_damaged_record_is_found_by_its_line_alone(tmp_path):
    """A file is brought up to date although one record cannot be read; the ledger says which."""
    path = tmp_path / "testbench.db"
    shutil.copy(RECORDS / "schema-0007.db", path)
    file = sqlite3.connect(path)
    file.execute("DROP TRIGGER record_update")
    file.execute("UPDATE record SET body = '{}' WHERE run = 2")
    file.commit()
    file.close()
    with SqliteStore(path, "B1") as store:
        (found,) = store.search(search_of(serial="HL-6-0118"))
    assert (found.verdict, found.product, found.operator, found.bench) == ("rejected", "", "", "B1")
