"""What a channel does, in figures: how many values, how often, how noisy, what was rejected, where it was silent."""

from collections import Counter, deque
from fractions import Fraction
from typing import Any

import numpy as np

from testbench.framing.readings import Reading, Rejected
from testbench.metrology.sample_times import sample_times, usual_rate
from testbench.metrology.signal import noise_of, resolution_of
from testbench.run.samples import TICKS_PER_S, Sample, Scale, to_s, to_ticks
from testbench.station import faults
from testbench.station.acquisition import NO_GARBAGE, Acquisition, Polled, PortEvent, PortOpened
from testbench.station.bench import ChannelEntry
from testbench.station.line import Line

NEWEST = 20_000
"""Readings from which noise and resolution are taken."""
NEWEST_ARRIVALS = 6_000
"""Arrivals that the sample times are derived from."""
NEWEST_REJECTED = 3
"""Rejections of which the bytes are shown."""
SHOWN_BYTES = 64
"""Of each."""


class Watch:
    """Takes the events of one line and counts.

    Args:
        channel: how it is read; pressures are as indicated, no calibration and no zero applied.
    """

    def __init__(self, channel: ChannelEntry) -> None:
        self._channel = channel
        self._line = Line(channel)
        self.acquisition = Acquisition(channel)
        self._scale = Scale(unit=channel.unit, decimals=channel.places)
        self._newest: deque[int] = deque(maxlen=NEWEST)
        self._arrivals: deque[int] = deque(maxlen=NEWEST_ARRIVALS)
        self._first: Sample | None = None
        self._last: Sample | None = None
        self._least = self._most = 0
        self.values = 0
        self._rejected: Counter[str] = Counter()
        self._newest_rejected: deque[Rejected] = deque(maxlen=NEWEST_REJECTED)
        self._gaps: Counter[str] = Counter()
        self._since: int | None = None
        self._slowest_s: float | None = None
        self.state = ""
        """What was set when the line was opened."""

    def take(self, event: PortEvent) -> None:
        """Take one port event."""
        at, why = to_ticks(event.at_s), self.acquisition.fault
        self._since = at if self._since is None else self._since
        taken = self.acquisition.take(self._line.take(event))
        if isinstance(event, PortOpened):
            self.state = event.settings
        if isinstance(event, Polled) and isinstance(event.found, Reading):
            self._slowest_s = max(self._slowest_s or 0.0, event.at_s - event.sent_s)
        for _, item in taken.rejected:
            if item.reason not in NO_GARBAGE:
                self._rejected[_reason(item)] += 1
                self._newest_rejected.append(item)
        if not self.values and taken.samples and why is not None and self._late_to_begin(at):
            self._gaps[why.value] += 1
        self._gaps.update(gap.reason.value for gap in taken.gaps)
        for sample in taken.samples:
            self._value(sample)
        self.acquisition.silent_since(at)

    def _late_to_begin(self, at: int) -> bool:
        """Whether the first reading was long in coming: the first line may be half of one, and waits for the next."""
        assert self._since is not None
        return at - self._since > 2 * to_ticks(self._channel.stale_after_s)

    def _value(self, sample: Sample) -> None:
        if self._first is None:
            self._first = sample
            self._least = self._most = sample.counts
        self._last = sample
        self._least, self._most = min(self._least, sample.counts), max(self._most, sample.counts)
        self._newest.append(sample.counts)
        if sample.asked is None:
            self._arrivals.append(sample.at)
        self.values += 1

    @property
    def sentence(self) -> str:
        """What is wrong now; empty where readings come."""
        return self.acquisition.sentence

    def facts(self) -> dict[str, Any]:
        """Everything as plain data. Pressures and noise are in ``unit``, rates in Hz, None where there is none."""
        counts = np.array(self._newest, dtype=np.float64) * float(self._scale.per_count)
        written = float(self._scale.per_count)
        gaps = self._gaps + Counter(self._open_gap)
        return {
            "unit": self._channel.unit,
            "values": self.values,
            "rejected": sum(self._rejected.values()),
            "gaps": sum(gaps.values()),
            "rate_hz": self.rate_hz,
            "noise": float(noise_of(counts)) if self.values > 2 else None,
            "resolution": float(resolution_of(counts, written)) if self.values else None,
            "first": None if self._first is None else self._shown(self._first.counts),
            "last": None if self._last is None else self._shown(self._last.counts),
            "minimum": self._shown(self._least) if self.values else None,
            "maximum": self._shown(self._most) if self.values else None,
            "rejected_reasons": dict(self._rejected),
            "rejected_newest": [
                {"bytes": escaped(item.raw), "reason": _reason(item)} for item in self._newest_rejected
            ],
            "gap_reasons": dict(gaps),
            "fault": faults.beside_the_bytes(self.sentence),
            "slowest_answer_s": self._slowest_s,
            "sample_time": self._sample_time(),
            "line": self.state,
            "line_errors": self._line.history.errors,
        }

    @property
    def _open_gap(self) -> list[str]:
        """The reason of the gap that has not ended; of a line that never gave a reading it is the whole time."""
        fault = self.acquisition.fault
        return [] if fault is None or self._since is None else [fault.value]

    def _sample_time(self) -> dict[str, Any] | None:
        """The derived line of the newest arrivals; None where there is none. Shown as derived, and used for nothing."""
        found = sample_times(np.array(self._arrivals, dtype=np.int64), TICKS_PER_S)
        if found is None:
            return None
        rate = usual_rate(found.period_s)
        return {
            "derived": "by line fit",
            "period_s": found.period_s,
            "residual_rms_s": found.residual_rms_s,
            "residual_max_s": found.residual_max_s,
            "samples": found.samples,
            "missing": found.missing,
            "nominal_hz": rate,
            "drift_ppm": None if rate is None else found.drift_ppm(1 / rate),
        }

    @property
    def mean(self) -> Fraction | None:
        """Of the newest readings, as indicated, in the channel's unit; None without any."""
        return Fraction(sum(self._newest), len(self._newest)) * self._scale.per_count if self._newest else None

    @property
    def rate_hz(self) -> float | None:
        """Values a second, from the first to the last."""
        if self._first is None or self._last is None or self._last.at == self._first.at:
            return None
        return (self.values - 1) / to_s(self._last.at - self._first.at)

    def _shown(self, counts: int) -> float:
        return float(Fraction(counts) * self._scale.per_count)


def escaped(raw: bytes) -> str:
    r"""Bytes as text that any terminal can show: ``\r``, ``\xff``; what is too long is cut, and its length said."""
    shown = raw[:SHOWN_BYTES].decode("latin-1").encode("unicode_escape").decode("ascii")
    return shown if len(raw) <= SHOWN_BYTES else f"{shown}… ({len(raw)} bytes)"


def _reason(item: Rejected) -> str:
    return f"{item.reason} ({item.detail})" if item.detail else str(item.reason)
