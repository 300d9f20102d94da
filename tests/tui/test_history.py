"""The history on the screen: what is typed is searched, Enter shows a run, a refusal leaves the answer standing."""

import runpy
from pathlib import Path

import pytest
from review_scenes import life
from textual.widgets import DataTable, Input, Static

from testbench.errors import RecordDamagedError, SerialNeverSeenError
from testbench.station.searching import FoundRun, Search
from testbench.tui import history as screen
from testbench.tui.history import PAGE, HistoryApp, RunSummary
from testbench.tui.run_summary import summary_lines
from testbench.tui.screens.life_page import LifeScreen

EXAMPLES = runpy.run_path(str(Path(__file__).parents[1] / "records" / "make.py"))


def record(caught: str = "60 mL", *, stopped: bool = False):
    tested = EXAMPLES["valve"]("HL-6-0118", "NPS 6")
    return EXAMPLES["example_run"]("B1-000002", tested, caught, stopped=stopped)[0]


class Shelf:
    """A history in memory, of so many runs; remembers what it was asked."""

    def __init__(self, runs: int = 120) -> None:
        self.asked: list[Search] = []
        self._runs = [
            FoundRun(
                run=f"B1-{number:06d}", started="2026-11-20T08:30:00.000+00:00", serial=f"HL-[b]{number}",
                order="HL-2041", product="SC-4", procedure="", standard="",
                verdict="rejected" if number % 2 else "accepted", ended="completed", reason="", stages="",
                operator="Mara Quill", bench="B1", origin="live", record_sha256="", document="",
            )
            for number in range(runs, 0, -1)
        ]  # fmt: skip

    def search(self, asked, limit=50, before=None):
        self.asked.append(asked)
        fits = [
            run for run in self._runs if asked.verdict in {"", run.verdict} and (before is None or run.run < before)
        ]
        return fits[:limit]

    def record_of(self, run):
        if run == "B1-000119":
            raise RecordDamagedError(run, "the record")
        return record()

    def life(self, serial):
        if serial.endswith("120"):
            raise SerialNeverSeenError(serial, "the records")
        return life()


@pytest.fixture(autouse=True)
def at_once(monkeypatch):
    monkeypatch.setattr(screen, "SETTLE_S", 0.001)


def said(app: HistoryApp) -> str:
    return str(app.query_one("#said", Static).render())


async def typed(pilot, text: str) -> None:
    await pilot.press(*(("space" if sign == " " else "colon" if sign == ":" else sign) for sign in text))
    await pilot.pause(0.05)


async def test_the_newest_runs_come_first_and_more_below():
    """A page, then the next when its last line is reached."""
    shelf = Shelf()
    app = HistoryApp(shelf)
    async with app.run_test(size=(140, 30)) as pilot:
        await pilot.pause()
        table = app.query_one(DataTable)
        assert table.row_count == PAGE
        assert table.get_row_at(0)[:3] == ["B1-000120", "2026-11-20", r"HL-\[b]120"]
        assert said(app).startswith("all runs: 50 runs, and more below.")
        await pilot.press("down")
        table.move_cursor(row=PAGE - 1)
        await pilot.pause()
        assert table.row_count == 2 * PAGE
        table.move_cursor(row=2 * PAGE - 1)
        await pilot.pause()
        assert table.row_count == 120
        assert "and more below" not in said(app)


async def test_what_is_typed_is_searched():
    shelf = Shelf()
    app = HistoryApp(shelf)
    async with app.run_test(size=(140, 30)) as pilot:
        await typed(pilot, "verdict:rejected")
        assert shelf.asked[-1] == Search(verdict="rejected")
        assert app.query_one(DataTable).get_row_at(0)[6] == "REJECTED"


async def test_a_search_that_cannot_be_made_says_why_and_leaves_the_answer():
    shelf = Shelf()
    app = HistoryApp(shelf, "verdict:accepted")
    async with app.run_test(size=(140, 30)) as pilot:
        await typed(pilot, "x")
        assert said(app) == (
            "The search cannot be made: verdict is 'acceptedx'; allowed is accepted, rejected, inconclusive, void."
        )
        assert app.query_one(DataTable).row_count == PAGE
        assert shelf.asked[-1] == Search(verdict="accepted")


async def test_enter_shows_a_run_and_escape_goes_back():
    app = HistoryApp(Shelf())
    async with app.run_test(size=(140, 40)) as pilot:
        await pilot.press("enter", "enter")
        await pilot.pause()
        assert isinstance(app.screen, RunSummary)
        shown = str(app.screen.query_one(Static).render())
        assert shown == "\n".join(summary_lines(record()))
        await pilot.press("escape")
        assert not isinstance(app.screen, RunSummary)


async def test_a_damaged_record_is_said():
    app = HistoryApp(Shelf())
    async with app.run_test(size=(140, 30)) as pilot:
        await pilot.press("enter", "down", "enter")
        await pilot.pause()
        assert said(app).startswith("Run B1-000119: the record does not match its hash")


def test_a_summary_tells_verdict_findings_and_what_went_before():
    """From the top: what was decided; each stage with its sentences; a rig's run says so."""
    lines = summary_lines(record())
    assert lines[:2] == ("B1-000002   REJECTED", "The seat test was rejected.")
    assert "Every page of this run is a SPECIMEN." in lines
    assert "seat test, attempt 1: completed, rejected" in lines
    assert any("is allowed: above the limit." in line for line in lines)
    void = summary_lines(record(stopped=True))
    assert void[0] == "B1-000002   VOID"
    assert void[-1] == "  Stopped by the operator: hose fitting drips."


async def test_l_shows_the_life_of_the_valve_and_enter_there_a_run():
    """Read only; Escape goes back the same way, and what was found still stands."""
    app = HistoryApp(Shelf())
    async with app.run_test(size=(140, 40)) as pilot:

        async def press(*keys: str) -> None:
            for key in keys:
                await pilot.press(key)
                await app.workers.wait_for_complete()
                await pilot.pause()

        await press("enter", "down", "down", "l")
        assert isinstance(app.screen, LifeScreen)
        assert str(app.screen.query_one("#keys", Static).render()) == (
            "Tab next part   Enter open the run   ↑ ↓ scroll   Esc back   Ctrl+Q close"
        )
        await press("l", "tab", "enter")
        assert isinstance(app.screen, RunSummary)
        await press("escape", "escape")
        assert said(app).startswith("all runs: 50 runs, and more below.")
        await press("up", "up", "l")
        assert said(app) == (
            "Serial number HL-[b]120 stands on no order and in no run in the records. → Read the number on the valve "
            "again; 'testbench order list' and 'history --serial' help."
        )


async def test_l_is_a_letter_of_the_search_line():
    app = HistoryApp(Shelf())
    async with app.run_test(size=(140, 40)) as pilot:
        await typed(pilot, "hl")
        assert app.query_one("#line", Input).value == "hl"
        assert not isinstance(app.screen, LifeScreen)
