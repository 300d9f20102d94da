"""The operator's screen: everything that is shown, and the one place where keys arrive."""

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.events import Key
from textual.message import Message
from textual.screen import Screen

from testbench.station.messages import Update
from testbench.tui import picture, words
from testbench.tui.conversation import Conversation, Mode
from testbench.tui.entries import Entry
from testbench.tui.palette import VERMILLION
from testbench.tui.pin import PinEntry
from testbench.tui.trace_memory import TraceMemory
from testbench.tui.widgets.beside import BesidePressure
from testbench.tui.widgets.choices import Choices
from testbench.tui.widgets.findings import Findings, Found
from testbench.tui.widgets.guidance import Advice, Guidance
from testbench.tui.widgets.key_bar import KeyBar
from testbench.tui.widgets.pin_entry import PinDots
from testbench.tui.widgets.pressure import Pressure
from testbench.tui.widgets.state_band import StateBand
from testbench.tui.widgets.status import Status, StatusLine
from testbench.tui.widgets.trace import Trace, TraceView
from testbench.tui.widgets.volume_entry import VolumeEntry

_LISTS = {Mode.VALVE, Mode.OPERATOR, Mode.PLACE, Mode.UNSIGNED, Mode.ATTENDING}


class OperatorScreen(Screen[None]):
    """Shows and asks. It has no bindings and no focus: every key comes to ``on_key``."""

    CSS_PATH = "operator.tcss"
    AUTO_FOCUS = ""

    class KeyPressed(Message):
        """A key was pressed."""

        def __init__(self, key: str, character: str | None, at_s: float) -> None:
            super().__init__()
            self.key, self.character, self.at_s = key, character, at_s

    def compose(self) -> ComposeResult:
        """The parts, from top to bottom."""
        waiting = words.Band("Connecting", "warning", VERMILLION)
        yield StateBand((waiting, 0), id="band")
        with Horizontal(id="numbers"):
            yield Pressure(words.Reading("", "", ""), id="pressure")
            yield BesidePressure(words.Beside("", ""), id="beside")
        yield Guidance(Advice(""), id="guidance")
        with Vertical(id="lower"):
            yield TraceView(Trace((), (), zoomed=False, caption=""), id="trace")
            yield Findings(Found("", ()), id="findings")
            yield Choices((None, ""), id="choices")
            yield VolumeEntry((Entry(), ""), id="volume")
            yield PinDots(PinEntry(), id="pin")
        with Vertical(id="foot"):
            yield KeyBar((), id="keys")
            yield StatusLine(Status("", "live", ""), id="status")

    def on_key(self, event: Key) -> None:
        """Take every key, so that neither a scanner nor a glove can set anything else off."""
        event.stop()
        event.prevent_default()
        self.post_message(self.KeyPressed(event.key, event.character, event.time))

    def show(self, update: Update | None, heard: words.Heard, talk: Conversation, pulse: int) -> None:
        """Show the newest state. Parts that have not changed are not drawn again."""
        self.query_one(StateBand).show((words.band(update, heard, talk.mode), pulse))
        self.query_one(Pressure).show(words.reading(update, heard))
        self.query_one(BesidePressure).show(words.beside(update, heard, talk.mode))
        self.query_one(Guidance).show(picture.advice(update, talk, heard, (self.size.width, self.size.height)))
        self.query_one(KeyBar).show(() if heard.gone else talk.keys)
        self.query_one(StatusLine).show(picture.status(update))
        self._show_lower(update, talk)

    def _show_lower(self, update: Update | None, talk: Conversation) -> None:
        """One of five in the lower part; none of them hides state, pressure or time."""
        watching = talk.mode is Mode.WATCHING
        choices, volume, findings = self.query_one(Choices), self.query_one(VolumeEntry), self.query_one(Findings)
        choices.show((talk.choosing, talk.scanned))
        volume.show((talk.entry, picture.asked_limit(update)))
        findings.show(picture.findings(update))
        choices.display = talk.mode in _LISTS
        volume.display = talk.mode is Mode.VOLUME
        pin = self.query_one(PinDots)
        pin.show(talk.pin)
        pin.display = talk.mode is Mode.PIN
        findings.display = watching and picture.shows_findings(update)
        self.query_one(TraceView).display = watching and picture.shows_trace(update)

    def show_trace(self, update: Update | None, memory: TraceMemory) -> None:
        """Show the trace; called less often than the rest, because it moves by less than a column."""
        view = self.query_one(TraceView)
        if view.display and view.size.width:
            view.show(picture.trace(update, memory, view.plot_columns()))
