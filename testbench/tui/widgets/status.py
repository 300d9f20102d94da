"""One line for whoever stands near: which bench, valve and operator, where the samples come from, what happened."""

from dataclasses import dataclass

from testbench.tui.canvas import Canvas
from testbench.tui.palette import CAUTION, EDGE, FAINT, WHITE, YELLOW, ink
from testbench.tui.widgets.drawn import Drawn


@dataclass(frozen=True, slots=True)
class Status:
    """What the line says."""

    where: str
    origin: str
    utc: str
    notice: str = ""
    grave: bool = False


class StatusLine(Drawn[Status]):
    """The newest notice above; bench, run and time below."""

    def paint(self, canvas: Canvas) -> None:
        """Draw both rows."""
        status = self.value
        style = ink(YELLOW, bold=True) if status.grave else FAINT
        mark = "▲ " if status.grave else ""
        canvas.put(1, 0, f"{mark}{status.notice}"[: canvas.width - 2], style)
        bar = ink(WHITE, EDGE)
        y = canvas.height - 1
        canvas.fill(0, y, canvas.width, 1, bar)
        right = f" {status.utc} "
        if status.origin != "live":
            tag = f" {status.origin.upper()} "
            canvas.put(canvas.width - len(right) - len(tag), y, tag, CAUTION)
            right_edge = canvas.width - len(right) - len(tag)
        else:
            right_edge = canvas.width - len(right)
        canvas.put(canvas.width - len(right), y, right, bar)
        canvas.put(1, y, status.where[: right_edge - 2], bar)
