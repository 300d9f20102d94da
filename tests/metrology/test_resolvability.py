"""The gate before the hold: can decay decide this limit on this bench?"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.decay import ML_PER_PSI, BlankRuns, Compliance, Dominant, Warming
from testbench.metrology.resolvability import Noise, Setup, detectable_leak, hold_needed_s, noise_in, resolvability
from testbench.quantities import LeakageRate, Pressure

PSI = float(Pressure.factor("psi"))
ML_H = float(LeakageRate.factor("mL/h"))
C_6 = 0.03334 * ML_PER_PSI


def limit(ml_h: float) -> LeakageRate:
    return LeakageRate.of(ml_h, "mL/h")


def bench(
    c_ml_psi: float = 0.0333,
    u_c: float = 0.05,
    noise: Noise | None = None,
    drift_k_min: float = 0.01,
    water_only: float | None = None,
    blank: BlankRuns | None = None,
) -> Setup:
    c = c_ml_psi * ML_PER_PSI
    return Setup(
        Compliance(c, u_c * c),
        noise or Noise(0.1 * PSI, 10, 0.015 * PSI),
        Warming(40.8 * PSI, 0.0, drift_k_min / 60),
        blank,
        None if water_only is None else water_only * ML_PER_PSI,
    )


def gate(ml_h: float, of: Setup, seconds: float = 60.0):
    return resolvability(limit(ml_h), of, pressure=Pressure.of(250, "psi"), longest_hold_s=seconds)


@pytest.mark.parametrize(
    ("sd_psi", "hz", "row"),
    [
        (0.01, 10, (0.074, 0.026, 0.009, 0.002, 0.001)),
        (0.1, 10, (0.74, 0.26, 0.093, 0.018, 0.008)),
        (0.5, 10, (3.7, 1.3, 0.47, 0.09, 0.042)),
        (1.5, 10, (11.2, 3.9, 1.4, 0.27, 0.12)),
        (1.5, 1, (35, 12.5, 4.4, 0.85, 0.39)),
    ],
)
def test_the_smallest_leak_that_noise_lets_one_see(sd_psi, hz, row):
    """NPS 6, 250 psi: Q_D = 3.29·C·σ·√(12/(f·T³)) [mL/h] after 15, 30, 60, 180 and 300 s, computed beforehand."""
    noise = Noise(sd_psi * PSI, hz)
    for seconds, ml_h in zip((15, 30, 60, 180, 300), row, strict=True):
        found = detectable_leak(C_6, noise, seconds) / ML_H
        assert found == pytest.approx(ml_h, rel=0.05, abs=0.0006)


@given(st.floats(0.01, 2), st.floats(1, 100), st.floats(0.1, 500))
def test_the_hold_that_is_needed_is_the_one_that_detects(sd_psi, hz, ml_h):
    """T = [12·(3.29·C·σ)²/(f·Q²)]^(1/3) is Q_D turned round."""
    noise = Noise(sd_psi * PSI, hz)
    needed = hold_needed_s(C_6, noise, ml_h * ML_H)
    assert detectable_leak(C_6, noise, needed) / ML_H == pytest.approx(ml_h)


def test_noise_that_lasts_needs_a_longer_hold():
    """AR(1) 0.9: variance 19 times, so the hold is ∛19 times as long."""
    white, lasting = Noise(0.1 * PSI, 10), Noise(0.1 * PSI, 10, variance_factor=19)
    assert hold_needed_s(C_6, lasting, ML_H) / hold_needed_s(C_6, white, ML_H) == pytest.approx(19 ** (1 / 3))


def test_a_coarse_reading_adds_what_rounding_hides():
    """σ of 0.05 psi on steps of 0.244 psi: 1.5·LSB/T over 1.96 more; at a σ of half a step nothing."""
    coarse, fine = Noise(0.05 * PSI, 10, 0.244 * PSI), Noise(0.05 * PSI, 10)
    assert coarse.slope_u(60) - fine.slope_u(60) == pytest.approx(1.5 * 0.244 * PSI / 60 / 1.959964)
    assert Noise(0.122 * PSI, 10, 0.244 * PSI).slope_u(60) == Noise(0.122 * PSI, 10).slope_u(60)


# The sentence ------------------------------------------------------------------------------------


def test_a_generous_allowance_is_decided_in_seconds():
    """NPS 6, 10 mL/h per inch, u_C 5 %, drift 0.01 K/min."""
    found = gate(60, bench())
    assert found.decidable
    assert found.sentence == (
        "Pressure decay can decide 60 mL/h on this bench in 3 s; C dominates (u = 3.1 mL/h after 60 s)."
    )


def test_a_drop_a_minute_on_twelve_inches_cannot_be_decided():
    """Allowed 3.75 mL/h, C 0.19 mL/psi, drift 0.01 K/min: the temperature alone is 4.7 mL/h, in any time."""
    found = gate(3.75, bench(0.1903), 300)
    assert not found.decidable
    assert found.seconds is None
    assert found.dominant is Dominant.TEMPERATURE
    assert found.sentence == (
        "Pressure decay cannot decide 3.75 mL/h on this bench: however long it holds, temperature dominates "
        "(u = 4.7 mL/h after 300 s); collect the leakage."
    )


def test_noise_may_want_a_longer_hold():
    """σ of 1.5 psi once a second and 3.75 mL/h: not within 60 s, but within the time that the sentence says."""
    noisy = bench(noise=Noise(1.5 * PSI, 1), drift_k_min=0.0)
    found = gate(3.75, noisy)
    assert not found.decidable
    assert found.seconds == pytest.approx(64, abs=3)
    assert found.sentence == (
        f"Pressure decay cannot decide 3.75 mL/h on this bench: it takes {math.ceil(found.seconds)} s and noise "
        "dominates (u = 1.4 mL/h after 60 s); extend the hold or collect the leakage."
    )
    assert gate(3.75, noisy, found.seconds).decidable


def test_air_comes_before_all_else():
    """C of 3.6 times the water's own: vent, whatever the limit."""
    found = gate(177, bench(0.12, water_only=0.0333))
    assert found.dominant is Dominant.AIR
    assert found.sentence == (
        "Pressure decay cannot decide 177 mL/h on this bench: air or a flexible rig dominates (C is 3.6 times that of "
        "the water alone); vent again or collect the leakage."
    )
    assert gate(177, bench(0.0999, water_only=0.0333)).decidable


def test_a_leak_that_takes_the_pressure_with_it_is_collected():
    """A quick fall on a slow, noisy transmitter: a tenth of the pressure is gone before the slope is known."""
    found = gate(3000, bench(noise=Noise(20 * PSI, 1), drift_k_min=0.0))
    assert not found.decidable
    assert found.sentence == (
        "Pressure decay cannot decide 3000 mL/h on this bench: it takes 24 s, but such a leak takes a tenth of the "
        "pressure in 1.0 s; collect the leakage."
    )


@pytest.mark.parametrize(("share", "decidable"), [(0.332, True), (0.334, False)])
def test_the_limit_is_three_standard_uncertainties(share, decidable):
    """C known to a third of itself is the edge, with nothing else uncertain."""
    still = Setup(Compliance(C_6, share * C_6), Noise(1e-6, 10), Warming(0.0))
    assert gate(60, still).decidable == decidable


def test_the_spread_of_blank_runs_cannot_be_held_away():
    """Blank runs that scatter by 1 psi/min (u 1.55 psi/min, 3.1 mL/h): 3.75 mL/h is out of reach in any time."""
    found = gate(3.75, bench(blank=BlankRuns(0.0, PSI / 60, 5), drift_k_min=0.0))
    assert found.dominant is Dominant.BLANK
    assert found.seconds is None


@given(st.floats(1, 500), st.floats(0.005, 0.3), st.floats(0, 0.05), st.floats(0.01, 2))
def test_a_larger_limit_is_never_harder(ml_h, c, drift, noise_psi):
    """What can be decided at a limit can be decided as soon at twice that limit; the pressure loss apart."""
    of = bench(c, 0.05, Noise(noise_psi * PSI, 10), drift)
    once, twice = (of.shortest_hold_s(limit(factor * ml_h), 3.0) for factor in (1, 2))
    if once is not None:
        assert twice is not None
        assert twice <= once * 1.001


# The noise of a steady stretch ----------------------------------------------------------------------


@pytest.mark.parametrize(("lasting", "factor"), [(0.0, 1.0), (0.5, 3.0), (0.9, 19.0)])
def test_the_noise_before_a_hold_is_its_scatter_and_how_long_it_lasts(lasting, factor):
    """AR(1): variance factor (1+r)/(1−r); a slope in it is no noise."""
    chance = np.random.default_rng(3)
    noise = np.zeros(20_000)
    for i in range(1, noise.size):
        noise[i] = lasting * noise[i - 1] + chance.normal()
    times = np.arange(noise.size) * 0.1
    found = noise_in(times, 1000.0 + 0.5 * times + noise)
    assert found.sd_pa == pytest.approx(1 / math.sqrt(1 - lasting**2), rel=0.05)
    assert found.variance_factor == pytest.approx(factor, rel=0.15)
    assert found.readings_per_s == pytest.approx(10, rel=0.01)  # flagged readings are left out


def test_single_outliers_are_no_noise():
    """One reading in two hundred, 20 standard deviations off."""
    values = np.random.default_rng(4).normal(0, 1, 1000)
    values[::200] += 20
    assert noise_in(np.arange(1000) * 0.1, values).sd_pa == pytest.approx(1, rel=0.1)


def test_a_reading_that_does_not_move_has_no_noise_but_its_resolution():
    """What rounding hides is kept."""
    found = noise_in(np.arange(100) * 0.1, np.full(100, 5.0), 2.0)
    assert (found.sd_pa, found.resolution_pa, found.variance_factor) == (0.0, 2.0, 1.0)
