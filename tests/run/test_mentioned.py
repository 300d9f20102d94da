"""What a document says of a nonconformity: facts as they stand, none of somebody's own words."""

import pytest

from testbench.run.mentioned import Mentioned, mentioned
from testbench.run.nonconformity import Disposition, Part, Standing, begun, opened_by
from testbench.run.observations import Seen
from testbench.run.record import Verdict, canonical, sha256
from tests.run.nonconforming import (
    BAD,
    CLOSED,
    CONCEDED,
    GOOD,
    LAPPED,
    NUMBER,
    OPENED_UP,
    REWORK,
    SCRAP,
    VOID,
    entered,
    entry,
)


@pytest.fixture
def opened(shop):
    """Of a run whose cover joint leaked."""
    stage = shop.shell_test().holding().see(Seen.LEAKAGE, "cover joint")
    record = shop.run(stage.ask("conclude").released().judged())
    return begun(entry(opened_by(record, sha256(canonical(record)))))


@pytest.mark.parametrize(
    ("entries", "standing", "disposition", "worked_on", "retest"),
    [
        ((), Standing.UNDECIDED, None, (), ("", None)),
        ((REWORK,), Standing.TO_REWORK, Disposition.REWORK, (), ("", None)),
        ((REWORK, LAPPED, VOID), Standing.REWORKED, Disposition.REWORK, (Part.SEAT,), ("", None)),
        ((REWORK, LAPPED, OPENED_UP, GOOD), Standing.PASSED, Disposition.REWORK, (Part.SEAT, Part.COVER_JOINT),
         ("B1-000002", Verdict.ACCEPTED)),
        ((REWORK, LAPPED, BAD), Standing.FAILED, Disposition.REWORK, (Part.SEAT,), ("B1-000002", Verdict.REJECTED)),
        ((REWORK, LAPPED, GOOD, CLOSED), Standing.CLOSED, Disposition.REWORK, (Part.SEAT,),
         ("B1-000002", Verdict.ACCEPTED)),
        ((SCRAP,), Standing.SCRAPPED, Disposition.SCRAP, (), ("", None)),
        ((CONCEDED,), Standing.CONCEDED, Disposition.CONCESSION, (), ("", None)),
    ],
)  # fmt: skip
def test_each_step_is_told(opened, entries, standing, disposition, worked_on, retest):
    """From the opening to every end; a void retest shows nothing."""
    told = Mentioned.of(entered(opened, *entries))
    assert (told.number, told.run, told.standing) == (NUMBER, opened.opened.run, standing)
    assert (told.disposition, told.worked_on, (told.retest, told.retest_verdict)) == (disposition, worked_on, retest)


@pytest.mark.parametrize(("specimen", "trial", "named"), [
    (False, False, True), (False, True, True), (True, True, True), (True, False, False),
])  # fmt: skip
def test_what_a_trial_opened_stands_on_documents_of_trials_only(opened, specimen, trial, named):
    """As it stands in the way of trials only."""
    found = opened.model_copy(update={"opened": opened.opened.model_copy(update={"specimen": specimen})})
    assert len(mentioned([found], trial=trial)) == named
