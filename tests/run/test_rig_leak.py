"""A leak of the rig voids the stage and says nothing about the valve (common practice)."""

import pytest

from testbench.errors import ObservationRefusedError, RequestRefusedError
from testbench.run.evaluation import rejudged, same_decision
from testbench.run.machine import Ending, Phase
from testbench.run.observations import RIG_PLACES, Seen
from testbench.run.record import RunRecord, StageRecord, Verdict, canonical
from testbench.run.state import Action
from testbench.station.current_run import next_stage


def leaked(attempt, where="blind gasket"):
    """The operator says where the rig leaks, at this moment."""
    attempt.take(attempt.stage.rig_leaked(attempt.state, attempt.now, where))
    return attempt


def rig_leaked(attempt, where="blind gasket") -> StageRecord:
    """The same, released and closed, as the record keeps it."""
    done = leaked(attempt, where).released()
    return done.judged().model_copy(update={"rig_leak": done.state.rig_leak})


@pytest.mark.parametrize("where", RIG_PLACES)
def test_a_leak_of_the_rig_voids_the_stage_with_its_place(shop, where):
    """Void, not rejected; the reason names the place."""
    stage = rig_leaked(shop.shell_test().holding(), where)
    assert (stage.finding, stage.ended, stage.rig_leak) == (None, Ending.STOPPED, where)
    assert stage.reason == f"The rig leaked at the {where}; nothing is shown about the valve."


def test_the_run_is_void_and_the_stage_can_be_carried_out_again(shop):
    """Attempt 2 of the same stage comes next; closed before that, the run is void and rejects nothing."""
    run = shop.run(rig_leaked(shop.shell_test().holding()))
    assert next_stage(run) == (run.requirements.stages[0], 2)
    assert (run.verdict, run.reason) == (
        None,
        "The shell test is void (stopped): The rig leaked at the blind gasket; nothing is shown about the valve.",
    )


def test_what_leaked_in_the_rig_does_not_stand_in_the_way_of_an_acceptance(shop, accepted_shell, accepted_seat):
    """The gasket is changed under no pressure, and the valve passes."""
    first = rig_leaked(shop.shell_test().holding())
    run = shop.run(first, accepted_shell.judged(attempt=2), accepted_seat.judged())
    assert run.verdict is Verdict.ACCEPTED


def test_judged_again_it_is_void_as_well(shop):
    """From the record and the readings alone."""
    attempt = shop.shell_test().holding()
    run = shop.run(rig_leaked(attempt))
    again = rejudged(run, [attempt.trace()])
    assert same_decision(run, again)
    assert again.verdict is None


def test_it_can_be_said_in_a_seat_test_in_which_nothing_is_looked_at(shop):
    """There what passes the seat is caught; a hose that drips into the vessel is none of it."""
    attempt = shop.seat_test().holding()
    assert Action.OBSERVE not in attempt.stage.possible(attempt.state)
    assert leaked(attempt, "hose").state.phase is Phase.DEPRESSURIZING


def test_leakage_of_the_valve_that_was_said_stays_said(shop):
    """The first failure stays: no leak of the rig takes it back."""
    attempt = shop.shell_test().holding().see(Seen.LEAKAGE, "cover joint")
    with pytest.raises(RequestRefusedError) as refusal:
        leaked(attempt)
    assert str(refusal.value) == ("'rig_leak' is not possible while holding; possible now: conclude, vent_again, stop.")
    assert attempt.ask(Action.CONCLUDE).released().finding().verdict is Verdict.REJECTED


def test_it_wants_its_place(shop):
    """A void without a place tells nobody what to mend."""
    attempt = shop.shell_test().holding()
    before = attempt.state
    with pytest.raises(ObservationRefusedError) as refusal:
        leaked(attempt, "  ")
    assert "no place was given" in str(refusal.value)
    assert attempt.state is before


@pytest.mark.parametrize("where", [*RIG_PLACES, "Blind gasket", "  HOSE\t", "blind  gasket"])
def test_leakage_seen_at_a_place_of_the_rig_is_none_of_the_valve(shop, where):
    """Whoever asks, by the screen or over the link: no valve is rejected for a hose."""
    attempt = shop.shell_test().holding()
    before = attempt.state
    with pytest.raises(ObservationRefusedError) as refusal:
        attempt.see(Seen.LEAKAGE, where)
    assert str(refusal.value) == (
        f"The observation was not recorded: '{where.strip()}' is a place of the rig, not of the valve; "
        "a leak there is said with 'rig_leak', and voids the stage."
    )
    assert attempt.state is before
    assert leaked(attempt, where).state.ending is Ending.STOPPED


@pytest.mark.parametrize("where", ["hose connection of the valve", "the shell", "gasket"])
def test_a_place_that_only_sounds_like_the_rig_stays_the_valves(shop, where):
    """The list is short and whole: what it does not name is judged."""
    attempt = shop.shell_test().holding().see(Seen.LEAKAGE, where)
    assert attempt.ask(Action.CONCLUDE).released().finding().verdict is Verdict.REJECTED


@pytest.mark.parametrize("phase", [Phase.FILLING, Phase.DEPRESSURIZING, Phase.CLOSED])
def test_it_is_seen_under_pressure_only(shop, phase):
    """Water that runs out of a hose while it is filled is no leak under pressure: the stage has not begun to count."""
    attempt = shop.shell_test()
    if phase is not Phase.FILLING:
        attempt.holding().ask(Action.STOP)
    if phase is Phase.CLOSED:
        attempt.released()
    assert attempt.state.phase is phase
    with pytest.raises(RequestRefusedError):
        leaked(attempt)


def test_records_from_before_keep_their_bytes(accepted_shell, shop):
    """A stage without a leak of the rig is written as it always was."""
    record = shop.run(accepted_shell.judged())
    assert b"rig_leak" not in canonical(record)
    assert RunRecord.model_validate_json(canonical(record)) == record
