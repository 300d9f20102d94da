"""Pages of the history at any depth, serial numbers in either case, and what first-pass yield counts."""

import sqlite3
from datetime import datetime, timedelta

import pytest
from sqlalchemy import event

from testbench.run.yields import Yield
from testbench.station.searching import search_of


def kept(store, examples, *told: tuple[str, str, bool]) -> list[str]:
    """Runs of (serial, caught, stopped), in this order."""
    return [
        examples.keep_closed(store, *examples.example_run("", examples.valve(serial, "NPS 4"), caught, stopped=stopped))
        for serial, caught, stopped in told
    ]


def test_only_the_first_run_that_decided_counts(store, examples):
    """A void run decided nothing; what failed first stays failed, in whichever case its number is written later."""
    kept(
        store, examples,
        ("HL-1", "0.2 mL", True),  # void
        ("HL-1", "0.2 mL", False),  # passes at its first test
        ("HL-2", "60 mL", False),  # fails
        ("hl-2", "0.2 mL", False),  # and passes later
        ("HL-3", "0.2 mL", False),
        ("HL-3", "60 mL", False),
    )  # fmt: skip
    assert store.yields(search_of(origin="simulated"), "month") == (Yield("2026-11", 3, 2),)
    (product,) = {valve.product for valve in [examples.valve("HL-1", "NPS 4")]}
    assert store.yields(search_of(origin="simulated"), "product") == (Yield(product, 3, 2),)
    assert store.yields(search_of(origin="live"), "month") == ()


def test_a_history_is_read_page_by_page(store, examples):
    """Each page begins where the one before ended."""
    runs = kept(store, examples, *((f"HL-{number}", "0.2 mL", True) for number in range(5)))
    pages, before = [], None
    while page := store.history(2, before):
        pages.append([line.run for line in page])
        before = page[-1].run
    assert pages == [runs[4:2:-1], runs[2:0:-1], runs[:1]]


def test_serial_numbers_are_found_by_their_beginning(store, examples):
    """Letters alike in either case; signs that mean something elsewhere mean themselves."""
    serials = ["HL-4-0117", "hl-4-0118", "HL-40", "XL-4", "HL_4", "Ü-1", "Ü-2"]
    kept(store, examples, *((serial, "0.2 mL", True) for serial in serials))

    def found(serial: str) -> list[str]:
        return sorted(line.serial for line in store.history(serial=serial))

    assert found("hl-4-") == ["HL-4-0117", "hl-4-0118"]
    assert found("HL-4") == ["HL-4-0117", "HL-40", "hl-4-0118"]
    assert found("HL%") == found("HL-5") == []
    assert found("Ü") == ["Ü-1", "Ü-2"]


def test_a_serial_number_of_other_letters_is_found_again(store, examples):
    """SQLite folds the letters A to Z only; both sides are folded by it, so that Ü is at least itself."""
    (run,) = kept(store, examples, ("Ü-1", "0.2 mL", False))
    assert store.accepted_run_of("Ü-1") == run
    assert [earlier.run for earlier in store.earlier_runs_of("Ü-1")] == [run]


@pytest.mark.parametrize(
    ("ask", "plan"),
    [
        (lambda store: store.earlier_runs_of("HL-1"), "SEARCH run USING INDEX ix_run_folded_serial_number"),
        (lambda store: store.accepted_run_of("HL-1"), "SEARCH run USING INDEX ix_run_folded_serial_number"),
        (lambda store: store.history(serial="HL"), "SEARCH run USING INDEX ix_run_folded_serial_number"),
        (lambda store: store.open_runs(), "SCAN run USING INDEX ix_run_open"),
        (lambda store: store.statements("key"), "SEARCH ledger USING INDEX ix_ledger_stated"),
        (
            lambda store: store.nonconformities_of("HL-1"),
            "SEARCH nonconformity USING INDEX ix_nonconformity_folded_serial",
        ),
    ],
    ids=[
        "earlier runs",
        "accepted run",
        "beginning of a serial number",
        "open runs",
        "statements",
        "nonconformities",
    ],
)
def test_a_question_is_served_by_its_index(store, ask, plan):
    """The very statement that is asked is explained; ``ix_run_open`` holds open runs only."""
    asked = []

    @event.listens_for(store.database._engine, "before_cursor_execute")
    def note(*told: object) -> None:
        asked.append(told[2:4])

    ask(store)
    (statement, values) = next(one for one in asked if one[0].startswith("SELECT"))
    with store.database.reading() as connection:
        steps = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).all()
    assert steps[0][3].startswith(plan)


def test_the_runs_of_a_shift_are_those_that_ended_in_it(store, path, examples):
    """From its first second on and before its last; one whose record is torn is told whenever it ended."""
    runs = kept(store, examples, *((f"HL-{number}", "0.2 mL", True) for number in range(2)))
    ended = store.record_of(runs[0]).ended
    assert store.record_of(runs[1]).ended == ended
    second = ended.partition(".")[0]
    after = (datetime.fromisoformat(second) + timedelta(seconds=1)).isoformat()
    assert store.runs_ended(second, after) == tuple(runs)
    assert store.runs_ended(after, "2030-01-01T00:00:00") == ()
    assert store.runs_ended("2020-01-01T00:00:00", second) == ()
    file = sqlite3.connect(path)
    file.execute("DROP TRIGGER record_update")
    file.execute("UPDATE record SET body = 'torn' WHERE run = 2")
    file.commit()
    file.close()
    assert store.runs_ended(after, "2030-01-01T00:00:00") == (runs[1],)
