"""The reviewer's screen as a program: a ``ReviewDesk`` in, pages out. It decides nothing and knows no files."""

from typing import ClassVar

from textual.app import App
from textual.binding import Binding, BindingType

from testbench.station.review_models import ReviewDesk
from testbench.tui.desk_calls import DeskCalls
from testbench.tui.screens.queue import QueueScreen


class ReviewApp(App[None]):
    """Puts up the queue."""

    ENABLE_COMMAND_PALETTE = False
    TITLE = "testbench review"
    CSS_PATH = "screens/review.tcss"
    BINDINGS: ClassVar[list[BindingType]] = [Binding("ctrl+q", "quit", "Close", priority=True)]

    def __init__(self, desk: ReviewDesk) -> None:
        super().__init__()
        self._calls = DeskCalls(self, desk)

    def on_mount(self) -> None:
        """Begin with what waits."""
        self.push_screen(QueueScreen(self._calls))


def run(desk: ReviewDesk) -> int:
    """Show the screen until it is closed.

    Returns:
        The exit code for the process: 0, or 1 if the screen ended on an error.
    """
    app = ReviewApp(desk)
    app.run(mouse=False)
    return app.return_code or 0
