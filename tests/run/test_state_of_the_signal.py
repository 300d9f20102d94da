"""A hold whose signal is in a bad state is void: flagged samples, missing ones, gaps, jumps. Raw samples stay."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbench.metrology.signal import Validity
from testbench.run.hold import signal_faults as faults_within
from testbench.run.machine import Phase
from testbench.run.record import Verdict
from testbench.run.samples import Gap, GapReason, Trace


def signal_faults(hold: Trace, validity: Validity) -> tuple[str, ...]:
    """Of a trace that is all hold."""
    return faults_within(hold, int(hold.at[0]), int(hold.at[-1]), validity, 200.0)


USUAL = Validity(flagged_share=0.01, missing_share=0.02, gap_share=0.02)


def trace_of(seconds: int = 60, spikes: int = 0, size: int = 3000) -> Trace:
    """Ten readings a second of 503 psi with a count of noise, and so many single readings far off."""
    rng = np.random.default_rng(7)
    at = np.arange(seconds * 10 + 1, dtype=np.int64) * 1000
    counts = 50300 + rng.integers(-2, 3, at.size)
    for number in range(spikes):
        counts[30 + 40 * number] += size
    return Trace(at, counts)


@pytest.mark.parametrize(
    ("spikes", "said"),
    [(0, ()), (6, ()), (7, ("7 of 601 samples are flagged, at most 1 % may be",))],
)
def test_more_than_one_per_cent_flagged_makes_a_hold_void(spikes: int, said):
    """601 readings: 6 outliers are borne, 7 are not."""
    assert signal_faults(trace_of(spikes=spikes), USUAL) == said


@pytest.mark.parametrize(
    ("ticks", "said"),
    [(12_000, ()), (13_000, ("a gap of 1.3 s is longer than 2 % of 60 s",))],
)
def test_a_gap_of_more_than_two_per_cent_makes_a_hold_void(ticks: int, said):
    """60 s: 1.2 s between two readings are borne, 1.3 s are not."""
    whole = trace_of()
    kept = (whole.at <= 300_000) | (whole.at >= 300_000 + ticks)
    assert signal_faults(Trace(whole.at[kept], whole.counts[kept]), USUAL) == said


def test_missing_samples_add_up():
    """Every fortieth reading away: fifteen of 600, more than two in a hundred, and no gap longer than 0.2 s."""
    whole = trace_of()
    kept = np.arange(len(whole)) % 40 != 20
    (said,) = signal_faults(Trace(whole.at[kept], whole.counts[kept]), USUAL)
    assert said == "15 of 601 expected samples are missing, at most 2 % may be"


def test_a_quantised_steady_reading_is_not_flagged():
    """A reading that stands on two neighbouring counts has a median deviation of nothing; the floor is half a step."""
    rng = np.random.default_rng(3)
    whole = trace_of()
    coarse = Trace(whole.at, 50300 + 25 * rng.integers(0, 2, len(whole)))
    assert signal_faults(coarse, USUAL) == ()


@given(st.integers(0, 2**31), st.integers(0, 600))
@settings(max_examples=50)
def test_the_judgement_does_not_hang_on_when_the_run_began(start: int, level: int):
    """Ticks and counts may begin anywhere."""
    whole = trace_of(spikes=7)
    moved = Trace(whole.at + start, whole.counts + level)
    assert signal_faults(moved, USUAL) == signal_faults(whole, USUAL)


# In a stage -------------------------------------------------------------------------------------


def spoiled(shop, spikes: int):
    """A shell test of 60 s with so many single readings 30 psi too high in its hold."""
    attempt = shop.shell_test().holding()
    for number in range(599):
        attempt.read(attempt.fine + 3000 if number % 80 == 40 and number // 80 < spikes else attempt.fine)
    return attempt


def test_a_void_hold_starts_again_and_says_why(shop):
    """At the moment at which it would have been over."""
    attempt = spoiled(shop, 7)
    assert attempt.state.phase is Phase.HOLDING
    attempt.read(attempt.fine)
    assert attempt.state.phase is Phase.PRESSURIZING
    assert attempt.sentences[-1] == (
        "The hold is void and starts again from zero: 7 of 601 samples are flagged, at most 1 % may be."
    )
    assert attempt.state.restarts == 1


def test_a_few_outliers_are_borne(shop):
    """Six of 601."""
    attempt = spoiled(shop, 6).read(50300)
    assert attempt.state.phase is Phase.OBSERVING


def test_the_evaluation_finds_a_void_hold_by_itself(accepted_shell):
    """The machine that let it pass is not believed."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    counts = trace.counts.copy()
    inside = np.flatnonzero((trace.at > stage.hold_since) & (trace.at < stage.hold_until))
    counts[inside[20:520:70]] += 3000
    finding = judge(accepted_shell, Trace(trace.at, counts, trace.gaps))
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert hold_sentence(finding) == "The hold is void: 8 of 601 samples are flagged, at most 1 % may be."


def test_a_record_from_before_the_rule_is_judged_without_it(accepted_shell):
    """What it was not asked then, it is not asked now."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    before = stage.model_copy(update={"requirement": stage.requirement.model_copy(update={"validity": None})})
    kept = np.ones(len(trace), dtype=bool)
    kept[100:600:20] = False
    finding = judge(accepted_shell, Trace(trace.at[kept], trace.counts[kept]), before)
    assert finding.verdict is Verdict.ACCEPTED


# A jump -----------------------------------------------------------------------------------------


def test_a_jump_breaks_the_hold_off(shop):
    """Faster than pressure can: the wire, not the water."""
    attempt = shop.shell_test().holding().keep(50300, 10)
    attempt.take(attempt.stage.jumped(attempt.state, attempt.now))
    assert attempt.state.phase is Phase.PRESSURIZING
    assert attempt.sentences[-1] == (
        "The reading jumped faster than the pressure on this rig can; steadiness is waited for again."
    )


def test_a_hold_with_a_jump_in_it_is_not_accepted(accepted_shell):
    """However short."""
    trace, stage = accepted_shell.trace(), accepted_shell.record()
    middle = stage.hold_since + 100_000
    jumped = (Gap(since=middle, until=middle + 1000, reason=GapReason.JUMPED),)
    finding = judge(accepted_shell, Trace(trace.at, trace.counts, jumped))
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert hold_sentence(finding) == "The hold has a faulty reading in it."


def judge(attempt, trace, stage=None):
    from testbench.run.evaluation import evaluate_stage
    from tests.run.conftest import DAY

    return evaluate_stage(stage or attempt.record(), trace, attempt.channel, attempt.zero_check, DAY)


def hold_sentence(finding) -> str:
    return next(found.sentence for found in finding.criteria if found.criterion == "hold")
