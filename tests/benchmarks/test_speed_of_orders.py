"""How long an order of 10,000 lines takes on its way in and to the screens, beside plain ways in the same run.

Figures are printed (``pytest -m benchmark -s tests/benchmarks/test_speed_of_orders.py``); no time is asserted. Goals:
10,000 lines imported within 5 s; the order board within 50 ms on 1,000,000 runs.
"""

import csv
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from testbench.procedure.order_rows import planned
from testbench.procedure.valve import Order, Valve
from testbench.procedure_files.loader import OrderShelf, find_procedure, load_orders
from testbench.procedure_files.order_csv import read_sheet
from testbench.procedure_files.order_files import keep_order, orders_locked
from testbench.station import messages as m
from testbench.station.board import board
from testbench.station.offering import offered, search
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from testbench.wiring import check_printable

LINES = 10_000
HEAD = "number,customer,procedure,type,size,rated,seat,serial,product,drawing,heat_numbers\n"
LINE = (
    "HL-2050,Ellery Water Board,waterworks-swing-check,swing-check,NPS 8,250 psi,metal,"
    'HL-8-{0:05d},SC-8,D-1,"F{0}, F{0}"\n'
)
RUNS, VALVES_OF_AN_ORDER, OPEN_ORDERS = 1_000_000, 40, 200


def say(text: str) -> None:
    print(text)  # noqa: T201 - the figures are what this file is for


def best_ms(work: Callable[[], object], repeats: int = 3) -> float:
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append((time.perf_counter() - begun) * 1e3)
    return min(times)


@pytest.fixture(scope="module")
def file(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("import") / "order.csv"
    path.write_text(HEAD + "".join(LINE.format(number) for number in range(LINES)))
    return path


def plan(file: Path, existing=()):
    procedure, _ = find_procedure("waterworks-swing-check", None)
    return planned(
        read_sheet(file).rows, {}, existing=existing, find_procedure=lambda _: procedure, check_text=check_printable
    )


@pytest.mark.benchmark
def test_an_order_of_ten_thousand_lines_is_imported(file, tmp_path):
    """Every cell looked at, every number held against every other, written and on disk; beside csv + dict alone."""

    def naive() -> int:
        with file.open(newline="") as lines:
            return len({row["serial"]: row for row in csv.DictReader(lines)})

    def imported() -> None:
        with orders_locked(tmp_path):
            keep_order(tmp_path, plan(file).order).unlink()

    def again() -> None:
        plan(file, [order])

    assert naive() == LINES
    order = plan(file).order
    assert len(order.valves) == LINES
    plainly, took, refused = best_ms(naive), best_ms(imported), best_ms(again)
    say(f"import of {LINES} lines: {took:.0f} ms ({took / plainly:.0f} × csv + dict, {plainly:.0f} ms); goal 5000 ms")
    say(f"the same lines refused, each for a number that is there: {refused:.0f} ms")


@pytest.mark.benchmark
def test_an_order_of_ten_thousand_valves_at_the_screen(file, tmp_path):
    """Read again when nothing changed; offered; told; searched; beside all of it in every update."""
    with orders_locked(tmp_path):
        keep_order(tmp_path, plan(file).order)
    shelf = OrderShelf(tmp_path)
    (order,) = shelf()[0]
    everything = m.OrderLine(
        order=order.number,
        customer=order.customer,
        valves=tuple(m.ValveLine(serial=one.serial, valve=one.in_one_line, state="to do") for one in order.valves),
    )
    whole = everything.model_dump_json()
    told = "".join(line.model_dump_json() for line in offered([order], {}))
    first, later = best_ms(lambda: load_orders(tmp_path)), best_ms(shelf)
    say(f"file read: {first:.0f} ms the first time, {later:.2f} ms where it has not changed")
    made = best_ms(lambda: offered([order], {}))
    say(f"told: {len(told) / 1e3:.0f} kB once a change, made in {made:.1f} ms; all of it: {len(whole) / 1e3:.0f} kB")
    say(f"a scan found in {best_ms(lambda: search([order], {}, 'HL-8-09999')):.1f} ms")


@pytest.fixture(scope="module")
def million(tmp_path_factory) -> Path:
    """1,000,000 closed runs of 25,000 orders, as their lines in the history; records and traces left out."""
    path = tmp_path_factory.mktemp("store") / "testbench.db"
    SqliteStore(path, "B1").close()
    rows = (
        (n, f"B1-{n:06d}", "{}", n, "closed", f"S-{n:07d}", f"A-{n // VALVES_OF_AN_ORDER:05d}", "accepted", "x")
        for n in range(1, RUNS + 1)
    )
    with sqlite3.connect(path) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.executemany(
            "INSERT INTO run (number, id, opening, opened_us, state, serial, order_number, verdict, record_sha256) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            rows,
        )
    connection.close()
    return path


@pytest.mark.benchmark
@pytest.mark.timeout(600)
def test_the_order_board_on_a_million_runs(million):
    """200 open orders of 40 valves; beside the same without the index on the order's number."""
    facts = {"type": "swing-check", "size": "NPS 8", "rated": "250 psi", "seat": "metal"}
    template = Valve.model_validate({"serial": "x", **facts})

    def order(number: int) -> Order:
        first = number * VALVES_OF_AN_ORDER
        serials = [f"S-{n:07d}" for n in range(first, first + VALVES_OF_AN_ORDER)]
        valves = tuple(template.model_copy(update={"serial": serial}) for serial in serials)
        return Order(number=f"A-{number:05d}", customer="x", procedure="x", valves=valves)

    orders = [order(number * 100 + 1) for number in range(OPEN_ORDERS)]
    with RunReader.beside(million) as store:
        took = best_ms(lambda: board(orders, store.states_of(orders)))
        assert all(line.accepted == VALVES_OF_AN_ORDER for line in board(orders, store.states_of(orders)))
    with sqlite3.connect(million) as connection:
        scan = best_ms(
            lambda: connection.execute(
                "SELECT serial, verdict FROM run NOT INDEXED WHERE order_number = 'A-00001' ORDER BY number"
            ).fetchall(),
            1,
        )
    connection.close()
    say(f"board of {OPEN_ORDERS} orders on {RUNS} runs: {took:.0f} ms, goal 50 ms")
    say(f"one of these orders without the index on the order's number: {scan:.0f} ms")
