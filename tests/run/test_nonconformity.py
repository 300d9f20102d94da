"""A nonconformity: opened, evidence, disposition, rework, retest, closed; each step allowed or refused by one table.

That a rejected product is identified, kept from delivery, decided on by whoever has the authority, and tested again
after a correction is the sense of ISO 9001:2015, 8.7 (from memory). What a rework of the shell demands is common
practice.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from testbench.errors import NonconformityStepError
from testbench.run.nonconformity import (
    ALLOWED,
    Disposed,
    Disposition,
    Entry,
    Part,
    Reworked,
    Standing,
    Step,
    after,
    begun,
    folded,
    opened_by,
    retested_by,
)
from testbench.run.observations import Seen
from testbench.run.record import Verdict, canonical, sha256
from tests.run.nonconforming import (
    BAD,
    CLOSED,
    CONCEDED,
    GOOD,
    LAPPED,
    NOTE,
    NUMBER,
    OPENED_UP,
    PHOTO,
    REWORK,
    SCRAP,
    VOID,
    entered,
    entry,
    retest,
)


@pytest.fixture
def rejected(shop):
    """A run whose cover joint leaked."""
    stage = shop.shell_test().holding().see(Seen.LEAKAGE, "cover joint")
    return shop.run(stage.ask("conclude").released().judged())


@pytest.fixture
def opened(rejected):
    return begun(entry(opened_by(rejected, sha256(canonical(rejected)))))


# What it begins with -----------------------------------------------------------------------------


def test_it_names_the_run_the_place_and_what_speaks_against_the_valve(opened, rejected):
    """Enough to decide by, without another record."""
    said = opened.opened
    assert (said.run, said.serial, said.verdict, said.reason) == (
        "B1-000001", "HL-4-0117", "rejected", "The shell test was rejected.",
    )  # fmt: skip
    assert said.where == ("shell test: cover joint",)
    assert said.findings == ("shell test: Leakage was seen at cover joint; none is allowed.",)
    assert said.record_sha256 == sha256(canonical(rejected))
    assert said.specimen  # the run was simulated


def test_a_seat_that_let_too_much_through_leaks_where_it_was_caught(shop, accepted_shell):
    """20 mL in 50 s, 118.3 mL/h allowed."""
    seat = shop.seat_test().collected("20 mL").released().judged()
    said = opened_by(shop.run(accepted_shell.judged(), seat), "0" * 64)
    assert said.where == (f"seat test: {seat.requirement.criteria[0].collect_at}",)
    assert len(said.findings) == 1


# The way of one ----------------------------------------------------------------------------------


def test_the_usual_way(opened):
    """Decided, reworked, tested again, closed; evidence at any time before the end."""
    ways = [
        (PHOTO, Standing.UNDECIDED), (REWORK, Standing.TO_REWORK), (NOTE, Standing.TO_REWORK),
        (LAPPED, Standing.REWORKED), (VOID, Standing.REWORKED), (GOOD, Standing.PASSED), (CLOSED, Standing.CLOSED),
    ]  # fmt: skip
    for what, standing in ways:
        opened = entered(opened, what)
        assert opened.standing is standing
    assert [one.what.step for one in opened.entries] == [
        "opened", "attached", "disposed", "noted", "reworked", "retested", "retested", "closed",
    ]  # fmt: skip


def test_a_rejected_retest_ends_this_one_and_leaves_the_rest_to_its_own(opened):
    """Its own nonconformity is opened by its own rejection."""
    found = entered(opened, REWORK, LAPPED, BAD)
    assert found.standing is Standing.FAILED
    assert entered(found, CLOSED).standing is Standing.CLOSED


@pytest.mark.parametrize("verdict", [None, Verdict.INCONCLUSIVE])
def test_a_retest_that_decides_nothing_shows_nothing(opened, verdict):
    """Void or inconclusive: the valve stays reworked and untested, and may come again."""
    assert entered(opened, REWORK, LAPPED, retest(verdict)).standing is Standing.REWORKED


def test_a_concession_does_not_make_the_run_an_accepted_one(opened, rejected):
    """The valve goes as it is; the verdict in the record and in the nonconformity stays."""
    found = entered(opened, CONCEDED, CLOSED)
    assert (found.standing, found.disposition) == (Standing.CLOSED, Disposition.CONCESSION)
    assert found.opened.verdict is Verdict.REJECTED
    assert rejected.verdict is Verdict.REJECTED


def test_a_conceded_valve_may_still_be_reworked(opened):
    """The customer takes it, the shop mends it all the same."""
    assert entered(opened, CONCEDED, REWORK).standing is Standing.TO_REWORK


TO_REWORK = "allowed: attached, disposed, noted, reworked."
REFUSED = [
    ((), LAPPED, "cannot be reworked: it stands as 'no disposition yet'; allowed: attached, disposed, noted."),
    ((), GOOD, "cannot be retested: it stands as 'no disposition yet'; allowed: attached, disposed, noted."),
    ((), CLOSED, "cannot be closed: it stands as 'no disposition yet'; allowed: attached, disposed, noted."),
    ((REWORK,), GOOD, f"cannot be retested: it stands as 'to be reworked'; {TO_REWORK}"),
    ((REWORK,), CLOSED, f"cannot be closed: it stands as 'to be reworked'; {TO_REWORK}"),
    (
        (REWORK, LAPPED), CLOSED,
        (
            "cannot be closed: it stands as 'reworked, to be tested again'; "
            "allowed: attached, disposed, noted, retested, reworked."
        ),
    ),
    ((SCRAP,), REWORK, "cannot be disposed: it stands as 'scrap'; allowed: attached, closed, noted."),
    ((SCRAP, CLOSED), NOTE, "cannot be noted: it stands as 'closed'; allowed: nothing more."),
    ((CONCEDED,), LAPPED, "cannot be reworked: it stands as 'conceded'; allowed: attached, closed, disposed, noted."),
    (
        (REWORK, LAPPED, GOOD), LAPPED,
        "cannot be reworked: it stands as 'accepted in a retest'; allowed: attached, closed, noted.",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("before", "what", "said"), REFUSED)
def test_what_does_not_follow_is_refused_with_what_does(opened, before, what, said):
    """One sentence: what, where, found, allowed."""
    found = entered(opened, *before)
    with pytest.raises(NonconformityStepError) as refusal:
        after(found, entry(what))
    assert str(refusal.value) == f"Nonconformity {NUMBER} {said}"


def test_an_entry_of_another_number_is_refused(opened):
    """A slip of our own, said at once."""
    with pytest.raises(NonconformityStepError):
        after(opened, entry(NOTE, "N-B1-000002"))


# Dispositions and reworks ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"disposition": "concession"}, "a concession names who granted it and under which reference"),
        ({"disposition": "concession", "authority": "EWB"}, "a concession names who granted it and under which"),
        ({"disposition": "rework", "authority": "EWB", "reference": "1"}, "authority and reference belong to a conces"),
        ({"disposition": "scrap", "why": "  "}, "found nothing, something must be said"),
        ({"disposition": "scrap", "why": "tidy\u202e"}, "found a sign that cannot be seen; write plain lines"),
    ],
)
def test_a_disposition_says_who_and_why(facts, said):
    """A concession needs its authority; every disposition its grounds, in signs that can be seen."""
    with pytest.raises(ValidationError, match=said):
        Disposed.model_validate({"why": "because"} | facts)


@pytest.mark.parametrize("part", Part)
def test_only_the_seat_is_none_of_the_shell(part):
    """What has no name here counts as of the shell, too: the safe side."""
    assert Reworked(done="worked on", disturbed=(part,)).of_the_shell is (part is not Part.SEAT)


def test_a_rework_says_what_was_disturbed():
    """Nothing disturbed is no rework."""
    with pytest.raises(ValidationError):
        Reworked(done="looked at it", disturbed=())


def test_a_disturbed_cover_joint_wants_an_accepted_shell_test(opened):
    """An accepted retest without one leaves the valve where it was (common practice)."""
    found = entered(opened, REWORK, OPENED_UP)
    assert found.shell_owed
    assert entered(found, retest(Verdict.ACCEPTED, shell=False)).standing is Standing.REWORKED
    shown = entered(found, GOOD)
    assert (shown.standing, shown.shell_owed) == (Standing.PASSED, False)


def test_a_lapped_seat_alone_wants_none(opened):
    """What the procedure demands is carried out all the same; the rule asks for no more."""
    assert entered(opened, REWORK, LAPPED, retest(Verdict.ACCEPTED, shell=False)).standing is Standing.PASSED


def test_a_shell_test_before_the_last_rework_counts_for_nothing(opened):
    """Accepted in a void retest, then the cover came off once more."""
    found = entered(opened, REWORK, OPENED_UP, retest(None, shell=True))
    assert not found.shell_owed
    assert entered(found, OPENED_UP).shell_owed


def test_a_retest_tells_whether_its_shell_was_accepted(shop, accepted_shell, accepted_seat):
    """From the record."""
    run = shop.run(accepted_shell.judged(), accepted_seat.judged())
    assert retested_by(run, "0" * 64).shell_accepted
    assert not retested_by(shop.run(accepted_seat.judged()), "0" * 64).shell_accepted


# Properties --------------------------------------------------------------------------------------

WHATS = st.sampled_from([
    NOTE, PHOTO, REWORK, SCRAP, CONCEDED, LAPPED, OPENED_UP, GOOD, BAD, VOID, retest(Verdict.ACCEPTED, shell=False),
    retest(Verdict.INCONCLUSIVE), CLOSED,
])  # fmt: skip


@given(whats=st.lists(WHATS, max_size=14))
def test_whatever_is_tried_in_whatever_order(shop, whats):
    """What is refused changes nothing; the end is the end; nothing passes untested; the fold is the steps."""
    record = shop.run()
    found, kept = begun(entry(opened_by(record, "0" * 64))), [entry(opened_by(record, "0" * 64))]
    for what in whats:
        before = found
        try:
            found = after(found, entry(what))
        except NonconformityStepError:
            assert what.step not in ALLOWED[before.standing]
            continue
        kept.append(entry(what))
        assert before.standing is not Standing.CLOSED
        assert found.opened == before.opened
        assert found.entries[:-1] == before.entries
        if before.standing is Standing.SCRAPPED:
            assert found.standing in {Standing.SCRAPPED, Standing.CLOSED}
            assert found.disposition is Disposition.SCRAP
        if what.step in {Step.NOTED, Step.ATTACHED}:
            assert found.standing is before.standing
        if found.standing is Standing.PASSED:
            assert found.retests[-1].verdict is Verdict.ACCEPTED
            assert found.reworks
            assert not found.shell_owed
    assert folded(kept) == (found,)


@given(order=st.permutations(range(6)))
def test_entries_of_several_are_told_apart(shop, order):
    """Interleaved in any way, each is folded by itself."""
    numbers = [NUMBER, "N-B1-000002"]
    lists = {n: [entry(opened_by(shop.run(), "0" * 64), n), entry(NOTE, n), entry(SCRAP, n)] for n in numbers}
    drawn = [lists[numbers[index % 2]].pop(0) for index in order]
    assert {one.number: one.standing for one in folded(drawn)} == dict.fromkeys(numbers, Standing.SCRAPPED)


def test_every_standing_has_its_row():
    """A standing without one would accept nothing and never end; only the closed takes nothing."""
    assert set(ALLOWED) == set(Standing)
    assert [standing for standing, row in ALLOWED.items() if not row] == [Standing.CLOSED]
    assert all(Step.OPENED not in row for row in ALLOWED.values())


@pytest.mark.parametrize("what", [NOTE, PHOTO, REWORK, CONCEDED, LAPPED, GOOD, CLOSED])
def test_an_entry_is_read_as_it_was_written(what):
    """Canonical JSON and back; what is not there takes no bytes."""
    written = canonical(entry(what))
    assert Entry.model_validate_json(written) == entry(what)
    assert b"authority" not in canonical(entry(REWORK))
