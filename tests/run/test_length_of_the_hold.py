"""How long a hold is, by samples whose times are not known to the tick: it is never credited what was not held.

The stage counts by the stamps alone; the truth, which only the simulation knows, is when each value was measured.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.trend import Slope
from testbench.run.evaluation import evaluate_stage
from testbench.run.hold import held_in
from testbench.run.machine import Phase
from testbench.run.observations import Seen
from testbench.run.progress import Action
from testbench.run.record import Finding, Verdict
from testbench.run.samples import Sample, Trace
from tests.run.test_evaluation import DAY, sentence

HOLD = 150_000  # shell test of an NPS 2 valve: 15 s
EARLIER = 60_000  # steadiness takes 5 s, and some to spare
STEADY = 0.0


def polled(shop, answered_in: int):
    """An attempt at a shell test with a transmitter that takes so long to answer [ticks]."""
    attempt = shop.shell_test("NPS 2")
    attempt.answered_in = answered_in
    return attempt


def judged(attempt, trace: Trace | None = None) -> Finding:
    finding = evaluate_stage(attempt.record(), trace or attempt.trace(), attempt.channel, attempt.zero_check, DAY)
    assert finding is not None
    return finding


# Polled -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("answered_in", "over"), [(0, True), (1, False), (200, False)])
def test_a_hold_ends_with_a_value_that_was_asked_for_late_enough(shop, answered_in: int, over: bool):
    """The first answer was complete at t0. What was asked for before t0 + 15 s may have been measured too early."""
    attempt = polled(shop, answered_in).holding().keep(51000, 15)
    assert (attempt.state.phase is Phase.OBSERVING) is over
    assert attempt.read(51000).state.phase is Phase.OBSERVING


def test_a_hold_begins_with_the_end_of_an_answer(shop):
    """The value that made it steady may have been measured just before that, but no earlier counts."""
    attempt = polled(shop, 200).holding()
    assert attempt.state.hold_since == attempt.samples[-1].at


def test_the_finding_says_how_long_it_was_at_least(shop):
    """15.1 s from answer to answer at ten polls a second, less the 20 ms that the last answer took."""
    attempt = polled(shop, 200).holding().keep(51000, 15.1).see(Seen.NO_LEAKAGE).released()
    finding = judged(attempt)
    assert finding.held_ms == 15_080
    assert sentence(finding, "hold") == "Held 15.1 s, never below 500 psi plus U = 1 psi."
    assert finding.verdict is Verdict.ACCEPTED


@pytest.mark.parametrize(("late", "verdict"), [(0, Verdict.ACCEPTED), (1, Verdict.INCONCLUSIVE)])
def test_a_last_answer_that_was_asked_for_a_tick_too_early(shop, late: int, verdict: Verdict):
    """15.0000 s from the first answer to the last query are enough, 14.9999 s are not."""
    attempt = polled(shop, 0).held().see(Seen.NO_LEAKAGE).released()
    trace = attempt.trace()
    asked = trace.at.copy()
    asked[trace.at == attempt.state.hold_until] -= late
    finding = judged(attempt, Trace(trace.at, trace.counts, asked=asked))
    assert finding.verdict is verdict
    if late:
        assert sentence(finding, "hold") == "The hold lasted 14.9999 s of 15 s."


def test_an_answer_from_before_its_query_is_no_hold(shop):
    """Nobody measured that; and it adds no time to the hold."""
    attempt = polled(shop, 200).holding().keep(51000, 15.1).see(Seen.NO_LEAKAGE).released()
    trace = attempt.trace()
    hold = trace.between(attempt.state.hold_since, attempt.state.hold_until)
    later = Trace(trace.at, trace.counts, asked=trace.at + 1)
    assert sentence(judged(attempt, later), "hold") == "The hold has an answer from before its query."
    assert held_in(later.between(int(hold.at[0]), int(hold.at[-1]))) == int(hold.at[-1] - hold.at[0])


def test_a_single_polled_value_lasted_no_time(shop):
    """Its query lies before its answer; that is no negative length."""
    whole = polled(shop, 200).holding().trace()
    assert held_in(whole.between(int(whole.at[-1]), int(whole.at[-1]))) == 0


def drive(shop, samples: list[Sample]):
    """A stage whose pressure is steady from the first sample on, to the end of its hold.

    Returns:
        The hold as judged [ticks], and the indices of its first and last sample.
    """
    attempt = shop.shell_test("NPS 2").read(0).ask(Action.VENT_CLOSED)
    state, begun = attempt.state, None
    for index, sample in enumerate(samples):
        state, _ = attempt.stage.sample(state, sample, Slope(STEADY, 0.0, 200, 20.0))
        if begun is None and state.phase is Phase.HOLDING:
            begun = index
        if state.phase is Phase.OBSERVING:
            return held_in(Trace.of(samples).between(state.hold_since, state.hold_until)), begun, index
    raise AssertionError(state.phase)


PERIODS = st.integers(200, 4_000)
SHARES = st.integers(0, 2**32 - 1).map(np.random.default_rng)


@given(period=PERIODS, chance=SHARES, slowest=st.floats(0.01, 1))
def test_a_polled_hold_was_never_shorter_than_judged(shop, period, chance, slowest):
    """Whenever between query and answer the values were measured: the hold was as long as judged or longer, and by no
    more than both answers took. Where an answer takes up to half a period that is one period.
    """
    polls = (HOLD + EARLIER) // period + 20
    asked = 30_000 + period * np.arange(polls)
    took = np.rint(chance.uniform(0, slowest * (period - 1), polls)).astype(int)
    measured = asked + chance.uniform(0, 1, polls) * took
    samples = [Sample(int(a + t), 51_000, int(a)) for a, t in zip(asked, took, strict=True)]
    held, first, last = drive(shop, samples)
    excess = measured[last] - measured[first] - held
    assert held >= HOLD
    assert 0 <= excess <= took[first] + took[last]
    assert slowest > 0.5 or excess <= period


# Free-running -----------------------------------------------------------------------------------


@given(period=PERIODS, chance=SHARES, jitter=st.floats(0, 1, exclude_max=True))
def test_a_hold_is_judged_to_a_sample_period_whatever_the_jitter_below_it(shop, period, chance, jitter):
    """Arrivals are late by less than a period, each by another time: judged and true length differ by less, too."""
    samples = (HOLD + EARLIER) // period + 20
    measured = 30_000 + period * np.arange(samples)
    arrived = measured + np.floor(chance.uniform(0, jitter * period, samples)).astype(int)
    held, first, last = drive(shop, [Sample(int(at), 51_000) for at in arrived])
    assert held >= HOLD
    assert abs(int(measured[last] - measured[first]) - held) < period


@given(period=PERIODS, chance=SHARES)
def test_a_hold_ends_at_the_first_sample_that_lies_far_enough(shop, period, chance):
    """So it is longer than demanded by less than the step between its last two samples."""
    steps = chance.integers(1, period + 1, (HOLD + EARLIER) * 3 // period + 20)
    arrived = 30_000 + np.cumsum(steps)
    held, _, last = drive(shop, [Sample(int(at), 51_000) for at in arrived])
    assert 0 <= held - HOLD < steps[last]
