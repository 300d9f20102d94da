"""What the operator may ask for and say, and when."""

import pytest

from testbench.errors import ObservationRefusedError, RequestRefusedError
from testbench.procedure.criteria import NoVisibleLeakage
from testbench.quantities import Volume
from testbench.run.machine import Ending, Phase
from testbench.run.observations import Collection, Observation, Seen
from testbench.run.progress import Action

STEADY, RESTLESS = 0.0, 1000.0


def refused(kind: type[Exception], request) -> str:
    """The sentence of a refusal."""
    with pytest.raises(kind) as refusal:
        request()
    return str(refusal.value)


# What is offered --------------------------------------------------------------------------------


def test_what_is_offered_in_each_phase_of_a_shell_test(shop):
    """The likeliest first; no leakage can be concluded that was not seen."""
    attempt = shop.shell_test()

    def offered() -> tuple[Action, ...]:
        return attempt.stage.possible(attempt.state)

    assert offered() == (Action.VENT_CLOSED, Action.STOP)
    attempt.ask(Action.VENT_CLOSED)
    assert offered() == (Action.OBSERVE, Action.VENT_AGAIN, Action.RIG_LEAK, Action.STOP)
    attempt.read(51000, bound=RESTLESS)
    assert offered() == (Action.OBSERVE, Action.VENT_AGAIN, Action.RIG_LEAK, Action.STOP)
    attempt.keep(51000, 5.1)
    assert offered() == (Action.OBSERVE, Action.VENT_AGAIN, Action.RIG_LEAK, Action.STOP)
    attempt.keep(51000, 60)
    assert offered() == (Action.OBSERVE, Action.RIG_LEAK, Action.STOP)
    attempt.see(Seen.NO_LEAKAGE)
    assert offered() == ()
    attempt.released()
    assert offered() == ()


def test_what_is_offered_while_collecting(shop):
    """First the vessel, then its end, then the volume; there is nothing to look at on a metal seat."""
    attempt = shop.seat_test().holding().keep(25300, 6)
    assert attempt.stage.possible(attempt.state) == (
        Action.COLLECTION_STARTED,
        Action.VENT_AGAIN,
        Action.RIG_LEAK,
        Action.STOP,
    )
    attempt.ask(Action.COLLECTION_STARTED)
    assert attempt.stage.possible(attempt.state) == (
        Action.COLLECTION_ENDED, Action.VESSEL_READ, Action.VENT_AGAIN, Action.RIG_LEAK, Action.STOP,
    )  # fmt: skip
    attempt.keep(25300, 30).ask(Action.COLLECTION_ENDED)
    assert attempt.stage.possible(attempt.state) == (Action.COLLECTED, Action.VENT_AGAIN, Action.RIG_LEAK, Action.STOP)
    attempt.keep(25300, 30)
    assert attempt.stage.possible(attempt.state) == (Action.COLLECTED, Action.RIG_LEAK, Action.STOP)


def test_a_request_that_does_not_fit_is_refused_in_a_sentence(shop):
    """What was asked, what is going on, and what can be asked instead; the stage is as it was."""
    attempt = shop.shell_test()
    before = attempt.state
    assert refused(RequestRefusedError, lambda: attempt.ask(Action.VENT_AGAIN)) == (
        "'vent_again' is not possible while filling; possible now: vent_closed, stop."
    )
    assert attempt.state == before


def test_after_the_end_nothing_can_be_asked(accepted_shell):
    """Not even a stop."""
    assert refused(RequestRefusedError, lambda: accepted_shell.ask(Action.STOP)) == (
        "'stop' is not possible while closed; possible now: nothing."
    )


def test_an_observation_is_no_plain_request(shop):
    """It needs an answer; asking for it without one is refused."""
    attempt = shop.shell_test().held()
    assert "'observe' is not possible while observing" in refused(
        RequestRefusedError, lambda: attempt.ask(Action.OBSERVE)
    )


# Stop, vent again -------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", ["flange bolts loose", ""])
def test_a_stopped_stage_is_void_with_its_reason(shop, reason: str):
    """It has no finding; the pressure must still be seen released before it is closed."""
    attempt = shop.shell_test().holding().keep(51000, 10).ask(Action.STOP, reason)
    assert attempt.state.phase is Phase.DEPRESSURIZING
    attempt.released()
    assert (attempt.state.phase, attempt.state.ending) == (Phase.CLOSED, Ending.STOPPED)
    assert attempt.state.reason == f"Stopped by the operator: {reason or 'no reason given'}."
    assert attempt.finding() is None


def test_a_stop_in_the_hold_is_no_restart(shop):
    """The record counts holds that began again; this one did not."""
    assert shop.shell_test().holding().ask(Action.STOP).state.restarts == 0
    assert shop.shell_test().holding().read(60000).state.restarts == 0
    assert shop.shell_test().holding().silent(30.1).state.restarts == 1  # broken off after 1 s, lost after 30 s


def test_a_stop_after_the_hold_is_still_a_stop(shop):
    """Completed is only what was observed."""
    assert shop.shell_test().held().ask(Action.STOP).released().state.ending is Ending.STOPPED


def test_venting_again_begins_with_the_filling(shop):
    """Release, vent, raise: within the same stage, and a hold that had begun is lost."""
    attempt = shop.shell_test().holding().keep(51000, 50).ask(Action.VENT_AGAIN)
    assert (attempt.state.phase, attempt.state.hold_since, attempt.state.restarts) == (
        Phase.RELEASING_TO_VENT, None, 1,
    )  # fmt: skip
    assert attempt.read(501).state.phase is Phase.RELEASING_TO_VENT
    assert attempt.read(500).state.phase is Phase.FILLING
    attempt.ask(Action.VENT_CLOSED).read(51000).keep(51000, 65)
    assert attempt.state.phase is Phase.OBSERVING
    assert attempt.state.ending is None


# Observations -----------------------------------------------------------------------------------


def test_no_leakage_cannot_be_said_before_the_hold_is_over(shop):
    """What is not yet seen cannot be vouched for: not in the hold, and not before it either."""
    attempt = shop.shell_test().holding().keep(51000, 59.9)
    assert refused(ObservationRefusedError, lambda: attempt.see(Seen.NO_LEAKAGE)) == (
        "The observation was not recorded: 'no leakage' was said while holding; it can be said once the hold is over."
    )
    attempt.read(51000).see(Seen.NO_LEAKAGE)
    assert attempt.state.ending is Ending.COMPLETED


@pytest.mark.parametrize(
    ("reach", "phase"),
    [
        (lambda attempt: attempt.read(0).ask(Action.VENT_CLOSED), "pressurizing"),
        (lambda attempt: attempt.under_pressure(), "stabilizing"),
    ],
)
def test_no_leakage_cannot_be_said_before_the_hold_has_begun(shop, reach, phase: str):
    """An answer given at 20 psi would else complete the stage the moment the hold ends."""
    attempt = reach(shop.shell_test())
    assert refused(ObservationRefusedError, lambda: attempt.see(Seen.NO_LEAKAGE)) == (
        f"The observation was not recorded: 'no leakage' was said while {phase}; it can be said once the hold is over."
    )


def test_nothing_can_be_observed_without_pressure(shop):
    """While filling, and after the stage is decided, there is nothing to see."""
    assert "'observe' is not possible while filling" in refused(
        RequestRefusedError, lambda: shop.shell_test().see(Seen.LEAKAGE, "cover joint")
    )


@pytest.mark.parametrize("where", ["", "  "])
def test_a_leak_needs_a_place(shop, where: str):
    """Whoever mends the valve must know where."""
    attempt = shop.shell_test().held()
    assert refused(ObservationRefusedError, lambda: attempt.see(Seen.LEAKAGE, where)) == (
        "The observation was not recorded: no place was given; say where the leakage was seen."
    )


@pytest.mark.parametrize("criterion", [1, -1, 7])
def test_an_answer_must_belong_to_a_question(shop, criterion: int):
    """There is one visual criterion, number 0."""
    attempt = shop.shell_test().held()
    assert refused(ObservationRefusedError, lambda: attempt.see(Seen.NO_LEAKAGE, criterion=criterion)) == (
        f"The observation was not recorded: criterion {criterion} asks for no answer now; asked for: 0."
    )


def test_leakage_can_be_said_as_soon_as_it_is_seen(shop):
    """Concluding on it ends the stage; the valve is rejected without a hold."""
    attempt = shop.shell_test().under_pressure().see(Seen.LEAKAGE, "cover joint").ask(Action.CONCLUDE)
    assert attempt.sentences[-2:] == ["Observed: leakage at cover joint.", "Concluded on the leakage seen."]
    finding = attempt.released().finding()
    assert attempt.state.ending is Ending.COMPLETED
    assert finding.verdict == "rejected"


def test_without_leakage_there_is_nothing_to_conclude(shop):
    """Ending early is a stop, and a stop is void."""
    attempt = shop.shell_test().holding()
    assert "'conclude' is not possible while holding" in refused(
        RequestRefusedError, lambda: attempt.ask(Action.CONCLUDE)
    )


def test_leakage_stays_seen_when_the_hold_begins_again(shop):
    """A leak seen in the first hold rejects after the second, and is not asked for again."""
    attempt = shop.shell_test().holding().see(Seen.LEAKAGE, "cover joint").read(50099)
    attempt.keep(51000, 5.1).keep(51000, 60)
    assert attempt.state.ending is Ending.COMPLETED
    assert attempt.released().finding().verdict == "rejected"


def test_one_leak_in_the_hold_answers_its_criterion(shop):
    """The question is not asked twice."""
    attempt = shop.shell_test().holding().see(Seen.LEAKAGE, "cover joint")
    assert attempt.stage.owed_observations(attempt.state) == ()
    assert Action.OBSERVE not in attempt.stage.possible(attempt.state)


# Collecting -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "fine"), [(4.9, False), (5.0, True)])
def test_collecting_begins_after_the_drain_down(shop, seconds: float, fine: bool):
    """Five seconds into the hold; what drips before was in the pipe."""
    attempt = shop.seat_test().holding().keep(25300, seconds)
    if fine:
        assert attempt.ask(Action.COLLECTION_STARTED).state.collecting_since == attempt.now
    else:
        assert refused(ObservationRefusedError, lambda: attempt.ask(Action.COLLECTION_STARTED)) == (
            "The observation was not recorded: collecting was started 4.9 s into the hold; let it drain for 5 s first."
        )


@pytest.mark.parametrize(("seconds", "fine"), [(29.9, False), (30.0, True)])
def test_collecting_lasts_long_enough(shop, seconds: float, fine: bool):
    """Thirty seconds at least."""
    attempt = shop.seat_test().holding().keep(25300, 6).ask(Action.COLLECTION_STARTED).keep(25300, seconds)
    if fine:
        (caught,) = attempt.ask(Action.COLLECTION_ENDED).state.collections
        assert (caught.until - caught.since, caught.volume) == (300_000, None)
    else:
        assert refused(ObservationRefusedError, lambda: attempt.ask(Action.COLLECTION_ENDED)) == (
            "The observation was not recorded: collected for 29.9 s; collect for at least 30 s."
        )
        assert attempt.state.collecting_since is not None


def test_the_hold_goes_on_while_something_is_caught(shop):
    """A collection that began at 50 s of 60 s: the hold ends with the first sample after the vessel is away."""
    attempt = shop.seat_test().holding().keep(25300, 50).ask(Action.COLLECTION_STARTED).keep(25300, 45)
    assert attempt.state.phase is Phase.HOLDING
    attempt.ask(Action.COLLECTION_ENDED)
    assert attempt.state.phase is Phase.HOLDING
    assert attempt.read(25300).state.phase is Phase.OBSERVING


def test_a_sample_from_before_the_vessel_was_away_does_not_end_the_hold(shop):
    """A reading may be handled after a key though it arrived before it: the collection must lie within the hold."""
    attempt = shop.seat_test().holding().keep(25300, 50).ask(Action.COLLECTION_STARTED).keep(25300, 45)
    attempt.now += 400
    attempt.ask(Action.COLLECTION_ENDED)
    attempt.now -= 400
    assert attempt.read(25300, after_s=0.03).state.phase is Phase.HOLDING
    attempt.read(25300).read_volume("0.5 mL", "0.1 mL").released()
    assert attempt.finding().verdict == "accepted"


def test_the_hold_waits_for_a_collection_that_is_owed(shop):
    """Without a collection a metal seat cannot be judged, so the hold does not end."""
    assert shop.seat_test().holding().keep(25300, 200).state.phase is Phase.HOLDING


def test_what_was_caught_in_a_hold_that_broke_off_is_poured_away(shop):
    """After a loss of pressure the collection begins anew with the hold."""
    attempt = shop.seat_test().holding().keep(25300, 6).ask(Action.COLLECTION_STARTED).keep(25300, 20).read(25099)
    assert (attempt.state.collecting_since, attempt.state.collections) == (None, ())
    attempt = shop.seat_test().holding().keep(25300, 6).ask(Action.COLLECTION_STARTED).keep(25300, 40)
    attempt.ask(Action.COLLECTION_ENDED).read_volume("1 mL").read(25099)
    assert attempt.state.collections == ()
    assert attempt.stage.owes_collection(attempt.state)


def test_a_volume_is_read_once(shop):
    """A second reading of the same vessel is refused; a correction is another record."""
    attempt = shop.seat_test().collected()
    assert attempt.state.ending is Ending.COMPLETED
    assert "'collected' is not possible while depressurizing" in refused(
        RequestRefusedError, lambda: attempt.read_volume("0.1 mL")
    )


def test_a_volume_may_be_read_while_the_hold_still_runs(shop):
    """The stage then ends with its hold."""
    attempt = shop.seat_test().holding().keep(25300, 6).ask(Action.COLLECTION_STARTED).keep(25300, 40)
    attempt.ask(Action.COLLECTION_ENDED).read_volume("0.5 mL")
    assert attempt.sentences[-1] == "Collected 0.5 mL in 40.0 s."
    assert attempt.state.phase is Phase.HOLDING
    assert attempt.keep(25300, 14).state.ending is Ending.COMPLETED


@pytest.mark.parametrize(
    ("volume", "uncertainty", "sentence"),
    [
        ("-0.1 mL", "0.5 mL", "volume is -0.1 mL; it must be 0 or more."),
        (None, "0.5 mL", "volume is None; it must be 0 or more."),
        ("1 mL", None, "no uncertainty of the volume was given; say how well the vessel can be read."),
        ("1 mL", "0 mL", "no uncertainty of the volume was given; say how well the vessel can be read."),
    ],
)
def test_a_volume_needs_a_number_and_an_uncertainty(shop, volume: str | None, uncertainty: str | None, sentence: str):
    """Nothing negative, and no vessel that can be read without any doubt."""
    attempt = shop.seat_test().holding().keep(25300, 6).ask(Action.COLLECTION_STARTED).keep(25300, 40)
    attempt.ask(Action.COLLECTION_ENDED)
    caught = Collection(
        since=0,
        until=0,
        volume=None if volume is None else Volume.parse(volume),
        volume_uncertainty=None if uncertainty is None else Volume.parse(uncertainty),
    )
    found = refused(ObservationRefusedError, lambda: attempt.stage.read_volume(attempt.state, attempt.now, caught))
    assert found == f"The observation was not recorded: {sentence}"


def test_an_empty_vessel_is_an_answer(shop):
    """0 mL is a volume; not having read the vessel is none."""
    assert shop.seat_test().collected("0 mL").released().finding().verdict == "accepted"


def test_counted_drops_are_kept_with_their_convention(shop):
    """The volume is what decides; the drops stay in the record as they were counted."""
    attempt = shop.seat_test().holding().keep(25300, 6).ask(Action.COLLECTION_STARTED).keep(25300, 40)
    attempt.ask(Action.COLLECTION_ENDED)
    ml = Volume.parse("0.5 mL")
    counted = Collection(since=0, until=0, volume=ml, volume_uncertainty=ml, drops=8, drops_per_ml="16")
    state, _ = attempt.stage.read_volume(attempt.state, attempt.now, counted)
    (kept,) = state.collections
    assert (kept.drops, kept.drops_per_ml) == (8, "16")
    assert (kept.since, kept.until) == (attempt.state.collections[0].since, attempt.state.collections[0].until)


def test_two_visual_criteria_need_two_answers(shop):
    """The stage is complete when the last one is given."""
    requirement = shop.requirements().stages[0]
    second = NoVisibleLeakage(look_at=("packing",), source="house")
    attempt = shop.shell_test()
    attempt.stage = shop.rules(requirement.model_copy(update={"criteria": (*requirement.criteria, second)}))
    attempt.held().see(Seen.NO_LEAKAGE, criterion=1)
    assert attempt.state.phase is Phase.OBSERVING
    assert attempt.stage.owed_observations(attempt.state) == (0,)
    assert attempt.see(Seen.NO_LEAKAGE, criterion=0).state.ending is Ending.COMPLETED
    assert [answer.criterion for answer in attempt.state.observations] == [1, 0]


def test_an_observation_carries_who_saw_it(accepted_shell):
    """The answer is the operator's."""
    assert accepted_shell.state.observations == (
        Observation(
            at=accepted_shell.state.observations[0].at, criterion=0, seen=Seen.NO_LEAKAGE, operator="Mara Quill"
        ),
    )
