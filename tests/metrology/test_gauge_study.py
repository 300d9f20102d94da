"""Crossed gauge studies: the published example from its sums of squares, made studies against statsmodels."""

import math
from random import Random

import pandas
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.gauge_study import CrossedAnova, Measurement, crossed_anova, gauge_study

# Ten parts, three operators, three trials: the sums of squares of the example circulated from the AIAG manual.
EXAMPLE = CrossedAnova(88.36193, 3.16726, 0.35898, 2.75893, parts=10, operators=3, trials=3)


def made_study(
    parts: int = 6, operators: int = 3, trials: int = 2, mixing: float = 0.0, seed: int = 3
) -> list[Measurement]:
    random = Random(seed)
    of_part = [random.gauss(250, 3) for _ in range(parts)]
    of_operator = [random.gauss(0, 0.5) for _ in range(operators)]
    found = []
    for i, part in enumerate(of_part):
        for j, operator in enumerate(of_operator):
            together = random.gauss(0, mixing)
            found += [
                Measurement(f"P{i}", f"O{j}", part + operator + together + random.gauss(0, 0.3)) for _ in range(trials)
            ]
    return found


def test_the_interaction_of_the_published_example_is_pooled():
    """F 0.434, p 0.9741."""
    assert EXAMPLE.interaction_f == pytest.approx(0.434, abs=0.0005)
    assert EXAMPLE.interaction_p == pytest.approx(0.9741, abs=0.00005)
    assert gauge_study(EXAMPLE).pooled


def test_the_published_example():
    """EV 0.199933, AV 0.226838, GRR 0.302373, PV 1.042327, TV 1.085; shares 18.4, 20.9, 27.9, 96.0 %; ndc 4."""
    study = gauge_study(EXAMPLE)
    assert study.repeatability == pytest.approx(0.199933, abs=1e-6)
    assert study.reproducibility == pytest.approx(0.226838, abs=1e-6)
    assert study.gauge == pytest.approx(0.302373, abs=2e-6)
    assert study.part == pytest.approx(1.042327, abs=1e-6)
    assert study.total == pytest.approx(1.0853, abs=1e-5)
    sources = [study.repeatability, study.reproducibility, study.gauge, study.part]
    shares = [100 * study.share_of_variation(source) for source in sources]
    assert shares == pytest.approx([18.4, 20.9, 27.9, 96.0], abs=0.05)
    contributions = [100 * study.contribution(source) for source in sources]
    assert contributions == pytest.approx([3.4, 4.4, 7.8, 92.2], abs=0.05)
    assert study.categories == pytest.approx(4.861, abs=0.0005)
    assert study.ndc == 4


def test_without_pooling_the_example_repeats_seven_percent_worse():
    """EV 0.214435: the choice of model is part of the result."""
    apart = gauge_study(EXAMPLE, pooled=False)
    assert not apart.pooled
    assert apart.repeatability == pytest.approx(0.214435, abs=1e-6)
    assert apart.repeatability / gauge_study(EXAMPLE).repeatability == pytest.approx(1.073, abs=0.0005)
    assert apart.interaction == 0.0  # its mean square is below that of repeatability


@pytest.mark.parametrize(("mixing", "pooled"), [(0.0, True), (2.0, False)])
def test_a_real_interaction_is_kept_apart(mixing: float, pooled: bool):
    """The p-value decides, at 0.05."""
    study = gauge_study(crossed_anova(made_study(mixing=mixing)))
    assert study.pooled is pooled
    assert (study.anova.interaction_p > 0.05) is pooled


@pytest.mark.parametrize(("f", "pooled"), [(1.77, True), (1.79, False)])
def test_the_interaction_is_pooled_above_a_p_value_of_5_percent(f: float, pooled: bool):
    """F of 18 and 60 degrees of freedom is 1.778 there (SciPy)."""
    anova = CrossedAnova(90.0, 3.0, f * 18, 60.0, parts=10, operators=3, trials=3)
    assert gauge_study(anova).pooled is pooled


@pytest.mark.parametrize("mixing", [0.0, 2.0])
def test_statsmodels_finds_the_same_sums_of_squares(mixing: float):
    """Oracle: statsmodels, two-way analysis of variance with interaction."""
    measurements = made_study(parts=7, operators=4, trials=3, mixing=mixing)
    frame = pandas.DataFrame([(m.part, m.operator, m.value) for m in measurements], columns=["part", "man", "value"])
    table = anova_lm(ols("value ~ C(part) * C(man)", frame).fit())
    found = crossed_anova(measurements)
    sums = [found.ss_part, found.ss_operator, found.ss_interaction, found.ss_repeatability]
    rows = ["C(part)", "C(man)", "C(part):C(man)", "Residual"]
    assert sums == pytest.approx(list(table["sum_sq"][rows]), rel=1e-8)
    assert found.interaction_f == pytest.approx(table["F"]["C(part):C(man)"], rel=1e-8)
    assert found.interaction_p == pytest.approx(table["PR(>F)"]["C(part):C(man)"], rel=1e-8)


def test_the_components_give_back_the_expected_mean_squares():
    """Unpooled: MS(part) = σ² + t·σ²(mixed) + o·t·σ²(part), and so on; random factors."""
    anova = crossed_anova(made_study(mixing=2.0))
    study = gauge_study(anova, pooled=False)
    error, mixed = study.repeatability**2, 2 * study.interaction**2
    assert anova.ss_repeatability / anova.dof_repeatability == pytest.approx(error)
    assert anova.ss_interaction / anova.dof_interaction == pytest.approx(error + mixed)
    assert anova.ss_operator / 2 == pytest.approx(error + mixed + 6 * 2 * study.operator**2)
    assert anova.ss_part / 5 == pytest.approx(error + mixed + 3 * 2 * study.part**2)


@given(seed=st.integers(0, 1000), shift=st.floats(-1e4, 1e4), scale=st.floats(0.01, 100))
def test_a_study_in_another_unit_says_the_same(seed: int, shift: float, scale: float):
    """Deviations scale, shares and categories stay; a shift of all values changes nothing."""
    measurements = made_study(seed=seed)
    moved = [Measurement(m.part, m.operator, (m.value - 250) * scale + shift) for m in measurements]
    one, other = gauge_study(crossed_anova(measurements)), gauge_study(crossed_anova(moved))
    assert other.gauge == pytest.approx(one.gauge * scale, rel=1e-5)
    assert other.categories == pytest.approx(one.categories, rel=1e-5)


@given(seed=st.integers(0, 1000), pooled=st.booleans())
def test_gauge_and_part_make_up_the_whole(seed: int, pooled: bool):
    """Contributions add up to one; shares of variation do not."""
    study = gauge_study(crossed_anova(made_study(seed=seed)), pooled=pooled)
    assert study.contribution(study.gauge) + study.contribution(study.part) == pytest.approx(1)


def test_a_gauge_that_repeats_exactly_has_no_limit_of_categories():
    """And a study in which nothing varies has no shares."""
    exact = gauge_study(crossed_anova([Measurement(p, o, float(ord(p))) for p in "AB" for o in "xy" for _ in (1, 2)]))
    assert (exact.gauge, exact.categories, exact.ndc) == (0.0, math.inf, None)
    nothing = gauge_study(crossed_anova([Measurement(p, o, 1.0) for p in "AB" for o in "xy" for _ in (1, 2)]))
    assert nothing.share_of_variation(nothing.part) == 0.0


def test_a_gauge_that_cannot_tell_parts_apart_has_one_category():
    """Never none."""
    assert gauge_study(CrossedAnova(1.0, 1.0, 1.0, 50.0, 3, 2, 2)).ndc == 1


@pytest.mark.parametrize(
    ("measurements", "sentence"),
    [
        ([], "gauge study: found 0 part(s), 0 operator(s), 0 trial(s); needed at least 2 of each."),
        (
            made_study(trials=1),
            "gauge study: found 6 part(s), 3 operator(s), 1 trial(s); needed at least 2 of each.",
        ),
        (
            made_study(operators=1),
            "gauge study: found 6 part(s), 1 operator(s), 2 trial(s); needed at least 2 of each.",
        ),
    ],
)
def test_a_study_needs_two_of_each(measurements: list[Measurement], sentence: str):
    """Parts, operators, trials."""
    with pytest.raises(TooFewPointsError) as refusal:
        crossed_anova(measurements)
    assert str(refusal.value) == sentence


def test_an_unbalanced_study_is_refused():
    """A missing trial is named."""
    with pytest.raises(DataRefusedError) as refusal:
        crossed_anova(made_study()[:-1])
    assert str(refusal.value) == (
        "gauge study: found 1 trial(s) of part P5 by operator O2; allowed 2 of every part by every operator."
    )


def test_a_part_that_an_operator_missed_is_refused():
    """None is not the same as equally often."""
    measurements = [m for m in made_study() if (m.part, m.operator) != ("P1", "O1")]
    with pytest.raises(DataRefusedError, match=r"found 0 trial\(s\) of part P1 by operator O1"):
        crossed_anova(measurements)


def test_a_value_that_is_no_number_is_refused():
    """It would spoil every sum."""
    with pytest.raises(DataRefusedError) as refusal:
        crossed_anova([*made_study(), Measurement("P0", "O0", math.nan)])
    assert str(refusal.value) == "gauge study: found nan for part P0; allowed finite numbers only."
