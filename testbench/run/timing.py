"""How the times of a hold are known, and how well its length: from the samples alone, beside the criteria.

A hold is counted on stamps. What it is told here never moves one: a derived line is shown with its residual and
decides nothing.
"""

from enum import StrEnum

import numpy as np

from testbench.metrology.sample_times import SampleTimes, sample_times
from testbench.metrology.uncertainty import expanded_text
from testbench.procedure.valve import Value
from testbench.run.samples import TICKS_PER_S, Trace, to_ticks

ARRIVALS_WITHIN_US = 20_000
"""How late an arrival may be: the latency timer of a USB adapter, and a busy machine (common practice)."""
TAIL = to_ticks(2)
"""Samples after the hold tell whether its last ones were late or came after missing ones."""


class Stamps(StrEnum):
    """What the times of a trace are."""

    ARRIVALS = "arrivals"
    """The transmitter talks by itself; each sample has the stamp of the read that brought it."""
    POLLED = "polled"
    """Each sample was asked for, and measured between query and answer."""


class DerivedLine(Value):
    """Sample times derived by line fit, in short; see ``metrology.sample_times``."""

    period_ns: int
    residual_rms_us: int
    """How late the arrivals are beside it."""
    residual_max_us: int
    samples: int
    missing: int

    @classmethod
    def of(cls, found: SampleTimes) -> "DerivedLine":
        """The figures of a fit, as whole numbers."""
        return cls(
            period_ns=round(found.period_s * 1e9),
            residual_rms_us=round(found.residual_rms_s * 1e6),
            residual_max_us=round(found.residual_max_s * 1e6),
            samples=found.samples,
            missing=found.missing,
        )


class HoldTiming(Value):
    """How the times of a hold are known."""

    stamps: Stamps
    period_us: int
    """From one sample to the next, on average."""
    within_us: int
    """How long before its stamp a value may have been measured, at most."""
    known_to_us: int
    """How far the length of the hold may be from what was counted, at most."""
    line: DerivedLine | None
    """None where samples were asked for, or lie on no line."""
    sentence: str


def timing_of(hold: Trace, whole: Trace) -> HoldTiming | None:
    """Say how the times of a hold are known.

    What made the hold begin came about between its first sample and the one before, and the hold was over between its
    last and the one before that. So its length is known to the longer of these steps, and to what the stamps are worth.

    Args:
        hold: its samples.
        whole: all samples of the stage.

    Returns:
        None where it has fewer than two samples.
    """
    if len(hold) < 2:
        return None
    inside = np.flatnonzero((whole.at >= hold.at[0]) & (whole.at <= hold.at[-1]))
    first, last = int(inside[0]), int(inside[-1])
    found = None
    if hold.asked is None:
        until = int(np.flatnonzero(whole.at <= hold.at[-1] + TAIL)[-1])
        found = sample_times(whole.at[max(0, first - 1) : until + 1], TICKS_PER_S)
        within = max(ARRIVALS_WITHIN_US, 0 if found is None else round(found.residual_max_s * 1e6))
        doubt = within if found is None else round(found.residual_max_s * 1e6)
    else:
        within = _us(int((hold.at - hold.asked).max()))
        doubt = _us(int(hold.at[-1] - hold.asked[-1]))
    line = None if found is None else DerivedLine.of(found)
    known_to = doubt + _us(max(_step_to(whole, first), _step_to(whole, last)))
    return HoldTiming(
        stamps=Stamps.ARRIVALS if hold.asked is None else Stamps.POLLED,
        period_us=_us(int(hold.at[-1] - hold.at[0])) // (len(hold) - 1),
        within_us=within,
        known_to_us=known_to,
        line=line,
        sentence=_sentence(polled=hold.asked is not None, within=within, known_to=known_to, line=line),
    )


def _step_to(trace: Trace, index: int) -> int:
    """From the sample before to this one; those under one stamp are taken for one [ticks]."""
    before = np.flatnonzero(trace.at[:index] < trace.at[index])
    if not before.size:
        return 0
    since = trace.at if trace.asked is None else trace.asked
    return int(trace.at[index] - since[before[-1]])


def _us(ticks: int) -> int:
    return ticks * 1_000_000 // TICKS_PER_S


def _sentence(*, polled: bool, within: int, known_to: int, line: DerivedLine | None) -> str:
    ms, seconds = expanded_text(within / 1000), expanded_text(known_to / 1e6)
    arrivals = f"Times are arrivals at the recorder, within {ms} ms"
    answers = f"Times are those of complete answers, each measured within {ms} ms before"
    times = answers if polled else arrivals
    said = f"{times}; the length of the hold is known to {seconds} s."
    if line is None:
        return said
    return f"{said} Sample time derived by line fit, residual {expanded_text(line.residual_rms_us / 1000)} ms rms."
