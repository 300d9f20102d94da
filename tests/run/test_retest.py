"""When a valve may be tested again after a nonconformity (common practice: no testing until it passes)."""

import pytest

from testbench.errors import (
    ReworkMissingError,
    SerialConcededError,
    SerialScrappedError,
    SerialUndecidedError,
    ShellTestMissingError,
)
from testbench.procedure.stages import StageName
from testbench.run.nonconformity import begun, opened_by
from testbench.run.record import Origin
from testbench.run.retest import check_retest
from tests.run.nonconforming import (
    BAD,
    CLOSED,
    CONCEDED,
    GOOD,
    LAPPED,
    OPENED_UP,
    REWORK,
    SCRAP,
    VOID,
    entered,
    entry,
)


@pytest.fixture
def real(shop):
    """One of a live run under an adopted procedure."""
    opened = opened_by(shop.run(), "0" * 64)
    return begun(entry(opened.model_copy(update={"specimen": False, "origin": Origin.LIVE})))


def check(shop, *found, trial=False, requirements=None):
    check_retest("HL-4-0117", found, requirements or shop.requirements(), trial=trial)


def seat_only(shop):
    """What a procedure without a shell test would demand."""
    whole = shop.requirements()
    return whole.model_copy(update={"stages": tuple(one for one in whole.stages if one.stage is StageName.SEAT)})


def test_a_valve_without_a_nonconformity_is_tested(shop):
    """Void and inconclusive runs open none: they have shown nothing against the valve."""
    check(shop)


@pytest.mark.parametrize(
    ("entries", "error", "said"),
    [
        (
            (), SerialUndecidedError,
            (
                "Serial number HL-4-0117 was found nonconforming in run B1-000001; nonconformity N-B1-000001 has no "
                "disposition yet."
            ),
        ),
        (
            (REWORK,), ReworkMissingError,
            "Serial number HL-4-0117 is to be reworked (nonconformity N-B1-000001); no rework is entered yet.",
        ),
        (
            (SCRAP,), SerialScrappedError,
            "Serial number HL-4-0117 was scrapped (nonconformity N-B1-000001); it is tested no more.",
        ),
        (
            (SCRAP, CLOSED), SerialScrappedError,
            "Serial number HL-4-0117 was scrapped (nonconformity N-B1-000001); it is tested no more.",
        ),
        (
            (CONCEDED,), SerialConcededError,
            "Serial number HL-4-0117 was conceded as it is (nonconformity N-B1-000001); no rework is entered.",
        ),
        (
            (CONCEDED, CLOSED), SerialConcededError,
            "Serial number HL-4-0117 was conceded as it is (nonconformity N-B1-000001); no rework is entered.",
        ),
    ],
)  # fmt: skip
def test_a_retest_without_a_rework_is_refused(shop, real, entries, error, said):
    """One sentence for each reason."""
    with pytest.raises(error) as refusal:
        check(shop, entered(real, *entries))
    assert str(refusal.value) == said


@pytest.mark.parametrize(
    "entries",
    [(REWORK, LAPPED), (REWORK, OPENED_UP), (REWORK, LAPPED, VOID), (REWORK, LAPPED, GOOD),
     (REWORK, LAPPED, BAD, CLOSED), (CONCEDED, REWORK, LAPPED)],
)  # fmt: skip
def test_after_the_rework_it_is_tested(shop, real, entries):
    """And again after a void retest, which needs no other rework."""
    check(shop, entered(real, *entries))


def test_a_rework_of_the_shell_wants_a_procedure_that_tests_it(shop, real):
    """A seat test alone would leave the cover joint unproved."""
    check(shop, entered(real, REWORK, LAPPED), requirements=seat_only(shop))
    with pytest.raises(ShellTestMissingError) as refusal:
        check(shop, entered(real, REWORK, OPENED_UP), requirements=seat_only(shop))
    assert str(refusal.value) == (
        "The rework of serial number HL-4-0117 (nonconformity N-B1-000001) disturbed its shell, and procedure "
        "waterworks-swing-check has no shell test."
    )


def test_a_trial_stands_in_the_way_of_trials_only(shop):
    """As an acceptance in a trial does; a real one stands in the way of both."""
    trial = begun(entry(opened_by(shop.run(), "0" * 64)))
    assert trial.opened.specimen
    check(shop, trial)
    with pytest.raises(SerialUndecidedError):
        check(shop, trial, trial=True)


def test_a_real_one_stands_in_the_way_of_trials_as_well(shop, real):
    with pytest.raises(SerialUndecidedError):
        check(shop, real, trial=True)
