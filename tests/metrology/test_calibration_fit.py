"""Lines through calibration points, what series up and down show, and the uncertainty at every point."""

import math
from importlib.resources import files
from random import Random

import GTC
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.calibration_fit import (
    CalibrationFit,
    KnownUncertainties,
    as_found,
    drift,
    fit_calibration,
)
from testbench.metrology.calibration_series import CalibrationPoint, Direction
from testbench.metrology.line_fit import fit_line, fit_quadratic
from testbench.metrology.uncertainty import Budget, Component, Correlation

UP, DOWN = Direction.UP, Direction.DOWN

# GUM H.3, calibration of a thermometer, as the manual of GTC carries it (docs/API/GUM_H3.rst).
READINGS = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def norris() -> tuple[list[float], list[float]]:
    """NIST StRD, linear regression, data set Norris, as SciPy's wheel carries it: y and x in the last 36 lines."""
    text = files("scipy.stats").joinpath("tests/data/nist_linregress/Norris.dat").read_text()
    rows = [line.split() for line in text.splitlines()[60:] if len(line.split()) == 2]
    return [float(x) for _, x in rows], [float(y) for y, _ in rows]


# Lines ------------------------------------------------------------------------------------------


def test_the_line_of_the_nist_data_set_norris():
    """Certified: intercept, slope, their standard deviations and that of the residuals, to 12 digits."""
    line = fit_line(*norris())
    assert line.n == 36
    assert line.dof == 34
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-12)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-12)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-12)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-12)


@pytest.mark.parametrize("origin", [1e6, 1.7e9])
def test_a_far_origin_costs_no_digits_that_matter(origin: float):
    """Norris moved by 1.7e9: the naive sums give a slope of 0.99528."""
    x, y = norris()
    assert fit_line([value + origin for value in x], y).slope == pytest.approx(1.00211681802045, rel=1e-6)


def test_the_calibration_line_of_the_gum():
    """GUM H.3: −0.1712 (0.0029), 0.00218 (0.00067), r −0.930, s 0.0035; at 30 °C −0.1494 (0.0041), ν 9."""
    line = fit_line([t - 20 for t in READINGS], CORRECTIONS)
    assert line.intercept == pytest.approx(-0.1712, abs=0.00005)
    assert line.u_intercept == pytest.approx(0.0029, abs=0.00005)
    assert line.slope == pytest.approx(0.00218, abs=0.000005)
    assert line.u_slope == pytest.approx(0.00067, abs=0.000005)
    assert line.correlation == pytest.approx(-0.930, abs=0.0005)
    assert line.residual_sd == pytest.approx(0.0035, abs=0.00005)
    assert line.at(10) == pytest.approx(-0.1494, abs=0.00005)
    assert line.u_at(10) == pytest.approx(0.0041, abs=0.00005)
    assert line.dof == 9


def test_gtc_finds_the_same_calibration_line():
    """Oracle: GTC, fit and prediction."""
    x = [t - 20 for t in READINGS]
    line, oracle = fit_line(x, CORRECTIONS), GTC.type_a.line_fit(x, CORRECTIONS)
    a, b = oracle.a_b
    predicted = a + b * 10
    assert [line.intercept, line.u_intercept, line.slope, line.u_slope] == pytest.approx([a.x, a.u, b.x, b.u], rel=1e-9)
    assert [line.u_at(10), line.dof] == pytest.approx([predicted.u, predicted.df], rel=1e-9)
    assert line.correlation == pytest.approx(GTC.get_correlation(a, b), rel=1e-9)


def test_the_line_and_its_correlation_give_the_uncertainty_at_a_point_as_a_budget():
    """Intercept and slope, correlated, combine to the same as s·√(1/n + (x − x̄)²/Sxx)."""
    line = fit_line([t - 20 for t in READINGS], CORRECTIONS)
    budget = Budget(
        (Component("a", line.u_intercept, dof=9), Component("b", line.u_slope, 10, 9)),
        (Correlation("a", "b", line.correlation),),
    )
    assert budget.combined == pytest.approx(line.u_at(10), rel=1e-9)
    assert budget.effective_dof == pytest.approx(9)


def test_the_counts_of_a_ten_bit_converter():
    """102 … 351 counts for 0 … 90 psi (danielwilczak101/EasyControls; computed): −35.739 + 0.36134·counts, s 1.30."""
    line = fit_line([102, 150, 212, 263, 318, 351], [0, 20, 40, 60, 80, 90])
    assert line.intercept == pytest.approx(-35.739, abs=0.0005)
    assert line.slope == pytest.approx(0.36134, abs=0.000005)
    assert line.residual_sd == pytest.approx(1.30, abs=0.005)


# The published pressure sensor ------------------------------------------------------------------

SENSOR = [0, 0.2039, 0.4080, 0.6120, 0.8160, 1.0201, 1.2242, 1.4283, 1.6325, 1.8367, 2.0410]
SENSOR_U = [0.00583, 0.00584, 0.00589, 0.00598, 0.00610, 0.00625, 0.00643, 0.00664, 0.00688, 0.00714, 0.00742]


@pytest.mark.parametrize(("reading", "published"), list(zip(SENSOR, SENSOR_U, strict=True)))
def test_the_eleven_uncertainties_of_a_published_pressure_sensor(reading: float, published: float):
    """Kessel, Kacker and Sommer, Measurement 45 (2012) 1661, two-point line, as the manual of GTC carries it.

    U = 2·√(u_a² + (x·u_b)² + 2·r·x·u_a·u_b + (b·u_r)² + u_lin²), with the rounded u_a and u_b that the paper prints.
    """
    budget = Budget(
        (
            Component("intercept", 0.00028),
            Component("slope", 0.00114, reading),
            Component.within("resolution", 0.00005, sensitivity=9.799118),
            Component.within("linearity", 0.005),
        ),
        (Correlation("intercept", "slope", -0.1212),),
    )
    assert budget.expanded() == pytest.approx(published, abs=0.0000051)


# Series up and down -----------------------------------------------------------------------------


def worked_example() -> list[CalibrationPoint]:
    """A made transmitter, 0–1000 psi on 0.5–4.5 V, two series up and two down, 11 points each.

    It is bent by 1 psi, lags by 1.2 psi at most on the way down, and has moved by 0.05 psi in the second round.
    """
    points = []
    for direction, k in ((UP, 0), (DOWN, 0), (UP, 1), (DOWN, 1)):
        levels = range(0, 1001, 100)
        for psi in levels if direction is UP else reversed(levels):
            x = psi / 1000
            bow = x * (1 - x)
            lag = 0.0048 * bow if direction is DOWN else 0.0
            tick = 0.0001 if (psi // 100 + k) % 3 == 0 else 0.0
            volt = round(0.5 + 0.004 * psi + 0.004 * bow + lag + 0.0002 * k + tick, 4)
            points.append(CalibrationPoint(float(psi), volt, direction))
    return points


def worked_fit() -> CalibrationFit:
    points = worked_example()
    return fit_calibration(points, KnownUncertainties(reference=0.05, resolution=0.0001 / 0.004))


def test_the_line_of_the_worked_example():
    """−125.2728 + 250.000491·V, residuals with SD 0.1804 psi, zero deviation 0.025 psi."""
    fit = worked_fit()
    assert fit.line.intercept == pytest.approx(-125.2728, abs=0.00005)
    assert fit.line.slope == pytest.approx(250.000491, abs=5e-7)
    assert fit.line.residual_sd == pytest.approx(0.1804, abs=0.00005)
    assert fit.zero_deviation == pytest.approx(0.025, abs=0.0001)
    assert len(fit.results) == 11
    assert math.fsum(fit.residuals) == pytest.approx(0, abs=1e-9)


def test_the_quantities_at_500_psi_of_the_worked_example():
    """Δp 0.166, b′ 0.050, h 0.300, U 0.184, error span 0.350 psi."""
    at_500 = worked_fit().results[5]
    assert at_500.reference == 500
    assert at_500.deviation == pytest.approx(0.166, abs=0.0005)
    assert at_500.repeatability == pytest.approx(0.050, abs=0.0005)
    assert at_500.hysteresis == pytest.approx(0.300, abs=0.0005)
    assert at_500.expanded_uncertainty == pytest.approx(0.184, abs=0.0005)
    assert at_500.error_span == pytest.approx(0.350, abs=0.0005)
    assert at_500.budget.coverage_factor() == pytest.approx(2)
    at_zero = worked_fit().results[0]
    assert at_zero.deviation == pytest.approx(-0.235, abs=0.0005)
    assert at_zero.error_span == pytest.approx(0.235 + 0.054, abs=0.0005)


def test_the_budget_at_a_point_is_the_formula_of_the_guide():
    """u² = u_ref² + r²/12 + f0²/12 + b′²/12 + h²/12 + u_temp² + u_head², U = 2u (EURAMET cg-17, from memory)."""
    known = KnownUncertainties(reference=0.05, resolution=0.025, temperature=0.08, head=0.12)
    fit = fit_calibration(worked_example(), known)
    for result in fit.results:
        widths = [0.025, fit.zero_deviation, result.repeatability, result.hysteresis]
        square = 0.025**2 + sum(width**2 / 12 for width in widths) + 0.04**2 + 0.06**2
        assert result.expanded_uncertainty == pytest.approx(2 * math.sqrt(square), rel=1e-9)


def test_a_reference_known_to_a_share_of_its_reading():
    """0.05 psi and 0.01 % of the reference: at 1000 psi the root of their squares, at zero the first alone."""
    known = KnownUncertainties(reference=0.05, reference_of_reading=0.0001)
    results = fit_calibration(worked_example(), known).results
    assert results[0].budget.components[0].standard_uncertainty == pytest.approx(0.025)
    assert results[10].budget.components[0].standard_uncertainty == pytest.approx(math.hypot(0.05, 0.1) / 2)


def test_series_are_recognized_without_their_directions():
    """Complete series up and down say by themselves which way they went."""
    bare = [CalibrationPoint(point.reference, point.indication) for point in worked_example()]
    assert fit_calibration(bare).points == tuple(worked_example())


def test_points_in_no_order_have_no_hysteresis():
    """Then the uncertainty of the line stands in its place, with the degrees of freedom of the fit."""
    bare = [CalibrationPoint(point.reference, point.indication) for point in worked_example()]
    Random(4).shuffle(bare)
    fit = fit_calibration(bare)
    assert fit.zero_deviation is None
    at_500 = fit.results[5]
    assert (at_500.repeatability, at_500.hysteresis) == (None, None)
    assert at_500.budget.combined == pytest.approx(fit.line.u_at(at_500.indication))
    assert at_500.budget.effective_dof == pytest.approx(42)


@pytest.mark.parametrize("direction", [None, UP])
def test_a_single_series_is_never_free_of_uncertainty(direction: Direction | None):
    """One series up shows neither zero deviation nor hysteresis; the line's own uncertainty remains."""
    fit = fit_calibration([CalibrationPoint(float(i), i + 0.01 * (-1) ** i, direction) for i in range(11)])
    assert fit.zero_deviation is None
    assert all(result.expanded_uncertainty > 0 for result in fit.results)
    assert fit.results[0].budget.coverage_factor() == pytest.approx(2.32, abs=0.005)


def test_up_and_down_once_shows_hysteresis_but_no_repeatability():
    """The basic sequence of the guide: one series each way."""
    fit = fit_calibration(worked_example()[:22])
    assert fit.results[5].repeatability is None
    assert fit.results[5].hysteresis == pytest.approx(0.3, abs=0.03)
    assert "repeatability" not in [component.name for component in fit.results[5].budget.components]


def test_two_series_up_in_a_row_are_two_series():
    """Up, up, down: the reference falls back to the lowest point in between."""
    points = worked_example()
    fit = fit_calibration([*points[:11], *points[22:33], *points[11:22]])
    assert fit.results[5].repeatability == pytest.approx(0.05, abs=0.001)
    assert fit.zero_deviation == pytest.approx(0.025, abs=0.001)


def test_two_readings_at_one_level_belong_to_one_series():
    """A level read twice in a series is no new series; the two readings show in the repeatability."""
    up = [CalibrationPoint(y, x, UP) for y, x in ((0.0, 0.0), (50.0, 50.0), (50.0, 50.4), (100.0, 100.0))]
    down = [CalibrationPoint(y, x, DOWN) for y, x in ((100.0, 100.0), (50.0, 50.2), (0.0, 0.1))]
    fit = fit_calibration([*up, *down])
    assert fit.zero_deviation == pytest.approx(0.1 * fit.line.slope)
    assert fit.results[1].repeatability == pytest.approx(0.4 * fit.line.slope)


def test_the_worse_of_both_directions_counts_for_the_repeatability():
    """Up repeats within 0.1, down within 0.5: b′ is 0.5."""
    rounds = [(UP, 50.0), (DOWN, 50.2), (UP, 50.1), (DOWN, 50.7)]
    points = []
    for way, middle in rounds:
        three = [
            CalibrationPoint(0.0, 0.0, way),
            CalibrationPoint(50.0, middle, way),
            CalibrationPoint(100.0, 100.0, way),
        ]
        points += three if way is UP else reversed(three)
    fit = fit_calibration(points)
    assert fit.results[1].repeatability == pytest.approx(0.5 * fit.line.slope)
    assert fit.results[1].hysteresis == pytest.approx((0.2 + 0.6) / 2 * fit.line.slope)


def test_series_that_leave_the_lowest_point_out_have_no_zero_to_subtract():
    """The second series up begins at 50: no zero deviation but from those that have a zero, nothing subtracted."""
    points = [
        CalibrationPoint(y, x, UP) for y, x in ((0.0, 0.3), (50.0, 50.0), (100.0, 100.0), (50.0, 50.4), (100.0, 100.0))
    ]
    fit = fit_calibration(points)
    assert fit.zero_deviation is None
    assert fit.results[1].repeatability == pytest.approx(0.4 * fit.line.slope)


def test_a_shift_between_the_rounds_is_no_lack_of_repeatability():
    """Zeros are subtracted before like series are compared; the shift shows as zero deviation."""
    points = worked_example()
    moved = [CalibrationPoint(p.reference, p.indication + 0.01 * (i >= 22), p.direction) for i, p in enumerate(points)]
    before, after = fit_calibration(points), fit_calibration(moved)
    assert after.zero_deviation == pytest.approx(0.01 * 250 + 0.025, abs=0.01)
    assert after.results[5].repeatability == pytest.approx(before.results[5].repeatability, abs=0.001)


def test_between_two_points_the_uncertainty_is_interpolated():
    """At a point its own, halfway the mean of both neighbours, at both ends of the range the last."""
    fit = worked_fit()
    five, six = fit.results[5].expanded_uncertainty, fit.results[6].expanded_uncertainty
    assert fit.expanded_uncertainty_at(500) == pytest.approx(five)
    assert fit.expanded_uncertainty_at(550) == pytest.approx((five + six) / 2)
    assert fit.expanded_uncertainty_at(0) == pytest.approx(fit.results[0].expanded_uncertainty)
    assert fit.expanded_uncertainty_at(1000) == pytest.approx(fit.results[10].expanded_uncertainty)
    assert fit.error_span_at(500) == pytest.approx(0.350, abs=0.0005)


@pytest.mark.parametrize("reading", [-0.1, 1000.1])
def test_beyond_the_calibrated_range_nothing_is_said(reading: float):
    """No extrapolation."""
    with pytest.raises(DataRefusedError) as refusal:
        worked_fit().expanded_uncertainty_at(reading)
    assert str(refusal.value) == f"reading: found {reading:g}; allowed 0 to 1000 as calibrated."


# Quadratic --------------------------------------------------------------------------------------


def test_a_bend_is_offered_only_where_it_is_worth_a_quarter_of_the_tolerance():
    """The worked example bends by 0.2387 psi: earned at a tolerance of 0.95 psi, not at 0.96 psi."""
    term = worked_fit().quadratic
    assert term.significant
    assert term.largest == pytest.approx(0.2387, abs=0.0001)
    assert term.earned(0.95)
    assert not term.earned(0.96)


def test_a_bend_that_is_not_significant_is_never_earned():
    """Scatter alone bends every line a little."""
    random = Random(7)
    x = [float(i) for i in range(12)]
    term = fit_quadratic(x, [2 * value + random.gauss(0, 1) for value in x])
    assert not term.significant
    assert not term.earned(1e-9)


def test_numpy_finds_the_same_parabola():
    """Oracle: numpy.polyfit, coefficients and residuals."""
    x, y = [point.indication for point in worked_example()], [point.reference for point in worked_example()]
    term = fit_quadratic(x, y)
    coefficients, residuals, *_ = np.polyfit(x, y, 2, full=True)
    assert list(term.coefficients) == pytest.approx(list(coefficients[::-1]), rel=1e-8)
    assert term.residual_sd == pytest.approx(math.sqrt(residuals[0] / (len(x) - 3)), rel=1e-8)


def test_three_points_show_no_bend():
    """A parabola runs through any three; with two indications there is none."""
    assert fit_quadratic([0, 1, 2], [0, 1, 3]) is None
    assert fit_quadratic([0, 0, 1, 1, 1], [0, 1, 3, 3, 4]) is None


# Drift ------------------------------------------------------------------------------------------


def test_the_drift_is_what_the_same_indication_means_now():
    """A zero that moved by 0.4 psi and a span by 0.1 %: 0.4 psi at zero, 1.4 psi at 1000 psi."""
    x = [0.0, 250.0, 500.0, 750.0, 1000.0]
    before, now = fit_line(x, x), fit_line(x, [0.4 + 1.001 * value for value in x])
    assert drift(before, now, [0.0, 1000.0]) == pytest.approx((0.4, 1.4))


def test_as_found_is_judged_by_the_previous_line():
    """What the instrument would have shown before it was calibrated anew, less the reference."""
    x = [0.0, 500.0, 1000.0]
    found = as_found(fit_line(x, x), [CalibrationPoint(0.0, 0.5), CalibrationPoint(1000.0, 998.0)])
    assert found == pytest.approx((0.5, -2.0))


# Laws and refusals ------------------------------------------------------------------------------


@given(
    a=st.floats(-100, 100),
    b=st.floats(0.1, 10),
    noise=st.lists(st.floats(-1, 1), min_size=5, max_size=30),
)
def test_numpy_finds_the_same_line_through_any_points(a: float, b: float, noise: list[float]):
    """Oracle: numpy.polyfit."""
    x = [float(i) for i in range(len(noise))]
    y = [a + b * value + error for value, error in zip(x, noise, strict=True)]
    line = fit_line(x, y)
    slope, intercept = np.polyfit(x, y, 1)
    assert [line.slope, line.intercept] == pytest.approx([slope, intercept], rel=1e-6, abs=1e-6)


@given(width=st.floats(0, 10), more=st.floats(0, 10))
def test_a_worse_reference_never_gives_a_smaller_uncertainty(width: float, more: float):
    """At every point."""
    before = fit_calibration(worked_example(), KnownUncertainties(reference=width))
    after = fit_calibration(worked_example(), KnownUncertainties(reference=width + more))
    for one, other in zip(before.results, after.results, strict=True):
        assert other.expanded_uncertainty >= one.expanded_uncertainty * (1 - 1e-12)


@pytest.mark.parametrize(
    ("x", "found"),
    [([], "0 points at 0 places"), ([1, 2], "2 points at 2 places"), ([1, 1, 1], "3 points at 1 places")],
)
def test_too_few_points_make_no_line(x: list[float], found: str):
    """Two points leave no freedom to see a scatter."""
    with pytest.raises(TooFewPointsError) as refusal:
        fit_line(x, x)
    assert str(refusal.value) == f"straight line: found {found}; needed at least 3 points at 2 places."


def test_a_number_that_is_none_is_refused():
    """Not a number stays out of every sum."""
    with pytest.raises(DataRefusedError) as refusal:
        fit_line([0.0, 1.0, math.nan], [0.0, 1.0, 2.0])
    assert str(refusal.value) == "points of a line: found a number that is not finite; allowed finite numbers only."


def test_directions_are_noted_for_all_points_or_for_none():
    """Half a note is a mistake."""
    with pytest.raises(DataRefusedError) as refusal:
        fit_calibration([CalibrationPoint(0, 0, UP), CalibrationPoint(1, 1), CalibrationPoint(2, 2)])
    assert str(refusal.value) == (
        "calibration points: found a direction for some of them only; allowed one for all or for none."
    )


def test_no_points_are_refused_too():
    """Not an accident of an empty list, but a sentence."""
    with pytest.raises(TooFewPointsError):
        fit_calibration([])
