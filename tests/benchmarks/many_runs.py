"""A store with very many runs, filled through the real tables in large batches.

The rows are those that the recorder writes for a run with two stages, only shorter: a record of some 500 B in place of
some 15 kB, traces of a few samples. The ledger is a real chain over them, and the store proves itself whole afterwards.
"""

import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import Connection, insert

from testbench.run.ledger import Entry, entry_after
from testbench.run.record import sha256
from testbench.run.samples import Trace
from testbench.store import codec, tables
from testbench.store.ledger import DOCUMENT, OPENED, SEALED, last_entry, opening_sha256, row_sha256, sealed_runs
from testbench.store.repository import SqliteStore

BATCH = 5_000
BEGAN_US = int(datetime(2016, 1, 4, 6, tzinfo=UTC).timestamp() * 1_000_000)
EVERY_US = 315_000_000  # a run every five minutes: a million of them in ten years
PRODUCTS = tuple(f"swing check valve NPS {nps}, ductile iron" for nps in (3, 4, 6, 8, 10, 12, 16, 20))
TRACE = Trace(np.arange(20, dtype=np.int64) * 1000, np.arange(20, dtype=np.int64) + 50_000)
STORED, TRACE_SHA256 = codec.encode(TRACE), TRACE.sha256()


def fill_up_to(path: Path, runs: int) -> None:
    """Add closed runs until there are so many; two of each valve."""
    with SqliteStore(path, "B1") as store, store.database.writing() as connection:
        triggers = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").all()
        for name, _ in triggers:
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        there = connection.exec_driver_sql("SELECT count(*) FROM run").scalar_one()
        for first in range(there + 1, runs + 1, BATCH):
            _fill(connection, range(first, min(first + BATCH, runs + 1)))
        for _, text in triggers:
            connection.exec_driver_sql(text)
    tidy = sqlite3.connect(path)
    tidy.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    tidy.close()


def serial_of(number: int) -> str:
    """Of the valve of a run."""
    return f"HL-{(number + 1) // 2:07d}"


def certificate_of(started: str) -> str:
    """Of the calibration that a run was measured on: a new one every month."""
    return f"CAL-{started[:7]}"


def _verdict(number: int) -> str:
    return "rejected" if number % 17 == 0 else "accepted"


def _fill(connection: Connection, numbers: range) -> None:
    runs = [_run(number) for number in numbers]
    rows = {
        "run": [header for header, _ in runs],
        "record": [{"run": header["number"], "body": body} for header, body in runs],
        "trace": [
            {"run": number, "stage": stage, "samples": 20, "sha256": TRACE_SHA256, "stored": STORED}
            for number in numbers
            for stage in (0, 1)
        ],
        "journal": [
            {"run": number, "seq": seq, "stage": seq // 3, "at": seq * 10_000, "event": "phase", "sentence": "Holding."}
            for number in numbers
            for seq in range(1, 7)
        ],
        "first_test": [
            {
                "run": number, "month": header["started"][:7], "product": PRODUCTS[number // 2 % len(PRODUCTS)],
                "origin": "live", "verdict": header["verdict"],
            }
            for number, (header, _) in zip(numbers, runs, strict=True)
            if number % 2
        ],
        "relied_on": [
            {"run": header["number"], "kind": kind, "subject": subject, "detail": detail}
            for header, _ in runs
            for kind, subject, detail in (
                ("calibration", certificate_of(header["started"]), "T-0042"),
                ("procedure", "waterworks-swing-check", "2"),
            )
        ],
        "document": [_document(header) for header, _ in runs],
    }  # fmt: skip
    for name, found in rows.items():
        connection.execute(insert(tables.METADATA.tables[name]), found)
    _chain(connection, numbers, rows)


def _run(number: int) -> tuple[dict[str, object], str]:
    opened_us = BEGAN_US + number * EVERY_US
    started, ended = (
        datetime.fromtimestamp(at / 1_000_000, UTC).isoformat(timespec="milliseconds")
        for at in (opened_us, opened_us + EVERY_US)
    )
    facts = {
        "id": f"B1-{number:06d}", "serial": serial_of(number), "order_number": f"HL-{number // 500:04d}",
        "verdict": _verdict(number), "started": started, "origin": "live",
        "stages": "shell test accepted, seat test accepted", "reason": "Every demanded stage was accepted.",
    }  # fmt: skip
    more = {
        "customer": "Ellery Water Board", "operator": "Mara Quill", "certificate_number": certificate_of(started),
        "ended": ended,
    }  # fmt: skip
    body = json.dumps(facts | more, sort_keys=True)
    header = facts | {
        "number": number, "opening": '{"order":"HL-2041"}', "opened_us": opened_us, "state": "closed",
        "ended": "completed", "record_sha256": sha256(body.encode()),
    }  # fmt: skip
    return header, body


def _document(header: dict[str, object]) -> dict[str, object]:
    return {
        "run": header["number"], "seq": 1, "kind": "certificate", "path": f"/srv/bench1/{header['id']}.pdf",
        "sha256": header["record_sha256"], "record_sha256": header["record_sha256"], "issued_us": header["opened_us"],
    }  # fmt: skip


def _chain(connection: Connection, numbers: range, rows: dict[str, list[dict[str, object]]]) -> None:
    last: Entry | None = last_entry(connection)
    sealed, chained = sealed_runs(connection, numbers), []
    for header, document in zip(rows["run"], rows["document"], strict=True):
        named = (
            (OPENED, header["id"], opening_sha256(header)),
            (SEALED, header["id"], sealed[header["number"]].sha256),
            (DOCUMENT, f"{header['id']}/1", row_sha256(document)),
        )
        for kind, subject, body_sha256 in named:
            at = header["opened_us"]
            last = entry_after(last, bench="B1", at=at, kind=kind, subject=subject, body_sha256=body_sha256)
            chained.append(last._asdict())
    connection.execute(insert(tables.ledger), chained)
