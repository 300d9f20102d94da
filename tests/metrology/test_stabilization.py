"""When a pressure counts as steady, and what is said when it never does."""

import math

import numpy as np
import pytest

from testbench.metrology.trend import SlidingSlope, Slope, Stability, StabilizationJudge

LIMIT = 1 / 60  # 1 psi/min


def judge(dwell_s: float = 10, timeout_s: float = 300) -> StabilizationJudge:
    return StabilizationJudge(LIMIT, dwell_s, timeout_s, "psi")


def slope(psi_per_min: float, u_psi_per_min: float = 0.0) -> Slope:
    return Slope(psi_per_min / 60, u_psi_per_min / 60, 300, 30.0)


@pytest.mark.parametrize(
    ("psi_per_min", "u", "within"),
    [
        (1.0, 0.0, True),
        (1.0001, 0.0, False),
        (-1.0, 0.0, True),
        (-1.0001, 0.0, False),
        (0.5, 0.3039, True),
        (0.5, 0.3040, False),
        (0.0, 0.6079, True),
        (0.0, 0.6080, False),
    ],
)
def test_steady_is_slope_and_uncertainty_within_the_limit(psi_per_min, u, within):
    """|slope| + 1.6449 u ≤ 1 psi/min, both sides; noise alone can keep a still pressure from being called steady."""
    found = judge(dwell_s=0).judge(0.0, slope(psi_per_min, u))
    assert found.stability is (Stability.STEADY if within else Stability.WATCHING)


def test_steady_for_the_whole_dwell_and_not_before():
    """10 s: at 9.9 s it dwells, at 10 s it is steady."""
    watch = judge()
    assert watch.judge(100.0, slope(0.5)).stability is Stability.DWELLING
    assert watch.judge(109.9, slope(0.5)).stability is Stability.DWELLING
    found = watch.judge(110.0, slope(0.5))
    assert (found.stability, found.steady_s) == (Stability.STEADY, 10.0)
    assert found.reason == "the rate of change is 0.5 ± 0 psi/min, 1 psi/min is allowed, for 10 s so far"
    assert found.stability.final


@pytest.mark.parametrize("broken_by", [slope(1.5), None])
def test_a_dwell_that_breaks_begins_again(broken_by):
    """A rate above the limit, or a window that a gap has emptied."""
    watch = judge()
    watch.judge(0.0, slope(0.5))
    assert watch.judge(9.0, broken_by).stability is Stability.WATCHING
    assert watch.judge(10.0, slope(0.5)).stability is Stability.DWELLING
    assert watch.judge(19.9, slope(0.5)).stability is Stability.DWELLING
    assert watch.judge(20.0, slope(0.5)).stability is Stability.STEADY


@pytest.mark.parametrize(
    ("at_end", "stability"),
    [
        (slope(3.0, 0.1), Stability.STILL_SETTLING),
        (slope(-3.0, 0.1), Stability.STILL_SETTLING),
        (slope(0.9, 0.2), Stability.STILL_SETTLING),
        (slope(0.2, 0.7), Stability.TOO_NOISY),
        (slope(1.5, 0.7), Stability.TOO_NOISY),
        (slope(9.0, 0.7), Stability.STILL_SETTLING),
        (slope(0.5, 0.1), Stability.STILL_SETTLING),
        (None, Stability.NO_WINDOW),
    ],
)
def test_when_the_time_runs_out_it_says_which_it_was(at_end, stability):
    """Noise that alone exceeds the limit is noise, unless the pressure moves beyond all doubt."""
    watch = judge()
    assert not watch.judge(0.0, None).stability.final
    assert not watch.judge(299.9, at_end).stability.final
    found = watch.judge(300.0, at_end)
    assert found.stability is stability
    assert found.stability.final
    assert found.reason.startswith("after 300 s ")


def test_the_reason_in_words():
    """The rate, its bound and what is allowed."""
    watch = judge()
    assert watch.judge(0.0, None).reason == "there is no full window of readings"
    assert watch.judge(1.0, slope(-2.34, 0.1)).reason == (
        "the rate of change is -2.34 ± 0.17 psi/min, 1 psi/min is allowed"
    )
    assert watch.judge(300.0, slope(-2.34, 0.1)).reason == (
        "after 300 s the rate of change is -2.34 ± 0.17 psi/min, 1 psi/min is allowed"
    )
    assert watch.judge(301.0, None).reason == "after 300 s there is still no full window of readings"


def remaining(amplitude: float, tau_s: float, sigma: float, seed: int) -> tuple[float, float]:
    """True rate of change left [psi/min] when 250 + A·exp(−t/τ) psi at 10 Hz is declared steady, and when that was."""
    rng = np.random.default_rng(seed)
    sliding, watch, i = SlidingSlope(30), judge(timeout_s=1e9), 0
    while True:
        t = 0.1 * i
        i += 1
        sliding.add(t, 250 + amplitude * math.exp(-t / tau_s) + rng.normal(0, sigma))
        if watch.judge(t, sliding.estimate()).stability is Stability.STEADY:
            return 60 * amplitude / tau_s * math.exp(-t / tau_s), t


@pytest.mark.parametrize(
    ("amplitude", "tau_s", "left", "at_s", "left_if_noisy"), [(20, 30, 0.40, 138, 0.55), (5, 120, 0.75, 145, 0.86)]
)
def test_a_settling_pressure_is_steady_only_when_it_is(amplitude, tau_s, left, at_s, left_if_noisy):
    """Window 30 s, limit 1 psi/min, dwell 10 s, noise 0.1 and 1 psi, 20 runs each, seeds fixed.

    Bands about 200 runs simulated beforehand: with a quiet transmitter 0.40 and 0.75 psi/min are left when it is called
    steady after 138 and 145 s; the rate left is never above the limit. With ten times the noise the wait is longer.
    """
    quiet, quiet_s = zip(*(remaining(amplitude, tau_s, 0.1, seed) for seed in range(20)), strict=True)
    noisy, noisy_s = zip(*(remaining(amplitude, tau_s, 1.0, seed) for seed in range(20)), strict=True)
    assert np.median(quiet) == pytest.approx(left, abs=0.03)
    assert np.median(quiet_s) == pytest.approx(at_s, rel=0.03)
    assert max(quiet) <= 1
    assert max(noisy) <= left_if_noisy
    assert np.median(noisy_s) > 1.3 * np.median(quiet_s)


def test_a_pressure_that_leaks_is_still_settling_for_ever():
    """3 psi/min with little noise: after the time-out it is the pressure that moves."""
    sliding, watch = SlidingSlope(30), judge(timeout_s=120)
    rng = np.random.default_rng(1)
    found = None
    for i in range(1300):
        sliding.add(0.1 * i, 250 - 0.005 * i + rng.normal(0, 0.1))
        found = watch.judge(0.1 * i, sliding.estimate())
        if found.stability.final:
            break
    assert found is not None
    assert found.stability is Stability.STILL_SETTLING


def test_a_noisy_transmitter_on_a_still_pressure_is_too_noisy():
    """σ of 5 psi at 10 Hz: in 30 s no rate of 1 psi/min can be seen."""
    sliding, watch = SlidingSlope(30), judge(timeout_s=120)
    rng = np.random.default_rng(2)
    found = None
    for i in range(1300):
        sliding.add(0.1 * i, 250 + rng.normal(0, 5))
        found = watch.judge(0.1 * i, sliding.estimate())
        if found.stability.final:
            break
    assert found is not None
    assert found.stability is Stability.TOO_NOISY
