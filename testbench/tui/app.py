"""The operator's screen as a program: a link in, a picture out. It decides nothing.

It may be closed, killed or started again at any moment; the recorder goes on without it.
"""

import asyncio
import logging
from collections.abc import Callable
from typing import ClassVar

from textual.app import App
from textual.binding import Binding, BindingType

from testbench.procedure.valve import Value
from testbench.station.messages import Answer, Attach, Update
from testbench.tui.conversation import Conversation, Mode
from testbench.tui.entries import Said
from testbench.tui.picture import LARGE_FROM_COLUMNS, LARGE_FROM_ROWS
from testbench.tui.ports import Link
from testbench.tui.screens.operator import OperatorScreen
from testbench.tui.trace_memory import TraceMemory
from testbench.tui.words import Heard, band

DRAIN_EVERY_S = 0.1
TRACE_EVERY = 3
"""Ticks between two pictures of the trace."""

WIDTHS = [(0, "-narrow"), (LARGE_FROM_COLUMNS, "-wide")]
HEIGHTS = [(0, "-short"), (LARGE_FROM_ROWS, "-tall")]

log = logging.getLogger(__name__)


class OperatorApp(App[None]):
    """Drains the link ten times a second, shows the newest update and sends what the keys ask for."""

    ENABLE_COMMAND_PALETTE = False
    TITLE = "testbench"
    HORIZONTAL_BREAKPOINTS = WIDTHS
    VERTICAL_BREAKPOINTS = HEIGHTS
    BINDINGS: ClassVar[list[BindingType]] = [Binding("ctrl+q", "quit", "Close the screen", priority=True)]

    def __init__(self, link: Link, seconds: Callable[[], float] | None = None, *, ticking: bool = True) -> None:
        """Make the screen.

        Args:
            link: to the recorder.
            seconds: a clock that only goes forward [s]; by default that of the event loop, and for keys the stamp
                that the terminal reader gave them, which is not late when the screen is.
            ticking: False where a test calls ``tick`` itself.
        """
        super().__init__()
        self.link = link
        self.talk = Conversation()
        self.memory = TraceMemory()
        self.newest: Update | None = None
        self._seconds, self._ticking = seconds, ticking
        self._heard_at = 0.0
        self._pulse = self._ticks = self._sent = 0
        self._attached = False
        self._word = ""

    def on_mount(self) -> None:
        """Put the screen up and begin to listen."""
        self._heard_at = self._now()
        self.push_screen(OperatorScreen())
        if self._ticking:
            self.set_interval(DRAIN_EVERY_S, self.tick)
        self.call_after_refresh(self.tick)

    def on_unmount(self) -> None:
        """Let go of the link; the recorder carries on."""
        self.link.close()

    def tick(self) -> None:
        """Take what has come and show it."""
        now = self._now()
        self._ask_for_all()
        if self._drain():
            self._heard_at = now
            self._pulse += 1
        self._ticks += 1
        self.talk.expire(now)
        self._show(now)

    def on_operator_screen_key_pressed(self, event: OperatorScreen.KeyPressed) -> None:
        """Turn a key into a request."""
        at = event.at_s if self._seconds is None else self._seconds()
        request = self.talk.key(event.key, event.character, at)
        if request is not None:
            self._send(request)
        self._show(self._now())

    def _ask_for_all(self) -> None:
        """Ask for the whole picture whenever the recorder has become reachable."""
        connected = self.link.connected
        if connected and not self._attached:
            self.link.send(Attach(request="attach", id=self._next()))
        self._attached = connected

    def _drain(self) -> bool:
        updated = False
        for message in self.link.receive():
            if isinstance(message, Answer):
                self.talk.answered(message)
                continue
            updated = True
            if self.newest is not None and message.sequence < self.newest.sequence:
                self._attached = False  # the recorder was started anew and does not know this screen
            self.newest = message
            self.memory.take(message.trace, complete=message.trace_complete)
            self.talk.updated(message)
        return updated

    def _send(self, request: Value) -> None:
        if not self.link.connected:
            self.talk.said = Said(
                "The recorder does not answer; nothing was sent.", "Wait, then press again.", grave=True
            )
            return
        numbered = request.model_copy(update={"id": self._next()})
        log.info("asked: %s", numbered.model_dump_json())
        self.link.send(numbered)

    def _now(self) -> float:
        return asyncio.get_running_loop().time() if self._seconds is None else self._seconds()

    def _next(self) -> int:
        self._sent += 1
        return self._sent

    def _show(self, now: float) -> None:
        screen = self.screen
        if not isinstance(screen, OperatorScreen) or not screen.is_mounted:
            return
        heard = Heard(self.link.connected, max(0.0, now - self._heard_at))
        screen.show(self.newest, heard, self.talk, self._pulse)
        if self._ticks % TRACE_EVERY == 1 or not self._ticking:
            screen.show_trace(self.newest, self.memory)
        self._ring(band(self.newest, heard, Mode.WATCHING).word)

    def _ring(self, word: str) -> None:
        """A bell when the state changes; no alarm, for many terminals swallow it."""
        if self._word and word != self._word:
            self.bell()
        self._word = word


def run(link: Link) -> int:
    """Show the screen until it is closed.

    Returns:
        The exit code for the process: 0, or 1 if the screen ended on an error (Textual itself would return as if
        nothing had been).
    """
    app = OperatorApp(link)
    app.run(mouse=False)
    return app.return_code or 0
