"""Edges of the mathematics where a slip of one sign or one constant would stay small: found by making such slips."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from testbench.errors import TooFewPointsError
from testbench.metrology.calibration_fit import fit_calibration
from testbench.metrology.calibration_series import CalibrationPoint, Direction, with_directions
from testbench.metrology.closed_volume import ClosedVolume, cylinder_flexibility_per_pa
from testbench.metrology.leakage import VesselReading, collected_series
from testbench.metrology.line_fit import fit_quadratic
from testbench.metrology.signal import completeness
from testbench.metrology.slope_interval import hold_slope
from testbench.metrology.uncertainty import Budget, Component, Distribution
from testbench.metrology.water import water_at
from testbench.quantities import Volume

# Slopes ------------------------------------------------------------------------------------------


def eighths(n: int, seed: int = 3) -> np.ndarray:
    """Readings about 250 that a double holds exactly, as it does their differences."""
    return 250 + np.random.default_rng(seed).integers(-64, 64, n) / 128


@pytest.mark.parametrize("start_s", [2.0**21, 2.0**30 + 2.0**29])
def test_a_clock_of_any_age_gives_the_same_digits(start_s: float):
    """Stamps that a double holds exactly, as late as 2021: not one digit of slope, interval or curvature differs."""
    t, y = np.arange(600) / 8, eighths(600)
    assert hold_slope(t + start_s, y) == hold_slope(t, y)


def test_a_level_of_any_height_gives_the_same_digits():
    """The same noise about 250 and about 1048826: slope, interval and residuals to the last digit."""
    t, y = np.arange(600) / 8, eighths(600)
    low, high = hold_slope(t, y), hold_slope(t, y + 2.0**20)
    assert (high.per_s, high.half_width, high.residual_sd) == (low.per_s, low.half_width, low.residual_sd)
    assert high.mean == low.mean + 2.0**20


@given(st.integers(-20, 10), st.integers(5, 60))
def test_the_unit_of_time_changes_the_unit_of_the_slope_alone(power: int, n: int):
    """A record played faster by a power of two falls faster by as much; it is no more and no less curved."""
    t, y = np.arange(n) / 8, eighths(n)
    found, other = hold_slope(t, y, noise=1.0), hold_slope(t * 2.0**power, y, noise=1.0)
    assert other.per_s * 2.0**power == pytest.approx(found.per_s, rel=1e-12)
    assert other.half_width * 2.0**power == pytest.approx(found.half_width, rel=1e-12)
    assert other.curvature_t == pytest.approx(found.curvature_t, rel=1e-9)


def test_two_readings_under_the_first_stamp_and_one_later_are_a_slope():
    """Three at two times: the line runs from the mean of the first two."""
    assert hold_slope(np.array([0.0, 0.0, 2.0]), np.array([1.0, 3.0, 8.0]), noise=10.0).per_s == pytest.approx(3)


@pytest.mark.parametrize(("share", "curved"), [(0.99, False), (1.01, True)])
def test_rounding_explains_a_bow_up_to_the_worst_and_no_more(share: float, curved: bool):
    """Errors of half a step signed as the quadratic term, 10/√3·LSB/T² in all: at 99 % of that no bow is left.

    At 101 % a whisker remains; the record is still coarse, for its residuals have an SD of 0.494 steps.
    """
    t = np.linspace(-0.5, 0.5, 20_001)
    worst = np.where(t**2 > 1 / 12, 0.5, -0.5)
    found = hold_slope(t, share * worst, resolution=1.0, flags=np.zeros(t.size, dtype=bool))
    assert found.rounding > 0
    assert (found.curvature_t > 0) == curved


@pytest.mark.parametrize(("step_s", "gaps"), [(1.5, 0), (1.5625, 1)])
def test_one_and_a_half_intervals_are_late_and_no_more_is(step_s: float, gaps: int):
    """At one reading a second, told and seen: a step of 1.5 s has lost nothing, one beyond it a reading."""
    at_s = np.concatenate([np.arange(100.0), 99 + step_s + np.arange(100.0)])
    flags = np.zeros(200, dtype=bool)
    for found in (completeness(at_s, flags), completeness(at_s, flags, interval_s=1.0)):
        assert (found.gaps, found.missing) == (gaps, gaps)


# Calibration -------------------------------------------------------------------------------------


def test_four_points_are_the_fewest_that_show_a_bend():
    """One degree of freedom is left; three points fit any parabola."""
    term = fit_quadratic([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 4.0, 9.5])
    assert term is not None
    assert term.dof == 1
    assert term.coefficients[2] == pytest.approx(np.polyfit([0, 1, 2, 3], [0, 1, 4, 9.5], 2)[0])
    assert fit_quadratic([0.0, 1.0, 2.0], [0.0, 1.0, 4.0]) is None


def test_up_and_down_once_is_recognized_without_directions():
    """Two complete series are enough to say which way they went; one alone is not."""
    up = [CalibrationPoint(psi, psi + 0.1) for psi in (0.0, 50.0, 100.0)]
    down = [CalibrationPoint(psi, psi + 0.3) for psi in (100.0, 50.0, 0.0)]
    ways = [point.direction for point in with_directions((*up, *down))]
    assert ways == [Direction.UP] * 3 + [Direction.DOWN] * 3
    assert [point.direction for point in with_directions(tuple(up))] == [None] * 3


def test_two_readings_at_one_level_on_the_way_down_belong_to_one_series():
    """Read twice, the level is no new series: there is one series down, and the two show in its repeatability."""
    ways = ((Direction.UP, (0.0, 50.0, 100.0)), (Direction.DOWN, (100.0, 50.0, 50.0, 0.0)))
    points = [CalibrationPoint(psi, psi, way) for way, levels in ways for psi in levels]
    points[5] = CalibrationPoint(50.0, 50.4, Direction.DOWN)
    fit = fit_calibration(points)
    assert fit.results[1].repeatability == pytest.approx(0.4 * fit.line.slope)


# Budgets -----------------------------------------------------------------------------------------


def test_the_shares_of_a_budget_are_those_of_the_variance():
    """Contributions of 3 and 4 make 5: 9/25 and 16/25, whatever the unit."""
    for unit in (1.0, 1e-3):
        three = Component("three", 3 * unit)
        four = Component.within("four", 2 * unit * math.sqrt(6), Distribution.TRIANGULAR, -2.0)
        budget = Budget((three, four))
        assert (budget.share(three), budget.share(four)) == pytest.approx((0.36, 0.64))


@pytest.mark.parametrize(
    "component",
    [Component("a", 2.0), Component.within("b", 2 * math.sqrt(3)), Component.stated("c", 4.0),
     Component.observed("d", [8.0, 12.0])],
)  # fmt: skip
def test_a_quantity_counts_once_unless_a_sensitivity_is_told(component: Component):
    """2 in its own unit is 2 in that of the result."""
    assert component.contribution == pytest.approx(2)


# Closed bodies -----------------------------------------------------------------------------------


def balanced(body: ClosedVolume, kelvin: float, pascal: float, let_out_m3: float = 0.0, warmer_k: float = 0.0) -> float:
    """The pressure at which water, air and shell fit together again, by solving the whole balance [Pa].

    The mass of the water (less what is let out) and that of the air stay; the shell gives and grows in a straight line.
    """
    air = body.air_fraction(pascal) * body.volume_m3
    kilograms = (body.volume_m3 - air - let_out_m3) * water_at(kelvin, pascal).density_kg_m3

    def too_full(found: float) -> float:
        shell = body.volume_m3 * (
            1 + body.shell_flexibility_per_pa * (found - pascal) + body.shell_expansion_per_k * warmer_k
        )
        liquid = kilograms / water_at(kelvin + warmer_k, found).density_kg_m3
        return liquid + air * pascal / found * (kelvin + warmer_k) / kelvin - shell

    return float(brentq(too_full, 0.5 * pascal, 2 * pascal, xtol=1e-6, rtol=1e-14))


@pytest.mark.parametrize("celsius", [4.0, 20.0, 50.0])
@pytest.mark.parametrize(("free_air", "pascal"), [(0.0, 1.8e6), (0.01, 1.8e6), (0.2, 0.3e6)])
def test_c_and_beta_are_those_of_the_whole_balance(free_air: float, pascal: float, celsius: float):
    """A microlitre let out, a millikelvin of warming: against the balance of masses solved by scipy.optimize.brentq.

    A body of 8 L whose shell gives a third as much as its water; without air, with 1 %, and mostly air.
    """
    kelvin = 273.15 + celsius
    body = ClosedVolume(8e-3, 1.5e-10, 3.45e-5, free_air)
    water = water_at(kelvin, pascal)
    fall = pascal - balanced(body, kelvin, pascal, let_out_m3=1e-9)
    assert 1e-9 / fall == pytest.approx(body.compliance_m3_per_pa(water, pascal), rel=2e-4)
    rise = balanced(body, kelvin, pascal, warmer_k=1e-3) - pascal
    assert rise / 1e-3 == pytest.approx(body.pressure_per_kelvin_pa(water, pascal, kelvin), rel=2e-3, abs=50)


def test_a_shell_is_an_ideal_cylinder_unless_it_is_said_to_be_softer():
    """(D/(E·t))·(5/4 − ν): 0.1 m, 0.01 m, 165 GPa, 0.275 give 5.909e-11 a pascal."""
    assert cylinder_flexibility_per_pa(0.1, 0.01, 165e9, 0.275) == pytest.approx(5.9091e-11, rel=1e-4)


# Collections -------------------------------------------------------------------------------------


def readings(*pairs: tuple[float, float]) -> list[VesselReading]:
    return [VesselReading(at_s, Volume.of(ml, "mL")) for at_s, ml in pairs]


def test_a_collection_says_from_when_to_when_it_counts():
    """After 60 s of drain-down: from 60 s to 180 s; two readings have no halves."""
    series = readings((0, 0), (60, 6), (120, 11), (180, 16))
    found = collected_series(series, Volume.of("0.1", "mL"), 1.0, settle_s=60)
    assert (found.since_s, found.until_s, found.readings, found.left_out) == (60, 180, 3, 1)
    assert found.halves is not None
    two = collected_series(series[2:], Volume.of("0.1", "mL"), 1.0)
    assert (two.halves, two.steady, two.reason) == (None, True, "")


def test_a_collection_of_no_time_is_no_rate():
    """Two readings at one time."""
    with pytest.raises(TooFewPointsError) as refused:
        collected_series(readings((5, 0), (5, 3)), Volume.of("0.1", "mL"), 1.0)
    assert str(refused.value) == "Collected leakage: found 2 readings after 0 s; needed at least two."
