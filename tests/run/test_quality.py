"""Pareto lists, control charts of what runs found, and what a gauge study can be made of."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from testbench.errors import BaseTooShortError
from testbench.metrology.charts import DEFAULT_RULES, RunRule, run_signals
from testbench.run.findings import LEAKAGE_RATE, PRESSURE_LOSS
from testbench.run.quality import Measured, balanced, control, pareto
from testbench.run.yields import Yield


def points(*values: float, most: float | None = 6.0, day: str = "2026-01-05") -> list[Measured]:
    return [
        Measured(f"B1-{number:06d}", day, f"HL-{number}", "Mara Quill", value, most)
        for number, value in enumerate(values, 1)
    ]


# Pareto -------------------------------------------------------------------------------------------


def test_the_most_frequent_reason_comes_first():
    """Shares of all that is counted, added up from the top; reasons as frequent as each other by name."""
    lines = pareto({"b": 3, "a": 3, "c": 12, "d": 2})
    assert [(line.reason, line.runs, line.share, line.cumulated) for line in lines] == [
        ("c", 12, 0.6, 0.6), ("a", 3, 0.15, 0.75), ("b", 3, 0.15, 0.9), ("d", 2, 0.1, 1.0),
    ]  # fmt: skip
    assert pareto({}) == ()


@given(st.dictionaries(st.text(max_size=5), st.integers(1, 10**6), min_size=1, max_size=20))
def test_shares_fall_and_add_up(counts):
    lines = pareto(counts)
    assert [line.share for line in lines] == sorted((line.share for line in lines), reverse=True)
    assert lines[-1].cumulated == pytest.approx(1)
    assert {line.reason: line.runs for line in lines} == counts


# Intervals ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("passed", "tested"), [(0, 20), (20, 20), (19, 20), (47_241, 50_194), (1, 1), (7, 11)])
def test_the_intervals_are_those_of_statsmodels(passed, tested):
    """statsmodels.stats.proportion.proportion_confint, methods wilson and beta (Clopper and Pearson)."""
    found = Yield("2026-11", tested, passed)
    assert (found.wilson.low, found.wilson.high) == pytest.approx(
        proportion_confint(passed, tested, method="wilson"), abs=1e-12
    )
    assert (found.clopper_pearson.low, found.clopper_pearson.high) == pytest.approx(
        proportion_confint(passed, tested, method="beta"), abs=1e-9
    )


# Charts -------------------------------------------------------------------------------------------

FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_limits_come_from_the_base_alone():
    """What comes after the base period does not widen the limits that it is held against."""
    base = points(*FLOW, *FLOW)
    found = control(PRESSURE_LOSS, "kPa", [*base, *points(60.0, 40.0)], base, DEFAULT_RULES)
    alone = control(PRESSURE_LOSS, "kPa", base, None, DEFAULT_RULES)
    assert found.values.centre == alone.values.centre
    assert found.values.upper[0] == alone.values.upper[0]
    assert [point.value for point, _ in found.told if point.value in {60.0, 40.0}] == [60.0, 40.0]
    assert found.base == "20 values of 2026-01-05 to 2026-01-05"
    assert alone.base == "all 20 values of 2026-01-05 to 2026-01-05"


def test_a_base_of_few_values_says_so_and_one_of_very_few_is_refused():
    found = control(PRESSURE_LOSS, "kPa", points(*FLOW), None, DEFAULT_RULES)
    assert found.base.endswith(", fewer than the 20 that they should come from")
    with pytest.raises(BaseTooShortError) as refusal:
        control(PRESSURE_LOSS, "kPa", points(*FLOW), points(*FLOW[:9]), DEFAULT_RULES)
    assert str(refusal.value) == "The chart of the pressure loss has 9 value(s) in its base; at least 10 are needed."


def test_a_leakage_rate_has_no_limit_below_nought():
    values = points(*([0.1, 2.0] * 10))
    assert control(LEAKAGE_RATE, "mL/min", values, None, DEFAULT_RULES).values.lower[0] == 0
    assert control(PRESSURE_LOSS, "kPa", values, None, DEFAULT_RULES).values.lower[0] < 0


def test_rules_are_told_with_the_point_that_completes_them():
    """A moving range is told at the later of its two points."""
    steady = [50.0, 50.4, 49.8, 50.2] * 5
    found = control(PRESSURE_LOSS, "kPa", points(*steady, 58.0), points(*steady), DEFAULT_RULES)
    assert [(point.value, rules) for point, rules in found.told] == [
        (58.0, [RunRule.BEYOND_3, f"moving range: {RunRule.BEYOND_3}"])
    ]


STEADY = tuple(3 + 0.2 * (number * 7 % 5) for number in range(50))


@pytest.mark.parametrize(
    ("values", "why"),
    [
        (points(*STEADY, most=None), "there is no limit to hold the values against"),
        ([*points(*STEADY[:25]), *points(*STEADY[25:], most=7.0)], "the values have different limits"),
        (points(*STEADY[:49]), "the base has 49 values; at least 50 are needed"),
        (points(*STEADY[:49], 9.0), "the base itself is not in statistical control"),
        (points(*([3.0] * 50)), "the values do not vary"),
    ],
)
def test_a_capability_that_would_mislead_is_not_told(values, why):
    found = control(LEAKAGE_RATE, "mL/min", values, None, (RunRule.BEYOND_3,))
    assert (found.capability, found.why_no_capability) == (None, why)


def test_a_capability_against_the_one_limit():
    """Distance from the mean to the upper limit over three standard deviations."""
    found = control(LEAKAGE_RATE, "mL/min", points(*STEADY), None, (RunRule.BEYOND_3,))
    mean = sum(STEADY) / 50
    deviation = (sum((value - mean) ** 2 for value in STEADY) / 49) ** 0.5
    assert found.capability.cpk == pytest.approx((6 - mean) / (3 * deviation))
    assert found.capability.cp is None


@given(st.lists(st.integers(-4, 4).map(float), max_size=60))
def test_all_points_at_once_signal_as_each_by_itself(scores):
    """The rules in plain words, over the points up to each."""

    def several(newest, level, needed):
        return any(side * newest[-1] > level and sum(side * x > level for x in newest) >= needed for side in (1, -1))

    def plain(upto, rule):
        steps = [b - a for a, b in pairwise(upto)]
        match rule:
            case RunRule.BEYOND_3:
                return abs(upto[-1]) > 3
            case RunRule.TWO_OF_THREE:
                return several(upto[-3:], 2, 2)
            case RunRule.FOUR_OF_FIVE:
                return several(upto[-5:], 1, 4)
            case RunRule.EIGHT_ON_ONE_SIDE:
                return several(upto[-8:], 0, 8)
            case RunRule.SIX_RISING_OR_FALLING:
                last = steps[-5:]
                return len(last) == 5 and (all(step > 0 for step in last) or all(step < 0 for step in last))
            case _:
                last = steps[-13:]
                return len(last) == 13 and all(a * b < 0 for a, b in pairwise(last))

    expected = [(i, rule) for i in range(len(scores)) for rule in RunRule if plain(scores[: i + 1], rule)]
    assert [(one.index, one.rule) for one in run_signals(scores, tuple(RunRule))] == expected


# Gauge study --------------------------------------------------------------------------------------


def study(*cells: tuple[str, str, float]) -> list[Measured]:
    return [Measured("", "", serial, operator, value, None) for serial, operator, value in cells]


def test_only_valves_that_everybody_tested_equally_often_are_kept():
    """A third test of one cell is one too many; a valve that one operator never had is named."""
    kept, left_out = balanced(study(
        ("A", "Quill", 1), ("A", "Quill", 2), ("A", "Ashe", 3), ("A", "Ashe", 4), ("A", "Ashe", 5),
        ("B", "Quill", 6), ("B", "Ashe", 7), ("B", "Quill", 8), ("B", "Ashe", 9), ("C", "Quill", 10),
    ))  # fmt: skip
    assert [one.value for one in kept] == [1, 2, 3, 4, 6, 7, 8, 9]
    assert left_out == ["C"]
    assert balanced([]) == ([], [])
