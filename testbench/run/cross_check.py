"""Two pressure channels held against each other, live and again from the sealed samples.

A reading agrees when it lies between the least and the most that the other channel read just before it, widened by
what is allowed. So one channel may be slower than the other while the pressure moves; at rest nothing is forgiven.
Just before it are the other's newest reading, however old, and all of the last ``lag_s``; a reading of the same tick
counts. Whether the newest is too old is another rule's business: that of silence.

Either channel's readings are looked at. A moment is a tick at which something was read that can be compared; it agrees
when any of its readings does. A disagreement is a stretch in which no moment agreed. Where the other channel has read
nothing yet, there is neither agreement nor disagreement.

Pressures are compared as whole millionths of a unit, so that live and sealed readings are compared alike.
"""

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from testbench.metrology.decision_rule import Conformity
from testbench.quantities import Pressure
from testbench.run.channels import ChannelRecord, CrossCheck
from testbench.run.record import CriterionFinding, RunRecord
from testbench.run.samples import TICKS_PER_S, Sample, Scale, Trace, to_s

MILLION = 1_000_000
CRITERION = "cross-check"
Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Pair:
    """A cross-check and its two channels, as they measure the fluid of a stage."""

    check: CrossCheck
    channels: tuple[ChannelRecord, ChannelRecord]

    @property
    def unit(self) -> str:
        """Of all that is compared."""
        return self.channels[0].scale.unit

    @property
    def lag(self) -> int:
        """How long before a reading counts as just before [ticks]."""
        return self.check.lag_ms * TICKS_PER_S // 1000

    @property
    def lasting(self) -> int:
        """A disagreement of this length counts [ticks]."""
        return self.check.lasting_ms * TICKS_PER_S // 1000

    @property
    def tags(self) -> str:
        """Both, as a finding names them."""
        return " and ".join(channel.tag for channel in self.channels)

    def pressure(self, millionths: int) -> Pressure:
        """What is compared as an amount."""
        return Pressure.of(Fraction(millionths, MILLION), self.unit)

    def sentence(self, one: int, other: int, allowed: int) -> str:
        """Both readings, how far apart they are, and what is allowed [millionths]."""
        apart, most = self.pressure(abs(one - other)), self.pressure(allowed)
        first, second = (
            f"{channel.tag} {'reads ' if channel is self.channels[0] else ''}{self.pressure(found).text(1)}"
            for channel, found in zip(self.channels, (one, other), strict=True)
        )
        return f"{first} and {second}: {apart.text_beside(most, 1)} apart, at most {most.text(1)} is allowed"


def pairs_of(record: RunRecord, fluid: str) -> tuple[Pair, ...]:
    """The cross-checks of a run with their channels, for a stage with this fluid."""
    known = {one.tag: one.for_fluid(fluid) for one in (record.channel, *(found.channel for found in record.beside))}
    return tuple(Pair(check, (known[check.channels[0]], known[check.channels[1]])) for check in record.cross_checks)


class Millionths:
    """Readings of one channel as whole millionths of a unit, singly and together by the same arithmetic."""

    def __init__(self, scale: Scale, unit: str) -> None:
        per = float(scale.per_count)
        self._per, self._zero, self._head = (
            per,
            scale.zero_millicounts / 1000 * per,
            scale.head_millicounts / 1000 * per,
        )
        self._gain, self._bend = float(scale.gain), float(scale.bend)
        self._factor = float(Pressure.factor(scale.unit) / Pressure.factor(unit)) * MILLION

    def of(self, counts: int) -> int:
        """One reading."""
        reading = counts * self._per
        corrected = (reading - self._zero) * (self._gain + self._bend * (reading + self._zero)) + self._head
        return round(corrected * self._factor)

    def all_of(self, counts: Counts) -> Counts:
        """Many readings."""
        reading = counts * self._per
        corrected = (reading - self._zero) * (self._gain + self._bend * (reading + self._zero)) + self._head
        return np.rint(corrected * self._factor).astype(np.int64)


class Allowed:
    """How far apart two readings may lie, in millionths: as stated, or from both U at that pressure."""

    def __init__(self, pair: Pair) -> None:
        self._points: list[tuple[list[float], list[float]]] | None = None
        stated, unit, (one, other) = pair.check.allowed, pair.unit, pair.channels
        if stated is not None:
            self._always = math.floor(stated.exact / Pressure.factor(unit) * MILLION)
        elif one.uncertainty_points or other.uncertainty_points:
            self._points = [_along(channel, unit) for channel in pair.channels]
        else:
            squares = one.expanded_uncertainty.exact**2 + other.expanded_uncertainty.exact**2
            self._always = math.isqrt(math.floor(squares / Pressure.factor(unit) ** 2 * MILLION**2))

    def at(self, found: int) -> int:
        """Of one reading."""
        return self._always if self._points is None else int(self.at_all(np.array([found]))[0])

    def at_all(self, found: Counts) -> Counts:
        """Of many readings."""
        if self._points is None:
            return np.full(found.size, self._always, dtype=np.int64)
        one, other = (np.interp(found, at, u) for at, u in self._points)
        return np.floor(np.hypot(one, other)).astype(np.int64)


def _along(channel: ChannelRecord, unit: str) -> tuple[list[float], list[float]]:
    points = channel.uncertainty_points
    if not points:
        return [0.0], [channel.expanded_uncertainty.to(unit) * MILLION]
    return [p.at.to(unit) * MILLION for p in points], [p.expanded_uncertainty.to(unit) * MILLION for p in points]


# Live -------------------------------------------------------------------------------------------


class _JustBefore:
    """Least and most of the newest readings of one channel; the last of either is the newest."""

    def __init__(self, lag: int) -> None:
        self._lag = lag
        self._least: deque[tuple[int, int]] = deque()
        self._most: deque[tuple[int, int]] = deque()

    @property
    def newest(self) -> int:
        return self._least[-1][1]

    def add(self, at: int, found: int) -> None:
        while self._least and self._least[-1][1] >= found:
            self._least.pop()
        while self._most and self._most[-1][1] <= found:
            self._most.pop()
        self._least.append((at, found))
        self._most.append((at, found))

    def at(self, now: int) -> tuple[int, int] | None:
        """Least and most; None where nothing was read."""
        for kept in (self._least, self._most):
            while len(kept) > 1 and kept[0][0] < now - self._lag:
                kept.popleft()
        return (self._least[0][1], self._most[0][1]) if self._least else None


class Comparison:
    """Takes the readings of both channels in the order of their ticks; knows since when none has agreed.

    A moment is judged when the first reading after it comes: before, the other channel may still read at the same tick.
    """

    def __init__(self, pair: Pair) -> None:
        self.pair = pair
        self.sentence = ""
        """The disagreement once it has lasted, without its stop; empty else."""
        self._millionths = tuple(Millionths(channel.scale, pair.unit) for channel in pair.channels)
        self._allowed = Allowed(pair)
        self._before = (_JustBefore(pair.lag), _JustBefore(pair.lag))
        self._now = 0
        self._moment: list[tuple[int, int]] = []
        """Which channel read what, now."""
        self._since: int | None = None

    def take(self, which: int, sample: Sample) -> None:
        """Take a reading of the first (0) or the second channel (1)."""
        if sample.at > self._now:
            self._judge()
            self._now, self._moment = sample.at, []
        found = self._millionths[which].of(sample.counts)
        self._before[which].add(sample.at, found)
        self._moment.append((which, found))

    def _judge(self) -> None:
        agreed = [
            max(others[0] - found, found - others[1]) <= self._allowed.at(found)
            for which, found in self._moment
            if (others := self._before[1 - which].at(self._now)) is not None
        ]
        if any(agreed):
            self._since, self.sentence = None, ""
        elif agreed:
            self._since = self._now if self._since is None else self._since
            if self._now - self._since >= self.pair.lasting:
                one, other = (before.newest for before in self._before)
                self.sentence = self.pair.sentence(one, other, self._allowed.at(one))


# From the sealed samples ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Compared:
    """What two traces show beside each other over a hold [millionths, ticks]."""

    largest: int
    """The farthest that a reading lay from what the other channel read just before it."""
    allowed: int
    """What was allowed there."""
    disagreed: str
    """The first disagreement that lasted; empty where there was none."""
    compared: bool


def compare(pair: Pair, one: Trace, other: Trace, since: int, until: int) -> Compared:
    """Hold two traces against each other from one tick to another.

    A disagreement that touches the stretch counts with what of it lies before and after.
    """
    allowed = Allowed(pair)
    found = [Millionths(c.scale, pair.unit).all_of(t.counts) for c, t in zip(pair.channels, (one, other), strict=True)]
    parts = [
        _held_against((one.at, found[0]), (other.at, found[1]), pair.lag),
        _held_against((other.at, found[1]), (one.at, found[0]), pair.lag),
    ]
    at = np.concatenate([part[0] for part in parts])
    order = np.argsort(at, kind="stable")
    at, read, apart = at[order], *(np.concatenate([part[n] for part in parts])[order] for n in (1, 2))
    most = allowed.at_all(read)
    inside = np.flatnonzero((at >= since) & (at <= until))
    if not inside.size:
        return Compared(0, allowed.at(0), "", compared=False)
    worst = int(inside[np.argmax(apart[inside] - most[inside])])
    moments, first = np.unique(at, return_index=True)
    lasted = _lasting(moments, ~np.logical_or.reduceat(apart <= most, first), pair.lasting, since, until)
    said = "" if lasted is None else _sentence_at(pair, (one, other), found, allowed, lasted)
    return Compared(int(apart[worst]), int(most[worst]), said, compared=True)


def _held_against(one: tuple[Counts, Counts], beside: tuple[Counts, Counts], lag: int) -> tuple[Counts, Counts, Counts]:
    """Ticks, readings, and how far each lies outside what the other read just before; only where that was anything."""
    (at, found), (other_at, other) = one, beside
    end = np.searchsorted(other_at, at, "right")
    some = end > 0
    at, found, end = at[some], found[some], end[some]
    if not at.size:
        return at, found, at
    first = np.minimum(np.searchsorted(other_at, at - lag, "left"), end - 1)
    edges = np.column_stack((first, end)).ravel()
    least = np.minimum.reduceat(np.append(other, np.iinfo(np.int64).max), edges)[::2]
    most = np.maximum.reduceat(np.append(other, np.iinfo(np.int64).min), edges)[::2]
    return at, found, np.maximum(np.maximum(least - found, found - most), 0)


def _lasting(at: Counts, disagrees: NDArray[np.bool_], lasting: int, since: int, until: int) -> int | None:
    """The tick at which a disagreement that touches the stretch had lasted; None where none did."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], disagrees, [False])).astype(np.int8)))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        begun, last = int(at[first]), int(at[end - 1])
        if last - begun >= lasting and last >= since and begun <= until:
            return int(at[np.searchsorted(at, begun + lasting)])
    return None


def _sentence_at(pair: Pair, traces: tuple[Trace, Trace], found: Sequence[Counts], allowed: Allowed, at: int) -> str:
    one, other = (
        int(read[max(int(np.searchsorted(trace.at, at, "right")) - 1, 0)])
        for trace, read in zip(traces, found, strict=True)
    )
    return pair.sentence(one, other, allowed.at(one))


def longest_silence(trace: Trace, since: int, until: int) -> int:
    """The longest stretch within another without a usable reading [ticks]."""
    within = trace.between(since, until)
    steps = np.diff(np.concatenate(([since], within.at, [until])))
    gaps = [min(gap.until, until) - max(gap.since, since) for gap in within.gaps]
    return max(int(steps.max()), *gaps, 0)


def judge_cross_checks(
    pairs: Iterable[Pair], traces: dict[str, Trace], hold: tuple[int, int] | None, longest_gap_s: float, on: date
) -> tuple[CriterionFinding, ...]:
    """Judge each cross-check anew from the sealed samples of a hold.

    Args:
        pairs: what is compared.
        traces: the samples of every pressure channel, by its tag.
        hold: its first and last tick; None where there was none.
        longest_gap_s: what a channel may be silent [s].
        on: the day of the run.
    """
    return tuple(_judged(pair, traces, hold, longest_gap_s, on) for pair in pairs)


def _judged(
    pair: Pair, traces: dict[str, Trace], hold: tuple[int, int] | None, longest_gap_s: float, on: date
) -> CriterionFinding:
    if hold is None:
        return CriterionFinding(
            criterion=CRITERION,
            conformity=Conformity.WITHIN_GUARD_BAND,
            sentence=f"{pair.tags} were not compared: there is no hold.",
        )
    one, other = (traces[channel.tag] for channel in pair.channels)
    found = compare(pair, one, other, *hold)
    faults = [found.disagreed] if found.disagreed else []
    faults += [
        f"the calibration of {channel.tag} holds from {channel.calibrated_on} to {channel.due_on}, not on {on}"
        for channel in pair.channels
        if not channel.calibration.in_date(on)
    ]
    for channel, trace in zip(pair.channels, (one, other), strict=True):
        silent = longest_silence(trace, *hold)
        if silent > longest_gap_s * TICKS_PER_S or not found.compared:
            faults.append(
                f"{channel.tag} gave nothing to compare for {to_s(silent):.1f} s of the hold, "
                f"at most {longest_gap_s:g} s is allowed"
            )
    largest, most = pair.pressure(found.largest), pair.pressure(found.allowed)
    briefly = f"disagree for less than {pair.check.lasting_ms / 1000:g} s at a time"
    how = "agree" if found.largest <= found.allowed else briefly
    fine = f"{pair.tags} {how}: at most {largest.text_beside(most)} apart, {most.text(2)} is allowed"
    return CriterionFinding(
        criterion=CRITERION,
        measured=str(largest),
        limit=str(most),
        conformity=Conformity.WITHIN_GUARD_BAND if faults else Conformity.CONFORMS,
        sentence=f"{'; '.join(faults) or fine}.",
    )
