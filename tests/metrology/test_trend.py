"""The sliding slope against NumPy, against NIST, and on the clocks it will meet."""

import math
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.trend import ONE_SIDED_95, SlidingSlope, Slope


def through(points: list[tuple[float, float]], window_s: float) -> SlidingSlope:
    sliding = SlidingSlope(window_s)
    for point in points:
        sliding.add(*point)
    return sliding


def by_numpy(points: list[tuple[float, float]]) -> tuple[float, float]:
    """Slope and its standard uncertainty, about the mean of x, by numpy.polyfit."""
    x, y = np.array(points).T
    (slope, _), covariance = np.polyfit(x - x.mean(), y - y[0], 1, cov=True)
    return float(slope), float(math.sqrt(covariance[0, 0]))


def ramp(per_s: float, seconds: float, start_s: float = 0.0, every_s: float = 0.1) -> list[tuple[float, float]]:
    """A ramp with a little regular ripple, so that it has a residual."""
    return [
        (start_s + i * every_s, 250 + per_s * i * every_s + 0.01 * math.sin(i))
        for i in range(round(seconds / every_s) + 1)
    ]


def test_the_slope_of_the_nist_data_set_norris():
    """NIST StRD, linear regression, data set Norris, as SciPy's wheel carries it (scipy/stats/tests/data).

    Certified: slope 1.00211681802045, its standard deviation 0.429796848199937E-03.
    """
    text = (files("scipy.stats") / "tests/data/nist_linregress/Norris.dat").read_text()
    rows = [line.split() for line in text.splitlines()[60:96]]
    points = sorted((float(x), float(y)) for y, x in rows)
    assert len(points) == 36
    found = through(points, window_s=1000).estimate()
    assert found is not None
    assert found.samples == 36
    assert found.per_s == pytest.approx(1.00211681802045, rel=1e-10)
    assert found.standard_uncertainty == pytest.approx(0.429796848199937e-03, rel=1e-8)


steps = st.lists(
    st.tuples(st.floats(0.01, 1.0), st.floats(-100, 100)).map(lambda pair: (round(pair[0], 4), round(pair[1], 2))),
    min_size=30,
    max_size=150,
)


@given(steps=steps, window_s=st.floats(2, 15), start_s=st.sampled_from([0.0, 1000.0, 86_400.0]))
def test_the_slope_is_that_of_numpy_over_the_window(steps: list[tuple[float, float]], window_s: float, start_s: float):
    """At every sample the answer is the least-squares line through the samples of the last window, and no others."""
    sliding, points, at_s = SlidingSlope(window_s), [], start_s
    for wait_s, value in steps:
        at_s += wait_s
        points.append((at_s, value))
        sliding.add(at_s, value)
        inside = [point for point in points if at_s - point[0] <= window_s]
        found = sliding.estimate()
        if len(inside) < 3 or inside[-1][0] - inside[0][0] < 0.95 * window_s:
            assert found is None
            continue
        assert found is not None
        slope, uncertainty = by_numpy(inside)
        assert found.samples == len(inside)
        assert found.span_s == pytest.approx(inside[-1][0] - inside[0][0])
        assert found.per_s == pytest.approx(slope, rel=1e-6, abs=1e-6)
        assert found.standard_uncertainty == pytest.approx(uncertainty, rel=1e-5, abs=1e-6)


@pytest.mark.parametrize("start_s", [0.0, 1e5, 1.7e9])
def test_a_clock_that_began_long_ago_does_no_harm(start_s: float):
    """A rise of 0.001 psi/s is seen the same on a young clock and on seconds since 1970."""
    found = through(ramp(0.001, 60, start_s), window_s=20).estimate()
    assert found is not None
    expected, uncertainty = by_numpy(ramp(0.001, 60)[-201:])
    assert found.per_s == pytest.approx(expected, abs=2e-6)
    assert found.standard_uncertainty == pytest.approx(uncertainty, rel=0.01)


def test_hours_of_samples_do_not_wear_the_sums_out():
    """After 100 000 samples at test pressure the slope still agrees with NumPy's to nine digits of a psi per second."""
    points = ramp(0.001, 10_000, start_s=1e6)
    found = through(points, window_s=20).estimate()
    assert found is not None
    inside = [point for point in points if points[-1][0] - point[0] <= 20]
    assert found.per_s == pytest.approx(by_numpy(inside)[0], abs=1e-9)


def test_a_window_that_is_not_full_says_nothing():
    """Two seconds of silence-free samples are no twenty: None, never a slope of zero."""
    assert SlidingSlope(20).estimate() is None
    assert through(ramp(0.0, 18.9), window_s=20).estimate() is None
    assert through(ramp(0.0, 19.0), window_s=20).estimate() is not None


def test_two_samples_are_no_trend():
    """A line through two points has no residual, so nothing is known of its uncertainty."""
    assert through([(0.0, 250.0), (20.0, 250.0)], window_s=20).estimate() is None
    assert through([(0.0, 250.0), (10.0, 250.0), (20.0, 250.0)], window_s=20).estimate() is not None


def test_samples_under_one_stamp_are_no_trend():
    """Readings that came in one heap say nothing about a rate, in a window of no length at all."""
    assert through([(5.0, 250.0), (5.0, 251.0), (5.0, 252.0)], window_s=0).estimate() is None


def test_after_clearing_the_window_fills_anew():
    """After a gap or a change of phase nothing of before counts."""
    sliding = through(ramp(5.0, 60), window_s=20)
    sliding.clear()
    assert sliding.estimate() is None
    for at_s, value in ramp(-1.0, 30, start_s=100):
        sliding.add(at_s, value)
    found = sliding.estimate()
    assert found is not None
    assert found.per_s == pytest.approx(-1.0, abs=1e-3)


def test_only_the_newest_window_counts():
    """A pressure that rose fast and now stands still is steady once the rise has left the window."""
    rise = ramp(10, 30)
    points = rise + [(30 + 0.1 * i, 550 + 0.01 * math.sin(i)) for i in range(1, 252)]
    found = through(points, window_s=20).estimate()
    assert found is not None
    assert abs(found.per_s) < 1e-3


@pytest.mark.parametrize("per_s", [0.4, -0.4])
def test_the_bound_is_the_size_of_the_slope_and_its_uncertainty(per_s: float):
    """Falling counts like rising: |slope| + 1.645 u, one-sided 95 %."""
    assert Slope(per_s, 0.1, 200, 20.0).bound == pytest.approx(0.4 + ONE_SIDED_95 * 0.1)
    assert pytest.approx(1.6449, abs=5e-5) == ONE_SIDED_95  # NormalDist().inv_cdf(0.95) = 1.644854


def test_a_settling_pressure_is_called_steady_only_when_it_is():
    """250 psi + 5 psi × exp(−t/120 s) with noise: declared steady (≤ 1 psi/min, 10 s) the true rate is within 1.

    The rule |slope| + 1.645 u ≤ limit; a noisy transmitter waits longer, and is not let off. Seeds fixed.
    """
    declared = {}
    for sigma in (0.1, 1.0):
        times = []
        for seed in range(10):
            rng = np.random.default_rng(seed)
            sliding, steady_since, i = SlidingSlope(30), None, 0
            while True:
                t = 0.1 * i
                i += 1
                sliding.add(t, 250 + 5 * math.exp(-t / 120) + rng.normal(0, sigma))
                found = sliding.estimate()
                steady = found is not None and found.bound * 60 <= 1
                steady_since = None if not steady else t if steady_since is None else steady_since
                if steady_since is not None and t - steady_since >= 10:
                    break
            assert 60 * 5 / 120 * math.exp(-t / 120) <= 1
            times.append(t)
        declared[sigma] = float(np.median(times))
    assert declared[0.1] < declared[1.0]
