"""Uncertainty budgets against the published examples and against two independent packages."""

import math
from statistics import fmean, stdev

import GTC
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import irwinhall
from uncertainties import umath

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.uncertainty import Budget, Component, Correlation, Distribution, rounded

# GUM 4.4.3, twenty temperatures [°C], from memory; reproduced by calculation.
TEMPERATURES = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip

# GUM H.1, end gauge [nm] with degrees of freedom, as the manual of GTC carries it (docs/API/GUM_H1.rst).
END_GAUGE = Budget(
    tuple(
        Component(name, u, dof=dof)
        for name, u, dof in [
            ("standard", 25, 18),
            ("repeated observations", 5.8, 24),
            ("comparator, random", 3.9, 5),
            ("comparator, systematic", 6.7, 8),
            ("expansion", 2.9, 50),
            ("temperature", 16.6, 2),
        ]
    )
)

# GUM H.2, five simultaneous observations, as suncal's tests carry them (test_GUMH2.csv).
VOLT = [5.007, 4.994, 5.005, 4.990, 4.999]
MILLIAMPERE = [19.663, 19.639, 19.640, 19.685, 19.678]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def test_the_mean_of_twenty_temperatures_of_the_gum():
    """GUM 4.4.3: mean 100.14 °C, u 0.33 °C."""
    component = Component.observed("temperature", TEMPERATURES)
    assert fmean(TEMPERATURES) == pytest.approx(100.145, abs=1e-9)
    assert component.standard_uncertainty == pytest.approx(0.333, abs=0.0005)
    assert component.dof == 19


def test_the_end_gauge_of_the_gum():
    """GUM H.1: u 32 nm, ν 16, k₉₉ 2.92, U₉₉ 93 nm, k₉₅ 2.12."""
    assert END_GAUGE.combined == pytest.approx(31.67, abs=0.005)
    assert END_GAUGE.effective_dof == pytest.approx(16.75, abs=0.01)
    assert END_GAUGE.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)
    assert END_GAUGE.coverage_factor(0.95) == pytest.approx(2.12, abs=0.005)
    assert rounded(50.000838, END_GAUGE.expanded(0.99) * 1e-6) == ("50.000838", "0.000093")


def test_the_degrees_of_freedom_are_truncated_before_the_quantile_is_taken():
    """GUM G.4.1: with 16.75 the factor of 16 counts (2.921), not that of 16.75 (2.90) nor of 17 (2.898)."""
    assert END_GAUGE.coverage_factor(0.99) == pytest.approx(2.9208, abs=0.0001)


def test_gtc_finds_the_same_for_the_end_gauge():
    """Oracle: GTC, combined uncertainty and degrees of freedom."""
    total = sum(GTC.ureal(0, c.standard_uncertainty, c.dof) for c in END_GAUGE.components)
    assert END_GAUGE.combined == pytest.approx(total.u, rel=1e-12)
    assert END_GAUGE.effective_dof == pytest.approx(total.df, rel=1e-12)


def correlation(a: list[float], b: list[float]) -> float:
    pairs = list(zip(a, b, strict=True))
    return math.fsum((x - fmean(a)) * (y - fmean(b)) for x, y in pairs) / (len(a) - 1) / stdev(a) / stdev(b)


def impedance(c_volt: float, c_ampere: float, c_phase: float) -> Budget:
    """A budget of one impedance, with the correlations that the observations show."""
    ampere = [value / 1000 for value in MILLIAMPERE]
    return Budget(
        (
            Component.observed("V", VOLT, c_volt),
            Component.observed("I", ampere, c_ampere),
            Component.observed("phase", PHASE, c_phase),
        ),
        (
            Correlation("V", "I", correlation(VOLT, ampere)),
            Correlation("V", "phase", correlation(VOLT, PHASE)),
            Correlation("I", "phase", correlation(ampere, PHASE)),
        ),
    )


def impedances() -> dict[str, Budget]:
    v, i, phase = fmean(VOLT), fmean(MILLIAMPERE) / 1000, fmean(PHASE)
    z = v / i
    return {
        "R": impedance(math.cos(phase) / i, -z * math.cos(phase) / i, -z * math.sin(phase)),
        "X": impedance(math.sin(phase) / i, -z * math.sin(phase) / i, z * math.cos(phase)),
        "Z": impedance(1 / i, -z / i, 0.0),
    }


@pytest.mark.parametrize(("name", "published"), [("R", 0.071), ("X", 0.295), ("Z", 0.236)])
def test_the_impedance_of_the_gum_with_correlated_inputs(name: str, published: float):
    """GUM H.2: u(R) 0.071, u(X) 0.295, u(Z) 0.236 ohm; without the correlations they would be far larger."""
    budget = impedances()[name]
    assert budget.combined == pytest.approx(published, abs=0.001)
    assert budget.effective_dof == pytest.approx(4)
    assert Budget(budget.components).combined != pytest.approx(published, rel=0.1)


def test_the_package_uncertainties_finds_the_same_impedances():
    """Oracle: uncertainties, from the covariance of the means."""
    columns = [VOLT, [value / 1000 for value in MILLIAMPERE], PHASE]
    covariance = [[correlation(a, b) * stdev(a) * stdev(b) / 5 for b in columns] for a in columns]
    v, i, phase = uncertainties.correlated_values([fmean(column) for column in columns], covariance)
    oracle = {"R": v / i * umath.cos(phase), "X": v / i * umath.sin(phase), "Z": v / i}
    for name, budget in impedances().items():
        assert budget.combined == pytest.approx(oracle[name].std_dev, rel=1e-6)


def test_the_mass_concentration_of_eurachem():
    """EURACHEM A1, as the manual of GTC carries it: 1002.7 mg/L, u 0.835 mg/L."""
    mass, purity, volume = 100.28, 0.9999, 0.1  # mg, 1, L
    result = mass * purity / volume
    budget = Budget((
        Component("mass", 0.05, result / mass),
        Component.within("purity", 0.0001, Distribution.RECTANGULAR, result / purity),
        Component.within("flask", 0.1e-3, Distribution.TRIANGULAR, -result / volume),
        Component("filling", 0.02e-3, -result / volume),
        Component.within("temperature", 0.084e-3, Distribution.RECTANGULAR, -result / volume),
    ))
    assert result == pytest.approx(1002.7, abs=0.05)
    assert budget.combined == pytest.approx(0.835, abs=0.0005)
    published = [0.49995, 0.0578967, 0.40935, 0.20054, 0.486284]
    assert [abs(c.contribution) for c in budget.components] == pytest.approx(published, rel=1e-4)
    assert rounded(result, 2 * budget.combined) == ("1002.7", "1.7")


def test_the_standardized_solution_of_eurachem():
    """EURACHEM A2, as the manual of GTC carries it: 0.102136 mol/L, u 0.0001005 mol/L."""
    mass, purity, molar, volume = 0.3888, 1.0, 204.2212, 18.64
    result = 1000 * mass * purity / (molar * volume)
    budget = Budget((
        Component.within("tare", 0.15e-3, sensitivity=result / mass),
        Component.within("gross", 0.15e-3, sensitivity=result / mass),
        Component.within("purity", 0.0005, sensitivity=result),
        Component("molar mass", 0.0038, -result / molar),
        Component.within("burette", 0.03, Distribution.TRIANGULAR, -result / volume),
        Component("temperature of the burette", 0.006, -result / volume),
        Component("repeatability", 0.0005, result),
    ))
    assert result == pytest.approx(0.102136, abs=5e-7)
    assert budget.combined == pytest.approx(0.0001005, abs=5e-8)


def test_the_weight_of_ten_kilograms_of_ea_4_02():
    """EA-4/02 S2: 10 000.025 g, u 29.26 mg, U 58.5 mg (printed 29.3 and 59, from memory)."""
    budget = Budget((
        Component.stated("standard", 45),
        Component.within("drift", 15),
        Component("difference", 25 / math.sqrt(3)),
        Component.within("eccentricity", 10),
        Component.within("buoyancy", 10),
    ))
    assert budget.combined == pytest.approx(29.26, abs=0.005)
    assert budget.expanded() == pytest.approx(58.5, abs=0.05)
    assert rounded(10_000_025, budget.expanded()) == ("10000025", "59")


def test_the_expansion_coefficient_of_nist_tn_1900():
    """NIST TN 1900, example 13, as suncal's tests carry it: u 1.76e-6 per kelvin; four inputs with ν = 3 each."""
    l0, l1, t0, t1 = 1.4999, 1.5021, 288.15, 373.10
    span, alpha = t1 - t0, (l1 - l0) / (l0 * (t1 - t0))
    budget = Budget((
        Component("L0", 1e-4, -l1 / (l0**2 * span), 3),
        Component("L1", 2e-4, 1 / (l0 * span), 3),
        Component("T0", 0.02, alpha / span, 3),
        Component("T1", 0.05, -alpha / span, 3),
    ))
    assert alpha == pytest.approx(1.7266e-5, rel=1e-4)
    assert budget.combined == pytest.approx(1.76e-6, abs=0.005e-6)
    oracle = (GTC.ureal(l1, 2e-4, 3) / GTC.ureal(l0, 1e-4, 3) - 1) / (GTC.ureal(t1, 0.05, 3) - GTC.ureal(t0, 0.02, 3))
    assert budget.combined == pytest.approx(oracle.u, rel=1e-9)
    assert budget.effective_dof == pytest.approx(oracle.df, rel=1e-9)


@pytest.mark.parametrize("component", [Component("normal", 1.0), Component.within("rectangular", math.sqrt(3))])
def test_the_sum_of_four_equal_components(component: Component):
    """JCGM 101, 9.2, as suncal's tests carry it: the GUM's own interval is ±3.92, for normal or for rectangles."""
    four = [Component(f"{component.name} {i}", component.standard_uncertainty) for i in range(4)]
    assert Budget(tuple(four)).expanded(0.95) == pytest.approx(3.92, abs=0.001)


def test_the_interval_of_four_rectangles_is_a_little_wide():
    """JCGM 101, 9.2: the exact one is ±3.88. Oracle: scipy.stats.irwinhall, the sum of four uniform numbers."""
    four = tuple(Component.within(str(i), math.sqrt(3)) for i in range(4))
    exact = 2 * math.sqrt(3) * (irwinhall.ppf(0.975, 4) - 2)
    assert exact == pytest.approx(3.88, abs=0.005)
    assert 1.01 < Budget(four).expanded(0.95) / exact < 1.011


@pytest.mark.parametrize(("x1", "low", "high"), [(0.0, 0, 0), (0.010, -96, 296), (0.050, 1520, 3480)])
def test_the_linear_interval_of_a_comparison_loss(x1: float, low: float, high: float):
    """JCGM 101, 9.4 [1e-6]: y = x1² + x2² with u = 0.005. Near zero the linear interval includes what cannot
    be, and at zero, where [0, 150] would be right, it has no width: linear budgets are not for a leak near nothing.
    """
    budget = Budget((Component("x1", 0.005, 2 * x1), Component("x2", 0.005, 0.0)))
    reach = budget.expanded(0.95)
    assert [(x1**2 - reach) * 1e6, (x1**2 + reach) * 1e6] == pytest.approx([low, high], abs=0.5)


def test_the_coverage_factor_is_two_where_nothing_limits_the_degrees_of_freedom():
    """The default coverage probability is that of k = 2."""
    assert Budget((Component("only", 3.0),)).coverage_factor() == pytest.approx(2, abs=1e-12)
    assert Budget((Component("only", 3.0),)).expanded() == pytest.approx(6)


@pytest.mark.parametrize(("dof", "k"), [(1, 13.968), (9, 2.320), (10, 2.284), (50, 2.051)])
def test_the_coverage_factors_of_95_45_percent(dof: int, k: float):
    """GUM, table G.2, column 95.45 %: 13.97, 2.32, 2.28, 2.05."""
    assert Budget((Component("only", 1.0, dof=dof),)).coverage_factor() == pytest.approx(k, abs=0.001)


def test_degrees_of_freedom_a_hair_below_a_whole_number_are_that_number():
    """One component has exactly its own degrees of freedom, whatever the last bit of the quotient says."""
    for dof in range(1, 60):
        assert Budget((Component("only", 0.1, dof=dof),)).coverage_factor(0.9) == pytest.approx(
            Budget((Component("only", 0.7, dof=dof),)).coverage_factor(0.9), rel=1e-12
        )


def test_a_budget_of_nothing_is_zero():
    """No uncertainty, no share, and no division by it."""
    nothing = Budget((Component("none", 0.0, dof=5),))
    assert (nothing.combined, nothing.expanded(), nothing.share(nothing.components[0])) == (0.0, 0.0, 0.0)
    assert nothing.effective_dof == math.inf


@pytest.mark.parametrize(
    ("distribution", "divisor"),
    [(Distribution.RECTANGULAR, 3), (Distribution.TRIANGULAR, 6), (Distribution.ARCSINE, 2)],
)
def test_a_half_width_becomes_a_standard_uncertainty(distribution: Distribution, divisor: int):
    """GUM 4.3.7 and 4.3.9: a/√3, a/√6; arcsine a/√2."""
    assert Component.within("x", 6.0, distribution).standard_uncertainty == pytest.approx(6 / math.sqrt(divisor))


sizes = st.floats(1e-3, 1e3)
dofs = st.one_of(st.floats(1, 100), st.just(math.inf))
component_lists = st.lists(st.tuples(sizes, st.floats(-10, 10), dofs), min_size=1, max_size=6)


def budget_of(parts: list[tuple[float, float, float]]) -> Budget:
    return Budget(tuple(Component(str(i), u, c, dof) for i, (u, c, dof) in enumerate(parts)))


@given(parts=component_lists)
def test_gtc_finds_the_same_for_any_budget(parts: list[tuple[float, float, float]]):
    """Oracle: GTC, any number of independent components."""
    budget = budget_of(parts)
    total = sum((c * GTC.ureal(0, u, dof) for u, c, dof in parts), start=GTC.ureal(0, 0.0))
    assert budget.combined == pytest.approx(total.u, rel=1e-9, abs=1e-12)
    if budget.combined > 1e-6 and budget.effective_dof < 1e5:
        assert budget.effective_dof == pytest.approx(total.df, rel=1e-6)


@given(parts=component_lists, extra=st.tuples(sizes, st.floats(0.1, 10), st.just(math.inf)))
def test_one_more_component_never_makes_the_result_better_known(parts, extra):
    """An uncorrelated component can only add."""
    assert budget_of([*parts, extra]).combined >= budget_of(parts).combined


@given(u1=sizes, u2=sizes, r=st.floats(-1, 1))
def test_two_correlated_components_lie_between_difference_and_sum(u1: float, u2: float, r: float):
    """|u1 − u2| ≤ u ≤ u1 + u2."""
    budget = Budget((Component("a", u1), Component("b", u2)), (Correlation("a", "b", r),))
    assert abs(u1 - u2) * (1 - 1e-9) - 1e-9 <= budget.combined <= (u1 + u2) * (1 + 1e-9)


def test_correlated_components_count_as_one_with_the_fewest_degrees_of_freedom():
    """Two that move together with ν 4 and 9 have ν 4; a third, apart, with ν 9 keeps its own."""
    parts = (Component("a", 1.0, dof=4), Component("b", 1.0, dof=9), Component("c", 2.0, dof=9))
    together = Budget(parts[:2], (Correlation("a", "b", 1.0),))
    assert together.combined == pytest.approx(2)
    assert together.effective_dof == pytest.approx(4)
    with_third = Budget(parts, (Correlation("a", "b", 1.0),))
    assert with_third.effective_dof == pytest.approx(8**2 / (16 / 4 + 16 / 9))


@pytest.mark.parametrize(
    ("value", "expanded", "printed"),
    [
        (503.04, 0.1834, ("503.04", "0.19")),
        (503.04, 0.18000000000000002, ("503.04", "0.18")),
        (503.04, 0.18001, ("503.04", "0.19")),
        (1.23456, 0.0996, ("1.23", "0.10")),
        (1234.5, 123.4, ("1230", "130")),
        (-0.001, 0.5, ("0.00", "0.50")),
        (2.5, 10.0, ("2", "10")),
        (3.5, 10.0, ("4", "10")),
        (7.0, 0.0, ("7", "0")),
        (1e20, 1e-20, (f"{10**20}.{'0' * 21}", f"0.{'0' * 19}10")),
    ],
)
def test_a_result_is_printed_to_the_place_of_its_uncertainty(value: float, expanded: float, printed: tuple[str, str]):
    """U up to two significant digits, never down; the result to the same place, half to even."""
    assert rounded(value, expanded) == printed


@given(value=st.floats(-1e6, 1e6), expanded=st.floats(1e-6, 1e6))
def test_the_printed_uncertainty_is_never_too_small(value: float, expanded: float):
    """It is at least U, at most a tenth more, and the printed result is within half a step of the value."""
    shown, printed = rounded(value, expanded)
    assert expanded * (1 - 1e-11) <= float(printed) <= expanded * 1.1 + 1e-12
    assert len(printed.replace(".", "").strip("0")) <= 2
    assert abs(float(shown) - value) <= 0.051 * float(printed)


@pytest.mark.parametrize(
    ("component", "found"),
    [
        (lambda: Component("gauge", -1.0), "u = -1, sensitivity 1, inf degrees of freedom"),
        (lambda: Component("gauge", math.nan), "u = nan, sensitivity 1, inf degrees of freedom"),
        (lambda: Component("gauge", 1.0, math.inf), "u = 1, sensitivity inf, inf degrees of freedom"),
        (lambda: Component("gauge", 1.0, dof=0), "u = 1, sensitivity 1, 0 degrees of freedom"),
    ],
)
def test_a_component_that_cannot_be_is_refused(component, found: str):
    """Uncertainties are finite and not negative, degrees of freedom above zero."""
    with pytest.raises(DataRefusedError) as refusal:
        component()
    assert str(refusal.value) == (
        f"component 'gauge': found {found}; "
        "allowed a finite u of at least 0, a finite sensitivity, degrees of freedom above 0."
    )


def test_one_observation_says_nothing_about_its_scatter():
    """Type A needs two."""
    with pytest.raises(TooFewPointsError) as refusal:
        Component.observed("reading", [1.0])
    assert str(refusal.value) == "component 'reading': found 1 observation(s); needed at least 2."


@pytest.mark.parametrize(
    ("pair", "found"),
    [
        (Correlation("a", "c", 0.5), "0.5 between 'a' and 'c'"),
        (Correlation("a", "a", 0.5), "0.5 between 'a' and 'a'"),
        (Correlation("a", "b", 1.01), "1.01 between 'a' and 'b'"),
    ],
)
def test_a_correlation_that_cannot_be_is_refused(pair: Correlation, found: str):
    """It links two different components of the budget, from −1 to 1."""
    with pytest.raises(DataRefusedError) as refusal:
        Budget((Component("a", 1.0), Component("b", 1.0)), (pair,))
    assert str(refusal.value) == f"correlation: found {found}; allowed −1 to 1 between two components of the budget."


def test_a_name_stands_once_in_a_budget():
    """Else a correlation would not know which is meant."""
    with pytest.raises(DataRefusedError) as refusal:
        Budget((Component("a", 1.0), Component("a", 2.0)))
    assert str(refusal.value) == "budget: found the names a, a; allowed each component once."
