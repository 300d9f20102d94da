"""What waits, oldest first: open, filter, and release together what is clean and was opened."""

from collections.abc import Callable
from typing import ClassVar, TypeVar

from pydantic import SecretStr
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import DataTable, Static

from testbench.station.review_models import BoardPage, Done, QueueLine, QueuePage, Sign
from testbench.tui.desk_calls import DeskCalls
from testbench.tui.palette import SKY, VERMILLION, WHITE, YELLOW
from testbench.tui.screens.asking import AskingScreen, Question, Reply
from testbench.tui.screens.board import BoardScreen
from testbench.tui.screens.run_page import show_life, show_run
from testbench.tui.widgets.said_line import SaidLine

T = TypeVar("T")

KEYS = (
    "Enter open   L life   Space mark   R release the marked   O order   B board   N further   F5 read again   "
    "Ctrl+Q close"
)
COLOURS = {"accepted": SKY, "rejected": VERMILLION, "inconclusive": YELLOW}
COLUMNS = ("", "", "run", "serial number", "order", "verdict", "waits for", "begun", "operator", "")
"""What a narrow terminal cannot show stands at the end."""


class QueueScreen(Screen[None]):
    """A table under the arrow keys."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "mark", "Mark"),
        Binding("r", "release", "Release"),
        Binding("l", "life", "Life"),
        Binding("b", "board", "Board"),
        Binding("o", "order", "Order"),
        Binding("n", "further", "Further"),
        Binding("f5", "read", "Read again"),
    ]

    def __init__(self, calls: DeskCalls) -> None:
        super().__init__()
        self._calls = calls
        self.page: QueuePage | None = None
        self.order = self.after = ""
        self.marked: list[str] = []

    def compose(self) -> ComposeResult:
        """Headline, table, what was said, keys."""
        yield Static("", id="headline")
        yield DataTable(id="queue", cursor_type="row", zebra_stripes=True)
        yield SaidLine()
        yield Static(KEYS, id="hints")

    def on_mount(self) -> None:
        """Read the queue."""
        self.query_one(DataTable).add_columns(*COLUMNS)
        self.action_read()

    # Keys ----------------------------------------------------------------------------------------

    def action_read(self) -> None:
        """Read the queue again."""
        order, after = self.order, self.after
        self._ask_desk("Reading what waits …", lambda: self._calls.desk.queue(order, after), self._show)

    def action_further(self) -> None:
        """The page behind this one; from the last one back to the oldest."""
        self.after = self.page.lines[-1].run if self.page and self.page.lines else ""
        self.action_read()

    def action_order(self) -> None:
        """Ask which order."""
        orders = self.page.orders if self.page else {}
        told = tuple(f"{order}: {count} waiting" for order, count in orders.items())[:40]
        asked = Question("Which order?", ("\n".join(told),), "Its number; nothing for all orders", password=False)
        self.app.push_screen(AskingScreen(asked), self._filter)

    def _filter(self, reply: Reply | None) -> None:
        if reply is not None:
            self._of_order(reply.why)

    def action_mark(self) -> None:
        """Mark the run under the cursor, or take the mark off."""
        line = self._under_cursor()
        if line is None:
            return
        if line.run in self.marked:
            self.marked.remove(line.run)
        else:
            self.marked.append(line.run)
        self._fill()

    def on_data_table_row_selected(self) -> None:
        """Open the run under the cursor."""
        line = self._under_cursor()
        if line is not None:
            self.open(line.run)

    def action_life(self) -> None:
        """The life of the valve under the cursor."""
        line = self._under_cursor()
        if line is not None:
            show_life(self, self._calls, line.serial, self.action_read, line.run)

    def action_board(self) -> None:
        """How every order stands."""
        self._ask_desk("Counting …", self._calls.desk.board, self._show_board)

    def _show_board(self, page: BoardPage) -> None:
        self.app.push_screen(BoardScreen(page), self._of_order)

    def _of_order(self, order: str | None) -> None:
        if order is not None:
            self.order, self.after = order, ""
            self.action_read()

    def action_release(self) -> None:
        """Show what a release of the marked runs agrees to, then ask for the password."""
        runs = tuple(self.marked)
        if not runs:
            self.query_one(SaidLine).say("Mark runs with Space first.", grave=True)
            return
        self._ask_desk("Reading …", lambda: self._calls.desk.statement(runs), self._ask)

    def _ask(self, statements: tuple[str, ...]) -> None:
        asked = Question(f"You release {len(statements)} run{'' if len(statements) == 1 else 's'}:", statements)
        self.app.push_screen(AskingScreen(asked), self._release)

    def _release(self, reply: Reply | None) -> None:
        if reply is None:
            return
        act = Sign(act="released", runs=tuple(self.marked), password=SecretStr(reply.password))
        self._ask_desk("Signing and writing certificates …", lambda: self._calls.desk.act(act), self._released)

    def _released(self, done: Done) -> None:
        self.marked.clear()
        self.query_one(SaidLine).keep(" ".join(done.sentences))
        self.action_read()

    def _ask_desk(self, doing: str, ask: Callable[[], T], then: Callable[[T], None]) -> None:
        self._calls.call(doing, ask, then, self.query_one(SaidLine))

    # Opening and going on ------------------------------------------------------------------------

    def open(self, run: str) -> None:
        """Show the page of a run."""
        show_run(self, self._calls, run, self._left)

    def _left(self, following: str | None) -> None:
        """The page was left; where "next" was asked for, with the run behind which to go on."""
        runs = [line.run for line in self.page.lines] if self.page else []
        if following in runs and following != runs[-1]:
            self.query_one(DataTable).move_cursor(row=runs.index(following) + 1)
            self.open(runs[runs.index(following) + 1])
        else:
            self.action_read()

    # What is shown -------------------------------------------------------------------------------

    def _show(self, page: QueuePage) -> None:
        self.page = page
        self.marked = [run for run in self.marked if run in {line.run for line in page.lines}]
        of = f" of order {self.order}" if self.order else ""
        wait = "1 run waits" if page.total == 1 else f"{page.total} runs wait"
        told = f"Review    {wait}; {len(page.lines)} shown{of}, oldest first    {page.reviewer}"
        self.query_one("#headline", Static).update(Text(told))
        self._fill()

    def _fill(self) -> None:
        table: DataTable[Text] = self.query_one(DataTable)
        row = table.cursor_row
        table.clear()
        for line in self.page.lines if self.page else ():
            table.add_row(*(Text(cell, style=style) for cell, style in self._cells(line)))
        table.move_cursor(row=min(row, max(0, table.row_count - 1)))

    def _cells(self, line: QueueLine) -> tuple[tuple[str, str], ...]:
        note = f"returned by {line.returned}" if line.returned else ""
        note = f"answered by {line.answered}" if line.answered else note
        return (
            ("■" if line.run in self.marked else "·", YELLOW),
            ("opened" if line.opened else "", ""),
            (line.run, "bold"),
            (line.serial, ""),
            (line.order, ""),
            (line.verdict, f"bold {COLOURS.get(line.verdict, WHITE)}"),
            (line.waits_for, ""),
            (line.started[:16].replace("T", " "), ""),
            (line.operator, ""),
            (note, YELLOW),
        )

    def _under_cursor(self) -> QueueLine | None:
        row = self.query_one(DataTable).cursor_row
        lines = self.page.lines if self.page else ()
        return lines[row] if 0 <= row < len(lines) else None
