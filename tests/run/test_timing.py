"""How the times of a hold are known: worked examples, and the truth within what is said of it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.run.evaluation import rejudged
from testbench.run.observations import Seen
from testbench.run.record import RunRecord, canonical
from testbench.run.samples import Trace
from testbench.run.timing import DerivedLine, HoldTiming, Stamps, timing_of


def stamped(at: np.ndarray, asked: np.ndarray | None = None) -> Trace:
    return Trace(at.astype(np.int64), np.full(at.size, 51_000, dtype=np.int64), asked=asked)


def regular(samples: int = 700, period: int = 1_000) -> np.ndarray:
    return 30_000 + period * np.arange(samples)


def hold_in(whole: Trace, first: int, last: int) -> Trace:
    return whole.between(int(whole.at[first]), int(whole.at[last]))


def test_a_regular_transmitter(accepted_shell):
    """Ten readings a second without any delay: the length is known to one step, for nothing happened between two."""
    timing = accepted_shell.finding().timing
    assert timing == HoldTiming(
        stamps=Stamps.ARRIVALS,
        period_us=100_000,
        within_us=20_000,
        known_to_us=100_000,
        line=DerivedLine(
            period_ns=100_000_000, residual_rms_us=0, residual_max_us=0, samples=612, missing=0
        ),
        sentence="Times are arrivals at the recorder, within 20 ms; the length of the hold is known to 0.10 s. Sample "
        "time derived by line fit, residual 0 ms rms.",
    )  # fmt: skip


def test_late_arrivals_are_told_by_their_residual():
    """Every fourth arrives 8 ms late: 4 ms rms. The step before the first sample is longer by that; so is the doubt."""
    at = regular()
    at[::4] += 80
    whole = stamped(at)
    timing = timing_of(hold_in(whole, 40, 640), whole)
    assert timing.line.residual_rms_us == pytest.approx(4_000, rel=0.01)
    assert timing.line.residual_max_us == 8_000
    assert (timing.within_us, timing.known_to_us) == (20_000, 108_000 + 8_000)
    assert timing.sentence.endswith("known to 0.12 s. Sample time derived by line fit, residual 4.1 ms rms.")


@pytest.mark.parametrize(("late", "within_us"), [(200, 20_000), (201, 20_100)])
def test_arrivals_later_than_usual_are_said_to_be(late: int, within_us: int):
    """20 ms are said of any arrival; one that the line shows to be later takes the whole hold with it."""
    at = regular()
    at[300] += late
    assert timing_of(hold_in(stamped(at), 40, 640), stamped(at)).within_us == within_us


def test_without_a_line_the_doubt_is_that_of_any_arrival():
    """Readings that come when they like: within 20 ms, and no sample time is derived."""
    at = 30_000 + np.cumsum(np.random.default_rng(3).exponential(1_000, 700)).astype(np.int64)
    whole = stamped(at)
    timing = timing_of(hold_in(whole, 40, 640), whole)
    assert (timing.line, timing.within_us) == (None, 20_000)
    assert timing.known_to_us == 20_000 + 100 * max(int(at[40] - at[39]), int(at[640] - at[639]))
    assert "derived" not in timing.sentence


def test_readings_under_one_stamp_are_one_step():
    """16 at a time at 1 kHz: the step before the hold is that to the bunch before, not the nothing within one."""
    at = -(-regular(7_000, 10) // 160) * 160
    whole = stamped(at)
    timing = timing_of(hold_in(whole, 800, 6_400), whole)
    assert timing.known_to_us == 16_000 + timing.line.residual_max_us
    assert timing.period_us < 1_010


def test_polled_values_have_two_ends():
    """Ten a second, answered in 20 ms, once in 35: a step counts from the query before, and the last answer on top."""
    at = regular()
    asked = at - 200
    asked[300] -= 150
    whole = stamped(at, asked)
    timing = timing_of(hold_in(whole, 40, 640), whole)
    assert timing == HoldTiming(
        stamps=Stamps.POLLED,
        period_us=100_000,
        within_us=35_000,
        known_to_us=120_000 + 20_000,
        line=None,
        sentence="Times are those of complete answers, each measured within 35 ms before; the length of the hold is "
        "known to 0.14 s.",
    )


def test_a_hold_from_the_very_first_sample_has_no_step_before_it():
    """Then the one before its last is all there is."""
    whole = stamped(regular(100))
    assert timing_of(whole, whole).known_to_us == 100_000


@pytest.mark.parametrize("samples", [0, 1])
def test_of_fewer_than_two_samples_nothing_is_told(samples: int):
    """There is no hold then."""
    whole = stamped(regular(100))
    assert timing_of(whole.between(int(whole.at[0]), int(whole.at[0]) + samples - 1), whole) is None


def test_samples_out_of_order_are_no_reason_to_break_down(accepted_shell):
    """The hold is refused elsewhere; its times are told as they are."""
    at = regular(100)
    at[[40, 60]] = at[[60, 40]]
    whole = stamped(at)
    assert timing_of(whole.between(int(at[20]), int(at[80])), whole) is not None


# In the record ----------------------------------------------------------------------------------


def test_judging_again_says_the_same(shop):
    """From the record as it is stored, to the byte."""
    attempt = shop.shell_test().held().see(Seen.NO_LEAKAGE).released()
    record = shop.run(attempt.judged())
    again = rejudged(RunRecord.model_validate_json(canonical(record)), [attempt.trace()])
    assert canonical(again) == canonical(record)
    assert again.stages[0].finding.timing is not None


def test_a_record_from_before_stays_without(shop):
    """What was not told then is not told now, and its bytes do not change."""
    attempt = shop.shell_test().held().see(Seen.NO_LEAKAGE).released()
    judged = attempt.judged()
    before = judged.model_copy(update={"finding": judged.finding.model_copy(update={"timing": None})})
    record = shop.run(before)
    assert b"timing" not in canonical(record)
    assert canonical(rejudged(record, [attempt.trace()])) == canonical(record)


# Against the truth ------------------------------------------------------------------------------

CHANCE = st.integers(0, 2**32 - 1).map(np.random.default_rng)


@given(CHANCE, st.integers(100, 4_000), st.floats(0, 0.99))
def test_the_true_length_lies_within_what_is_said(chance, period, jitter):
    """Free-running: arrivals late by less than a period. From the first sample of the hold to the last."""
    measured = regular(120, period)
    whole = stamped(measured + np.floor(chance.uniform(0, jitter * period, 120)).astype(np.int64))
    timing = timing_of(hold_in(whole, 20, 100), whole)
    error = abs(int(measured[100] - measured[20]) - int(whole.at[100] - whole.at[20])) * 100
    assert error <= timing.known_to_us


@given(CHANCE, st.integers(100, 4_000), st.floats(0.01, 1))
def test_the_true_length_of_a_polled_hold_lies_within_what_is_said(chance, period, slowest):
    """Polled: from when the pressure became what it must be, between the first value and the one before it."""
    asked = regular(120, period)
    took = np.floor(chance.uniform(0, slowest * period, 120)).astype(np.int64)
    measured = asked + chance.uniform(0, 1, 120) * took
    whole = stamped(asked + took, asked)
    hold = hold_in(whole, 20, 100)
    became = chance.uniform(measured[19], measured[20])
    held = int(hold.asked[-1] - hold.at[0])
    assert 0 <= (measured[100] - became - held) * 100 <= timing_of(hold, whole).known_to_us + 1e-3
