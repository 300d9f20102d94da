"""Yield, capability and analysis of variance against published values and statsmodels."""

import math
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.statistics import (
    Capability,
    FirstPassYield,
    capability,
    mean_and_deviation,
    one_way_anova,
)

# Newcombe 1998 (from memory; statsmodels gives the same): accepted, tested, Wilson, exact.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("k", "n", "wilson", "exact"), NEWCOMBE)
def test_the_published_intervals_of_a_proportion(k: int, n: int, wilson: tuple, exact: tuple):
    """Newcombe, Statistics in Medicine 17 (1998) 857: score and exact intervals at 95 %."""
    found = FirstPassYield(k, n)
    assert (found.wilson().low, found.wilson().high) == pytest.approx(wilson, abs=0.00005)
    assert (found.clopper_pearson().low, found.clopper_pearson().high) == pytest.approx(exact, abs=0.00005)


def test_the_exact_interval_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook 7.2.4.1 (from memory): 4 of 20 at 90 %: 0.071354 … 0.401028."""
    found = FirstPassYield(4, 20).clopper_pearson(0.90)
    assert (found.low, found.high) == pytest.approx((0.071354, 0.401028), abs=5e-7)


@given(n=st.integers(1, 500), share=st.floats(0, 1), confidence=st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_statsmodels_finds_the_same_intervals(n: int, share: float, confidence: float):
    """Oracle: statsmodels, proportion_confint."""
    k = round(share * n)
    found = FirstPassYield(k, n)
    wilson = proportion_confint(k, n, 1 - confidence, method="wilson")
    exact = proportion_confint(k, n, 1 - confidence, method="beta")
    assert (found.wilson(confidence).low, found.wilson(confidence).high) == pytest.approx(wilson, rel=1e-9, abs=1e-9)
    interval = found.clopper_pearson(confidence)
    assert (interval.low, interval.high) == pytest.approx(exact, rel=1e-9, abs=1e-9)


@given(n=st.integers(1, 300), share=st.floats(0, 1))
def test_an_interval_holds_its_estimate_and_stays_between_0_and_1(n: int, share: float):
    """Also at none and all accepted, where an interval that has no width would lie."""
    found = FirstPassYield(round(share * n), n)
    for interval in (found.wilson(), found.clopper_pearson()):
        assert 0 <= interval.low <= found.estimate + 1e-12
        assert found.estimate - 1e-12 <= interval.high <= 1
        assert interval.high > interval.low


@pytest.mark.parametrize(("accepted", "tested"), [(0, 0), (3, 2), (-1, 2)])
def test_a_yield_that_cannot_be_is_refused(accepted: int, tested: int):
    """Something was tested, and no more accepted than tested."""
    with pytest.raises(DataRefusedError) as refusal:
        FirstPassYield(accepted, tested)
    assert str(refusal.value) == (
        f"first-pass yield: found {accepted} of {tested}; allowed at least one tested and no more accepted than tested."
    )


# Capability -------------------------------------------------------------------------------------


def test_the_capability_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk 0.6667, Cpl 1.3333."""
    found = Capability(16, 2, 50, 8, 20)
    assert found.cp == pytest.approx(1.0)
    assert found.cpk == found.cpu == pytest.approx(0.6667, abs=0.00005)
    assert found.cpl == pytest.approx(1.3333, abs=0.00005)


def test_the_intervals_of_that_capability_with_fifty_values():
    """Computed: Cp 0.8025 … 1.1971 (χ²), Cpk 0.5055 … 0.8278 (Bissell)."""
    found = Capability(16, 2, 50, 8, 20)
    assert (found.cp_interval().low, found.cp_interval().high) == pytest.approx((0.8025, 1.1971), abs=0.00005)
    assert (found.cpk_interval().low, found.cpk_interval().high) == pytest.approx((0.5055, 0.8278), abs=0.0001)


def test_scipy_finds_the_same_interval_of_cp():
    """Oracle: scipy.stats.chi2."""
    found = Capability(16, 2, 50, 8, 20).cp_interval(0.9)
    assert (found.low, found.high) == pytest.approx([math.sqrt(stats.chi2.ppf(p, 49) / 49) for p in (0.05, 0.95)])


def test_with_one_limit_there_is_cpk_but_no_cp():
    """A leakage has an upper limit only."""
    found = Capability(4, 1, 30, None, 10)
    assert (found.cp, found.cp_interval(), found.cpl) == (None, None, None)
    assert found.cpk == pytest.approx(2)
    assert Capability(4, 1, 30, 1, None).cpk == pytest.approx(1)


def test_capability_from_values():
    """Mean and overall standard deviation."""
    found = capability([1.0, 2.0, 3.0], 0.0, 6.0)
    assert (found.mean, found.standard_deviation, found.n) == (2.0, 1.0, 3)
    assert found.cpk == pytest.approx(2 / 3)


@pytest.mark.parametrize(
    ("values", "limits", "sentence"),
    [
        ([1, 2, 3], (None, None), "capability: found no limit; allowed a lower limit, an upper limit, or both."),
        ([1, 2, 3], (5, 5), "capability: found limits 5 and 5; allowed lower below upper."),
        ([2, 2, 2], (0, 5), "capability: found values that do not vary; allowed a standard deviation above zero."),
        ([1, math.inf], (0, 5), "values: found a number that is not finite; allowed finite numbers only."),
    ],
)
def test_a_capability_that_cannot_be_is_refused(values: list[float], limits: tuple, sentence: str):
    """Each with its reason."""
    with pytest.raises(DataRefusedError) as refusal:
        capability(values, *limits)
    assert str(refusal.value) == sentence


def test_one_value_has_no_deviation():
    """Nor a capability."""
    with pytest.raises(TooFewPointsError) as refusal:
        capability([1.0], 0, 5)
    assert str(refusal.value) == "standard deviation: found 1 value(s); needed at least 2."
    with pytest.raises(TooFewPointsError):
        Capability(1.0, 1.0, 1, 0, 5)


# Deviations and analysis of variance ------------------------------------------------------------


@pytest.mark.parametrize(("base", "digits"), [(1.2, 12), (1_000_000.2, 9), (10_000_000.2, 8)])
def test_the_deviation_of_the_nist_data_sets_numacc(base: float, digits: int):
    """NIST StRD NumAcc2, 3 and 4: 1001 values about ``base``, certified standard deviation 0.1; made from their rule.

    8 digits are the most that a double allows for NumAcc4; sums of squares find none.
    """
    _, found = mean_and_deviation([base, *([round(base - 0.1, 1), round(base + 0.1, 1)] * 500)])
    assert -math.log10(abs(found - 0.1) / 0.1) >= digits


def test_the_deviation_of_the_nist_data_set_mavro():
    """NIST StRD Mavro, fifty readings of a filter at 10 Hz: mean 2.001856, standard deviation 0.000429123454003053.

    Typed from NIST's public-domain collection (usnistgov/dataplot, lib/data/MAVRO.DAT), as ten-thousandths above 2.
    """
    readings = (
        "18 17 18 19 18 17 15 14 15 15 17 18 18 19 19 21 20 16 14 13 13 15 15 16 15 "
        "14 13 14 15 14 15 16 15 16 19 20 20 21 22 23 24 25 27 26 26 26 27 26 25 24"
    )
    mean, found = mean_and_deviation([float(f"2.00{reading}") for reading in readings.split()])
    assert mean == pytest.approx(2.001856, rel=1e-14)
    assert found == pytest.approx(0.000429123454003053, rel=1e-12)


def anova_of(name: str) -> list[list[float]]:
    """NIST StRD, one-way analysis of variance, as SciPy's wheel carries it: group and value from line 61."""
    text = files("scipy.stats").joinpath(f"tests/data/nist_anova/{name}.dat").read_text()
    groups: dict[str, list[float]] = {}
    for line in text.splitlines()[60:]:
        group, value = line.split()
        groups.setdefault(group, []).append(float(value))
    return list(groups.values())


@pytest.mark.parametrize(
    ("name", "f", "residual_sd", "rel"),
    [
        ("SiRstv", 1.18046237440255, 0.104076068334656, 1e-10),
        ("AtmWtAg", 15.9467335677930, None, 1e-8),
        ("SmLs01", 21.0, 0.1, 1e-12),
        ("SmLs04", 21.0, 0.1, 1e-8),
        ("SmLs07", 21.0, 0.1, 1e-3),
    ],
)
def test_the_analysis_of_variance_of_the_nist_data_sets(name: str, f: float, residual_sd: float | None, rel: float):
    """Certified F and residual standard deviation; the data leave a double fewer digits from set to set."""
    found = one_way_anova(anova_of(name))
    assert found.f == pytest.approx(f, rel=rel)
    if residual_sd is not None:
        assert found.residual_sd == pytest.approx(residual_sd, rel=rel)


def test_the_days_of_the_gum():
    """GUM H.5, ten days of five voltages (inputs as suncal's tests carry them): s(means) 57 µV, pooled 85 µV, F 2.25.

    Groups are made to the published means and standard deviations; F is 2.262 from these rounded data.
    """
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]  # µV above 10 V
    deviations = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    groups = [[m - s, m - s, m, m + s, m + s] for m, s in zip(means, deviations, strict=True)]
    found = one_way_anova(groups)
    assert mean_and_deviation(means)[0] == pytest.approx(97, abs=0.5)
    assert mean_and_deviation(means)[1] == pytest.approx(57, abs=0.5)
    assert found.residual_sd == pytest.approx(85, abs=0.5)
    assert found.f == pytest.approx(2.262, abs=0.0005)
    assert (found.dof_between, found.dof_within) == (9, 40)
    assert mean_and_deviation(means)[1] / math.sqrt(10) == pytest.approx(18, abs=0.5)


@given(groups=st.lists(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=8), min_size=2, max_size=5))
def test_scipy_finds_the_same_analysis_of_variance(groups: list[list[float]]):
    """Oracle: scipy.stats.f_oneway, where anything varies within the groups."""
    found = one_way_anova(groups)
    if found.within < 1e-6:
        return
    oracle = stats.f_oneway(*groups)
    assert found.f == pytest.approx(oracle.statistic, rel=1e-6, abs=1e-9)
    if found.f < 1e-9:  # groups that do not differ at all: the oracle's rounding may leave it no probability
        assert found.p_value == pytest.approx(1, abs=1e-4)
        return
    assert found.p_value == pytest.approx(oracle.pvalue, rel=1e-6, abs=1e-9)


def test_groups_without_scatter_differ_beyond_doubt():
    """F is infinite and its p-value zero."""
    found = one_way_anova([[1, 1], [2, 2]])
    assert (found.f, found.p_value) == (math.inf, 0.0)


@pytest.mark.parametrize(
    ("groups", "sizes"), [([], "none"), ([[1, 2]], "2"), ([[1], [2]], "1, 1"), ([[1, 2], []], "2, 0")]
)
def test_too_few_groups_or_values_are_refused(groups: list[list[float]], sizes: str):
    """Two groups, and at least one of them with two values."""
    with pytest.raises(TooFewPointsError) as refusal:
        one_way_anova(groups)
    assert str(refusal.value) == (
        f"analysis of variance: found groups of {sizes}; needed two groups, one of them with two values."
    )
