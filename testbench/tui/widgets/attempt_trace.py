"""The pressure of an attempt as it was recorded: all of it, or its hold close to the limit."""

from typing import Literal

from textual.events import Resize

from testbench.station.review_models import DrawnTrace
from testbench.tui.trace_memory import TraceMemory, joined
from testbench.tui.widgets.trace import Line, Trace, TraceView

BRIDGED = 2
"""Empty columns that are drawn over; a longer silence stays a gap."""
PER_POINT = 2
"""Columns that two neighbouring points may lie apart where there are fewer points than columns."""


class AttemptTrace(TraceView):
    """Worked out anew whenever its width changes."""

    def __init__(self, drawn: DrawnTrace, part: Literal["whole", "hold"] | str, *, id: str) -> None:
        super().__init__(Trace((), (), zoomed=False, caption=""), id=id)
        self._drawn, self._part = drawn, part

    def on_resize(self, _: Resize) -> None:
        """Draw for the new width."""
        self.show(trace_of(self._drawn, self._part, self.plot_columns()))


def trace_of(drawn: DrawnTrace, part: str, columns: int) -> Trace:
    """What is drawn of an attempt.

    Args:
        drawn: its points and limits.
        part: "whole", from zero; or "hold", zoomed to the limit.
        columns: how wide.
    """
    lines = tuple(
        Line(one.at, f"{one.at:g}", "limit" if number == 0 else "upper") for number, one in enumerate(drawn.limits)
    )
    if not drawn.points:
        return Trace((), lines, zoomed=False, caption="no readings")
    if part == "hold" and drawn.hold is None:
        return Trace((), lines, zoomed=False, caption="no hold")
    first, last = drawn.hold if part == "hold" and drawn.hold else (drawn.points[0][0], drawn.points[-1][0])
    span = max(last - first, 0.1) * 1.0001  # the last point is inside
    found = TraceMemory(list(drawn.points)).columns(first, first + span, columns, first)
    apart = span / max(1, len(drawn.points)) if part == "whole" else _apart(drawn, first, last)
    bridge = max(BRIDGED, round(PER_POINT * apart / span * columns))
    caption = f"{'hold of ' if part == 'hold' else ''}{last - first:.0f} s, {drawn.unit}"
    return Trace(tuple(joined(found, bridge)), lines, zoomed=part == "hold", caption=caption)


def _apart(drawn: DrawnTrace, first: float, last: float) -> float:
    """Seconds between two points of a stretch."""
    inside = sum(first <= at <= last for at, _ in drawn.points)
    return (last - first) / max(1, inside)
