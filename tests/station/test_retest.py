"""At the bench and on the link: a rejected valve is tested again after its rework, and not before."""

import pytest

from testbench.run.record import Verdict
from tests.run.nonconforming import CONCEDED, LAPPED, OPENED_UP, REWORK, SCRAP, entered


def reject(at_hand):
    """12 mL in 60 s through the seat of HL-4-0117."""
    at_hand.shell()
    at_hand.seat(volume="12.0 mL")
    assert at_hand.store.sealed[-1][0].verdict is Verdict.REJECTED
    return at_hand.store.nonconformities_of("HL-4-0117")[0]


def start_again(at_hand):
    at_hand.hold(0.2, 3)
    return at_hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        ((), ("Serial number HL-4-0117 was found nonconforming in run B1-000001; nonconformity N-B1-000001 has no "
             "disposition yet.")),
        ((REWORK,), "Serial number HL-4-0117 is to be reworked (nonconformity N-B1-000001); no rework is entered yet."),
        ((SCRAP,), "Serial number HL-4-0117 was scrapped (nonconformity N-B1-000001); it is tested no more."),
        ((CONCEDED,), ("Serial number HL-4-0117 was conceded as it is (nonconformity N-B1-000001); no rework is "
                      "entered.")),
    ],
)  # fmt: skip
def test_no_run_begins_before_the_rework(at_hand, entries, said):
    """Refused with one sentence and what to do; no run is opened, no number spent."""
    found = entered(reject(at_hand), *entries)
    at_hand.store.nonconformities_of = lambda serial: (found,)
    answer = start_again(at_hand)
    assert (answer.done, answer.sentence) == (False, said)
    assert answer.remedy
    assert len(at_hand.store.opened) == 1


@pytest.mark.parametrize("rework", [LAPPED, OPENED_UP])
def test_after_the_rework_every_stage_is_carried_out_again(at_hand, rework):
    """Nothing of the rejected run is kept, also where only the seat was worked on: the shell test comes first."""
    found = entered(reject(at_hand), REWORK, rework)
    at_hand.store.nonconformities_of = lambda serial: (found,)
    assert start_again(at_hand).done
    run = at_hand.session.run
    assert [one.stage for one in run.requirements.stages] == ["shell test", "seat test"]
    assert (run.stages, [one.run for one in run.earlier]) == ((), ["B1-000001"])


def test_a_void_run_needs_no_rework(at_hand):
    """A leak of the rig: the stage is void with its place, no nonconformity is opened, the valve comes again."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    at_hand.do("rig_leak", where="hose")
    at_hand.hold(0.2, 2)
    assert at_hand.see().instruction.startswith("Next: the shell test again (attempt 2).")
    at_hand.do("end_run")
    record, _ = at_hand.store.sealed[0]
    assert (record.verdict, record.stages[0].rig_leak) == (None, "hose")
    assert record.reason == (
        "The shell test is void (stopped): The rig leaked at the hose; nothing is shown about the valve."
    )
    assert start_again(at_hand).done


def test_a_request_that_calls_the_rig_a_place_of_the_valve_is_refused(at_hand):
    """Over the link as on the screen: the stage goes on, and nothing is rejected."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    answer = at_hand.ask("observe", criterion=0, seen="leakage", where="Blind gasket ")
    assert answer.sentence == (
        "The observation was not recorded: 'Blind gasket' is a place of the rig, not of the valve; "
        "a leak there is said with 'rig_leak', and voids the stage."
    )
    assert at_hand.see().stage.phase == "holding"


def test_the_screen_says_that_the_pressure_must_be_released_first(at_hand):
    """The caution stands where the hazard is met: nothing is tightened under pressure."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    at_hand.do("rig_leak", where="blind gasket")
    update = at_hand.see()
    assert update.stage.phase == "depressurizing"
    assert update.cautions[:2] == (
        "Never tighten anything under pressure.",
        "Release the pressure before you touch bolts, blanks or hoses.",
    )
