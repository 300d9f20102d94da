"""Control charts against published examples, and the run rules pattern by pattern."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.charts import (
    RunRule,
    Signal,
    chart_constants,
    count_chart,
    individuals_chart,
    mean_and_deviation_chart,
    mean_and_range_chart,
    proportion_chart,
    rate_chart,
    run_signals,
)

# n, d2, d3, c4, A2, A3, D3, D4, B3, B4: computed once by numerical integration; the published tables of three or four
# digits agree.
CONSTANTS = [
    (2, 1.12838, 0.85250, 0.797885, 1.8800, 2.6587, 0, 3.2665, 0, 3.2665),
    (3, 1.69257, 0.88837, 0.886227, 1.0233, 1.9544, 0, 2.5746, 0, 2.5682),
    (4, 2.05875, 0.87981, 0.921318, 0.7286, 1.6281, 0, 2.2821, 0, 2.2660),
    (5, 2.32593, 0.86408, 0.939986, 0.5768, 1.4273, 0, 2.1145, 0, 2.0890),
    (6, 2.53441, 0.84804, 0.951533, 0.4832, 1.2871, 0, 2.0038, 0.0304, 1.9696),
    (7, 2.70436, 0.83321, 0.959369, 0.4193, 1.1819, 0.0757, 1.9243, 0.1177, 1.8823),
    (8, 2.84720, 0.81983, 0.965030, 0.3725, 1.0991, 0.1362, 1.8638, 0.1851, 1.8149),
    (9, 2.97003, 0.80783, 0.969311, 0.3367, 1.0317, 0.1840, 1.8160, 0.2391, 1.7609),
    (10, 3.07751, 0.79705, 0.972659, 0.3083, 0.9754, 0.2230, 1.7770, 0.2837, 1.7163),
]


@pytest.mark.parametrize("row", CONSTANTS)
def test_the_constants_of_the_charts(row: tuple[float, ...]):
    """Subgroups of 2 to 10."""
    n, d2, d3, c4, a2, a3, low_r, high_r, low_s, high_s = row
    found = chart_constants(n)
    assert (found.d2, found.d3) == pytest.approx((d2, d3), abs=6e-6)
    assert found.c4 == pytest.approx(c4, abs=6e-7)
    assert (found.a2, found.a3) == pytest.approx((a2, a3), abs=6e-5)
    assert (*found.range_limits, *found.deviation_limits) == pytest.approx((low_r, high_r, low_s, high_s), abs=6e-5)


def test_the_constants_of_two_are_known_exactly():
    """d2 = 2/√π, d3 = √(2 − 4/π), c4 = √(2/π)."""
    two = chart_constants(2)
    assert two.d2 == pytest.approx(2 / math.sqrt(math.pi), rel=1e-11)
    assert two.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-11)
    assert two.c4 == pytest.approx(math.sqrt(2 / math.pi), rel=1e-14)


@pytest.mark.parametrize("n", [1, 101])
def test_no_constants_for_a_single_value_nor_for_huge_subgroups(n: int):
    """2 to 100."""
    with pytest.raises(DataRefusedError) as refusal:
        chart_constants(n)
    assert str(refusal.value) == f"control chart: found subgroups of {n}; allowed subgroups of 2 to 100."


# Run rules --------------------------------------------------------------------------------------

ALL = tuple(RunRule)


def rules_at_the_end(scores: list[float]) -> set[RunRule]:
    return {signal.rule for signal in run_signals(scores, ALL) if signal.index == len(scores) - 1}


@pytest.mark.parametrize(
    ("scores", "rules"),
    [
        ([0, 3.001], {RunRule.BEYOND_3}),
        ([0, 3.0], set()),
        ([0, -3.001], {RunRule.BEYOND_3}),
        ([0, 2.5, 1, 2.6], {RunRule.TWO_OF_THREE}),
        ([2.5, 0, 0, 2.6], set()),
        ([2.5, -2.6, 2.7], {RunRule.TWO_OF_THREE}),
        ([2.5, 2.6, 0], set()),
        ([2.5, 2.6, 2.0], set()),
        ([2.0, 0, 2.6], set()),
        ([1.2, 1.3, 0.2, 1.4, 1.5], {RunRule.FOUR_OF_FIVE}),
        ([1.2, 1.3, 0.2, -1.4, 1.5], set()),
        ([1.2, 1.3, 1.2, 1.4, 0.2], set()),
        ([-0.1] * 8, {RunRule.EIGHT_ON_ONE_SIDE}),
        ([0.1] * 7 + [-0.1], set()),
        ([0.1] * 7 + [0.0], set()),
        ([-0.5, -0.3, -0.1, 0.1, 0.3, 0.5], {RunRule.SIX_RISING_OR_FALLING}),
        ([0.5, 0.3, 0.1, -0.1, -0.3, -0.5], {RunRule.SIX_RISING_OR_FALLING}),
        ([-0.5, -0.3, -0.1, 0.1, 0.3], set()),
        ([-0.5, -0.3, -0.1, -0.1, 0.3, 0.5], set()),
        ([0.1, -0.1] * 7, {RunRule.FOURTEEN_ALTERNATING}),
        ([0.1, -0.1] * 6 + [0.1], set()),
    ],
)
def test_each_run_rule_on_both_sides_of_its_edge(scores: list[float], rules: set[RunRule]):
    """Western Electric's four rules and two for trends, judged at the last point."""
    assert rules_at_the_end(scores) == rules


def test_by_default_rules_1_and_4_are_asked():
    """All of them together would give a false alarm every 92nd point."""
    assert run_signals([0, 2.5, 1, 2.6]) == ()
    assert run_signals([3.5]) == (Signal(0, RunRule.BEYOND_3),)


@given(scores=st.lists(st.floats(-4, 4), max_size=40))
def test_the_rules_do_not_care_which_way_is_up(scores: list[float]):
    """A mirrored process gives the same signals."""
    assert run_signals(scores, ALL) == run_signals([-score for score in scores], ALL)


@given(before=st.lists(st.floats(-4, 4), max_size=10), scores=st.lists(st.floats(-4, 4), min_size=14, max_size=30))
def test_no_rule_looks_back_further_than_fourteen_points(before: list[float], scores: list[float]):
    """What happened long ago changes nothing now."""
    assert rules_at_the_end(before + scores) == rules_at_the_end(scores)


# Charts -----------------------------------------------------------------------------------------


def test_the_flow_rates_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.2 (from memory): centre 50.81, MR̄ 1.8778, limits 45.8159 … 55.8041, no signal.

    The handbook takes d2 as 1.128; with all its digits the limits are 0.0017 nearer.
    """
    values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    single, moving = individuals_chart(values)
    assert single.centre == pytest.approx(50.81)
    assert moving.centre == pytest.approx(1.8778, abs=0.00005)
    assert (single.lower[0], single.upper[0]) == pytest.approx((45.8159, 55.8041), abs=0.0018)
    assert (moving.lower[0], moving.upper[0]) == pytest.approx((0, 3.2665 * 1.87778), abs=0.0005)
    assert single.signals() == moving.signals() == ()


def test_the_wafers_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook 6.3.3.2: 30 wafers of 50 chips, p̄ 0.2313, limits 0.0524 … 0.4102; 15 and 23 signal.

    Counts are made to the published total of 347 with 22 and 24 at those two places.
    """
    counts = [11] * 21 + [10] * 7
    counts[14:14], counts[22:22] = [22], [24]
    chart = proportion_chart(counts, [50] * 30)
    assert chart.centre == pytest.approx(0.2313, abs=0.00005)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((0.0524, 0.4102), abs=0.00005)
    assert chart.signals([RunRule.BEYOND_3]) == (Signal(14, RunRule.BEYOND_3), Signal(22, RunRule.BEYOND_3))


def test_a_point_on_the_limit_is_not_beyond_it():
    """NIST/SEMATECH e-Handbook 6.3.3.1: c̄ = 16, limits 4 and 28; wafer 3 with 28 is on it, wafer 24 with 31 beyond.

    Counts are made to the published total of 400.
    """
    counts = [15] * 19 + [14] * 4
    counts[2:2], counts[23:23] = [28], [31]
    chart = count_chart(counts)
    assert (chart.centre, chart.lower[0], chart.upper[0]) == (16, 4, 28)
    assert chart.signals([RunRule.BEYOND_3]) == (Signal(23, RunRule.BEYOND_3),)


def test_the_circuit_boards():
    """516 defects on 26 boards (luca-scr/qcc, after Montgomery): limits 6.481 … 33.211, boards 6 and 20 signal.

    Without those two, 0.19667 defects per unit in lots of 100: limits 0.06363 … 0.32971. Made to the totals.
    """
    others = [20] * 16 + [19] * 8
    counts = others.copy()
    counts[5:5], counts[19:19] = [5], [39]
    chart = count_chart(counts)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((6.481, 33.211), abs=0.0005)
    assert chart.signals([RunRule.BEYOND_3]) == (Signal(5, RunRule.BEYOND_3), Signal(19, RunRule.BEYOND_3))
    rates = rate_chart(others, [100] * 24)
    assert rates.centre == pytest.approx(0.19667, abs=0.000005)
    assert (rates.lower[0], rates.upper[0]) == pytest.approx((0.06363, 0.32971), abs=0.000005)


def test_the_piston_rings_by_ranges():
    """25 × 5 diameters (luca-scr/qcc): mean 74.001176, R̄ 0.022760; limits 73.98805 … 74.01430, range up to 0.048126.

    Every subgroup is made to the published averages.
    """
    r = 0.022760
    means, ranges = mean_and_range_chart([[74.001176 + part * r for part in (-0.5, -0.25, 0, 0.25, 0.5)]] * 25)
    assert (means.lower[0], means.upper[0]) == pytest.approx((73.98805, 74.01430), abs=0.000006)
    assert (ranges.lower[0], ranges.upper[0]) == pytest.approx((0, 0.048126), abs=6e-7)


def test_the_piston_rings_by_standard_deviations():
    """The same with s̄ 0.009240: limits 73.98799 … 74.01436, s up to 0.019302."""
    s = 0.009240
    means, deviations = mean_and_deviation_chart([[74.001176 + part * s for part in (-1, -1, 0, 1, 1)]] * 25)
    assert (means.lower[0], means.upper[0]) == pytest.approx((73.98799, 74.01436), abs=0.000006)
    assert (deviations.lower[0], deviations.upper[0]) == pytest.approx((0, 0.019302), abs=6e-7)


def test_limits_follow_the_size_of_the_lot():
    """A small lot has wide limits; none leave what is possible."""
    chart = proportion_chart([1, 10, 40], [4, 100, 400])
    assert chart.upper[0] > chart.upper[1] > chart.upper[2]
    assert (min(chart.lower), chart.centre) == (0.0, 51 / 504)
    assert max(proportion_chart([9, 10], [10, 10]).upper) == 1.0


def test_a_process_that_does_not_vary_signals_nothing_until_it_moves():
    """With limits of no width the centre is inside and everything else is beyond."""
    assert individuals_chart([5.0] * 5)[0].signals() == ()
    assert run_signals([math.inf]) == (Signal(0, RunRule.BEYOND_3),)
    assert proportion_chart([0, 0], [10, 10]).signals() == ()


def test_a_chart_of_ranges_asks_only_for_points_beyond_the_limit():
    """Ranges are not spread evenly about their mean, so that eight on one side mean little."""
    values = [0.0, 1.0] * 8 + [0.0, 0.9] * 8
    _, moving = individuals_chart(values)
    assert moving.signals() == ()
    assert moving.signals([RunRule.EIGHT_ON_ONE_SIDE]) != ()


@pytest.mark.parametrize(
    ("draw", "sentence"),
    [
        (lambda: individuals_chart([1.0]), "individuals chart: found 1 value(s); needed at least 2."),
        (lambda: mean_and_range_chart([]), "control chart: found no subgroup; needed at least 1."),
        (lambda: count_chart([]), "c chart: found no lot; needed at least 1."),
        (
            lambda: mean_and_range_chart([[1, 2], [1, 2, 3]]),
            "control chart: found subgroups of 2 to 3; allowed subgroups of one size.",
        ),
        (
            lambda: rate_chart([-1], [1]),
            "u chart: found a negative count or an empty lot; allowed counts of at least 0 in lots above 0.",
        ),
        (
            lambda: proportion_chart([3], [2]),
            "p chart: found more defective than inspected; allowed at most as many as inspected.",
        ),
    ],
)
def test_data_that_make_no_chart_are_refused(draw, sentence: str):
    """Each with its reason."""
    with pytest.raises((DataRefusedError, TooFewPointsError)) as refusal:
        draw()
    assert str(refusal.value) == sentence
