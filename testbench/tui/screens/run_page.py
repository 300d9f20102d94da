"""A run as its reviewer reads it, and the keys that decide."""

from collections.abc import Callable
from functools import partial
from typing import Any, ClassVar

from pydantic import SecretStr
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import Static

from testbench.station.life import ValvePage
from testbench.station.review_models import Act, Done, OpenNonconformity, Return, RunPage, Sign
from testbench.tui.desk_calls import DeskCalls
from testbench.tui.screens.asking import AskingScreen, Question, Reply
from testbench.tui.screens.life_page import LifeScreen, Reach
from testbench.tui.widgets import review_parts as parts
from testbench.tui.widgets.attempt_trace import AttemptTrace
from testbench.tui.widgets.said_line import SaidLine
from testbench.tui.widgets.verdict_band import VerdictBand

KEYS = (
    "R release   V sign as reviewed   T return   C nonconformity   L life   N next   ↑ ↓ scroll   Esc back   "
    "Ctrl+Q close"
)
WHY = {"returned": "What is to be explained or mended", "nonconformity": "What does not conform"}
TITLES = {"released": "You sign as released:", "reviewed": "You sign as reviewed:",
          "returned": "The run goes back to {operator}, and is not released before it was answered.",
          "nonconformity": "You open a nonconformity on this run."}  # fmt: skip


class RunPageScreen(Screen[str | None]):
    """Ends with the name of the run where the next one is asked for."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Back"),
        Binding("n", "next", "Next"),
        Binding("r", "act('released')", "Release"),
        Binding("v", "act('reviewed')", "Reviewed"),
        Binding("t", "act('returned')", "Return"),
        Binding("c", "act('nonconformity')", "Nonconformity"),
        Binding("l", "life", "Life"),
    ]

    def __init__(self, calls: DeskCalls, page: RunPage) -> None:
        super().__init__()
        self._calls, self.page = calls, page

    def compose(self) -> ComposeResult:
        """The verdict stays in sight; everything else scrolls under it."""
        yield VerdictBand(self.page, id="verdict")
        with VerticalScroll(id="page"):
            yield Static(parts.facts(self.page))
            for number, attempt in enumerate(self.page.attempts):
                yield Static(parts.attempt_title(attempt), classes="title")
                yield Static(parts.findings(attempt))
                with Horizontal(classes="traces"):
                    for part in ("whole", "hold"):
                        with Vertical():
                            yield AttemptTrace(attempt.trace, part, id=f"trace-{number}-{part}")
                yield Static(parts.words(attempt))
            for title, table in parts.tables(self.page):
                yield Static(title, classes="title")
                yield Static(table)
        yield SaidLine()
        yield Static(KEYS, id="hints")

    def on_mount(self) -> None:
        """Let the arrow keys scroll the page."""
        self.query_one(VerticalScroll).focus()

    def action_leave(self) -> None:
        """Back to where it was opened."""
        self.dismiss(None)

    def action_next(self) -> None:
        """On to the run behind this one."""
        self.dismiss(self.page.run)

    def action_life(self) -> None:
        """The life of the valve, at what this run opened."""
        show_life(self, self._calls, self.page.serial, self._read_again, self.page.run)

    def action_act(self, act: str) -> None:
        """Ask for what an act needs, or say why it cannot be done."""
        offer = self.page.offer(act)
        if offer.why_not:
            self.query_one(SaidLine).say(offer.why_not, grave=True)
            return
        statements = (offer.statement,) if offer.statement else ()
        title = TITLES[act].format(operator=self.page.operator)
        self.app.push_screen(
            AskingScreen(Question(title, statements, WHY.get(act, ""))), lambda reply: self._asked(act, reply)
        )

    def _asked(self, act: str, reply: Reply | None) -> None:
        if reply is None:
            return
        run, password = self.page.run, SecretStr(reply.password)
        asked: Act
        if act == "returned":
            asked = Return(run=run, why=reply.why, password=password)
        elif act == "nonconformity":
            asked = OpenNonconformity(run=run, why=reply.why, password=password)
        else:
            asked = Sign.model_validate({"act": act, "runs": (run,), "password": password})
        said = self.query_one(SaidLine)
        self._calls.call("Working …", lambda: self._calls.desk.act(asked), self._done, said)

    def _done(self, done: Done) -> None:
        """Read the page again, so that what was done is seen."""
        said = self.query_one(SaidLine)
        said.keep(" ".join((*done.sentences, *(f"Written: {one}." for one in done.documents))))
        self._read_again()

    def _read_again(self) -> None:
        said, run = self.query_one(SaidLine), self.page.run
        self._calls.call("Reading again …", lambda: self._calls.desk.page(run), self._renew, said)

    def _renew(self, page: RunPage) -> None:
        said = self.query_one(SaidLine).said
        self.page = page

        async def again() -> None:
            await self.recompose()
            self.query_one(VerticalScroll).focus()
            self.query_one(SaidLine).say(said)

        self.run_worker(again())


# From a page to another ---------------------------------------------------------------------------


def show_run(screen: Screen[Any], calls: DeskCalls, run: str, left: Callable[[str | None], None] | None = None) -> None:
    """Put up the page of a run over a screen; ``left`` is told how it ended."""

    def opened(page: RunPage) -> None:
        screen.app.push_screen(RunPageScreen(calls, page), left)

    calls.call(f"Deciding {run} again …", lambda: calls.desk.page(run), opened, screen.query_one(SaidLine))


def show_life(screen: Screen[Any], calls: DeskCalls, serial: str, changed: Callable[[], None], at: str = "") -> None:
    """Put up the life of a serial number over a screen; ``changed`` follows where anything was entered or opened."""
    desk = calls.desk
    reach = Reach(partial(desk.life, serial), lambda over, run: show_run(over, calls, run), desk.act)

    def opened(page: ValvePage) -> None:
        screen.app.push_screen(LifeScreen(calls, reach, page, at), lambda more: changed() if more else None)

    calls.call("Reading …", reach.read, opened, screen.query_one(SaidLine))
