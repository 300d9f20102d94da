"""A question before something is signed or said: the statement, a reason where one is needed, the password."""

from dataclasses import dataclass, field
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, Static


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked for."""

    title: str
    statements: tuple[str, ...] = ()
    """What is agreed to, word for word."""
    why: str = ""
    """Label of a line to type; empty where none is."""
    more: tuple[str, ...] = ()
    """Labels of further lines."""
    password: bool = True


@dataclass(frozen=True, slots=True)
class Reply:
    """What was typed."""

    why: str
    password: str = field(repr=False)
    more: tuple[str, ...] = ()
    """What was typed into the further lines."""


class AskingScreen(ModalScreen[Reply | None]):
    """Enter goes from field to field and takes the last one; Escape leaves everything as it was."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Back")]

    def __init__(self, question: Question) -> None:
        super().__init__()
        self.question = question

    def compose(self) -> ComposeResult:
        """Title, statements, fields."""
        asked = self.question
        with Vertical(id="asking"):
            yield Static(Text(asked.title), id="title")
            with VerticalScroll(id="statements", can_focus=False):
                yield Static(Text("\n\n".join(asked.statements)))
            if asked.why:
                yield Static(Text(asked.why), classes="label")
                yield Input(id="why", max_length=400, compact=bool(asked.more))
            for number, label in enumerate(asked.more):
                yield Static(Text(label), classes="label")
                yield Input(id=f"more-{number}", max_length=200, compact=True)
            if asked.password:
                yield Static(Text("Your password"), classes="label")
                yield Input(id="password", password=True, max_length=200, compact=bool(asked.more))
            yield Static(Text("Enter takes it    Esc leaves everything as it was"), classes="label")

    def on_mount(self) -> None:
        """Begin at the first field."""
        self.query(Input).first().focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Go on to a field that is empty; with none left, reply."""
        event.stop()
        fields = list(self.query(Input))
        empty = next((one for one in fields if not one.value.strip()), None)
        if empty is not None and (self.question.password or empty is not event.input):
            empty.focus()
            return
        typed = {one.id: one.value for one in fields}
        more = tuple(typed[f"more-{number}"].strip() for number in range(len(self.question.more)))
        self.dismiss(Reply(typed.get("why", "").strip(), typed.get("password", ""), more))

    def action_leave(self) -> None:
        """Go back without a reply."""
        self.dismiss(None)
