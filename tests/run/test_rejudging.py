"""Runs decided again, compared and counted."""

import runpy
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.run.rejudging import NAMED, Outcome, Rejudged, Tally, difference

FOUND = st.builds(
    Rejudged, run=st.just("B1-000001"), software=st.sampled_from(["0.1.0", "0.2.0"]), outcome=st.sampled_from(Outcome)
)


@given(st.lists(FOUND, max_size=30), st.integers(1, 7))
def test_what_is_counted_is_what_came_in_whatever_the_order(found, batch):
    """In batches or at once; every run that is not the same is named."""
    once, parts = Tally(), Tally()
    once.add(found)
    for first in range(0, len(found), batch):
        parts.add(found[first : first + batch])
    assert once == parts
    assert once.runs == len(found)
    for outcome in Outcome:
        assert once.count(outcome) == sum(one.outcome is outcome for one in found)
    named = [one for version in once.versions.values() for one in version.named]
    assert sorted(named, key=repr) == sorted((one for one in found if one.outcome is not Outcome.SAME), key=repr)
    assert once.all_same is (not named)


def test_no_more_are_named_than_memory_is_meant_for():
    """The others are counted."""
    tally = Tally()
    tally.add(Rejudged(f"B1-{n:07d}", "0.1.0", Outcome.DIFFERS) for n in range(NAMED + 5))
    assert len(tally.versions["0.1.0"].named) == NAMED
    assert tally.count(Outcome.DIFFERS) == NAMED + 5


@pytest.fixture(scope="module")
def record():
    """The accepted example."""
    made = runpy.run_path(str(Path(__file__).parents[1] / "records" / "make.py"))
    return made["example_run"]("B1-000001", made["valve"]("HL-4-0117", "NPS 4"))[0]


def test_a_difference_names_what_changed(record):
    """The verdict where it changed; else each criterion whose figures did."""
    void = record.model_copy(update={"verdict": None, "reason": "The seat test was not carried out."})
    assert difference(record, void) == "recorded accepted, now void: The seat test was not carried out."
    seat = record.stages[1]
    leak = seat.finding.criteria[2].model_copy(update={"measured": "1 fl_oz/h"})
    criteria = (*seat.finding.criteria[:2], leak, *seat.finding.criteria[3:])
    changed = seat.model_copy(update={"finding": seat.finding.model_copy(update={"criteria": criteria})})
    again = record.model_copy(update={"stages": (record.stages[0], changed)})
    assert difference(record, again) == (
        "accepted as recorded, on other figures: seat test, attempt 1, largest-leakage-rate"
    )
    fewer = seat.model_copy(update={"finding": seat.finding.model_copy(update={"criteria": criteria[1:]})})
    again = record.model_copy(update={"stages": (record.stages[0], fewer)})
    assert difference(record, again) == (
        "accepted as recorded, on other figures: seat test, attempt 1, largest-leakage-rate; "
        "seat test, attempt 1, instrument"
    )
