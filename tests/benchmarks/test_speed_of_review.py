"""Queue, board and page of a run on very many runs. Figures are printed (``pytest -m benchmark -s``); none is asserted.

``TESTBENCH_RUNS`` says how many (default 20,000). All but the newest 2,000 are performed and released. Beside ours, in
the same run: the queue as an anti-join of runs and signatures, without a list of what waits.
"""

import os
import sqlite3
import sys
from pathlib import Path

import pytest
from sqlalchemy import insert

from testbench.procedure.valve import Order, Valve
from testbench.station.board import board
from testbench.store import tables
from testbench.store.repository import SqliteStore
from tests.benchmarks.many_runs import fill_up_to, serial_of
from tests.benchmarks.test_many_runs import median_ms

RUNS = int(os.environ.get("TESTBENCH_RUNS", "20000"))
WAITING = 2_000
ORDERS = 16  # of 250 valves and 500 runs
pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(0)]

PLAIN = """SELECT run.id FROM run WHERE state = 'closed' AND verdict = 'accepted' AND NOT EXISTS
    (SELECT 1 FROM signature WHERE subject = run.id AND meaning = 'released') ORDER BY number LIMIT 200"""


def fill_signatures(path: Path, runs: int) -> None:
    """Two signatures for each run but the newest, which wait; the bodies are empty, for only the columns are asked."""
    with SqliteStore(path, "B1") as store, store.database.writing() as connection:
        if connection.exec_driver_sql("SELECT count(*) FROM signature").scalar_one():
            return
        connection.exec_driver_sql("DROP TRIGGER signature_seq")
        for first in range(1, runs - WAITING + 1, 10_000):
            numbers = range(first, min(first + 10_000, runs - WAITING + 1))
            rows = [
                {"seq": 2 * number - 1 + which, "subject": f"B1-{number:06d}", "meaning": meaning, "body": "{}"}
                for number in numbers
                for which, meaning in enumerate(("performed", "released"))
            ]
            connection.execute(insert(tables.signature), rows)
        waiting = [
            {"run": number, "meaning": "released", "order_number": f"HL-{number // 500:04d}", "operator": "Mara Quill"}
            for number in range(runs - WAITING + 1, runs + 1)
        ]
        connection.execute(insert(tables.waiting), waiting)


def order(number: int) -> Order:
    facts = {"type": "swing-check", "size": "NPS 8", "rated": "250 psi", "seat": "metal"}
    template = Valve.model_validate({"serial": "x", **facts})
    serials = sorted({serial_of(run) for run in range(max(1, number * 500), number * 500 + 500)})
    valves = tuple(template.model_copy(update={"serial": serial}) for serial in serials)
    return Order(number=f"HL-{number:04d}", customer="x", procedure="x", valves=valves)


def test_queue_board_and_seal(tmp_path_factory):
    """Goal: 50 ms for queue and board at a million runs."""
    folder = Path(os.environ.get("TESTBENCH_REVIEW_IN") or tmp_path_factory.mktemp("review"))
    path = folder / "testbench.db"
    fill_up_to(path, RUNS)
    fill_signatures(path, RUNS)
    last = RUNS // 500 - 1
    orders = [order(number) for number in range(max(1, last - 2 * ORDERS), last - ORDERS)] + [order(last)]
    middle = f"B1-{RUNS - WAITING // 2:06d}"
    plain = sqlite3.connect(path)
    with SqliteStore(path, "B1") as store:
        told = {
            "queue, the oldest 200": lambda _: store.waiting(),
            "queue, 200 from the middle": lambda _: store.waiting(after=middle),
            "queue of an order": lambda _: store.waiting(order=f"HL-{last:04d}"),
            "how many wait, by order": lambda _: store.waiting_by_order(),
            "board, states": lambda _: store.states_of(orders),
            "board, released": lambda _: store.released_of(orders),
            "board, without a certificate": lambda _: store.without_certificate(orders),
            "board, whole": lambda _: board(
                orders, store.states_of(orders), store.released_of(orders), (), store.without_certificate(orders)
            ),
            "what a run bears, its seal checked": lambda n: store.borne_by(f"B1-{RUNS - n * 37:06d}"),
            "plain: queue without a list": lambda _: plain.execute(PLAIN).fetchall(),
        }
        assert len(store.waiting()) == 200
        sys.stdout.write(
            f"\n{RUNS:,} runs, {len(orders)} orders of {sum(len(one.valves) for one in orders):,} valves on the board\n"
        )
        for what, call in told.items():
            sys.stdout.write(f"  {what:<40} {median_ms(call, 15):>9.2f} ms\n")
    plain.close()
