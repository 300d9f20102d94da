"""First-pass yield, by hand and against the plain way."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.run.record import Verdict
from testbench.run.yields import Yield, first_pass_yields, together

counts = st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(Verdict), st.integers(1, 50)))


def test_by_hand():
    """19 of 20 in one month, 2 of 3 in the next; an inconclusive test was none passed."""
    found = first_pass_yields([
        ("2026-10", "accepted", 19), ("2026-10", "rejected", 1), ("2026-11", "accepted", 2),
        ("2026-11", "inconclusive", 1),
    ])  # fmt: skip
    assert found == (Yield("2026-10", 20, 19), Yield("2026-11", 3, 2))
    assert [one.percent for one in found] == ["95.0", "66.7"]
    assert together(found) == Yield("all", 23, 21)
    assert together(()) is None


def test_nearly_all_is_not_all():
    """One failure in ten thousand is never printed as 100 %."""
    assert Yield("x", 10_000, 9_999).percent == "99.9"
    assert Yield("x", 10_000, 10_000).percent == "100.0"


@pytest.mark.parametrize(
    ("passed", "tested", "percent"),
    [(1, 3, "33.3"), (2, 3, "66.7"), (1, 16, "6.3"), (0, 3, "0.0"), (1999, 2000, "99.9"), (1998, 2000, "99.9")],
)
def test_a_share_is_rounded_as_any_number(passed, tested, percent):
    """Half up: 6.25 is 6.3, and 99.95 stays below 100."""
    assert Yield("x", tested, passed).percent == percent


@given(counts)
def test_it_counts_as_a_list_of_valves_would(counts):
    """Oracle: every valve written out."""
    valves = [(group, verdict) for group, verdict, count in counts for _ in range(count)]
    for found in first_pass_yields(counts):
        mine = [verdict for group, verdict in valves if group == found.group]
        assert (found.tested, found.passed) == (len(mine), mine.count(Verdict.ACCEPTED))
