"""Quantiles and tails against SciPy, and as inverses of one another."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from testbench.metrology.quantiles import (
    beta_quantile,
    chi2_quantile,
    f_exceedance,
    normal_probability,
    normal_quantile,
    t_probability,
    t_quantile,
)

PROBABILITIES = [1e-6, 0.001, 0.025, 0.05, 0.3, 0.4999, 0.5, 0.6, 0.9, 0.95, 0.975, 0.995, 0.99999]
DEGREES = [0.3, 1, 2, 3, 4.5, 9, 16, 50, 299, 1999, 2000, 20_001, 1e6]


@pytest.mark.parametrize("p", PROBABILITIES)
def test_the_normal_quantile_is_that_of_scipy(p: float):
    """Oracle: scipy.stats.norm."""
    assert normal_quantile(p) == pytest.approx(stats.norm.ppf(p), rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("z", [-38.0, -8.0, -2.0, 0.0, 1.6449, 6.0])
def test_the_normal_probability_keeps_the_digits_of_a_small_tail(z: float):
    """Oracle: scipy.stats.norm."""
    assert normal_probability(z) == pytest.approx(stats.norm.cdf(z), rel=1e-12)


@pytest.mark.parametrize("dof", DEGREES)
@pytest.mark.parametrize("p", PROBABILITIES)
def test_the_quantile_of_student_is_that_of_scipy(p: float, dof: float):
    """Oracle: scipy.stats.t, on both sides of the place where the expansion about the normal takes over."""
    assert t_quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("dof", DEGREES)
@pytest.mark.parametrize("p", PROBABILITIES)
def test_the_quantile_of_chi_square_is_that_of_scipy(p: float, dof: float):
    """Oracle: scipy.stats.chi2."""
    assert chi2_quantile(p, dof) == pytest.approx(stats.chi2.ppf(p, dof), rel=1e-9)


@pytest.mark.parametrize(("k", "n"), [(81, 263), (1, 29), (4, 20), (0, 20), (999, 1000)])
@pytest.mark.parametrize("p", [0.025, 0.05, 0.975])
def test_the_quantile_of_beta_is_that_of_scipy(k: int, n: int, p: float):
    """Oracle: scipy.stats.beta, at the shapes that binomial limits have."""
    assert beta_quantile(p, k + 1, n - k) == pytest.approx(stats.beta.ppf(p, k + 1, n - k), rel=1e-11)


@pytest.mark.parametrize(
    ("f", "above", "below"), [(2.26, 9, 40), (0.434, 18, 60), (100, 1, 5), (5e6, 1, 34), (0, 3, 3)]
)
def test_the_tail_of_f_is_that_of_scipy(f: float, above: int, below: int):
    """Oracle: scipy.stats.f, down to 1e-89."""
    assert f_exceedance(f, above, below) == pytest.approx(stats.f.sf(f, above, below), rel=1e-9)


@given(p=st.floats(1e-9, 1 - 1e-9), dof=st.floats(0.5, 1900))
def test_a_probability_of_student_and_its_quantile_undo_each_other(p: float, dof: float):
    """The probability below the quantile is the probability asked for."""
    assert t_probability(t_quantile(p, dof), dof) == pytest.approx(p, rel=1e-8, abs=1e-12)


@given(p=st.floats(0.501, 0.9999), dof=st.floats(1, 1e5), more=st.floats(1.001, 10))
def test_fewer_degrees_of_freedom_never_give_a_smaller_factor(p: float, dof: float, more: float):
    """Knowing less widens the interval."""
    assert t_quantile(p, dof) >= t_quantile(p, dof * more) >= normal_quantile(p) * (1 - 1e-12)


def test_infinite_degrees_of_freedom_are_the_normal_distribution():
    """A budget that nothing limits uses the normal quantile."""
    assert t_quantile(0.975, math.inf) == normal_quantile(0.975)


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, math.nan])
@pytest.mark.parametrize("quantile", [normal_quantile, lambda p: t_quantile(p, 5), lambda p: chi2_quantile(p, 5)])
def test_a_probability_of_nothing_or_everything_has_no_quantile(quantile, p: float):
    """Only probabilities between 0 and 1 are taken."""
    with pytest.raises(ValueError, match="a probability lies between 0 and 1"):
        quantile(p)


@pytest.mark.parametrize("dof", [0.0, -1.0, math.nan])
def test_degrees_of_freedom_lie_above_zero(dof: float):
    """Nothing is estimated from no freedom."""
    with pytest.raises(ValueError, match="lie above zero"):
        t_quantile(0.9, dof)
    with pytest.raises(ValueError, match="lie above zero"):
        chi2_quantile(0.9, dof)
