"""The verdict of a run from its stages."""

import pytest

from testbench.run.evaluation import judge_run, rejudged, same_decision
from testbench.run.machine import Ending
from testbench.run.observations import Seen
from testbench.run.record import RunRecord, Verdict, canonical
from testbench.run.samples import Trace

ACCEPTED, REJECTED, INCONCLUSIVE = Verdict.ACCEPTED, Verdict.REJECTED, Verdict.INCONCLUSIVE


@pytest.fixture(scope="module")
def shell(accepted_shell):
    return accepted_shell.judged()


@pytest.fixture(scope="module")
def seat(accepted_seat):
    return accepted_seat.judged()


@pytest.fixture(scope="module")
def leaking_seat(shop):
    return shop.seat_test().collected("20 mL").released().judged()


@pytest.fixture(scope="module")
def unclear_seat(shop):
    return shop.seat_test().collected("1.65 mL").released().judged()


@pytest.fixture(scope="module")
def stopped_seat(shop):
    return shop.seat_test().holding().ask("stop", "hose burst").released().judged()


def test_a_run_is_accepted_when_every_demanded_stage_is(shop, shell, seat):
    """Shell and seat, both accepted."""
    run = shop.run(shell, seat)
    assert (run.verdict, run.reason, run.void) == (ACCEPTED, "Every demanded stage was accepted.", False)


@pytest.mark.parametrize("missing", ["shell test", "seat test", "both"])
def test_a_run_without_a_demanded_stage_is_void(shop, shell, seat, missing: str):
    """Half a test is no test."""
    stages = [stage for stage in (shell, seat) if missing not in {stage.stage, "both"}]
    run = shop.run(*stages)
    assert run.verdict is None
    assert run.void
    assert run.reason == f"The {'shell test' if missing == 'both' else missing} was not carried out."


def test_a_rejected_stage_rejects_the_run(shop, shell, leaking_seat):
    """The reason names the stage."""
    run = shop.run(shell, leaking_seat)
    assert (run.verdict, run.reason) == (REJECTED, "The seat test was rejected.")


def test_a_rejection_stays_whatever_comes_after(shop, shell, seat, leaking_seat, stopped_seat):
    """The first failure is not tested away: neither a better attempt nor a void one takes it back."""
    for stages in ((shell, leaking_seat, seat), (leaking_seat, shell, seat), (shell, leaking_seat, stopped_seat)):
        assert judge_run(shop.run(*stages)) == (REJECTED, "The seat test was rejected.")


def test_a_rejection_needs_no_other_stage(shop, leaking_seat):
    """A valve that leaks is rejected, though its shell was never tested."""
    assert shop.run(leaking_seat).verdict is REJECTED


def test_a_void_stage_makes_the_run_void_and_says_why(shop, shell, stopped_seat):
    """Void is not rejected: nothing was shown about the valve."""
    run = shop.run(shell, stopped_seat)
    assert run.verdict is None
    assert run.reason == "The seat test is void (stopped): Stopped by the operator: hose burst."


def test_a_stage_may_be_repeated_after_a_void_one(shop, shell, seat, stopped_seat):
    """The last attempt decides; both are in the record."""
    run = shop.run(shell, stopped_seat, seat.model_copy(update={"attempt": 2}))
    assert run.verdict is ACCEPTED
    assert len(run.stages) == 3


def test_a_void_attempt_after_an_accepted_one_makes_the_run_void(shop, shell, seat, stopped_seat):
    """Whoever starts again must finish."""
    assert shop.run(shell, seat, stopped_seat).verdict is None


def test_an_inconclusive_stage_makes_the_run_inconclusive(shop, shell, seat, unclear_seat):
    """Until it is repeated."""
    run = shop.run(shell, unclear_seat)
    assert (run.verdict, run.reason) == (INCONCLUSIVE, "The seat test is inconclusive.")
    assert shop.run(shell, unclear_seat, seat).verdict is ACCEPTED
    assert shop.run(shell, seat, unclear_seat).verdict is INCONCLUSIVE


def test_an_inconclusive_stage_beside_a_missing_one_is_void(shop, unclear_seat):
    """What was not carried out comes first."""
    assert shop.run(unclear_seat).verdict is None


def test_a_finding_on_a_stage_that_was_not_completed_counts_for_nothing(shop, shell, seat):
    """A record that claims an accepted finding for a stage that tripped is void."""
    run = shop.run(shell, seat.model_copy(update={"ended": Ending.TRIPPED, "reason": "Too high."}))
    assert (run.verdict, run.reason) == (None, "The seat test tripped: Too high.")


def test_a_stage_that_was_not_demanded_can_reject_but_not_accept(shop, shell, seat, leaking_seat):
    """With the seat test alone demanded, a leak seen in a shell test still counts."""
    whole = shop.requirements()
    only_seat = whole.model_copy(update={"stages": whole.stages[1:]})
    leaking_shell = shop.shell_test().held().see(Seen.LEAKAGE, "cover joint").released().judged()
    assert shop.run(seat, requirements=only_seat).verdict is ACCEPTED
    assert shop.run(leaking_shell, seat, requirements=only_seat).verdict is REJECTED
    assert shop.run(shell, requirements=only_seat).verdict is None


# Judged again -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def traces(shop, accepted_shell, accepted_seat):
    """The traces of a run with a stopped attempt between its two accepted stages, and the run."""
    stopped = shop.seat_test().holding().ask("stop", "hose burst").released()
    run = shop.run(accepted_shell.judged(), stopped.judged(), accepted_seat.judged(attempt=2))
    return run, [accepted_shell.trace(), stopped.trace(), accepted_seat.trace()]


def test_a_record_judged_again_from_its_bytes_is_the_same(traces):
    """The record alone, read back, and its samples: every finding and the verdict come out again, to the byte."""
    run, samples = traces
    again = RunRecord.model_validate_json(canonical(run))
    assert canonical(rejudged(again, samples)) == canonical(run)


def test_a_verdict_that_was_changed_does_not_survive_judging_again(traces):
    """Whatever the record claims: findings and verdict are drawn anew."""
    run, samples = traces
    shell = run.stages[0]
    lie = shell.finding.model_copy(update={"verdict": REJECTED})
    changed = run.model_copy(
        update={
            "verdict": REJECTED,
            "reason": "",
            "stages": (shell.model_copy(update={"finding": lie}), *run.stages[1:]),
        }
    )
    assert rejudged(changed, samples) == run


def reworded(run, **changes):
    """The run with the finding of its last stage told otherwise."""
    *others, seat = run.stages
    criteria = tuple(one.model_copy(update={"sentence": f"{one.sentence} Indeed."}) for one in seat.finding.criteria)
    finding = seat.finding.model_copy(update={"criteria": criteria})
    criteria = (finding.criteria[0].model_copy(update=changes), *finding.criteria[1:])
    told = seat.model_copy(update={"finding": finding.model_copy(update={"criteria": criteria})})
    return run.model_copy(update={"stages": (*others, told)})


def test_a_decision_is_the_same_in_other_words(traces):
    """A later version may say it better; ten years on, that is no difference."""
    run, _ = traces
    assert reworded(run) != run
    assert same_decision(reworded(run), run.model_copy(update={"reason": "In other words."}))


@pytest.mark.parametrize(
    "change", [{"measured": "9 psi"}, {"limit": "9 psi"}, {"uncertainty": "9 psi"}, {"conformity": "does not conform"}]
)
def test_another_number_is_another_decision(traces, change):
    """Measured, limit, U, conformity."""
    run, _ = traces
    assert not same_decision(reworded(run, **change), run)


def test_another_verdict_or_another_ending_is_another_decision(traces):
    """Of the run, of a stage; and a stage that was void for one and not for the other."""
    run, _ = traces
    *others, seat = run.stages
    void = seat.model_copy(update={"finding": None})
    rejected = seat.model_copy(update={"finding": seat.finding.model_copy(update={"verdict": REJECTED})})
    for changed in (void, rejected, seat.model_copy(update={"ended": "stopped"})):
        assert not same_decision(run.model_copy(update={"stages": (*others, changed)}), run)
    assert not same_decision(run.model_copy(update={"verdict": REJECTED}), run)


def test_samples_that_were_changed_change_the_verdict(traces):
    """Half of the readings of the last hold taken away."""
    run, samples = traces
    seat = samples[-1]
    half = Trace(seat.at[:400], seat.counts[:400], seat.gaps)
    assert rejudged(run, [*samples[:-1], half]).verdict is INCONCLUSIVE


def test_the_day_that_counts_is_the_day_the_run_began(traces):
    """In UTC: begun on the due date the calibration holds, a day later it does not."""
    run, samples = traces
    for began, verdict in {"2027-03-11T23:59:59.999Z": ACCEPTED, "2027-03-12T00:00:00.000Z": INCONCLUSIVE}.items():
        assert rejudged(run.model_copy(update={"started": began}), samples).verdict is verdict


def test_a_stage_without_its_samples_is_not_judged(traces):
    """One trace for each stage, no fewer."""
    run, samples = traces
    with pytest.raises(ValueError, match="shorter"):
        rejudged(run, samples[:-1])


def test_a_trip_is_not_mended_by_another_attempt(shop, shell, seat):
    """An engineer looks first; a retest is a new run that names this one."""
    tripped = shell.model_copy(update={"ended": Ending.TRIPPED, "reason": "Too high.", "finding": None})
    run = shop.run(tripped, shell.model_copy(update={"attempt": 2}), seat)
    assert (run.verdict, run.reason) == (None, "The shell test tripped: Too high.")
