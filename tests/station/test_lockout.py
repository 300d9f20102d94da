"""Wrong tries lock a person: after the fifth, longer each time, whatever the clock does."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from testbench.errors import PersonLockedError
from testbench.run.signature import Method
from testbench.station.current_run import iso
from testbench.station.lockout import Attempt, LockOut, Outcome, check_not_locked, locked_until

RULE = LockOut()
NOON = datetime(2026, 11, 26, 12, 0, tzinfo=UTC)


def tries(*outcomes: str, at: datetime = NOON, every: float = 1.0) -> list[Attempt]:
    """One after the other, ``every`` seconds."""
    return [
        Attempt(person="quill", method=Method.PIN, at=iso(at + timedelta(seconds=every * number)), outcome=Outcome(one))
        for number, one in enumerate(outcomes)
    ]


def wrong(count: int, at: datetime = NOON) -> list[Attempt]:
    return tries(*["begun"] * count, at=at, every=0.0)


def test_the_fourth_wrong_try_does_not_lock_and_the_fifth_does():
    """Both sides of the limit."""
    assert locked_until(wrong(4), RULE) is None
    assert locked_until(wrong(5), RULE) == NOON + timedelta(minutes=1)


@pytest.mark.parametrize(("count", "seconds"), [(5, 60), (6, 120), (7, 240), (10, 1920), (11, 3600), (400, 3600)])
def test_the_delay_doubles_up_to_an_hour(count, seconds):
    """At each further wrong try."""
    assert locked_until(wrong(count), RULE) == NOON + timedelta(seconds=seconds)


def test_the_lock_ends_at_its_end():
    """A millisecond before it is refused, with its end; at its end it is not."""
    with pytest.raises(PersonLockedError) as refusal:
        check_not_locked(wrong(5), RULE, "quill", NOON + timedelta(seconds=59.999))
    assert str(refusal.value) == "'quill' is locked until 2026-11-26T12:01:00.000Z, after 5 wrong tries in a row."
    assert refusal.value.remedy.startswith("Wait, or have an engineer set a new secret")
    check_not_locked(wrong(5), RULE, "quill", NOON + timedelta(seconds=60))


@pytest.mark.parametrize("ending", ["right", "cleared"])
def test_a_right_try_or_a_new_secret_begins_anew(ending):
    """Only wrong tries in a row count."""
    assert locked_until([*wrong(5), *tries(ending), *wrong(4)], RULE) is None
    assert locked_until([*wrong(5), *tries(ending), *wrong(5)], RULE) is not None


def test_a_clock_set_back_does_not_unlock():
    """Neither before nor between the tries."""
    assert NOON - timedelta(days=400) < locked_until(wrong(5), RULE)
    later = [*wrong(5), *wrong(1, NOON - timedelta(days=400))]
    assert locked_until(later, RULE) == NOON + timedelta(minutes=2)


MOMENTS = st.integers(-(10**6), 10**6).map(lambda seconds: NOON + timedelta(seconds=seconds))


@given(st.lists(MOMENTS, min_size=5, max_size=30), MOMENTS)
def test_whatever_the_clock_does_another_wrong_try_never_shortens_a_lock(stamps, another):
    """With stamps in any order at all."""
    before = [one for at in stamps for one in wrong(1, at)]
    assert locked_until([*before, *wrong(1, another)], RULE) >= locked_until(before, RULE)


@given(st.lists(st.sampled_from(["begun", "right", "cleared"]), max_size=40), st.integers(3, 10))
def test_the_lock_counts_like_a_person_would(outcomes, limit):
    """A slow oracle: a tally that every right try wipes."""
    tally = 0
    for one in outcomes:
        tally = tally + 1 if one == "begun" else 0
    assert (locked_until(tries(*outcomes), LockOut(wrong_tries=limit)) is not None) == (tally >= limit)


def test_a_guesser_has_as_many_tries_as_the_template_says():
    """33 on the first day, 24 on each other: who waits for the end of each lock and tries at once."""
    kept, now = [], NOON
    while now < NOON + timedelta(days=2):
        kept += wrong(1, now)
        now = max(now, locked_until(kept, RULE) or now)
    days = [(datetime.fromisoformat(one.at) - NOON).days for one in kept]
    assert (days.count(0), days.count(1)) == (33, 24)


@pytest.mark.parametrize("wrong_rule", [{"wrong_tries": 2}, {"wrong_tries": 11}, {"first_delay_s": 9},
                                        {"first_delay_s": 120, "longest_delay_s": 119}])  # fmt: skip
def test_a_rule_that_locks_nobody_is_refused(wrong_rule):
    """Bounds of bench.toml."""
    with pytest.raises(ValidationError):
        LockOut.model_validate(wrong_rule)
