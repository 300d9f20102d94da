"""How every order stands, in numbers of valves."""

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import DataTable, Static

from testbench.station.review_models import BoardPage
from testbench.tui.widgets.said_line import SaidLine

KEYS = "Enter what waits of the order   ← → more columns   Esc queue   Ctrl+Q close"
COLUMNS = {
    "valves": "\nvalves", "to_do": "\nto do", "accepted": "\naccepted", "rejected": "\nrejected",
    "inconclusive": "incon-\nclusive", "void": "\nvoid", "released": "\nreleased",
    "without_certificate": "no certi-\nficate", "recalled": "\nrecalled",
}  # fmt: skip
"""Count → head."""


class BoardScreen(Screen[str | None]):
    """Ends with the number of the order whose queue is asked for."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Queue")]

    def __init__(self, page: BoardPage) -> None:
        super().__init__()
        self.page = page

    def compose(self) -> ComposeResult:
        """Headline, table, what is missing, keys."""
        valves = sum(line.valves for line in self.page.lines)
        yield Static(
            f"Orders    {len(self.page.lines)} on file, {valves} valves, by the newest run of each", id="headline"
        )
        yield DataTable(id="board", cursor_type="row", zebra_stripes=True, header_height=2)
        yield SaidLine()
        yield Static(KEYS, id="hints")

    def on_mount(self) -> None:
        """Fill the table."""
        table: DataTable[Text] = self.query_one(DataTable)
        for head in ("\norder", *COLUMNS.values(), "\ncustomer"):
            table.add_column(Text(head))
        for line in self.page.lines:
            counts = ("–" if (count := getattr(line, name)) is None else f"{count}" for name in COLUMNS)
            cells = (Text(count, justify="right") for count in counts)
            table.add_row(Text(line.order), *cells, Text(line.customer), key=line.order)
        if self.page.refused:
            self.query_one(SaidLine).say(f"Missing here: {' '.join(self.page.refused)}", grave=True)
        elif not self.page.lines:
            self.query_one(SaidLine).say("There are no orders yet.")

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        """Back to the queue, narrowed to the order."""
        self.dismiss(event.row_key.value)

    def action_leave(self) -> None:
        """Back to the queue as it was."""
        self.dismiss(None)
