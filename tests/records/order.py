"""A bench with many closed runs of one order, quickly: one run that was evaluated, under other serial numbers."""

from pathlib import Path

from testbench.wiring import Home, make_home, open_store
from tests.records.make import STARTED, example_run, opening_of, valve

ORDER = "HL-2041"


def bench_with(folder: Path, runs: int) -> Home:
    """A home with so many runs of order HL-2041 that were accepted and have no document."""
    made = make_home(folder)
    record, traces = example_run("", valve("HL-4-0001", "NPS 4"))
    with open_store(made) as store:
        for number in range(1, runs + 1):
            tested = record.valve.model_copy(update={"serial": f"HL-4-{number:04d}"})
            one = record.model_copy(update={"valve": tested})
            run = store.begin_run(opening_of(one), STARTED)
            store.seal(one.model_copy(update={"run": run}), traces)
    return made
