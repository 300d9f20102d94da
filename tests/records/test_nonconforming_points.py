"""ISO 9001:2015, point 8.7, control of nonconforming outputs: a checklist that is held against a bench at work.

Numbers and sense of the points are from memory; verify against your copy of the standard. The words are our own. The
table in DEVELOPERS.md is what this file says, line by line; no claim of conformity of a works is made by it.
"""

import pkgutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from testbench.errors import NonconformityStepError, NotReadyToReleaseError, RoleMissingError, SerialUndecidedError
from testbench.procedure.valve import Order
from testbench.run.nonconformity import Standing
from testbench.run.retest import check_retest
from testbench.station.board import board
from testbench.store.reading import RunReader
from testbench.wiring import Home, open_store
from tests.records.make import example_run, keep_closed, valve
from tests.records.test_audit_points import (  # noqa: F401 - fixtures of the same bench
    ACCEPTED,
    ASHE,
    PAGE,
    QUILL,
    REJECTED,
    VENN,
    Point,
    call,
    change,
    cheap,
    done,
    home,
    once,
    sign,
)

NUMBER, SERIAL = "N-B1-000001", "HL-4-0118"
POINTS: dict[str, Point] = {}


def point(number: str, wants: str, *met_in: str) -> Callable[[Callable[[Path], None]], None]:
    """Enter what follows into the checklist."""

    def enter(check: Callable[[Path], None]) -> None:
        POINTS[number] = Point(wants, met_in, check)

    return enter


def enter(home: Path, *words: str) -> str:  # noqa: F811
    return done(home, "nonconformity", *words, "--by", "venn", lines=(VENN,))


def rework(home: Path, *parts: str) -> None:  # noqa: F811
    enter(home, "dispose", NUMBER, "--disposition", "rework", "--why", "The seat can be lapped.")
    disturbed = [word for part in parts for word in ("--disturbed", part)]
    enter(home, "rework", NUMBER, "--done", "Seat lapped.", *disturbed)


def standing(home: Path) -> Standing:  # noqa: F811
    with RunReader.beside(home / "testbench.db") as store:
        return store.nonconformity(NUMBER).standing


@point("8.7.1, first paragraph", "what does not conform is identified, and kept from being delivered",
       "store.nonconformities.NonconformityWriter", "station.board", "station.sign_off.check_may_sign")  # fmt: skip
def _(home: Path) -> None:  # noqa: F811
    assert f"{NUMBER}  " in done(home, "nonconformity", "list", "--open")
    order = Order(
        number="HL-2041", customer="Ellery Water Board", procedure="waterworks-swing-check",
        valves=(valve(SERIAL, "NPS 4"),),
    )  # fmt: skip
    with RunReader.beside(home / "testbench.db") as store:
        (line,) = board((order,), store.states_of((order,)))
    assert (line.rejected, line.accepted) == (1, 0)
    assert isinstance(sign(home, REJECTED, "ashe", "released", ASHE).exception, NotReadyToReleaseError)


@point("8.7.1, after delivery", "what is found out after delivery is dealt with as well",
       "nonconforming.recall_calibration", "run.recall")  # fmt: skip
def _(home: Path) -> None:  # noqa: F811
    told = done(home, "recall", "calibration", "CAL-26-0311", "--why", "Withdrawn.", "--by", "venn", lines=(VENN,))
    assert f"has left: C-{ACCEPTED}" in told


@point("8.7.1 a", "it may be corrected", "run.nonconformity.Reworked", "run.retest.check_retest")
def _(home: Path) -> None:  # noqa: F811
    refused = call(home, "nonconformity", "rework", NUMBER, "--done", "Lapped.", "--disturbed", "seat", "--by", "venn",
                   lines=(VENN,))  # fmt: skip
    assert isinstance(refused.exception, NonconformityStepError)
    rework(home, "seat")
    assert standing(home) is Standing.REWORKED


@point("8.7.1 b", "it may be set apart: scrap ends the serial number, and an undecided valve is not tested",
       "run.nonconformity.Disposition", "run.retest.check_retest")  # fmt: skip
def _(home: Path) -> None:  # noqa: F811
    with RunReader.beside(home / "testbench.db") as store:
        requirements, found = store.load(REJECTED)[0].requirements, store.nonconformities_of(SERIAL)
    with pytest.raises(SerialUndecidedError):
        check_retest(SERIAL, found, requirements, trial=True)
    enter(home, "dispose", NUMBER, "--disposition", "scrap", "--why", "Porous.")
    words = ("nonconformity", "dispose", NUMBER, "--disposition", "rework", "--why", "After all.")
    again = call(home, *words, "--by", "venn", lines=(VENN,))
    assert isinstance(again.exception, NonconformityStepError)


@point("8.7.1 c", "the customer is told: the recall names the documents that have left", "run.recall.RecallLine",
       "cli.certificate.verify")  # fmt: skip
def _(home: Path) -> None:  # noqa: F811
    done(home, "recall", "procedure", "waterworks-swing-check", "--why", "Misprint.", "--by", "venn", lines=(VENN,))
    page = home / "certificates" / f"C-{ACCEPTED}_HL-4-0117.pdf"
    told = call(home, "certificate", "verify", str(page))
    assert told.exit_code == 5
    assert told.output.startswith(f"RECALLED: C-{ACCEPTED} was recalled by RC-B1-000001 on ")


@point("8.7.1 d", "it may be accepted under a concession by whoever has the authority; the verdict stays",
       "run.nonconformity.Disposed")  # fmt: skip
def _(home: Path) -> None:  # noqa: F811
    words = ("dispose", NUMBER, "--disposition", "concession", "--why", "Used as a drain valve.")
    assert call(home, "nonconformity", *words, "--by", "venn", lines=(VENN,)).exit_code == 1
    enter(home, *words, "--authority", "Ellery Water Board", "--reference", "EWB-C-12")
    assert standing(home) is Standing.CONCEDED
    assert isinstance(sign(home, REJECTED, "ashe", "released", ASHE).exception, NotReadyToReleaseError)


@point("8.7.1, last paragraph", "what was corrected is shown to conform, the shell as well where it was disturbed",
       "run.nonconformity.Retested", "run.retest")  # fmt: skip
def _(home: Path) -> None:  # noqa: F811
    rework(home, "seat", "cover joint")
    with open_store(Home(home)) as store:
        keep_closed(store, *example_run("", valve(SERIAL, "NPS 4"), "0.2 mL"))
        (found,) = store.nonconformities_of(SERIAL)
    assert (found.standing, found.retests[0].shell_accepted) == (Standing.PASSED, True)


@point("8.7.2 a", "the record describes the nonconformity", "run.nonconformity.Opened")
def _(home: Path) -> None:  # noqa: F811
    shown = done(home, "nonconformity", "show", NUMBER)
    assert "run B1-000002: rejected. The seat test was rejected." in shown
    assert "is allowed: above the limit." in shown


@point(
    "8.7.2 b", "the record describes what was done, and cannot be altered", "run.nonconformity.Entry", "store.tables"
)
def _(home: Path) -> None:  # noqa: F811
    rework(home, "seat")
    assert "Orla Venn: rework: Seat lapped. Disturbed: seat." in done(home, "nonconformity", "show", NUMBER)
    with pytest.raises(sqlite3.IntegrityError, match="records are only ever added"):
        change(home, "UPDATE nonconformity SET body = replace(body, 'lapped', 'changed')")
    change(
        home, "DROP TRIGGER nonconformity_update", "UPDATE nonconformity SET body = replace(body, 'lapped', 'changed')"
    )
    assert call(home, "ledger", "verify").exit_code == 1


@point("8.7.2 c", "the record describes the concession", "run.nonconformity.Disposed")
def _(home: Path) -> None:  # noqa: F811
    granted = ("--authority", "Ellery Water Board", "--reference", "EWB-C-12")
    enter(home, "dispose", NUMBER, "--disposition", "concession", "--why", "A drain valve.", *granted)
    shown = done(home, "valve", SERIAL)
    assert "disposition: concession, granted by Ellery Water Board (EWB-C-12). A drain valve." in shown


@point("8.7.2 d", "the record names who decided, by a role that may", "nonconforming.Somebody", "identity.somebody_of")
def _(home: Path) -> None:  # noqa: F811
    words = ("nonconformity", "dispose", NUMBER, "--disposition", "scrap", "--why", "Porous.")
    assert isinstance(call(home, *words, "--by", "quill", lines=(QUILL,)).exception, RoleMissingError)
    done(home, *words, "--by", "venn", lines=(VENN,))
    with RunReader.beside(home / "testbench.db") as store:
        last = store.nonconformity(NUMBER).entries[-1]
    assert (last.by, last.by_id) == ("Orla Venn", "venn")


# The tests ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", POINTS)
def test_a_point_is_met_by_the_running_parts(home, number):  # noqa: F811
    """Each on a bench of its own, which it may spoil."""
    POINTS[number].check(home)


@pytest.mark.parametrize("name", sorted({name for one in POINTS.values() for name in one.met_in}))
def test_where_a_point_is_met_there_is_something(name):
    """A module, or a name in one: whoever moves it moves the table."""
    assert pkgutil.resolve_name(f"testbench.{name}") is not None


def table() -> str:
    """The lines that DEVELOPERS.md must hold."""
    rows = (
        f"| {number} | {one.wants} | {', '.join(f'`{name}`' for name in one.met_in)} |"
        for number, one in POINTS.items()
    )
    return "\n".join(["| point | what it wants, in our words | met in |", "|---|---|---|", *rows])


def test_the_table_in_the_developers_page_is_this_checklist():
    """The two cannot drift apart."""
    shown = PAGE.read_text(encoding="utf-8").partition("<!-- nonconformity points -->\n")[2].partition("\n\n")[0]
    assert shown == table()
