"""The decision rule on both sides of each limit, on it, and as a law."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from testbench.metrology.decision_rule import Conformity, judge_lower_limit, judge_upper_limit
from testbench.quantities import LeakageRate, Pressure

CONFORMS, NOT, BETWEEN = Conformity.CONFORMS, Conformity.DOES_NOT_CONFORM, Conformity.WITHIN_GUARD_BAND


def ml_h(number: str | Fraction) -> LeakageRate:
    return LeakageRate.of(number, "mL/h")


def psi(number: str | float | Fraction) -> Pressure:
    return Pressure.of(number, "psi")


@pytest.mark.parametrize(
    ("measured", "expected"),
    [
        ("0", CONFORMS),
        ("89.999", CONFORMS),
        ("90", CONFORMS),
        ("90.001", BETWEEN),
        ("100", BETWEEN),
        ("110", BETWEEN),
        ("110.001", NOT),
        ("500", NOT),
    ],
)
def test_a_leakage_with_uncertainty_10_against_a_limit_of_100(measured: str, expected: Conformity):
    """Conforms up to L − U, does not conform above L + U; both ends belong to the valve's side of doubt."""
    assert judge_upper_limit(ml_h(measured), ml_h("10"), ml_h("100")) is expected


@pytest.mark.parametrize(
    ("measured", "expected"),
    [
        ("600", CONFORMS),
        ("501.001", CONFORMS),
        ("501", CONFORMS),
        ("500.999", BETWEEN),
        ("500", BETWEEN),
        ("499", BETWEEN),
        ("498.999", NOT),
        ("0", NOT),
    ],
)
def test_a_pressure_with_uncertainty_1_against_a_requirement_of_500(measured: str, expected: Conformity):
    """Conforms from L + U, does not conform below L − U."""
    assert judge_lower_limit(psi(measured), psi("1"), psi("500")) is expected


@pytest.mark.parametrize(("measured", "expected"), [("99", CONFORMS), ("100", CONFORMS), ("100.001", NOT)])
def test_without_uncertainty_nothing_is_inconclusive(measured: str, expected: Conformity):
    """With U = 0 the limit itself still conforms."""
    assert judge_upper_limit(ml_h(measured), ml_h("0"), ml_h("100")) is expected


def test_the_burst_test_of_jcgm_106_conforms():
    """JCGM 106:2012, burst pressure ≥ 490 kPa, 509.7 kPa measured with u = 8.6 kPa: probability 0.989 (from memory).

    0.989 is above 0.977, the one-sided probability of k = 2, so the guarded rule accepts.
    """
    measured, limit, u = 509.7, 490.0, 8.6
    assert norm.cdf((measured - limit) / u) == pytest.approx(0.989, abs=0.0005)
    kpa = [Pressure.of(str(number), "kPa") for number in (measured, 2 * u, limit)]
    assert judge_lower_limit(*kpa) is CONFORMS


def test_the_single_item_of_jcgm_106_is_within_the_guard_band():
    """JCGM 106:2012, −5.47 with u = 0.05 against at most −5.40: probability 0.919 (from memory), below 0.977."""
    measured, limit, u = -5.47, -5.40, 0.05
    assert norm.cdf((limit - measured) / u) == pytest.approx(0.919, abs=0.0005)
    pressures = [Pressure.of(number, "kPa") for number in ("-5.47", "0.10", "-5.40")]
    assert judge_upper_limit(*pressures) is BETWEEN


numbers = st.fractions(-1000, 1000, max_denominator=1000)
positive = st.fractions(Fraction(1, 1000), 100, max_denominator=1000)


@given(measured=numbers, uncertainty=positive, limit=numbers)
def test_conforming_means_a_probability_of_at_least_97_7_percent(
    measured: Fraction, uncertainty: Fraction, limit: Fraction
):
    """The rule is the guarded acceptance of JCGM 106 with z = 2: compare with SciPy's normal distribution."""
    probability = norm.cdf(float((limit - measured) / (uncertainty / 2)))
    found = judge_upper_limit(psi(measured), psi(uncertainty), psi(limit))
    if found is CONFORMS:
        assert probability >= norm.cdf(2) - 1e-12
    elif found is NOT:
        assert probability <= norm.cdf(-2) + 1e-12
    else:
        assert norm.cdf(-2) - 1e-12 <= probability <= norm.cdf(2) + 1e-12


@given(measured=numbers, narrow=positive, extra=positive, limit=numbers)
@pytest.mark.parametrize("judge", [judge_upper_limit, judge_lower_limit])
def test_a_wider_uncertainty_never_turns_a_verdict_into_conforms(
    judge, measured: Fraction, narrow: Fraction, extra: Fraction, limit: Fraction
):
    """Measuring worse can take a decision away; it can never give one, nor turn one round."""
    before = judge(psi(measured), psi(narrow), psi(limit))
    after = judge(psi(measured), psi(narrow + extra), psi(limit))
    assert after in {before, BETWEEN}


@given(measured=numbers, worse=positive, uncertainty=positive, limit=numbers)
def test_more_leakage_never_looks_better(measured: Fraction, worse: Fraction, uncertainty: Fraction, limit: Fraction):
    """In the order conforms, within the guard band, does not conform a larger value never moves back."""
    order = [CONFORMS, BETWEEN, NOT]
    first = judge_upper_limit(psi(measured), psi(uncertainty), psi(limit))
    second = judge_upper_limit(psi(measured + worse), psi(uncertainty), psi(limit))
    assert order.index(second) >= order.index(first)


@given(measured=numbers, uncertainty=positive, limit=numbers)
def test_the_lower_limit_is_the_upper_limit_seen_in_a_mirror(
    measured: Fraction, uncertainty: Fraction, limit: Fraction
):
    """ "At least L" for y is "at most −L" for −y; only the very edge of nonconformity is the same on both sides."""
    lower = judge_lower_limit(psi(measured), psi(uncertainty), psi(limit))
    assert lower is judge_upper_limit(psi(-measured), psi(uncertainty), psi(-limit))
