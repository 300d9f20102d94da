"""Calls to the reviewer's desk, off the screen's own thread.

Every call may take a while (a page is decided again, a certificate is drawn); so each runs in a thread of its own, one
at a time. Meanwhile the screen says so and takes no other order.
"""

from collections.abc import Callable
from typing import Protocol, TypeVar

from textual.app import App

from testbench.errors import BenchError
from testbench.station.review_models import ReviewDesk

T = TypeVar("T")


class Says(Protocol):
    """Where a screen says something."""

    def say(self, sentence: str, *, grave: bool = False) -> None:
        """Say one sentence; nothing: it is over."""


class Calls:
    """The one call that is under way.

    Args:
        app: whose loop takes the answers.
    """

    def __init__(self, app: App[None]) -> None:
        self._app = app
        self._busy = False

    def call(self, doing: str, ask: Callable[[], T], then: Callable[[T], None], says: Says) -> None:
        """Ask; nothing while another call is under way.

        Args:
            doing: what is said meanwhile.
            ask: the question.
            then: takes the answer; a refusal is said instead.
            says: where that is said.
        """
        if self._busy:
            return
        self._busy = True
        says.say(doing)

        def answered(answer: T) -> None:
            self._busy = False
            says.say("")
            then(answer)

        def refused(refusal: BenchError) -> None:
            self._busy = False
            says.say(f"{refusal} → {refusal.remedy}", grave=True)

        def work() -> None:
            try:
                answer = ask()
            except BenchError as refusal:
                self._app.call_from_thread(refused, refusal)
            else:
                self._app.call_from_thread(answered, answer)

        self._app.run_worker(work, thread=True)


class DeskCalls(Calls):
    """The reviewer's desk, and the one call to it.

    Args:
        app: whose loop takes the answers.
        desk: what is asked.
    """

    def __init__(self, app: App[None], desk: ReviewDesk) -> None:
        super().__init__(app)
        self.desk = desk
