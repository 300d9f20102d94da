"""Collecting within a hold: several readings, and what follows where the leakage decides nothing."""

import pytest

from testbench.errors import ObservationRefusedError, RequestRefusedError
from testbench.metrology.decision_rule import Conformity, DecisionRule
from testbench.run.machine import Ending, Phase
from testbench.run.progress import Action
from testbench.run.record import Verdict
from tests.run.conftest import RESTLESS

LIMIT_PSI = 25300
UNDECIDED = "1.643 mL"  # in 50 s: 4.0001 US fl oz/h beside 4 that are allowed, U = 0.26


def collecting(shop, seconds: float = 0):
    """The vessel is under the open side for so long."""
    return shop.seat_test().holding().keep(LIMIT_PSI, 6).ask(Action.COLLECTION_STARTED).keep(LIMIT_PSI, seconds)


def again(attempt, volume: str, seconds: float = 80):
    """The hold is extended, and the vessel put under once more."""
    return caught(attempt.ask(Action.EXTEND), volume, seconds)


def caught(attempt, volume: str, seconds: float):
    attempt.ask(Action.COLLECTION_STARTED).keep(LIMIT_PSI, seconds).ask(Action.COLLECTION_ENDED).keep(LIMIT_PSI, 0.1)
    return attempt.read_volume(volume, "0.1 mL")


def sentence(attempt) -> str:
    finding = attempt.released().finding()
    return next(found.sentence for found in finding.criteria if found.criterion == "largest-leakage-rate")


# Several readings -------------------------------------------------------------------------------


def test_a_vessel_is_read_where_it_stands_and_the_reading_keeps_its_time(shop):
    """The time counts at which the operator looked, not at which the volume was typed."""
    attempt = collecting(shop, 20).ask(Action.VESSEL_READ).keep(LIMIT_PSI, 3).read_volume("0.2 mL")
    assert attempt.sentences[-1] == "Collected 0.2 mL in 20.0 s."
    attempt.keep(LIMIT_PSI, 17).ask(Action.COLLECTION_ENDED).read_volume("0.4 mL")
    (caught,) = attempt.state.collections
    assert [(read.at - caught.since, str(read.volume)) for read in caught.readings] == [(200_000, "0.2 mL")]
    assert str(caught.volume) == "0.4 mL"


def test_what_is_typed_goes_to_the_oldest_reading_that_waits(shop):
    """The vessel was read and taken away before anybody typed: first what it held on the way, then at the end."""
    attempt = collecting(shop, 20).ask(Action.VESSEL_READ).keep(LIMIT_PSI, 20).ask(Action.COLLECTION_ENDED)
    attempt.read_volume("0.2 mL").read_volume("0.4 mL")
    (caught,) = attempt.state.collections
    assert (str(caught.readings[0].volume), str(caught.volume)) == ("0.2 mL", "0.4 mL")


def test_the_vessel_is_not_read_twice_before_the_first_reading_is_told(shop):
    """One number at a time."""
    attempt = collecting(shop, 20).ask(Action.VESSEL_READ)
    with pytest.raises(RequestRefusedError):
        attempt.ask(Action.VESSEL_READ)


@pytest.mark.parametrize("when", ["with the first moment", "with the last moment"])
def test_a_reading_in_the_moment_of_another_has_no_rate_and_does_not_count(shop, when):
    """Two keys under one time stamp: the first and the last reading stand."""
    attempt = collecting(shop, 0 if when == "with the first moment" else 50)
    attempt.ask(Action.VESSEL_READ).read_volume("0 mL" if when == "with the first moment" else "0.5 mL")
    attempt.keep(LIMIT_PSI, 50 if when == "with the first moment" else 0).ask(Action.COLLECTION_ENDED)
    attempt.keep(LIMIT_PSI, 10).read_volume("0.5 mL", "0.1 mL")
    assert sentence(attempt).startswith("0.5 mL in 50.0 s is 1.22 fl_oz/h with U = 0.2")


@pytest.mark.parametrize(
    ("on_the_way", "at_the_end", "verdict", "said"),
    [
        # 0.5 mL beside it in either half: the halves agree within U = 0.1 mL a reading.
        ("0.25 mL", "0.5 mL", Verdict.ACCEPTED, "within the limit"),
        ("0.30 mL", "0.5 mL", Verdict.ACCEPTED, "within the limit"),
        # 0.45 mL in the first half and 0.05 in the second: what drained down is no leakage.
        ("0.45 mL", "0.5 mL", Verdict.INCONCLUSIVE, "still draining down; collect again"),
        ("0.05 mL", "0.5 mL", Verdict.INCONCLUSIVE, "the leak grows; collect again"),
    ],
)
def test_a_rate_that_is_not_steady_decides_nothing(shop, on_the_way, at_the_end, verdict, said):
    """The rate before a reading and the rate after it must agree within their uncertainties."""
    attempt = collecting(shop, 20).ask(Action.VESSEL_READ).read_volume(on_the_way, "0.1 mL")
    attempt.keep(LIMIT_PSI, 20).ask(Action.COLLECTION_ENDED).read_volume(at_the_end, "0.1 mL").keep(LIMIT_PSI, 14)
    if verdict is Verdict.INCONCLUSIVE:
        attempt.ask(Action.LEAVE_UNDECIDED)
    told = sentence(attempt)
    assert attempt.finding().verdict is verdict
    assert told.endswith(f"{said}.")


# Undecided --------------------------------------------------------------------------------------


def test_an_undecided_leakage_is_told_with_what_would_decide_it(shop):
    """1.55 mL in 50 s: 3.77 ± 0.26 US fl oz/h; a longer collection would tell it from 4."""
    attempt = shop.seat_test().collected("1.55 mL")
    assert attempt.state.phase is Phase.OBSERVING
    assert attempt.sentences[-1] == (
        "Too near the limit to tell; collect for at least 61 s more. "
        "Extend the hold and collect again, or leave it undecided."
    )
    assert attempt.stage.possible(attempt.state) == (
        Action.EXTEND,
        Action.LEAVE_UNDECIDED,
        Action.RIG_LEAK,
        Action.STOP,
    )


@pytest.mark.parametrize(("seconds", "verdict"), [(60, Verdict.INCONCLUSIVE), (61, Verdict.ACCEPTED)])
def test_a_collection_as_long_as_advised_decides(shop, seconds, verdict):
    """The same rate for the time that was named, both collections together; a second less is not enough."""
    attempt = shop.seat_test().collected("1.55 mL")
    again(attempt, f"{1.55 * seconds / 50:.4f} mL", seconds)
    assert (attempt.state.phase is Phase.OBSERVING) is (verdict is Verdict.INCONCLUSIVE)
    assert attempt.released().finding().verdict is verdict


def test_an_extended_hold_is_one_hold(shop):
    """It was never left, so that it counts from its beginning to the new end."""
    attempt = shop.seat_test().collected("1.55 mL")
    since = attempt.state.hold_since
    attempt.ask(Action.EXTEND)
    assert attempt.state.phase is Phase.HOLDING
    assert (attempt.state.hold_since, attempt.state.hold_until) == (since, None)
    caught(attempt, "2.98 mL", 100).released()
    finding = attempt.finding()
    assert finding.verdict is Verdict.ACCEPTED
    assert finding.held_ms > 150_000


def test_within_a_hold_that_still_runs_only_another_collection_is_asked_for(shop):
    """60 s of hold, collected for 40 s: there is no need to extend what has not ended."""
    attempt = collecting(shop, 40).ask(Action.COLLECTION_ENDED).read_volume("1.31 mL", "0.1 mL")
    assert attempt.state.phase is Phase.HOLDING
    attempt.ask(Action.EXTEND)
    assert attempt.sentences[-1] == "Collect again within this hold."
    assert attempt.stage.possible(attempt.state)[0] is Action.COLLECTION_STARTED


def test_what_is_left_undecided_makes_the_stage_inconclusive(shop):
    """Nothing is accepted for want of patience."""
    attempt = shop.seat_test().collected(UNDECIDED).ask(Action.LEAVE_UNDECIDED)
    assert attempt.state.ending is Ending.COMPLETED
    assert attempt.released().finding().verdict is Verdict.INCONCLUSIVE


def test_a_pressure_that_falls_while_nobody_answers_ends_the_question(shop):
    """The hold cannot be extended over a loss of pressure; the stage ends as it stands."""
    attempt = shop.seat_test().collected(UNDECIDED).read(25099)
    assert attempt.state.phase is Phase.DEPRESSURIZING
    assert attempt.released().finding().verdict is Verdict.INCONCLUSIVE


def test_a_volume_read_after_the_release_brings_no_question(shop):
    """The pressure was gone when the vessel was read: there is nothing to extend."""
    attempt = collecting(shop, 40).ask(Action.COLLECTION_ENDED).keep(LIMIT_PSI, 14)
    assert attempt.state.phase is Phase.OBSERVING
    attempt.read(0).read_volume("1.31 mL", "0.1 mL")
    assert attempt.state.ending is Ending.COMPLETED


def test_a_leakage_once_shown_above_the_limit_is_not_collected_away(shop):
    """An undecided collection, a second that fails, and a third that would pass: the failure stays."""
    attempt = shop.seat_test().collected(UNDECIDED).ask(Action.EXTEND).ask(Action.COLLECTION_STARTED)
    attempt.keep(LIMIT_PSI, 40).ask(Action.COLLECTION_ENDED).keep(LIMIT_PSI, 0.1).read_volume("9 mL", "0.1 mL")
    record = attempt.released().record()
    fine = record.collections[-1].model_copy(update={"volume": record.collections[0].volume_uncertainty})
    more = record.model_copy(update={"collections": (*record.collections, fine)})
    assert attempt.finding().verdict is Verdict.REJECTED
    assert judged(attempt, more).verdict is Verdict.REJECTED


BREAKS = {
    "vented again": lambda attempt: attempt.ask(Action.VENT_AGAIN).released().ask(Action.VENT_CLOSED),
    "fallen below": lambda attempt: attempt.read(LIMIT_PSI - 400, bound=RESTLESS),
    "gone silent": lambda attempt: attempt.silent(2),
}


@pytest.mark.parametrize("how", BREAKS)
@pytest.mark.parametrize(
    ("volume", "verdict"), [("2.2 mL", Verdict.REJECTED), ("1.3 mL", Verdict.ACCEPTED)], ids=["exceeds", "undecided"]
)
def test_a_limit_shown_to_be_exceeded_stays_so_when_the_hold_is_broken_off(shop, how, volume, verdict):
    """In 40 s 2.2 mL are 6.7 US fl oz/h, 4 are allowed; 1.3 mL, 3.96, leave a doubt. Then 0.3 mL in a new hold."""
    attempt = caught(shop.seat_test().holding().keep(LIMIT_PSI, 6), volume, 40)
    BREAKS[how](attempt).read(LIMIT_PSI, bound=RESTLESS).keep(LIMIT_PSI, 5.1)
    assert attempt.state.phase is Phase.HOLDING
    caught(attempt.keep(LIMIT_PSI, 6), "0.3 mL", 50)
    attempt.keep(LIMIT_PSI, 10).released()
    assert attempt.finding().verdict is verdict
    if verdict is Verdict.REJECTED:
        assert sentence(attempt) == (
            "In a hold that was broken off: 2.2 mL in 40.0 s is 6.70 fl_oz/h with U = 0.35 fl_oz/h; "
            "4 fl_oz/h is allowed: above the limit. Collected beside that: 0.3 mL in 50.0 s."
        )


def test_a_record_that_says_so_without_cause_is_not_believed(shop):
    """What was collected in a broken-off hold is weighed again: 0.5 mL in 50 s do not exceed the limit."""
    attempt = shop.seat_test().collected("0.5 mL").released()
    claimed = attempt.record().model_copy(update={"exceeded": attempt.record().collections})
    assert judged(attempt, claimed).verdict is Verdict.ACCEPTED


def judged(attempt, record):
    from testbench.run.evaluation import evaluate_stage
    from tests.run.conftest import DAY

    return evaluate_stage(record, attempt.trace(), attempt.channel, attempt.zero_check, DAY)


# More than one ----------------------------------------------------------------------------------


CONTRADICTION = (
    "1.3 mL in 40.0 s is 3.96 fl_oz/h with U = 0.32 fl_oz/h but 0.3 mL in 80.0 s is 0.46 fl_oz/h with "
    "U = 0.16 fl_oz/h: they contradict each other, 3.50 fl_oz/h apart where 0.35 fl_oz/h is allowed. "
    "Find out what changed, then repeat the stage."
)


def test_nobody_collects_until_it_passes(shop):
    """3.96 ± 0.32 and then 0.46 ± 0.16 US fl oz/h cannot both be right: the second does not count by itself."""
    attempt = again(shop.seat_test().collected("1.3 mL", seconds=40), "0.3 mL")
    assert [happened.sentence for happened in attempt.happened if happened.event == "undecided"][-1] == CONTRADICTION
    assert attempt.state.phase is Phase.DEPRESSURIZING  # a third collection would mend nothing
    assert sentence(attempt) == CONTRADICTION
    assert attempt.finding().verdict is Verdict.INCONCLUSIVE


def test_collections_that_agree_are_judged_as_one(shop):
    """1.55 mL in 50 s and 1.85 mL in 61 s: 3.40 mL in 111 s."""
    attempt = again(shop.seat_test().collected("1.55 mL"), "1.85 mL", 61)
    assert sentence(attempt) == (
        "1.55 mL in 50.0 s and 1.85 mL in 61.0 s, together 3.4 mL in 111.0 s, is 3.73 fl_oz/h with U = 0.23 fl_oz/h; "
        "4 fl_oz/h is allowed: within the limit."
    )
    assert attempt.finding().verdict is Verdict.ACCEPTED


def test_together_they_may_leave_a_doubt_and_the_hold_goes_on(shop):
    """Extended a second time, for what three of them need."""
    attempt = again(shop.seat_test().collected("1.55 mL"), "1.55 mL", 50)
    assert attempt.sentences[-1] == (
        "Too near the limit to tell; collect for at least 64 s more. "
        "Extend the hold and collect again, or leave it undecided."
    )
    assert again(attempt, "1.984 mL", 64).released().finding().verdict is Verdict.ACCEPTED


def test_together_they_may_show_that_the_limit_is_exceeded(shop):
    """1.74 mL in 50 s leaves a doubt; 3.48 mL in 100 s more do not: 4.24 US fl oz/h."""
    attempt = again(shop.seat_test().collected("1.74 mL"), "3.48 mL", 100)
    assert attempt.released().finding().verdict is Verdict.REJECTED


def test_a_rejection_names_what_was_collected_beside_it(shop):
    """The undecided collection before it stays in sight."""
    attempt = again(shop.seat_test().collected(UNDECIDED), "9 mL", 40)
    assert sentence(attempt) == (
        "9 mL in 40.0 s is 27.39 fl_oz/h with U = 0.75 fl_oz/h; 4 fl_oz/h is allowed: above the limit. "
        "Collected beside that: 1.643 mL in 50.0 s."
    )


@pytest.mark.parametrize(
    ("on_the_way", "at_the_end", "then", "verdict"),
    [
        # 0.36 and 0.14 mL in the halves: both its whole and its end agree with 0.4 mL in 40 s.
        ("0.36 mL", "0.5 mL", "0.4 mL", Verdict.ACCEPTED),
        # What drained down was as much as that: its whole disagrees.
        ("0.8 mL", "0.9 mL", "0.2 mL", Verdict.INCONCLUSIVE),
        # Someone emptied the vessel on the way: its end disagrees with everything.
        ("9 mL", "0.5 mL", "0.5 mL", Verdict.INCONCLUSIVE),
    ],
)
def test_after_a_rate_that_was_not_steady_another_must_agree_with_it(shop, on_the_way, at_the_end, then, verdict):
    """With all of it and with its end."""
    attempt = collecting(shop, 20).ask(Action.VESSEL_READ).read_volume(on_the_way, "0.1 mL")
    attempt.keep(LIMIT_PSI, 20).ask(Action.COLLECTION_ENDED).read_volume(at_the_end, "0.1 mL")
    assert again(attempt, then, 40).released().finding().verdict is verdict


def test_a_vessel_cannot_be_read_where_none_stands(shop):
    """In one sentence, and the stage stays as it is."""
    attempt = shop.seat_test().holding().keep(LIMIT_PSI, 6)
    with pytest.raises(RequestRefusedError) as refusal:
        attempt.ask(Action.VESSEL_READ)
    assert str(refusal.value) == (
        "'vessel_read' is not possible while holding; possible now: collection_started, vent_again, rig_leak, stop."
    )


def test_nothing_is_collected_before_it_has_drained(shop):
    """5 s at the least, in an extended hold as well."""
    with pytest.raises(ObservationRefusedError):
        shop.seat_test().holding().keep(LIMIT_PSI, 4).ask(Action.COLLECTION_STARTED)


# The rule ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "volume", "conformity"),
    [
        # 4 US fl oz/h in 50 s are 1.6430 mL; U = 0.105 mL with the second's doubt about the time.
        (DecisionRule.GUARDED, "1.5383 mL", Conformity.CONFORMS),
        (DecisionRule.GUARDED, "1.5384 mL", Conformity.WITHIN_GUARD_BAND),
        (DecisionRule.GUARDED_95, "1.556 mL", Conformity.CONFORMS),
        (DecisionRule.GUARDED_95, "1.558 mL", Conformity.WITHIN_GUARD_BAND),
        (DecisionRule.GUARDED_95, "1.729 mL", Conformity.WITHIN_GUARD_BAND),
        (DecisionRule.GUARDED_95, "1.731 mL", Conformity.DOES_NOT_CONFORM),
        (DecisionRule.SIMPLE, "1.6429 mL", Conformity.CONFORMS),
        (DecisionRule.SIMPLE, "1.6431 mL", Conformity.DOES_NOT_CONFORM),
    ],
)
def test_the_rule_of_the_procedure_decides(shop, rule: DecisionRule, volume: str, conformity: Conformity):
    """Guarded with w = U or w = 0.82 U, or simple acceptance without a guard band."""
    attempt = shop.seat_test().collected(volume)
    record = attempt.stage.requirement.model_copy(update={"decision_rule": rule})
    found = next(f for f in judged_under(attempt, record).criteria if f.criterion == "largest-leakage-rate")
    assert found.conformity is conformity


def judged_under(attempt, requirement):
    if Action.LEAVE_UNDECIDED in attempt.stage.possible(attempt.state):
        attempt.ask(Action.LEAVE_UNDECIDED)
    return judged(attempt, attempt.released().record().model_copy(update={"requirement": requirement}))
