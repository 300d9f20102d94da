"""The two plots of a stage: the whole cycle from zero for context, the hold enlarged for judgement.

The trace is thinned for drawing only, smallest and largest of each column kept, each phase by itself with hard breaks
at the ends of the hold. Every number that is printed comes from the full data.
"""

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil

import numpy as np
from numpy.typing import NDArray

from testbench.certificate.axes import figures, ticks, tidy
from testbench.certificate.content import PlotFacts
from testbench.certificate.figures import fewest_decimals, rounded, written
from testbench.certificate.languages import Words
from testbench.certificate.pen import REGULAR, STRONG, WHITE, Pen
from testbench.quantities import Pressure
from testbench.run.samples import TICKS_PER_S

Series = NDArray[np.float64]
LONG_DASH, DOTS = (7.0, 3.0), (1.0, 2.0)
SPARE_FOR_AXIS = 22.0
"""Room left of a panel for the figures of its pressure axis [pt]."""
LABEL_ROOM, DIMENSION_ROOM, BAR_ROOM, STRIPE = 10.0, 12.0, 8.0, 2.4
"""Room for a label, the dimension line, the bar that shows a collection, or its stripe where plots are low [pt]."""
UNDER = 10.5
"""Room under a panel for the figures of its time axis [pt]."""
TITLE_ROOM, FOR_ONE_LABEL_MORE, COMPACT = 10.0, 60.0, 72.0
"""Room for the title; from which height of a panel on it takes one label more; below which height of a plot the lowest
pressure is named beside the title, and a collection above its stripe [pt]."""


@dataclass(frozen=True, slots=True)
class Panel:
    """A rectangle of the page and what its axes span: seconds since the stage began, pressure."""

    x: float
    y: float
    width: float
    height: float
    t0: float
    t1: float
    p0: float
    p1: float

    def across(self, seconds: float) -> float:
        """Where a time lies [pt]."""
        return self.x + (seconds - self.t0) / (self.t1 - self.t0) * self.width

    def up(self, pressure: float) -> float:
        """Where a pressure lies [pt]."""
        return self.y + (pressure - self.p0) / (self.p1 - self.p0) * self.height


class StagePlots:
    """Draws both plots of one stage side by side."""

    def __init__(self, pen: Pen, facts: PlotFacts, words: Words) -> None:
        """Turn counts into pressures once, for both plots."""
        self.pen, self.facts, self.words = pen, facts, words
        self.colours = pen.layout.colours
        self.small = pen.layout.sizes.small
        self.times: Series = (facts.trace.at - facts.since).astype(np.float64) / TICKS_PER_S
        factor = Pressure.factor(facts.scale.unit) / Pressure.factor(facts.unit)
        self.pressures: Series = facts.scale.pressures(facts.trace.counts) * float(factor)
        self.required = facts.required.to(facts.unit)
        self.acceptance = facts.acceptance.to(facts.unit)
        self.upper = facts.upper.to(facts.unit)
        self.duration = max((facts.until - facts.since) / TICKS_PER_S, 1.0)
        self.hold = None if facts.hold is None else tuple((at - facts.since) / TICKS_PER_S for at in facts.hold)

    def draw(self, top: float, height: float) -> None:
        """Draw both below ``top``, ``height`` points in all including titles and axes."""
        gap = 14.0
        width = (self.pen.right - self.pen.left - gap) / 2
        y, inner = top - height + UNDER, height - UNDER - TITLE_ROOM
        self.compact = height < COMPACT
        left = self.pen.left
        self._title(left, top, self.words("plot.cycle", unit=self.facts.shown_unit))
        self._cycle(left + SPARE_FOR_AXIS, y, width - SPARE_FOR_AXIS, inner)
        right = left + width + gap
        self._title(right, top, self._hold_title)
        self._enlarged(right + SPARE_FOR_AXIS, y, width - SPARE_FOR_AXIS, inner)

    @property
    def _hold_title(self) -> str:
        return self.words("plot.hold", unit=self.facts.shown_unit)

    def _title(self, x: float, top: float, text: str) -> None:
        self.pen.text(x, top - 6.6, text, STRONG, self.small)

    # The whole cycle -----------------------------------------------------------------------------

    def _cycle(self, x: float, y: float, width: float, height: float) -> None:
        most = max(self.upper, float(self.pressures.max(initial=0.0)))
        room = LABEL_ROOM / (height - LABEL_ROOM) * most
        panel = Panel(x, y, width, height, 0.0, self.duration, 0.0, most + room)
        self._ground(panel)
        self._level(panel, self.upper, DOTS, 0.8)
        self._level(panel, self.required, LONG_DASH, 0.8)
        self._trace(panel)
        self._hold_ends(panel)
        self._name_gaps(panel)
        for at in self.facts.leaks:
            self._leak(panel, (at - self.facts.since) / TICKS_PER_S)
        self._label(panel, "plot.upper", self.facts.upper, "right", above=True)
        end = None if self.hold is None else panel.across(self.hold[1])
        self._label(panel, "plot.required", self.facts.required, "right", above=False, end=end)

    def _leak(self, panel: Panel, seconds: float) -> None:
        x = panel.across(min(max(seconds, panel.t0), panel.t1))
        colour = self.colours.rejected
        self.pen.line(x, panel.y, x, panel.y + panel.height, 0.8, colour=colour, dash=(2.0, 1.5))
        align = "right" if x > panel.x + panel.width * 0.6 else "left"
        shift = -3 if align == "right" else 3
        text = self.words("plot.leak")
        self.pen.text(x + shift, panel.y + 11, text, STRONG, self.small, colour=colour, align=align, halo=WHITE)

    # The hold enlarged ---------------------------------------------------------------------------

    def _enlarged(self, x: float, y: float, width: float, height: float) -> None:
        if self.hold is None:
            self._no_hold(x, y, width, height)
            return
        since, until = self.hold
        inside = (self.times >= since) & (self.times <= until)
        held = self.pressures[inside]
        low = min(self.required, float(held.min()))
        high = max(self.acceptance, float(held.max()))
        shows_upper = self.upper - low < 2.2 * (high - low)
        high = self.upper if shows_upper else high
        panel = self._hold_panel(x, y, width, height, spans=(low, high))
        self._ground(panel)
        self._level(panel, self.acceptance, (), 0.5)
        self._level(panel, self.required, LONG_DASH, 0.8)
        if shows_upper:
            self._level(panel, self.upper, DOTS, 0.8)
        self._trace(panel)
        self._hold_ends(panel)
        self._dimension(panel, since, until)
        side = self._lowest(panel, inside)
        self._collecting(panel, side)
        self._label(panel, "plot.required_and_met_at", self.facts.required, side, above=False)
        if shows_upper:
            self._label(panel, "plot.upper", self.facts.upper, side, above=False)
        elif not self.compact:
            self._upper_beyond(panel)

    def _hold_panel(self, x: float, y: float, width: float, height: float, *, spans: tuple[float, float]) -> Panel:
        """Axes that span the hold, with room in points above and below for what is written there."""
        assert self.hold is not None
        (since, until), (low, high) = self.hold, spans
        margin = max(1.0, 0.07 * (until - since))
        above = DIMENSION_ROOM + (0 if self.compact else LABEL_ROOM)
        bar = STRIPE if self.compact else BAR_ROOM
        below = LABEL_ROOM + bar + 2 if self.facts.collected else LABEL_ROOM
        per_point = (high - low) / (height - above - below)
        return Panel(
            x, y, width, height, since - margin, until + margin, low - below * per_point, high + above * per_point
        )

    def _no_hold(self, x: float, y: float, width: float, height: float) -> None:
        self._frame(x, y, width, height)
        middle, centre = y + height / 2, x + width / 2
        self.pen.text(centre, middle + 2, self.words("plot.no_hold"), STRONG, 8.0, align="centre")
        if self.facts.leaks:
            self.pen.text(centre, middle - 8, self.words("plot.no_hold_why"), REGULAR, self.small, align="centre")

    def _upper_beyond(self, panel: Panel) -> None:
        """Say that the upper limit lies further up: beside the title, or in a high panel where the title is long."""
        text = self.words("plot.upper_beyond", value=self._value(self.facts.upper))
        both = self.pen.width_of(self._hold_title, STRONG, self.small) + self.pen.width_of(text, REGULAR, self.small)
        beside = both + 6 <= panel.width + SPARE_FOR_AXIS
        x, y = panel.x + panel.width, panel.y + panel.height + 4
        if not beside and panel.height < FOR_ONE_LABEL_MORE:
            return
        if self.hold is not None and not beside:
            x, y = panel.across(self.hold[1]) - 4, y - DIMENSION_ROOM - 11
        self.pen.text(x, y, text, REGULAR, self.small, colour=self.colours.label, align="right", halo=WHITE)

    def _dimension(self, panel: Panel, since: float, until: float) -> None:
        """The dimension line between start and end of the hold, with its length and what is required."""
        held, hold = Fraction(self.facts.held_ms, 1000), Fraction(self.facts.hold_s)
        digits = fewest_decimals(1, lambda d: (rounded(held, d) >= hold) == (held >= hold))
        text = self.words.figures("plot.hold_length", held=written(held, digits), required=self.facts.hold_s)
        y, x0, x1 = panel.y + panel.height - 7, panel.across(since), panel.across(until)
        ink = self.colours.ink
        self.pen.line(x0, y, x1, y, 0.6, colour=ink)
        for x, way in ((x0, 1), (x1, -1)):
            self.pen.line(x, y, x + way * 5, y + 2, 0.6, colour=ink)
            self.pen.line(x, y, x + way * 5, y - 2, 0.6, colour=ink)
        self.pen.text((x0 + x1) / 2, y - 2.4, text, STRONG, self.small, align="centre", halo=WHITE)

    def _collecting(self, panel: Panel, side: str) -> None:
        """A bar for each collection with its length; beside the bar, where it is too short, only after the last."""
        if self.compact:
            self._stripes(panel, side)
            return
        for began, ended in self.facts.collected:
            since, until = ((at - self.facts.since) / TICKS_PER_S for at in (began, ended))
            x0, x1, y = panel.across(since), panel.across(until), panel.y + 2
            self.pen.ink(self.colours.ink)
            self.pen.canvas.rect(x0, y, x1 - x0, BAR_ROOM, stroke=0, fill=1)
            text = self.words.figures("plot.collecting", seconds=written(Fraction(ended - began, TICKS_PER_S), 1))
            inside = self.pen.width_of(text, STRONG, self.small) + 6 < x1 - x0
            if inside:
                self.pen.text((x0 + x1) / 2, y + 1.7, text, STRONG, self.small, colour=WHITE, align="centre")
            elif ended == self.facts.collected[-1][1]:
                self.pen.text(x1 + 3, y + 1.7, text, STRONG, self.small, halo=WHITE)

    def _stripes(self, panel: Panel, side: str) -> None:
        """A stripe for each collection, and the length of all above them, away from the label of the pressure."""
        if self.hold is None or not self.facts.collected:
            return
        self.pen.ink(self.colours.ink)
        for began, ended in self.facts.collected:
            x0, x1 = (panel.across((at - self.facts.since) / TICKS_PER_S) for at in (began, ended))
            self.pen.canvas.rect(x0, panel.y + 1, x1 - x0, STRIPE, stroke=0, fill=1)
        lengths = [written(Fraction(ended - began, TICKS_PER_S), 1) for began, ended in self.facts.collected]
        text = self.words.figures("plot.collecting", seconds=" + ".join(lengths))
        x = panel.across(self.hold[1]) - 4 if side == "left" else panel.across(self.hold[0]) + 4
        align = "right" if side == "left" else "left"
        self.pen.text(x, panel.y + STRIPE + 3.2, text, STRONG, self.small, align=align, halo=WHITE)

    def _lowest(self, panel: Panel, inside: NDArray[np.bool_]) -> str:
        """Ring and name the lowest point of the hold, taken from all samples; gives the side that stays free."""
        index = int(np.flatnonzero(inside)[np.argmin(self.facts.trace.counts[inside])])
        exact = self.facts.scale.pressure(int(self.facts.trace.counts[index])).in_unit(self.facts.unit)
        x, y = panel.across(float(self.times[index])), panel.up(float(self.pressures[index]))
        align, shift = ("right", -4) if x > panel.x + panel.width * 0.5 else ("left", 4)
        below = y - 10.5 > panel.up(self.acceptance)
        text = self.words.figures("plot.lowest", value=f"{written(exact.value, self._digits)} {self.facts.unit}")
        if self.compact:
            beside = panel.x + panel.width
            self.pen.text(beside, panel.y + panel.height + 3, text, STRONG, self.small, align="right", halo=WHITE)
        else:
            self.pen.text(x + shift, y - 9.5 if below else y + 4.5, text, STRONG, self.small, halo=WHITE, align=align)
        for colour, thickness in ((WHITE, 2.2), (self.colours.ink, 0.9)):
            self.pen.ink(colour)
            self.pen.canvas.setLineWidth(thickness)
            self.pen.canvas.circle(x, y, 2.8, stroke=1, fill=0)
        return "left" if align == "right" else "right"

    # What both plots share -----------------------------------------------------------------------

    def _frame(self, x: float, y: float, width: float, height: float) -> None:
        self.pen.ink(self.colours.rule)
        self.pen.canvas.setLineWidth(0.5)
        self.pen.canvas.rect(x, y, width, height, stroke=1, fill=0)

    def _ground(self, panel: Panel) -> None:
        """Band, gaps, axes: what lies below the trace."""
        if self.hold is not None:
            x0, x1 = panel.across(self.hold[0]), panel.across(self.hold[1])
            y0, y1 = panel.up(self.acceptance), min(panel.up(self.upper), panel.y + panel.height)
            self.pen.ink(self.colours.band)
            self.pen.canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=0, fill=1)
            self.pen.hatch(x0, y0, x1 - x0, y1 - y0, step=4.2, colour=self.colours.hatch, thickness=0.35)
        for since, until in self._gaps(panel):
            self.pen.ink(self.colours.gap)
            width = max(panel.across(until) - panel.across(since), 0.6)
            self.pen.canvas.rect(panel.across(since), panel.y, width, panel.height, stroke=0, fill=1)
        self._frame(panel.x, panel.y, panel.width, panel.height)
        self._axes(panel)

    def _gaps(self, panel: Panel) -> list[tuple[float, float]]:
        """Gaps as far as they lie in the panel [s]."""
        found = []
        for gap in self.facts.gaps:
            since = max((gap.since - self.facts.since) / TICKS_PER_S, panel.t0)
            until = min((gap.until - self.facts.since) / TICKS_PER_S, panel.t1)
            if until > since:
                found.append((since, until))
        return found

    def _axes(self, panel: Panel) -> None:
        label = self.colours.label
        minutes = self.duration > 900
        scale = 60.0 if minutes else 1.0
        marks = ticks(panel.p0, panel.p1, 4 if panel.height > 48 else 3)
        for tick, figure in zip(marks, figures(marks), strict=True):
            x, y = panel.x - 4, panel.up(tick)
            self.pen.line(x + 2, y, x + 4, y, 0.5, colour=label)
            self.pen.text(x, y - 2.4, self.words.decimal(figure), REGULAR, self.small, colour=label, align="right")
        for tick in ticks(panel.t0 / scale, panel.t1 / scale, 6):
            x = panel.across(tick * scale)
            self.pen.line(x, panel.y - 2, x, panel.y, 0.5, colour=label)
            if x < panel.x + panel.width - 16:  # the unit of the axis stands at its right end
                self.pen.text(
                    x, panel.y - 9, self.words.decimal(tidy(tick)), REGULAR, self.small, colour=label, align="centre"
                )
        name = self.words("plot.time_min" if minutes else "plot.time_s")
        self.pen.text(panel.x + panel.width, panel.y - 9, name, REGULAR, self.small, colour=label, align="right")

    def _level(self, panel: Panel, pressure: float, dash: tuple[float, ...], thickness: float) -> None:
        y = panel.up(pressure)
        self.pen.line(panel.x, y, panel.x + panel.width, y, thickness, colour=self.colours.ink, dash=dash)

    def _label(
        self, panel: Panel, key: str, value: Pressure, side: str, *, above: bool, end: float | None = None
    ) -> None:
        """A level's name on the line itself, at the side where the trace leaves room."""
        text = self.words(key, value=self._value(value), met_at=self._met_at())
        y = panel.up(value.to(self.facts.unit)) + (2.2 if above else -7.4)
        ends = {"left": panel.x + 4, "right": panel.x + panel.width - 4 if end is None else end - 4}
        if side == "left" and self.hold is not None:
            ends["left"] = panel.across(self.hold[0]) + 4
        self.pen.text(ends[side], y, text, REGULAR, self.small, align=side, halo=WHITE)

    def _value(self, pressure: Pressure) -> str:
        """A level as given, or to as many digits as its uncertainty has where it was converted."""
        exact = pressure.in_unit(self.facts.unit)
        short = f"{written(exact.value, self.facts.decimals)} {self.facts.unit}"
        return self.words.decimal(short if pressure.unit != self.facts.unit else str(exact))

    def _met_at(self) -> str:
        """The acceptance limit as given, or to as many digits as tell it from the lowest pressure of the hold."""
        exact = self.facts.acceptance.in_unit(self.facts.unit)
        return self.words.decimal(min(str(exact), f"{written(exact.value, self._digits)} {self.facts.unit}", key=len))

    @property
    def _digits(self) -> int:
        """The fewest decimals at which every reading of the hold stands on its own side of the acceptance limit."""
        if self.hold is None:
            return self.facts.decimals
        held = (self.times >= self.hold[0]) & (self.times <= self.hold[1])
        lowest = self.facts.scale.pressure(int(self.facts.trace.counts[held].min())).in_unit(self.facts.unit).value
        met_at = self.facts.acceptance.in_unit(self.facts.unit).value
        return fewest_decimals(
            self.facts.decimals, lambda d: (rounded(lowest, d) >= rounded(met_at, d)) == (lowest >= met_at)
        )

    def _hold_ends(self, panel: Panel) -> None:
        if self.hold is None:
            return
        for seconds in self.hold:
            x = panel.across(seconds)
            self.pen.line(x, panel.y, x, panel.y + panel.height, 0.7, colour=self.colours.ink)

    def _trace(self, panel: Panel) -> None:
        """The curve, clipped to its panel, broken where nothing was read."""
        canvas = self.pen.canvas
        canvas.saveState()
        clip = canvas.beginPath()
        clip.rect(panel.x, panel.y, panel.width, panel.height)
        canvas.clipPath(clip, stroke=0, fill=0)
        self.pen.ink(self.colours.trace)
        canvas.setLineWidth(1.0)
        canvas.setLineJoin(1)
        lines = []
        for piece in self._pieces():
            times, pressures = _within(panel, self.times[piece], self.pressures[piece])
            columns = ceil((times[-1] - times[0]) / (panel.t1 - panel.t0) * panel.width)
            times, pressures = thinned(times, pressures, columns)
            across = panel.x + (times - panel.t0) / (panel.t1 - panel.t0) * panel.width
            up = panel.y + (pressures - panel.p0) / (panel.p1 - panel.p0) * panel.height
            lines.append(list(zip(across.tolist(), up.tolist(), strict=True)))
        self.pen.polylines(lines)
        canvas.restoreState()

    def _name_gaps(self, panel: Panel) -> None:
        """Write the word below each gap, unless the one before stands too near."""
        free = panel.x
        for since, until in self._gaps(panel):
            x, text = panel.across((since + until) / 2), self.words("plot.gap")
            half = self.pen.width_of(text, REGULAR, self.small) / 2
            if x - half >= free:
                self.pen.text(x, panel.y + 2, text, REGULAR, self.small, align="centre", halo=WHITE)
                free = x + half + 2

    def _pieces(self) -> list[slice]:
        """Stretches to draw in one go: cut at the ends of the hold (sharing that sample) and at every gap."""
        count = len(self.times)
        ends = [] if self.hold is None else [int(np.searchsorted(self.times, at)) for at in self.hold]
        shared = [min(end, count - 1) for end in ends]
        breaks = {int(np.searchsorted(self.facts.trace.at, gap.until)) for gap in self.facts.gaps}
        borders = sorted({0, count, *shared, *breaks})
        return [
            slice(first, last + 1 if last in shared and last not in breaks else last)
            for first, last in pairwise(borders)
            if last > first
        ]


def _within(panel: Panel, times: Series, pressures: Series) -> tuple[Series, Series]:
    """What a panel shows, with one sample more at either side for the way in and out: the rest is clipped away."""
    first = max(int(np.searchsorted(times, panel.t0)) - 1, 0)
    last = max(int(np.searchsorted(times, panel.t1, side="right")) + 1, first + 1)
    return times[first:last], pressures[first:last]


def thinned(times: Series, pressures: Series, columns: int) -> tuple[Series, Series]:
    """Keep the smallest and the largest sample of each column, in order of time, and both ends."""
    if len(times) <= 2 * columns or times[-1] <= times[0]:
        return times, pressures
    edges = np.searchsorted(times, np.linspace(times[0], times[-1], columns + 1)[1:-1])
    kept = {0, len(times) - 1}
    for first, last in zip((0, *edges), (*edges, len(times)), strict=True):
        if last > first:
            piece = pressures[first:last]
            kept.update((int(first + piece.argmin()), int(first + piece.argmax())))
    chosen = np.array(sorted(kept))
    return times[chosen], pressures[chosen]
