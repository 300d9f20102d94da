"""Calibrations, gauge checks and blank runs: kept in order, and a file from before them still opens."""

import shutil
import sqlite3
from pathlib import Path

from testbench.run.record import canonical
from testbench.station.summed_up import Kind
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from testbench.store.schema import HEAD
from tests.station.certificates import report

RECORDS = Path(__file__).parents[1] / "records"


def test_what_goes_into_a_register_comes_out_again(store, path, examples):
    """In the order of entry, by instrument, also for another program that only reads."""
    examples.fill_registers(store)
    store.add_blank('{"run":"B1-000001"}')
    more = [report(correction="the day was misread"), report(serial="T-0043", certificate_number="SCL-26-0500")]
    for one in more:
        store.add_calibration(one)
    with RunReader.beside(path) as reader:
        assert [one.certificate_number for one in reader.calibrations()] == ["SCL-26-0411"] * 2 + ["SCL-26-0500"]
        assert [one.correction for one in reader.calibrations_of("T-0042")] == ["", "the day was misread"]
        assert reader.calibrations()[1:] == tuple(more)
        assert [kept.check.gauge for kept in reader.gauge_checks_of("T-0042")] == ["test gauge G-07"]
        assert reader.gauge_checks_of("T-0043") == ()
        assert reader.blanks() == ('{"run":"B1-000001"}',)


def test_a_file_from_before_the_registers_is_read_as_it_is(path):
    """A reader changes nothing: its runs are there, the registers are empty, the version stays."""
    shutil.copy(RECORDS / "schema-0001.db", path)
    before = path.read_bytes()
    with RunReader.beside(path) as reader:
        assert len(reader.history()) == 3
        assert reader.calibrations() == reader.calibrations_of("T-0042") == ()
        assert reader.gauge_checks_of("T-0042") == ()
        assert reader.blanks() == ()
        assert reader.adoption_of("0" * 64) is None
        assert reader.summaries() == ()
        assert [reader.next_summary(kind) for kind in Kind] == [1, 1]
    assert path.read_bytes() == before


def test_a_writer_brings_such_a_file_up_to_date_and_loses_nothing(path):
    """Every run to the byte, and from then on the registers take rows."""
    shutil.copy(RECORDS / "schema-0001.db", path)
    old = sqlite3.connect(path)
    bodies = old.execute("SELECT run, body FROM record ORDER BY run").fetchall()
    old.close()
    with SqliteStore(path, "B1") as store:
        store.add_calibration(report())
        store.add_blank("{}")
        assert store.calibrations_of("T-0042") == (report(),)
        for number, body in bodies:
            record, _ = store.load(f"B1-{number:06d}")
            assert canonical(record).decode() == body
    again = sqlite3.connect(path)
    assert again.execute("SELECT run, body FROM record ORDER BY run").fetchall() == bodies
    assert again.execute("SELECT version_num FROM alembic_version").fetchone() == (HEAD,)
    again.close()
