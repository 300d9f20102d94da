"""The whole life of a serial number; where a reviewer sits, its nonconformities are acted on from here."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Static

from testbench.run.nonconformity import Nonconformity, Standing, Step, check_step
from testbench.station.life import ValvePage
from testbench.station.life_lines import Part, parts_of
from testbench.station.review import why_not
from testbench.station.review_models import Act, Done, EnterNonconformity
from testbench.tui.desk_calls import Calls
from testbench.tui.palette import DIM, GROUND, WHITE
from testbench.tui.screens.asking import AskingScreen, Question, Reply
from testbench.tui.widgets.review_parts import MARKS
from testbench.tui.widgets.said_line import SaidLine

KEYS = "Tab next part   Enter open the run   ↑ ↓ scroll   Esc back   Ctrl+Q close"
ACT_KEYS = "Nonconformity: N note   W rework   S scrap   G concession   X close it"
GROUNDS = "On which grounds"


@dataclass(frozen=True, slots=True)
class Entering:
    """What is asked for before an entry."""

    step: Step
    title: str
    why: str
    statement: str = ""
    disposition: str = ""
    more: tuple[str, ...] = ()


ENTRIES = {
    "note": Entering(Step.NOTED, "You add a note to {number}.", "What was found"),
    "rework": Entering(
        Step.DISPOSED, "You decide on rework of {serial} ({number}).", GROUNDS,
        "It is tested again once the rework is entered.", "rework",
    ),
    "scrap": Entering(
        Step.DISPOSED, "You decide on scrap of {serial} ({number}).", GROUNDS,
        "Scrap is final: the serial number is tested no more.", "scrap",
    ),
    "concession": Entering(
        Step.DISPOSED, "You enter a concession on {serial} ({number}).", GROUNDS,
        "A concession does not make the run an accepted one.", "concession",
        ("Who granted it", "Number or letter of the concession"),
    ),
    "close": Entering(Step.CLOSED, "You close {number}.", "What shows that it is done with"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reach:
    """What the page may ask for."""

    read: Callable[[], ValvePage]
    open_run: Callable[[Screen[Any], str], None]
    """Puts up the page of a run over this one."""
    act: Callable[[Act], Done] | None = None
    """None where it is only looked at."""


class PartOfLife(Static, can_focus=True):
    """Lines that belong together; the one with the keys has a bar at its left."""

    def __init__(self, part: Part) -> None:
        first, *others = part.lines
        text = Text()
        if part.run is not None:
            mark, colour = MARKS[part.run.verdict]
            text.append(f"{mark} ", style=f"bold {colour}")
        text.append(first, style="bold")
        super().__init__(text.append("".join(f"\n{line}" for line in others)))
        self.part = part


class LifeScreen(Screen[bool]):
    """Ends with whether anything was entered or opened.

    Args:
        calls: carries what is asked for.
        reach: what may be asked for.
        page: what is shown first.
        at: run or nonconformity to begin at.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Back"),
        Binding("enter", "open", "Open the run"),
        Binding("n", "enter('note')", "Note"),
        Binding("w", "enter('rework')", "Rework"),
        Binding("s", "enter('scrap')", "Scrap"),
        Binding("g", "enter('concession')", "Concession"),
        Binding("x", "enter('close')", "Close"),
    ]
    CSS = f"""
    LifeScreen {{ background: {GROUND}; color: {WHITE}; layout: vertical; }}
    #life {{ height: 1fr; }}
    PartOfLife {{ height: auto; margin-bottom: 1; padding: 0 1; border-left: blank; }}
    PartOfLife:focus {{ border-left: thick {WHITE}; }}
    LifeScreen SaidLine {{ height: auto; max-height: 4; padding: 0 1; }}
    #keys {{ height: auto; color: {DIM}; padding: 0 1; }}
    """

    def __init__(self, calls: Calls, reach: Reach, page: ValvePage, at: str = "") -> None:
        super().__init__()
        self._calls, self._reach, self.page, self._at = calls, reach, page, at
        self._changed = False

    def compose(self) -> ComposeResult:
        """The parts, what was said, keys."""
        with VerticalScroll(id="life", can_focus=False):
            for part in parts_of(self.page):
                yield PartOfLife(part)
        yield SaidLine()
        yield Static(f"{ACT_KEYS}\n{KEYS}" if self._reach.act else KEYS, id="keys")

    def on_mount(self) -> None:
        """Begin at what was asked for."""
        self._begin()

    def _begin(self) -> None:
        parts = list(self.query(PartOfLife))
        its_own = [
            one for one in parts if (found := one.part.nonconformity) and self._at in {found.number, found.opened.run}
        ]
        runs = [one for one in parts if one.part.run and one.part.run.run == self._at]
        (*its_own, *runs, *parts)[0].focus()

    def action_leave(self) -> None:
        """Back to where it was opened."""
        self.dismiss(self._changed)

    def action_open(self) -> None:
        """The page of the run with the keys."""
        part = self._part()
        if part is not None and part.run is not None:
            self._changed = True
            self._reach.open_run(self, part.run.run)
        else:
            self._say("Only a run opens; go to one with Tab.")

    # Acting --------------------------------------------------------------------------------------

    def action_enter(self, name: str) -> None:
        """Ask for what an entry needs, or say why it may not follow."""
        if self._reach.act is None:
            self._say("Here it is only looked at; 'testbench review' and 'testbench nonconformity' enter.")
            return
        found, entering = self._concerned(), ENTRIES[name]
        refusal = (
            why_not(partial(check_step, found, entering.step)) if found else "Go to a nonconformity with Tab first."
        )
        if found is None or refusal:
            self._say(refusal)
            return
        question = Question(
            entering.title.format(number=found.number, serial=found.opened.serial),
            (entering.statement,) if entering.statement else (),
            entering.why,
            entering.more,
            password=entering.step is not Step.NOTED,
        )
        self.app.push_screen(AskingScreen(question), lambda reply: self._asked(found.number, entering, reply))

    def _part(self) -> Part | None:
        return self.focused.part if isinstance(self.focused, PartOfLife) else None

    def _concerned(self) -> Nonconformity | None:
        """The one with the keys; else the only one that is not closed."""
        part = self._part()
        if part is not None and part.nonconformity is not None:
            return part.nonconformity
        still_open = [one for one in self.page.nonconformities if one.standing is not Standing.CLOSED]
        return still_open[0] if len(still_open) == 1 else None

    def _asked(self, number: str, entering: Entering, reply: Reply | None) -> None:
        act = self._reach.act
        if reply is None or act is None:
            return
        authority, reference = reply.more or ("", "")
        entry = EnterNonconformity.model_validate({
            "number": number, "step": entering.step.value, "text": reply.why, "disposition": entering.disposition,
            "authority": authority, "reference": reference, "password": reply.password,
        })  # fmt: skip
        self._at = number
        self._calls.call("Working …", lambda: act(entry), self._done, self.query_one(SaidLine))

    def _done(self, done: Done) -> None:
        """Read the page again, so that what was done is seen."""
        self._changed = True
        said = self.query_one(SaidLine)
        said.keep(" ".join(done.sentences))
        self._calls.call("Reading again …", self._reach.read, self._renew, said)

    def _renew(self, page: ValvePage) -> None:
        said = self.query_one(SaidLine).said
        self.page = page

        async def again() -> None:
            await self.recompose()
            self._begin()
            self.query_one(SaidLine).say(said)

        self.run_worker(again())

    def _say(self, sentence: str) -> None:
        self.query_one(SaidLine).say(sentence, grave=True)
