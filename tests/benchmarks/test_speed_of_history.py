"""How long searches, yields, reasons and charts take over very many runs, beside the plain ways in the same run.

``TESTBENCH_RUNS`` says how many (default 20,000), ``TESTBENCH_RUNS_IN`` names a folder whose file is used again. No
time is asserted; what is found is compared with what is looked for run by run.
"""

import os
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import text

from testbench.metrology.charts import DEFAULT_RULES, RunRule
from testbench.run.findings import LEAKAGE_RATE, PRESSURE_LOSS
from testbench.run.quality import control, pareto
from testbench.station.searching import search_of
from testbench.store.reading import RunReader
from tests.benchmarks.many_findings import CAME, LEFT, derive_many, facets_of
from tests.benchmarks.many_runs import fill_up_to, serial_of

RUNS = int(os.environ.get("TESTBENCH_RUNS", "20000"))
pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(0)]

SEARCHES = {
    "everything": {},
    "serial number": {"serial": serial_of(RUNS // 3)},
    "beginning of few": {"prefix": serial_of(RUNS // 3)[:-2]},
    "beginning of all": {"prefix": "HL-"},
    "beginning of the oldest": {"prefix": serial_of(1)[:-4]},
    "beginning of none": {"prefix": "XX-"},
    "part of few": {"part": serial_of(RUNS // 3)[-4:]},
    "part of all": {"part": "HL-"},
    "part of none": {"part": "xyz"},
    "order": {"order": f"HL-{RUNS // 1000:04d}"},
    "product": {"product": "NPS 6"},
    "rejected": {"verdict": "rejected"},
    "inconclusive": {"verdict": "inconclusive"},
    "operator of long ago": {"operator": LEFT},
    "operator of this week": {"operator": CAME},
    "standard of all": {"procedure": "AWWA"},
    "standard of none": {"procedure": "API"},
    "a month": {"since": "2016-02", "until": "2016-02"},
    "a month that nothing ran in": {"since": "2031-01"},
    "operator, product, verdict": {"operator": LEFT, "product": "NPS 6", "verdict": "rejected"},
    "part of all, operator of long ago": {"part": "HL-", "operator": LEFT},
    "part of the newest, operator of long ago: none": {"part": serial_of(RUNS)[:-4], "operator": LEFT},
    "all fields at once": {
        "part": "011", "prefix": "HL-", "product": "NPS", "operator": "Operator", "verdict": "accepted",
        "origin": "live", "bench": "B1", "procedure": "awwa", "since": "2016", "until": "2030",
    },
}  # fmt: skip


def took(call: Callable[[], object], times: int) -> str:
    """Processor and wall time of one call [ms], each the median of so many; the first of them warms up."""
    figures = []
    for _ in range(times + 1):
        wall, processor = time.perf_counter(), time.process_time()
        call()
        figures.append(((time.process_time() - processor) * 1000, (time.perf_counter() - wall) * 1000))
    processors, walls = zip(*figures[1:], strict=True)
    return f"{statistics.median(processors):.1f} | {statistics.median(walls):.1f}"


PLAIN = """
SELECT id FROM run JOIN record ON record.run = run.number
WHERE serial LIKE :part AND json_extract(body, '$.operator') LIKE :operator ORDER BY number DESC LIMIT 50 OFFSET :skip
"""


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    path = Path(os.environ.get("TESTBENCH_RUNS_IN") or tmp_path_factory.mktemp("history")) / "testbench.db"
    fill_up_to(path, RUNS)
    begun = time.perf_counter()
    derive_many(path)
    print(f"\nderived by SQL in {time.perf_counter() - begun:.0f} s")  # noqa: T201
    with RunReader.beside(path) as opened:
        yield opened


def plainly(asked, runs: int) -> list[str]:
    """Run by run from the newest, the first fifty that fit; days apart."""
    found = []
    for number in range(runs, 0, -1):
        product, operator, verdict = facets_of(number, runs)
        serial = serial_of(number).lower()
        if (
            asked.serial.lower() in {"", serial}
            and serial.startswith(asked.prefix.lower())
            and asked.part.lower() in serial
            and asked.product in product
            and asked.operator in operator
            and asked.verdict in {"", verdict}
        ):
            found.append(f"B1-{number:06d}")
            if len(found) == 50:
                break
    return found


def test_searches(reader):
    """Each in any combination: goal 50 ms."""
    columns = "processor [ms] | wall [ms] | next page, processor | wall"
    print(f"\n| search among {RUNS:,} runs | {columns} |\n|---|---|---|---|---|")  # noqa: T201
    for name, said in SEARCHES.items():
        asked = search_of(**said)
        first = reader.search(asked)
        if not {"order", "procedure", "since", "until", "bench"} & said.keys():
            assert [run.run for run in first] == plainly(asked, RUNS), name
        figures = took(lambda asked=asked: reader.search(asked), 9)
        before = first[-1].run if first else None
        following = took(lambda asked=asked, before=before: reader.search(asked, 50, before), 9) if first else "|"
        print(f"| {name}: {len(first)} | {figures} | {following} |")  # noqa: T201


@pytest.mark.parametrize(("part", "operator", "skip"), [("%117%", "%", 0), ("%", "nobody", 0), ("%", "%", RUNS - 50)])
def test_the_plain_way(reader, part, operator, skip):
    """LIKE over every serial number, the operator out of every record, a page by OFFSET."""
    values = {"part": part, "operator": operator, "skip": skip}

    def plain() -> None:
        with reader.database.reading() as connection:
            connection.execute(text(PLAIN), values).all()

    print(f"\nplainly, {values}: {took(plain, 2)} ms")  # noqa: T201


def test_yields_reasons_and_charts(reader):
    """Over the newest year: goal 1 s."""
    newest = int(reader.search(search_of())[0].started[:4])
    year = search_of(day=str(newest))
    of_product = year.model_copy(update={"product": "NPS 6"})

    def charted(asked, stage, what, rules) -> int:
        points = reader.measured(asked, stage, what)
        return len(control(what, "", points, points[: len(points) // 4], rules).told)

    measures = {
        "yield by month": lambda: reader.yields(year, "month"),
        "yield by product": lambda: reader.yields(year, "product"),
        "yield by operator": lambda: reader.yields(year, "operator"),
        "yield by order": lambda: reader.yields(year, "order"),
        "reasons": lambda: pareto(reader.reasons(year)),
        "leakage of one product, all rules": lambda: charted(of_product, "seat test", LEAKAGE_RATE, tuple(RunRule)),
        "pressure loss of all": lambda: charted(year, "shell test", PRESSURE_LOSS, DEFAULT_RULES),
    }
    count = sum(one.tested for one in reader.yields(year, "month"))
    print(f"\n| in {newest}: {count:,} first tests | processor [ms] | wall [ms] |\n|---|---|---|")  # noqa: T201
    for name, call in measures.items():
        print(f"| {name} | {took(call, 3)} |")  # noqa: T201
