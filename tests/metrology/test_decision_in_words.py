"""Decision rules to choose from, the risk of the item in hand, and the words they are printed in."""

import re
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from testbench.metrology.decision_rule import (
    Conformity,
    DecisionRule,
    conformance_probability,
    decide_lower_limit,
    decide_upper_limit,
    judge_lower_limit,
    judge_upper_limit,
)
from testbench.quantities import LeakageRate, Pressure

GUARDED, GUARDED_95, SIMPLE = DecisionRule.GUARDED, DecisionRule.GUARDED_95, DecisionRule.SIMPLE
CONFORMS, NOT, BETWEEN = Conformity.CONFORMS, Conformity.DOES_NOT_CONFORM, Conformity.WITHIN_GUARD_BAND


def ml_h(number: str | Fraction) -> LeakageRate:
    return LeakageRate.of(number, "mL/h")


@pytest.mark.parametrize(
    ("measured", "u", "lower", "upper", "published", "digits"),
    [
        (-5.47, 0.05, -np.inf, -5.40, 0.919, 3),
        (509.7, 8.6, 490, np.inf, 0.989, 3),
        (13.6, 1.8, 12.5, 16.3, 0.66, 2),
    ],
)
def test_the_conformance_probabilities_of_jcgm_106(
    measured: float, u: float, lower: float, upper: float, published: float, digits: int
):
    """JCGM 106:2012 (inputs and results from memory): a voltage, a burst test with water, a viscosity."""
    found = conformance_probability(measured, u, lower, upper)
    assert round(found, digits) == published
    assert found == pytest.approx(norm.cdf(upper, measured, u) - norm.cdf(lower, measured, u), rel=1e-12)


@pytest.mark.parametrize(("measured", "expected"), [(99.0, 1.0), (100.0, 1.0), (100.1, 0.0)])
def test_without_uncertainty_conformity_is_certain_or_impossible(measured: float, expected: float):
    """With u = 0 the limit itself conforms."""
    assert conformance_probability(measured, 0.0, upper=100.0) == expected


def test_the_production_risks_of_the_resistors_of_jcgm_106():
    """JCGM 106:2012 (inputs from a public Octave file, results from memory), by integration over the production.

    1500 ohm with production spread 0.12, limits 1499.8 … 1500.2, u 0.04. Simple acceptance: consumer's risk 0.0189,
    producer's 0.0372; acceptance within 1499.82 … 1500.18: 0.01 and 0.07.
    """
    true = np.linspace(1500 - 1, 1500 + 1, 20_001)
    weight = norm.pdf(true, 1500, 0.12) * (true[1] - true[0])
    good = (true >= 1499.8) & (true <= 1500.2)
    assert weight[good].sum() == pytest.approx(0.9044, abs=0.0005)
    for low, high, consumer, producer in [(1499.8, 1500.2, 0.0189, 0.0372), (1499.82, 1500.18, 0.00988, 0.06903)]:
        accepted = np.array([conformance_probability(x, 0.04, low, high) for x in true])
        assert (weight * accepted)[~good].sum() == pytest.approx(consumer, abs=0.0003)
        assert (weight * (1 - accepted))[good].sum() == pytest.approx(producer, abs=0.0003)


@pytest.mark.parametrize(
    ("rule", "measured", "expected"),
    [
        (GUARDED, "90", CONFORMS),
        (GUARDED, "90.001", BETWEEN),
        (GUARDED, "110", BETWEEN),
        (GUARDED, "110.001", NOT),
        (GUARDED_95, "91.775", CONFORMS),
        (GUARDED_95, "91.777", BETWEEN),
        (GUARDED_95, "108.223", BETWEEN),
        (GUARDED_95, "108.225", NOT),
        (SIMPLE, "99.999", CONFORMS),
        (SIMPLE, "100", CONFORMS),
        (SIMPLE, "100.001", NOT),
    ],
)
def test_each_rule_on_both_sides_of_its_bounds(rule: DecisionRule, measured: str, expected: Conformity):
    """U = 10 (k = 2) against at most 100: guard bands of 10, 8.224 and 0."""
    assert decide_upper_limit(ml_h(measured), ml_h("10"), ml_h("100"), rule).conformity is expected


@pytest.mark.parametrize(
    ("rule", "measured", "expected"),
    [
        (GUARDED, "501", CONFORMS),
        (GUARDED, "500.999", BETWEEN),
        (GUARDED, "499", BETWEEN),
        (GUARDED, "498.999", NOT),
        (SIMPLE, "500", CONFORMS),
        (SIMPLE, "499.999", NOT),
    ],
)
def test_each_rule_against_a_required_pressure(rule: DecisionRule, measured: str, expected: Conformity):
    """U = 1 psi against at least 500 psi."""
    amounts = [Pressure.of(number, "psi") for number in (measured, "1", "500")]
    assert decide_lower_limit(*amounts, rule).conformity is expected


def test_the_acceptance_limit_lies_on_the_safe_side_of_the_tolerance_limit():
    """Limit less the guard band for an upper limit, plus it for a lower one."""
    amounts = [ml_h(number) for number in ("95", "10", "100")]
    assert decide_upper_limit(*amounts).acceptance_limit == ml_h("90")
    assert decide_lower_limit(*amounts).acceptance_limit == ml_h("110")


def test_the_specific_risk_at_the_edge_of_each_rule():
    """2.275 % for w = U (k = 2), 5 % for w = 1.645 u, 50 % for no guard band."""
    edges = {GUARDED: ("90", 0.02275), GUARDED_95: ("91.7757", 0.05), SIMPLE: ("100", 0.5)}
    for rule, (measured, risk) in edges.items():
        decision = decide_upper_limit(ml_h(measured), ml_h("10"), ml_h("100"), rule)
        assert decision.specific_risk == pytest.approx(risk, abs=1e-5)


def test_where_nothing_is_decided_there_is_no_risk_of_being_wrong():
    """An inconclusive comparison states the probability of conformity instead."""
    decision = decide_upper_limit(ml_h("100"), ml_h("10"), ml_h("100"))
    assert decision.specific_risk is None
    assert decision.conforming == decision.nonconforming == 0.5


@pytest.mark.parametrize(
    ("measured", "rule", "words"),
    [
        (
            "85",
            GUARDED,
            (
                "85 mL/h measured, at most 100 mL/h allowed; U = 10 mL/h (k = 2), rule: guarded, "
                "guard band w = 10 mL/h: conforms; risk that this is wrong 0.13 %."
            ),
        ),
        (
            "90.0001",
            GUARDED,
            (
                "90.0001 mL/h measured, at most 100 mL/h allowed; U = 10 mL/h (k = 2), rule: guarded, guard band "
                "w = 10 mL/h: inconclusive, at most 90.0000 mL/h would conform; probability of conformity 97.7 %."
            ),
        ),
        (
            "100.0001",
            SIMPLE,
            (
                "100.0001 mL/h measured, at most 100 mL/h allowed; U = 10 mL/h (k = 2), rule: simple, "
                "guard band w = 0 mL/h: does not conform; risk that this is wrong 50 %."
            ),
        ),
        (
            "150",
            GUARDED_95,
            (
                "150 mL/h measured, at most 100 mL/h allowed; U = 10 mL/h (k = 2), rule: guarded at 95 %, "
                "guard band w = 8.3 mL/h: does not conform; risk that this is wrong below 0.01 %."
            ),
        ),
    ],
)
def test_a_decision_says_everything_that_it_rests_on(measured: str, rule: DecisionRule, words: str):
    """Value, limit, U, k, rule, guard band, decision and specific risk, in one sentence."""
    assert decide_upper_limit(ml_h(measured), ml_h("10"), ml_h("100"), rule).words == words


def test_the_burst_test_of_jcgm_106_in_words():
    """At least 490 kPa required, 509.7 kPa measured with u = 8.6 kPa: the risk is the complement of 0.989."""
    amounts = [Pressure.of(number, "kPa") for number in ("509.7", "17.2", "490")]
    assert decide_lower_limit(*amounts).words == (
        "510 kPa measured, at least 490 kPa required; U = 18 kPa (k = 2), rule: guarded, "
        "guard band w = 18 kPa: conforms; risk that this is wrong 1.1 %."
    )


def test_a_value_in_another_unit_is_printed_in_the_unit_of_the_limit():
    """0.085 L/h are 85 mL/h."""
    decision = decide_upper_limit(LeakageRate.of("0.085", "L/h"), ml_h("10"), ml_h("100"))
    assert decision.words.startswith("85 mL/h measured, at most 100 mL/h allowed;")


def test_a_certain_decision_has_no_guard_band_and_no_risk():
    """U = 0 against at most 100 mL/h: on the limit it conforms, beyond it does not."""
    on, beyond = (decide_upper_limit(ml_h(number), ml_h("0"), ml_h("100")) for number in ("100", "100.5"))
    assert (on.conforming, on.specific_risk, beyond.conforming, beyond.specific_risk) == (1.0, 0.0, 0.0, 0.0)
    assert beyond.words == (
        "100.5 mL/h measured, at most 100 mL/h allowed; U = 0 mL/h (k = 2), rule: guarded, "
        "guard band w = 0 mL/h: does not conform; risk that this is wrong below 0.01 %."
    )


@pytest.mark.parametrize(("coverage_factor", "chance"), [(2.0, "97.7 %"), (3.0, "99.86 %"), (4.0, "above 99.99 %")])
def test_a_probability_near_certainty_keeps_its_digits(coverage_factor: float, chance: str):
    """Just beyond the acceptance limit, two, three and four standard uncertainties from the limit."""
    measured = ml_h(90 + Fraction(1, 1000))
    decision = decide_upper_limit(measured, ml_h("10"), ml_h("100"), GUARDED, coverage_factor)
    assert decision.words.endswith(f"would conform; probability of conformity {chance}.")


numbers = st.fractions(-1000, 1000, max_denominator=1000)
positive = st.fractions(Fraction(1, 1000), 100, max_denominator=1000)


@given(measured=numbers, uncertainty=positive, limit=numbers)
def test_the_guarded_rule_is_the_one_that_runs_are_judged_by(
    measured: Fraction, uncertainty: Fraction, limit: Fraction
):
    """Both ways of asking give one answer."""
    amounts = [ml_h(number) for number in (measured, uncertainty, limit)]
    assert decide_upper_limit(*amounts).conformity is judge_upper_limit(*amounts)
    assert decide_lower_limit(*amounts).conformity is judge_lower_limit(*amounts)


@given(measured=numbers, uncertainty=positive, limit=numbers, rule=st.sampled_from(DecisionRule))
def test_no_decision_is_riskier_than_its_rule_allows(
    measured: Fraction, uncertainty: Fraction, limit: Fraction, rule: DecisionRule
):
    """2.3 %, 5 % and 50 %; oracle for the probability: SciPy's normal distribution."""
    decision = decide_upper_limit(ml_h(measured), ml_h(uncertainty), ml_h(limit), rule)
    z = float((limit - measured) / uncertainty) * 2
    assert decision.conforming == pytest.approx(norm.cdf(z), rel=1e-9, abs=1e-300)
    if decision.specific_risk is not None:
        assert decision.specific_risk <= {GUARDED: 0.02276, GUARDED_95: 0.05001, SIMPLE: 0.5}[rule]


@given(measured=numbers, uncertainty=positive, limit=numbers, rule=st.sampled_from(DecisionRule))
def test_the_words_never_contradict_the_decision(
    measured: Fraction, uncertainty: Fraction, limit: Fraction, rule: DecisionRule
):
    """The printed value lies on the same side of the printed acceptance limit as the value itself."""
    decision = decide_upper_limit(ml_h(measured), ml_h(uncertainty), ml_h(limit), rule)
    printed = re.match(r"\S+", decision.words)[0]
    decimals = len(printed.partition(".")[2])
    acceptance = float(decision.acceptance_limit.text(decimals).split()[0])
    assert (float(printed) <= acceptance) is (decision.conformity is CONFORMS)


@given(measured=numbers, uncertainty=positive, limit=numbers)
def test_simple_acceptance_always_decides(measured: Fraction, uncertainty: Fraction, limit: Fraction):
    """Without a guard band nothing is inconclusive."""
    assert decide_upper_limit(ml_h(measured), ml_h(uncertainty), ml_h(limit), SIMPLE).conformity is not BETWEEN


@pytest.mark.parametrize(
    ("measured", "expanded", "words"),
    [
        ("58", "1.138", ("58.0 mL/h measured, at most 60 mL/h allowed; U = 1.2 mL/h (k = 2), rule: guarded, "
         "guard band w = 1.2 mL/h: conforms; risk that this is wrong 0.022 %.")),
        ("58.852", "1.138", ("58.85 mL/h measured, at most 60 mL/h allowed; U = 1.14 mL/h (k = 2), rule: guarded, "
         "guard band w = 1.14 mL/h: conforms; risk that this is wrong 2.2 %.")),
        ("-3.16424", "73.2", ("-3 mL/h measured, at most 60 mL/h allowed; U = 74 mL/h (k = 2), rule: guarded, "
         "guard band w = 74 mL/h: inconclusive, at most -13 mL/h would conform; probability of conformity 95.8 %.")),
    ],
)  # fmt: skip
def test_u_is_rounded_up_and_the_value_follows_it(measured: str, expanded: str, words: str):
    """Two digits of U, rounded up; more only where 58.9 + 1.2 would lie above a limit that 58.852 + 1.138 meets.

    A rate below zero is told as it was found.
    """
    assert decide_upper_limit(ml_h(measured), ml_h(expanded), ml_h("60")).words == words


@given(
    st.decimals("0", "100", places=4, allow_nan=False),
    st.decimals("0.0001", "30", places=4),
    st.sampled_from(DecisionRule),
)
def test_the_printed_numbers_never_belie_the_verdict(measured, expanded, rule: DecisionRule):
    """Who adds w to the value, as both are printed, comes to the verdict that is printed beside them."""
    decision = decide_upper_limit(ml_h(str(measured)), ml_h(str(expanded)), ml_h("60"), rule)
    y, w = (
        Fraction(re.search(pattern, decision.words)[1])
        for pattern in (r"^(-?[0-9.]+) mL/h measured", r"w = ([0-9.]+) mL/h")
    )
    told = CONFORMS if y + w <= 60 else NOT if y - w > 60 else BETWEEN
    assert told is decision.conformity
