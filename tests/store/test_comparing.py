"""Yields, reasons and series over the runs of a file; the series of the e-Handbook go in as findings of runs."""

import shutil
import sqlite3
from statistics import NormalDist

import numpy as np
import pytest

from testbench.metrology.charts import DEFAULT_RULES
from testbench.metrology.gauge_study import Measurement, crossed_anova, gauge_study
from testbench.metrology.statistics import FirstPassYield
from testbench.run.findings import LEAKAGE_RATE, PRESSURE_LOSS
from testbench.run.quality import balanced, control
from testbench.run.yields import Yield
from testbench.station.searching import Search, search_of
from testbench.store.repository import SqliteStore


def kept(store, examples, *told, **changes):
    """Runs of (serial, caught, stopped), in this order, with facts of the record changed."""
    for serial, caught, stopped in told:
        record, traces = examples.example_run("", examples.valve(serial, "NPS 4"), caught, stopped=stopped)
        examples.keep_closed(store, record.model_copy(update=changes), traces)


def test_yields_by_whatever_runs_have_in_common(store, examples):
    """The first run that decided counts, for whoever made it; a void one decides nothing."""
    kept(store, examples, ("HL-1", "0.2 mL", True), ("HL-1", "0.2 mL", False), ("HL-2", "60 mL", False))
    kept(store, examples, ("HL-2", "0.2 mL", False), ("HL-3", "0.2 mL", False), operator="Tobin Ashe", order="HL-7")
    assert store.yields(Search(), "operator") == (Yield("Mara Quill", 2, 1), Yield("Tobin Ashe", 1, 1))
    assert store.yields(Search(), "order") == (Yield("HL-2041", 2, 1), Yield("HL-7", 1, 1))
    assert store.yields(Search(), "month") == (Yield("2026-11", 3, 2),)
    assert store.yields(search_of(order="HL-7"), "procedure") == (Yield("waterworks-swing-check", 1, 1),)
    assert store.yields(search_of(origin="live"), "month") == ()
    assert store.yields(search_of(since="2026-12"), "month") == ()


def test_reasons_are_counted_by_run(store, examples):
    """Rejected runs by what did not conform, void ones by what was void; each run once for each reason."""
    kept(store, examples, ("HL-1", "60 mL", False), ("HL-2", "60 mL", False), ("HL-3", "0.2 mL", True),
         ("HL-4", "0.2 mL", False))  # fmt: skip
    assert store.reasons(Search()) == {
        "seat test: leakage rate above the limit": 2, "shell test: stopped by the operator": 1,
    }  # fmt: skip
    assert store.reasons(search_of(verdict="void")) == {"shell test: stopped by the operator": 1}
    assert store.reasons(search_of(verdict="accepted")) == {}


def test_a_series_is_read_in_the_order_of_the_runs(store, examples):
    """With day, serial number, operator and limit; what was void measured nothing."""
    kept(store, examples, ("HL-1", "0.2 mL", False), ("HL-2", "0.2 mL", True), ("HL-3", "60 mL", False))
    found = store.measured(Search(), "seat test", LEAKAGE_RATE)
    assert [(one.run, one.day, one.serial) for one in found] == [
        ("B1-000001", "2026-11-20", "HL-1"), ("B1-000003", "2026-11-20", "HL-3"),
    ]  # fmt: skip
    assert found[0].value < found[0].most < found[1].value
    assert store.measured(Search(), "shell test", LEAKAGE_RATE) == []
    assert len(store.measured(search_of(serial="hl-3"), "shell test", PRESSURE_LOSS)) == 1


# The e-Handbook through the history ----------------------------------------------------------------


def with_series(path, examples, cells: list[tuple[str, str, float]], criterion: str = LEAKAGE_RATE) -> None:
    """One closed run for each (serial, operator, value); the value then put into what is derived of it."""
    with SqliteStore(path, "B1") as store:
        made = examples.example_run("", examples.valve("X", "NPS 4"))
        for serial, operator, _ in cells:
            record, traces = made
            valve = record.valve.model_copy(update={"serial": serial})
            examples.keep_closed(store, record.model_copy(update={"valve": valve, "operator": operator}), traces)
    file = sqlite3.connect(path)
    file.executemany(
        "UPDATE finding SET measured = ? WHERE run = ? AND criterion = ?",
        [(value, run, criterion) for run, (_, _, value) in enumerate(cells, 1)],
    )
    file.commit()
    file.close()


def test_the_flow_rates_of_the_e_handbook_through_the_history(path, empty, examples):
    """NIST/SEMATECH e-Handbook 6.3.2.2 (from memory): centre 50.81, MR̄ 1.8778, limits 45.8159 … 55.8041, no signal."""
    shutil.copy(empty, path)
    flow = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
    cells = [(f"HL-{number}", "Mara Quill", value) for number, value in enumerate(flow)]
    with_series(path, examples, cells, PRESSURE_LOSS)
    with SqliteStore(path, "B1") as store:
        points = store.measured(search_of(operator="quill"), "shell test", PRESSURE_LOSS)
    found = control(PRESSURE_LOSS, "kPa", points, None, DEFAULT_RULES)
    assert found.values.centre == pytest.approx(50.81)
    assert found.ranges.centre == pytest.approx(1.8778, abs=5e-5)
    assert (found.values.lower[0], found.values.upper[0]) == pytest.approx((45.8159, 55.8041), abs=0.002)
    assert found.told == []


def test_the_capability_of_the_e_handbook_through_the_history(path, empty, examples):
    """NIST/SEMATECH e-Handbook 6.1.6 (from memory): mean 16, s 2, upper limit 20: the index against it is 0.6667.

    Of the example only these figures are given; the values here are normal quantiles with that mean and s, mixed so
    that the base is in control (another order may signal, and then no index is told).
    """
    shutil.copy(empty, path)
    drawn = np.random.default_rng(3).permutation([NormalDist().inv_cdf((n - 0.5) / 60) for n in range(1, 61)])
    values = 16 + 2 * (drawn - drawn.mean()) / drawn.std(ddof=1)
    with_series(path, examples, [(f"HL-{n}", "Mara Quill", float(value)) for n, value in enumerate(values)])
    file = sqlite3.connect(path)
    file.execute("UPDATE finding SET most = 20 WHERE criterion = ?", (LEAKAGE_RATE,))
    file.commit()
    file.close()
    with SqliteStore(path, "B1") as store:
        points = store.measured(Search(), "seat test", LEAKAGE_RATE)
    found = control(LEAKAGE_RATE, "mL/min", points, None, DEFAULT_RULES)
    assert found.why_no_capability == ""
    assert found.capability.cpk == pytest.approx(0.6667, abs=5e-5)


def test_the_defectives_of_the_e_handbook_through_the_history(path, empty, examples):
    """NIST/SEMATECH e-Handbook 7.2.4.1 (from memory): 4 of 20 at 90 %, exact: 0.071354 … 0.401028."""
    shutil.copy(empty, path)
    with SqliteStore(path, "B1") as store:
        made = {
            caught: examples.example_run("", examples.valve("X", "NPS 4"), caught) for caught in ("0.2 mL", "60 mL")
        }
        for number in range(20):
            record, traces = made["60 mL" if number % 5 == 0 else "0.2 mL"]
            valve = record.valve.model_copy(update={"serial": f"HL-{number}"})
            examples.keep_closed(store, record.model_copy(update={"valve": valve}), traces)
        (found,) = store.yields(Search(), "month")
    assert (found.tested - found.passed, found.tested) == (4, 20)
    exact = FirstPassYield(found.tested - found.passed, found.tested).clopper_pearson(0.90)
    assert (exact.low, exact.high) == pytest.approx((0.071354, 0.401028), abs=1e-6)


def test_a_gauge_study_through_the_history_is_that_of_the_plain_values(path, empty, examples):
    """Three valves by two operators, twice each, in any order; one valve that only one of them had is left out."""
    shutil.copy(empty, path)
    values = [3.1, 3.3, 3.0, 3.4, 4.1, 4.2, 4.4, 4.0, 5.2, 5.1, 5.0, 5.5]
    cells = [
        (f"HL-{valve}", operator, values[valve * 4 + trial * 2 + which])
        for trial in range(2)
        for which, operator in enumerate(("Mara Quill", "Tobin Ashe"))
        for valve in range(3)
    ]
    with_series(path, examples, [*cells, ("HL-9", "Mara Quill", 9.9)])
    with SqliteStore(path, "B1") as store:
        kept_, left_out = balanced(store.measured(Search(), "seat test", LEAKAGE_RATE))
    assert left_out == ["HL-9"]
    ours = gauge_study(crossed_anova([Measurement(one.serial, one.operator, one.value) for one in kept_]))
    plain = gauge_study(crossed_anova([Measurement(*cell) for cell in cells]))
    assert ours.gauge == pytest.approx(plain.gauge)
    assert ours.part == pytest.approx(plain.part)
