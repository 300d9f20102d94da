"""A widget that shows one value by drawing it on a canvas, and draws only when the value or its size has changed."""

from typing import Generic, TypeVar

from textual.geometry import Size
from textual.strip import Strip
from textual.widget import Widget

from testbench.tui.canvas import Canvas

V = TypeVar("V")


class Drawn(Widget, Generic[V]):
    """Base of all widgets here."""

    can_focus = False

    def __init__(self, value: V, *, id: str) -> None:
        super().__init__(id=id)
        self._value = value
        self._painted: tuple[tuple[int, int], list[Strip]] | None = None

    @property
    def value(self) -> V:
        """What is shown."""
        return self._value

    def show(self, value: V) -> None:
        """Show another value."""
        if value == self._value:
            return
        rows = self.rows(self.size.width) if self.size.width else 0
        self._value, self._painted = value, None
        grown = self.size.width and rows != self.rows(self.size.width)
        self.refresh(layout=bool(grown))

    def rows(self, width: int) -> int:
        """How many rows the value wants; only asked where the stylesheet says ``height: auto``."""
        return 1

    def paint(self, canvas: Canvas) -> None:
        """Draw the value."""
        raise NotImplementedError

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """Textual's question for the height of an ``auto`` widget."""
        return self.rows(width)

    def render_line(self, y: int) -> Strip:
        """One row, from the picture at hand where nothing has changed."""
        size = (self.size.width, self.size.height)
        if self._painted is None or self._painted[0] != size:
            canvas = Canvas(*size)
            self.paint(canvas)
            self._painted = (size, canvas.strips())
        strips = self._painted[1]
        return strips[y] if y < len(strips) else Strip.blank(size[0])
