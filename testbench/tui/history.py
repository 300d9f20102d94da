"""The history on the screen: a line to search in, the runs that fit, a run's summary. It knows only ``History``.

What is typed is searched as it is typed; a search that cannot be made says why and leaves the last answer standing.
"""

from functools import partial
from typing import Any, ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen, Screen
from textual.timer import Timer
from textual.widgets import DataTable, Input, Static

from testbench.errors import BenchError
from testbench.run.record import RunRecord
from testbench.station.life import ValvePage
from testbench.station.searching import FoundRun, History, Search, page_of, read_line
from testbench.tui.desk_calls import Calls
from testbench.tui.palette import BLACK, DIM, GROUND, SKY, VERMILLION, WHITE, YELLOW
from testbench.tui.run_summary import summary_lines
from testbench.tui.screens.life_page import LifeScreen, Reach
from testbench.tui.widgets.said_line import SaidLine

PAGE = 50
SETTLE_S = 0.08
"""How long the line must stand still before it is searched."""
COLUMNS = ("Run", "Day", "Serial", "Order", "Product", "Operator", "Verdict", "Reason")
HELP = (
    "a part of a serial number; serial: prefix: order: product: operator: procedure: verdict: since: until: day: "
    "origin: bench:"
)


class RunSummary(ModalScreen[None]):
    """One run; any of the closing keys goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,enter,q", "dismiss", "Back")]
    CSS = f"""
    RunSummary {{ align: center middle; background: {BLACK} 60%; }}
    #summary {{ width: 90%; height: 90%; background: {GROUND}; color: {WHITE}; border: round {SKY}; padding: 1 2; }}
    """

    def __init__(self, lines: tuple[str, ...]) -> None:
        super().__init__()
        self._lines = lines

    def compose(self) -> ComposeResult:
        """The lines, as many as there are."""
        with VerticalScroll(id="summary"):
            yield Static("\n".join(self._lines), markup=False)


class HistoryApp(App[None]):
    """Searches and shows; it changes nothing.

    Args:
        history: where the runs lie.
        line: what is searched first.
    """

    ENABLE_COMMAND_PALETTE = False
    TITLE = "testbench history"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+q", "quit", "Close", priority=True),
        Binding("escape", "search", "Search line"),
        Binding("down", "table", "Results", show=False),
        Binding("l", "life", "Life"),
    ]
    CSS = f"""
    Screen {{ background: {GROUND}; color: {WHITE}; }}
    Input {{ border: tall {DIM}; background: {GROUND}; }}
    Input:focus {{ border: tall {SKY}; }}
    #help {{ color: {DIM}; padding: 0 1; }}
    DataTable {{ height: 1fr; background: {GROUND}; }}
    #said {{ height: auto; max-height: 2; padding: 0 1; background: {SKY}; color: {BLACK}; }}
    #said.refused {{ background: {YELLOW}; }}
    #said.failed {{ background: {VERMILLION}; }}
    """

    def __init__(self, history: History, line: str = "") -> None:
        super().__init__()
        self._history, self._first = history, line
        self._asked, self._more = Search(), False
        self._runs: list[FoundRun] = []
        self._waiting: Timer | None = None
        self._calls, self._found = Calls(self), ""

    def compose(self) -> ComposeResult:
        """Line, what can be said in it, results, what came of it."""
        yield Input(self._first, placeholder="all runs", select_on_focus=False, id="line")
        yield Static(HELP, id="help", markup=False)
        yield DataTable(cursor_type="row", id="runs")
        yield Static("", id="said", markup=False)

    def on_mount(self) -> None:
        """Show the newest runs."""
        table = self.query_one(DataTable)
        for name in COLUMNS:
            table.add_column(name)
        self.query_one(Input).focus()
        self._search()

    # Keys ----------------------------------------------------------------------------------------

    def on_input_changed(self, _: Input.Changed) -> None:
        """Search once the line stands still."""
        if self._waiting is not None:
            self._waiting.stop()
        self._waiting = self.set_timer(SETTLE_S, self._search)

    def on_input_submitted(self, _: Input.Submitted) -> None:
        """Search at once, and go to the results."""
        self._search()
        self.action_table()

    def action_table(self) -> None:
        """From the line to the results."""
        if self._runs:
            self.query_one(DataTable).focus()

    def action_search(self) -> None:
        """Back to the line."""
        self.query_one(Input).focus()

    def on_data_table_row_highlighted(self, event: "DataTable.RowHighlighted") -> None:
        """At the last line of a page the next one comes."""
        if self._more and event.cursor_row >= len(self._runs) - 1:
            self._add(self._runs[-1].run)

    def on_data_table_row_selected(self, event: "DataTable.RowSelected") -> None:
        """Show the run."""
        try:
            record = self._history.record_of(self._runs[event.cursor_row].run)
        except BenchError as failure:
            self._say(f"{failure} {failure.remedy}", "failed")
            return
        self.push_screen(RunSummary(summary_lines(record)))

    def action_life(self) -> None:
        """The life of the valve under the cursor."""
        if len(self.screen_stack) > 1 or not self._runs:
            return
        found = self._runs[self.query_one(DataTable).cursor_row]
        reach = Reach(partial(self._history.life, found.serial), self._summary_over)

        def opened(page: ValvePage) -> None:
            self.push_screen(LifeScreen(self._calls, reach, page, found.run))

        self._calls.call("Reading …", reach.read, opened, self)

    def _summary_over(self, screen: Screen[Any], run: str) -> None:
        def opened(record: RunRecord) -> None:
            self.push_screen(RunSummary(summary_lines(record)))

        self._calls.call("Reading …", lambda: self._history.record_of(run), opened, screen.query_one(SaidLine))

    def say(self, sentence: str, *, grave: bool = False) -> None:
        """Say one sentence; nothing: what was found is said again."""
        self._say(sentence or self._found, "failed" if grave else "")

    # Searching -----------------------------------------------------------------------------------

    def _search(self) -> None:
        try:
            self._asked = read_line(self.query_one(Input).value)
        except BenchError as refusal:
            self._say(str(refusal), "refused")
            return
        self._runs = []
        self.query_one(DataTable).clear()
        self._add(None)

    def _add(self, before: str | None) -> None:
        try:
            page, self._more = page_of(self._history, self._asked, PAGE, before)
        except BenchError as failure:
            self._say(f"{failure} {failure.remedy}", "failed")
            return
        self._runs += page
        table = self.query_one(DataTable)
        for run in page:
            table.add_row(*_cells(run))
        many = f"{len(self._runs)} run{'' if len(self._runs) == 1 else 's'}{', and more below' if self._more else ''}"
        keys = "↓ results · Enter shows a run · L the life of its valve · Esc search line · Ctrl+Q close"
        self._found = f"{self._asked.in_words}: {many}.   {keys}"
        self._say(self._found)

    def _say(self, text: str, kind: str = "") -> None:
        said = self.query_one("#said", Static)
        said.set_classes(kind)
        said.update(text)


def _cells(run: FoundRun) -> tuple[str, ...]:
    from rich.markup import escape

    verdict = run.verdict.upper() if run.verdict != "accepted" else run.verdict
    cells = (run.run, run.started[:10], run.serial, run.order, run.product, run.operator, verdict, run.reason)
    return tuple(map(escape, cells))


def run(history: History, line: str = "") -> int:
    """Show the history until it is closed; gives the exit code."""
    app = HistoryApp(history, line)
    app.run(mouse=False)
    return app.return_code or 0
