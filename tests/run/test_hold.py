"""The laws of the hold, by worked examples on both sides of every limit."""

import pytest

from testbench.run.machine import Ending, Phase
from testbench.run.observations import Seen
from testbench.run.progress import Action
from testbench.run.samples import GapReason

STEADY, RESTLESS = 0.0, 1000.0
ACCEPTANCE, UPPER, SAFE = 50100, 55000, 500  # shell test, 0.01 psi


def test_a_stage_from_filling_to_release(accepted_shell):
    """Every phase in its order, one line in the journal for each."""
    assert accepted_shell.events == [
        "vent closed", "acceptance limit reached", "steady", "hold elapsed", "observation", "everything observed",
        "pressure released",
    ]  # fmt: skip
    assert accepted_shell.sentences == [
        "Vent closed.", "Acceptance limit reached.", "Steady; the hold of 60 s begins.",
        "The hold of 60 s is complete.", "Observed: no leakage.", "Everything observed.", "Pressure released.",
    ]  # fmt: skip
    state = accepted_shell.state
    assert (state.phase, state.ending, state.reason, state.restarts) == (Phase.CLOSED, Ending.COMPLETED, "", 0)


def test_pressure_while_filling_starts_nothing(shop):
    """Before the operator has closed the vent no reading counts."""
    assert shop.shell_test().keep(51000, 200).state.phase is Phase.FILLING


@pytest.mark.parametrize(("counts", "phase"), [(ACCEPTANCE - 1, Phase.PRESSURIZING), (ACCEPTANCE, Phase.STABILIZING)])
def test_the_acceptance_limit_is_reached_at_its_very_count(shop, counts: int, phase: Phase):
    """501.00 psi is enough, 500.99 psi is not, though 500 psi are required: the uncertainty comes on top."""
    assert shop.shell_test().ask(Action.VENT_CLOSED).read(counts).state.phase is phase


# Stabilization ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "phase"), [(4.9, Phase.STABILIZING), (5.0, Phase.HOLDING)])
def test_steadiness_must_last(shop, seconds: float, phase: Phase):
    """Five seconds of steadiness begin the hold; one reading less does not."""
    attempt = shop.shell_test().under_pressure().read(51000)
    assert attempt.keep(51000, seconds).state.phase is phase


@pytest.mark.parametrize(("bound", "phase"), [(250 / 60, Phase.HOLDING), (250.001 / 60, Phase.STABILIZING)])
def test_the_rate_of_change_at_its_limit(shop, bound: float, phase: Phase):
    """2.5 psi a minute is still steady, a thousandth of a count more is not."""
    attempt = shop.shell_test().ask(Action.VENT_CLOSED).keep(51000, 30, bound=bound)
    assert attempt.state.phase is phase


@pytest.mark.parametrize("bound", [None, float("nan"), float("inf")])
def test_an_unknown_rate_is_not_steady(shop, bound: float | None):
    """While the window is not full, and where the arithmetic has no answer, nothing is steady."""
    assert shop.shell_test().ask(Action.VENT_CLOSED).keep(51000, 30, bound=bound).state.phase is Phase.STABILIZING


def test_one_restless_reading_begins_the_steadiness_again(shop):
    """4.9 s steady, one reading restless, 4.9 s steady: no hold yet."""
    attempt = shop.shell_test().under_pressure().keep(51000, 5).read(51000, bound=RESTLESS).keep(51000, 5)
    assert attempt.state.phase is Phase.STABILIZING
    assert attempt.read(51000).state.phase is Phase.HOLDING


def test_falling_below_while_stabilizing_begins_again(shop):
    """The pressure must be pumped up again, and no restart of a hold is counted, for there was none."""
    attempt = shop.shell_test().under_pressure().keep(51000, 3).read(ACCEPTANCE - 1)
    assert attempt.state.phase is Phase.PRESSURIZING
    assert attempt.state.steady_since is None
    assert attempt.state.restarts == 0
    assert attempt.sentences[-1] == "Fell below the acceptance limit."


def test_the_operator_is_told_once_when_it_does_not_settle(shop):
    """After 90 s: air may be trapped. Once, and again only after a new filling."""
    attempt = shop.shell_test().ask(Action.VENT_CLOSED).keep(51000, 90.1, bound=RESTLESS)
    assert "advice" not in attempt.events
    attempt.keep(51000, 100, bound=RESTLESS)
    assert attempt.events.count("advice") == 1
    assert attempt.sentences[-1] == (
        "Not steady after 90 s, still settling: the rate of change is 600 ± 0 psi/min, 2.5 psi/min is allowed. "
        "Air may be trapped: release, vent again and raise again; or wait if the water is still warming up."
    )
    assert attempt.state.phase is Phase.STABILIZING


def test_a_steady_pressure_brings_no_advice(shop):
    """However long the hold lasts."""
    assert "advice" not in shop.shell_test("NPS 24").held().events


# The length of the hold -------------------------------------------------------------------------


def test_a_hold_lasts_exactly_as_long_as_demanded(shop):
    """60 s for NPS 4: with the sample at 59.9 s it still runs, with the one at 60.0 s it is over."""
    attempt = shop.shell_test().holding().keep(51000, 59.9)
    assert attempt.state.phase is Phase.HOLDING
    attempt.read(51000)
    assert attempt.state.phase is Phase.OBSERVING
    assert attempt.state.hold_until - attempt.state.hold_since == 600_000


def test_a_hold_that_lacks_a_tick_is_not_over(shop):
    """59.9999 s are not 60 s; the hold ends at the first sample that lies 60 s later or more."""
    attempt = shop.shell_test().holding().keep(51000, 59)
    assert attempt.read(51000, after_s=0.9999).state.phase is Phase.HOLDING
    assert attempt.read(51000, after_s=0.0001).state.phase is Phase.OBSERVING


def test_time_alone_ends_no_hold(shop):
    """Sixty seconds on the clock without readings are no hold, though nobody saw the pressure fall."""
    attempt = shop.shell_test().holding().keep(51000, 59.9).silent(0.9)
    assert attempt.state.phase is Phase.HOLDING
    assert attempt.silent(1).state.phase is Phase.PRESSURIZING


def test_the_hold_begins_with_the_sample_that_made_it_steady(shop):
    """Not with a key, and not with the next full second."""
    attempt = shop.shell_test().holding()
    assert attempt.state.hold_since == attempt.samples[-1].at


# The limits of the hold -------------------------------------------------------------------------


@pytest.mark.parametrize("counts", [ACCEPTANCE, UPPER])
def test_a_hold_on_its_limits_counts(shop, counts: int):
    """Sixty seconds exactly on the acceptance limit, or exactly on the upper limit, are a hold."""
    assert shop.shell_test().holding().keep(counts, 60).state.phase is Phase.OBSERVING


def test_one_count_below_the_acceptance_limit_starts_the_hold_again_from_zero(shop):
    """500.99 psi for a tenth of a second, after 59.9 s: nothing of it counts, and the record says so."""
    attempt = shop.shell_test().holding().keep(51000, 59.8).read(ACCEPTANCE - 1)
    assert (attempt.state.phase, attempt.state.hold_since, attempt.state.restarts) == (Phase.PRESSURIZING, None, 1)
    assert attempt.sentences[-1] == "Pressure fell below the acceptance limit; the hold starts again from zero."
    assert attempt.read(51000).state.phase is Phase.STABILIZING


def test_a_dip_that_recovers_still_costs_the_whole_hold(shop):
    """Ten seconds, a dip of one reading, fifty-five seconds: together more than sixty, and yet no hold."""
    attempt = shop.shell_test().holding().keep(51000, 10).read(ACCEPTANCE - 1)
    began_again = attempt.keep(51000, 5.1).state.hold_since
    assert began_again == attempt.now
    assert attempt.keep(51000, 55).state.phase is Phase.HOLDING
    attempt.keep(51000, 5)
    assert attempt.state.phase is Phase.OBSERVING
    assert attempt.state.hold_since == began_again
    assert attempt.see(Seen.NO_LEAKAGE).released().record().restarts == 1


def test_the_reading_that_would_end_the_hold_must_itself_be_within_the_limits(shop):
    """At 60.0 s the pressure is one count too low: the hold is not over, it begins again."""
    assert shop.shell_test().holding().keep(51000, 59.9).read(ACCEPTANCE - 1).state.phase is Phase.PRESSURIZING


def test_one_count_above_the_upper_limit_trips(shop):
    """550.01 psi: the stage is over, and an engineer must look at the valve."""
    attempt = shop.shell_test().holding().keep(51000, 10).read(UPPER + 1)
    assert (attempt.state.phase, attempt.state.ending) == (Phase.DEPRESSURIZING, Ending.TRIPPED)
    assert attempt.state.reason == (
        "Pressure rose above the upper limit of 550 psi; an engineer must look at this valve."
    )
    assert attempt.released().finding() is None


def test_a_trip_stays_a_trip(shop):
    """What happens on the way down changes neither the ending nor the reason."""
    attempt = shop.shell_test().holding().read(UPPER + 1).keep(51000, 100).silent(31)
    assert (attempt.state.phase, attempt.state.ending) == (Phase.CLOSED, Ending.TRIPPED)
    assert "upper limit" in attempt.state.reason


@pytest.mark.parametrize(
    "reach",
    [
        lambda attempt: attempt.read(0),
        lambda attempt: attempt.read(0).ask(Action.VENT_CLOSED),
        lambda attempt: attempt.under_pressure(),
        lambda attempt: attempt.held(),
        lambda attempt: attempt.under_pressure().ask(Action.VENT_AGAIN),
    ],
)
def test_too_high_a_pressure_trips_in_every_phase(shop, reach):
    """While filling, pressurizing, stabilizing, observing, and on the way to the vent."""
    attempt = reach(shop.shell_test()).read(UPPER + 1)
    assert (attempt.state.phase, attempt.state.ending) == (Phase.DEPRESSURIZING, Ending.TRIPPED)


# Gaps and silence -------------------------------------------------------------------------------


@pytest.mark.parametrize(("after_s", "phase"), [(1.0, Phase.HOLDING), (1.0001, Phase.STABILIZING)])
def test_the_longest_gap_and_a_tick_more(shop, after_s: float, phase: Phase):
    """A gap of exactly 1 s is tolerated; of 1.0001 s it is not, whatever the pressure after it."""
    attempt = shop.shell_test().holding().keep(51000, 10).read(51000, after_s=after_s)
    assert attempt.state.phase is phase
    assert attempt.state.restarts == (phase is not Phase.HOLDING)


def test_a_gap_starts_the_hold_again_from_zero(shop):
    """What nobody saw did not happen."""
    attempt = shop.shell_test().holding().keep(51000, 50).read(51000, after_s=1.5)
    assert "Nothing was read for 1.5 s, at most 1 s is allowed; the hold starts again from zero." in attempt.sentences
    assert attempt.state.hold_since is None


def test_a_gap_while_stabilizing_begins_the_steadiness_again(shop):
    """No hold is lost, for there was none, and the journal does not say so."""
    attempt = shop.shell_test().under_pressure().keep(51000, 4).read(51000, after_s=1.5)
    assert attempt.state.restarts == 0
    assert attempt.state.steady_since == attempt.now
    assert attempt.sentences[-2] == (
        "Nothing was read for 1.5 s, at most 1 s is allowed; steadiness is waited for again."
    )


def test_silence_is_noticed_while_it_lasts(shop):
    """The hold is broken off 1 s into the silence, not only when readings come back; the number is gone at once."""
    attempt = shop.shell_test().holding().keep(51000, 10).silent(0.1)
    assert attempt.state.counts is None
    assert attempt.silent(0.9).state.phase is Phase.HOLDING
    assert attempt.silent(0.1).state.phase is Phase.PRESSURIZING
    attempt.silent(5)
    assert attempt.events.count("gap longer than allowed") == 1


@pytest.mark.parametrize(("seconds", "lost"), [(30.0, False), (30.1, True)])
def test_after_thirty_seconds_of_silence_the_stage_is_lost(shop, seconds: float, lost: bool):
    """At 30.0 s there is still hope, after that the stage is closed as lost."""
    attempt = shop.shell_test().holding().silent(seconds, GapReason.UNPLUGGED)
    assert (attempt.state.ending is Ending.LOST) is lost
    assert (attempt.state.phase is Phase.CLOSED) is lost
    if lost:
        assert attempt.state.reason == "No reading for 30 s, at most 30 s is allowed: the port went away."
        assert attempt.finding() is None


def test_a_stage_without_a_single_reading_is_lost_too(shop):
    """The silence counts from the beginning of the stage."""
    assert shop.shell_test().silent(30.1).state.ending is Ending.LOST


def test_a_short_silence_after_the_hold_takes_nothing_from_it(shop):
    """While the operator looks for leaks the transmitter is silent for 1 s: the hold was over, and it counts."""
    attempt = shop.shell_test().held().silent(1).see(Seen.NO_LEAKAGE).released()
    assert attempt.finding().verdict == "accepted"


def test_a_long_silence_before_the_answer_starts_the_hold_again(shop):
    """Nobody can say at what pressure the operator looked."""
    attempt = shop.shell_test().held().silent(1.1)
    assert (attempt.state.phase, attempt.state.restarts) == (Phase.PRESSURIZING, 1)


def test_a_signal_lost_on_the_way_down_closes_but_is_no_release(shop):
    """The stage was completed; whether the pressure is off nobody saw, so it is not accepted."""
    attempt = shop.shell_test().held().see(Seen.NO_LEAKAGE).silent(30.1)
    assert (attempt.state.phase, attempt.state.ending) == (Phase.CLOSED, Ending.COMPLETED)
    assert attempt.finding().verdict == "inconclusive"


# Release ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("counts", "phase"), [(SAFE + 1, Phase.DEPRESSURIZING), (SAFE, Phase.CLOSED)])
def test_released_means_seen_at_or_below_the_safe_pressure(shop, counts: int, phase: Phase):
    """5.00 psi is released, 5.01 psi is not yet."""
    assert shop.shell_test().held().see(Seen.NO_LEAKAGE).read(counts).state.phase is phase


def test_a_reading_at_atmosphere_does_not_release_what_is_under_test(shop):
    """During the hold a sudden zero is a loss of pressure, not the end of the stage."""
    assert shop.shell_test().holding().read(0).state.phase is Phase.PRESSURIZING
    assert shop.shell_test().held().read(0).state.phase is Phase.PRESSURIZING


def test_nothing_happens_to_a_closed_stage(accepted_shell):
    """Neither a reading nor silence changes it."""
    stage, state = accepted_shell.stage, accepted_shell.state
    after, happened = stage.silence(state, accepted_shell.now + 10_000_000, GapReason.SILENT)
    assert (after.phase, after.ending, after.reason, happened) == (state.phase, state.ending, state.reason, [])
    assert stage.possible(state) == ()
