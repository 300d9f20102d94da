"""The pressure that a known volume costs, read between two stretches of rest; worked by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.bleeding import Loss, Rest, loss_between

TIMES = np.arange(30) * 0.1  # 3 s at 10 readings a second


def rest(at_s: float, level: float, per_s: float = 0.0, noise: float = 0.0, seed: int = 1) -> Rest:
    """Three seconds that end at a time, at a level in their middle."""
    times = at_s - 2.9 + TIMES
    drawn = np.random.default_rng(seed).normal(0, noise, TIMES.size) if noise else 0.0
    return Rest.of(times, level + per_s * (times - times.mean()) + drawn)


def test_a_quiet_pressure_loses_what_lies_between_its_means():
    """250 psi before, 220 psi after: 30 psi, and no doubt."""
    found = loss_between(rest(10, 250), rest(30, 220))
    assert found.value == pytest.approx(30)
    assert found.standard_uncertainty == pytest.approx(0, abs=1e-12)
    assert found.well_read


def test_what_a_leak_takes_in_between_is_taken_off():
    """30 psi drawn off while a leak takes 0.5 psi/s over 20 s: 40 psi are missing, 30 psi are the volume's."""
    found = loss_between(rest(10, 250, per_s=-0.5), rest(30, 210, per_s=-0.5))
    assert found.value == pytest.approx(30)
    assert found.moving_u == pytest.approx(0, abs=1e-12)


@given(
    level=st.floats(20, 1000),
    lost=st.floats(1, 100),
    leak=st.floats(0, 2),
    seconds=st.floats(5, 60),
    epoch=st.sampled_from([0.0, 1.7e9]),
)
def test_any_steady_leak_is_taken_off_whatever_the_clock(level, lost, leak, seconds, epoch):
    """Property: the loss does not hang on the leak, nor on where the times begin."""
    before = rest(epoch + 10, level, per_s=-leak)
    after = rest(epoch + 10 + seconds, level - lost - leak * seconds, per_s=-leak)
    assert loss_between(before, after).value == pytest.approx(lost, rel=1e-4, abs=1e-3)


def test_noise_makes_the_doubt_and_it_is_the_size_of_the_scatter():
    """White noise of 0.05 psi: u of a mean 0.05/√30, of the slopes 0.05·√(12/(10·3³)) each; over 20 s."""
    doubts = [
        loss_between(rest(10, 250, noise=0.05, seed=seed), rest(30, 220, noise=0.05, seed=seed + 500))
        for seed in range(400)
    ]
    errors = np.array([found.value - 30 for found in doubts])
    assert np.std(errors) == pytest.approx(np.mean([found.noise_u for found in doubts]), rel=0.1)
    assert all(found.well_read for found in doubts)


@pytest.mark.parametrize(("u", "well"), [(3.0, True), (3.01, False)])
def test_a_loss_is_well_read_up_to_three_per_cent(u, well):
    """100 psi with u = 3 psi."""
    assert Loss(100, u, 0.0, 0.0, settling=False, restless_before=False).well_read is well


@pytest.mark.parametrize(("lost", "seen"), [(0.31, True), (0.30, False), (-5.0, False)])
def test_a_loss_within_three_standard_uncertainties_is_not_seen(lost, seen):
    """Nothing, or less than nothing, was drawn off."""
    assert Loss(lost, 0.1, 0.0, 0.0, settling=False, restless_before=False).seen is seen


def test_a_pressure_that_still_settles_asks_for_waiting():
    """Still −0.5 psi/s after it, at rest before: half of it over 20 s is in doubt."""
    found = loss_between(rest(10, 250), rest(30, 215, per_s=-0.5))
    assert found.unsettled
    assert found.moving_u == pytest.approx(0.5 * 20 / 12**0.5)
    assert not found.restless_before


def test_a_pressure_that_was_not_at_rest_before_is_to_blame_itself():
    """+0.5 psi/s before it, as a pump leaves it: waiting mends nothing."""
    found = loss_between(rest(10, 250, per_s=0.5), rest(30, 225))
    assert not found.unsettled
    assert not found.well_read
    assert found.restless_before


@pytest.mark.parametrize(("per_s", "moves"), [(0.2, False), (-0.2, False), (0.21, True), (-0.21, True)])
def test_a_rest_moves_beyond_a_limit_or_not(per_s, moves):
    """0.2 psi/s are allowed; both signs."""
    assert rest(10, 250, per_s=per_s).moves_beyond(0.2001) is moves


def test_a_pump_that_stops_within_the_rest_is_movement_and_no_noise():
    """A rise that ends in the middle bends the stretch; the changes from sample to sample stay small."""
    bent = Rest.of(TIMES, 250 + np.minimum(TIMES, 1.5) * 1.0 + 0.001 * (-1) ** np.arange(30))
    assert bent.moves_beyond(0.2)
