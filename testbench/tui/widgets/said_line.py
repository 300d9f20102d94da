"""One line under a screen: what is being done, what was refused, what was done."""

from rich.text import Text
from textual.widgets import Static

from testbench.tui.palette import CAUTION, STRONG


class SaidLine(Static):
    """Says one sentence at a time."""

    def __init__(self) -> None:
        super().__init__("")
        self.said = ""
        self._next = ""

    def say(self, sentence: str, *, grave: bool = False) -> None:
        """Say something; with nothing to say, what was kept for now is said."""
        if not sentence:
            sentence, self._next = self._next, ""
        self.said = sentence
        self.update(Text(sentence, style=CAUTION if grave else STRONG))

    def keep(self, sentence: str) -> None:
        """Say something once that which is under way has ended."""
        self._next = sentence
