"""Bars, whiskers and charts made of signs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.cli.drawing import POINT, SIGNAL, bar, chart_lines, whisker
from testbench.metrology.charts import individuals_chart


@pytest.mark.parametrize(("share", "drawn"), [(0, ""), (1, "████"), (0.5, "██"), (0.53125, "██▏"), (1e-9, "▏")])
def test_a_bar(share, drawn):
    """An eighth of a sign is the least; what is there at all shows."""
    assert bar(share, 4) == drawn


def test_a_whisker():
    assert whisker(0.2, 0.5, 0.8, 0.0, 11) == "  ├──●──┤  "
    assert whisker(0.9, 0.9, 0.9, 0.5, 6) == "    ● "


@given(st.lists(st.floats(0, 1), min_size=3, max_size=3).map(sorted), st.sampled_from([0.0, 0.5, 0.9]))
def test_a_whisker_keeps_its_width(ends, begin):
    low, middle, high = (begin + share * (1 - begin) for share in ends)
    drawn = whisker(low, middle, high, begin, 40)
    assert len(drawn) == 40
    assert POINT in drawn


def test_a_chart_shows_its_newest_points_between_its_limits():
    """A point that signals is told by its shape; a line that no point hides is drawn through."""
    chart, _ = individuals_chart([1.0, 2.0, 1.0, 2.0, 9.0])
    lines = chart_lines(chart, {4: "one point beyond 3 sigma"}, width=3, height=9)
    assert len(lines) == 9
    assert lines[0].split("│")[1][2] == SIGNAL
    assert sum(line.count(POINT) for line in lines) == 2
    assert sum(line.count(SIGNAL) for line in lines) == 1
    told = [line.split("│")[0].split()[0] for line in lines if line.split("│")[0].strip()]
    assert told == ["UCL", "centre", "LCL"]


def test_points_that_do_not_vary_are_a_line():
    chart, _ = individuals_chart([3.0, 3.0, 3.0])
    assert sum(line.count(POINT) for line in chart_lines(chart, {}, 10, 5)) == 3
