"""A home with people and sealed runs that wait for their reviewer; also ``python tests/review_home.py FOLDER``.

Invented: orders HL-2041 and HL-2042 of the Ellery Water Board; Mara Quill and Orla Venn test, Tobin Ashe and Ines
Marlow review. The runs are those of ``tests/records/make.py``, told as simulated.
"""

import runpy
import sys
from pathlib import Path
from types import SimpleNamespace

from testbench.identity import desk_of
from testbench.run.signature import Meaning, Method, Role
from testbench.station.desk import Given
from testbench.station.people import OWNER
from testbench.wiring import Home, make_home, open_store

MAKE = SimpleNamespace(**runpy.run_path(str(Path(__file__).parent / "records" / "make.py")))
BENCH = Path(__file__).parents[1] / "testbench" / "rig" / "scenario" / "bench.toml"
ASHE, MARLOW = Given("ashe", "the tide at Port Ellery"), Given("marlow", "seven bells at noon")
QUILL, VENN = Given("quill", "7394"), Given("venn", "8052")
RUNS = (
    ("HL-4-0117", "NPS 4", "metal", "0.2 mL", "HL-2041"),
    ("HL-6-0118", "NPS 6", "metal", "6 mL", "HL-2041"),
    ("HL-6-0121", "NPS 6", "metal", "0.1 mL", "HL-2042"),
    ("HL-8-0119", "NPS 8", "resilient", "0.2 mL", "HL-2042"),
)
"""Serial number, size, seat, what was caught, order; the second one is rejected."""

ORDER = """\
number = "{number}"
customer = "Ellery Water Board"
procedure = "waterworks-swing-check"
"""
VALVE = """
[[valves]]
serial = "{0}"
type = "swing-check"
size = "{1}"
rated = "250 psi"
seat = "{2}"
"""


def review_home(folder: Path, runs=RUNS, performed=True) -> Home:
    """Make it.

    Args:
        folder: of the home.
        runs: as ``RUNS``.
        performed: whether the operator has signed them.
    """
    text = BENCH.read_text().replace("@PORT@", "/dev/null").replace("@CLOCK@", "")
    home = make_home(folder, text.replace("@CALIBRATED@", "2026-06-02").replace("@DUE@", "2027-06-01"))
    for number in dict.fromkeys(run[4] for run in runs):
        valves = "".join(VALVE.format(*run) for run in runs if run[4] == number)
        (folder / "orders" / f"{number}.toml").write_text(ORDER.format(number=number) + valves)
    with open_store(home) as store:
        desk = desk_of(home, store)
        password, both = (
            {Method.PASSWORD: ASHE.secret},
            {Method.PIN: VENN.secret, Method.PASSWORD: "salt and cold iron"},
        )
        desk.add(OWNER, "ashe", "Tobin Ashe", (Role.ENGINEER, Role.REVIEWER), password)
        desk.add("ashe", "quill", "Mara Quill", (Role.OPERATOR,), {Method.PIN: QUILL.secret})
        desk.add("ashe", "venn", "Orla Venn", (Role.OPERATOR, Role.REVIEWER), both)
        desk.add("ashe", "marlow", "Ines Marlow", (Role.REVIEWER,), {Method.PASSWORD: MARLOW.secret})
    for run in runs:
        add_run(home, *run, performed=performed)
    return home


def add_run(
    home: Home, serial, size, seat="metal", caught="0.2 mL", order="HL-2041", *, by=QUILL, performed=True, **other
):
    """Seal one more run of an authenticated operator; gives its number."""
    record, traces = MAKE.example_run("", MAKE.valve(serial, size, seat), caught, **other)
    name = {"quill": "Mara Quill", "venn": "Orla Venn"}[by.person]
    with open_store(home) as store:
        earlier = store.earlier_runs_of(serial)
        facts = {"operator": name, "operator_id": by.person, "order": order, "earlier": earlier}
        run = MAKE.keep_closed(store, record.model_copy(update=facts), traces)
        if performed:
            desk_of(home, store).sign_run(store.load(run)[0], by, Meaning.PERFORMED)
    return run


if __name__ == "__main__":
    review_home(Path(sys.argv[1]))
