"""Air seen on the way up: t = t0 + (C_w·P − A/P)/q, P absolute, computed from the body of the derivation."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.rising import LARGEST_MISFIT, Rise, rise_of
from testbench.metrology.water import ATMOSPHERE_PA
from testbench.quantities import Pressure

PSI = float(Pressure.factor("psi"))
ATMOSPHERE = ATMOSPHERE_PA / PSI


def climb(ratio: float, top: float = 100.0, *, start: float = 50.0, rate_s: float = 10.0, hz: float = 20.0):
    """Times and pressures of a rise at a constant flow in which C is so many times that without air at the top [psi].

    With C_w = 1 the air is A = (ratio − 1)·P²; the flow is such that the rise takes ``rate_s`` seconds.
    """
    high, low = top + ATMOSPHERE, start + ATMOSPHERE
    air = (ratio - 1) * high**2
    fine = np.linspace(low, high, 20_001)
    volume = (fine - low) + air * (1 / low - 1 / fine)
    times = volume / volume[-1] * rate_s
    at = np.arange(0, rate_s, 1 / hz)
    at[-1] = rate_s
    return at, (np.interp(at, times, fine) - ATMOSPHERE) * PSI


@pytest.mark.parametrize("ratio", [1.26, 2.30, 3.60, 6.20, 14.0])
def test_the_ratio_of_a_rise_is_that_of_its_air(ratio):
    """The ratios of 0.1, 0.5, 1, 2 and 5 % of free air in an NPS 6 body at 100 psi (AIR-2 of our derivation)."""
    found = rise_of(*climb(ratio))
    assert 1 / found.water_share == pytest.approx(ratio, rel=0.01)
    assert found.fits


@pytest.mark.parametrize(("ratio", "air"), [(1.0, False), (2.9, False), (3.2, True), (9.18, True)])
def test_air_is_told_above_three_times(ratio, air):
    """Both sides of the limit, with a hundredth left for the doubt."""
    assert rise_of(*climb(ratio)).shows_air is air


@given(ratio=st.floats(1, 20), rate_s=st.floats(3, 60), epoch=st.sampled_from([0.0, 1.7e9]))
def test_the_flow_of_the_pump_does_not_matter(ratio, rate_s, epoch):
    """Property: a slow pump and a quick one tell the same, on any clock."""
    at, gauge = climb(ratio, rate_s=rate_s)
    assert 1 / rise_of(at + epoch, gauge).water_share == pytest.approx(ratio, rel=0.02)


def test_a_pump_that_slows_down_hides_air_and_never_feigns_it():
    """Its flow falls to a third towards the top: water alone looks like less than water alone."""
    at, gauge = climb(1.0)
    share = np.linspace(0, 1, at.size)
    slowed = at + 10 * share**3
    assert 1 / rise_of(slowed, gauge).water_share <= 1.0


def test_strokes_of_a_hand_pump_say_nothing():
    """Five strokes with a pause after each."""
    at, gauge = climb(1.0, rate_s=10)
    strokes = at + np.floor(at / 2) * 2
    found = rise_of(strokes, gauge)
    assert found.misfit > LARGEST_MISFIT
    assert not found.shows_air


@pytest.mark.parametrize(("misfit", "fits"), [(0.02, True), (0.021, False)])
def test_a_fit_is_believed_up_to_two_per_cent(misfit, fits):
    """Scatter of the times over the time of the rise."""
    assert Rise(0.1, 0.0, misfit).shows_air is fits


def test_the_doubt_is_left_out_of_what_is_said():
    """Share 0.25 ± 0.02: at least 1/0.29 times."""
    found = Rise(0.25, 0.02, 0.0)
    assert found.ratio_at_least == pytest.approx(1 / 0.29)
    assert Rise(-0.1, 0.0, 0.0).ratio_at_least == pytest.approx(100)


@pytest.mark.parametrize("readings", [0, 1, 7])
def test_too_few_readings_say_nothing(readings):
    """Eight are needed for three unknowns and their scatter."""
    at, gauge = climb(5.0)
    assert rise_of(at[:readings], gauge[:readings]) is None


def test_readings_under_one_stamp_or_under_vacuum_say_nothing():
    """Neither is a rise."""
    at, gauge = climb(5.0)
    assert rise_of(np.zeros_like(at), gauge) is None
    assert rise_of(at, gauge - 200 * PSI) is None
    assert math.isfinite(rise_of(at, gauge).standard_uncertainty)
