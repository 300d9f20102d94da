"""The verdict from record and samples alone. Whatever the machine claimed, the evidence is looked at again."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.decision_rule import Conformity
from testbench.procedure.criteria import NoVisibleLeakage
from testbench.quantities import Pressure, Volume
from testbench.run.evaluation import evaluate_stage, verdict_of
from testbench.run.machine import Ending
from testbench.run.observations import Observation, Seen, ZeroCheck
from testbench.run.progress import Action
from testbench.run.record import ChannelRecord, CriterionFinding, Finding, StageRecord, Verdict
from testbench.run.samples import Gap, GapReason, Scale, Trace

ACCEPTED, REJECTED, INCONCLUSIVE = Verdict.ACCEPTED, Verdict.REJECTED, Verdict.INCONCLUSIVE
DAY = date(2026, 6, 1)


def judge(attempt, *, stage=None, trace=None, channel=None, zero_check=None, on=DAY) -> Finding:
    """Judge an attempt, something about it replaced."""
    finding = evaluate_stage(
        attempt.record() if stage is None else stage,
        attempt.trace() if trace is None else trace,
        channel or attempt.channel,
        zero_check or attempt.zero_check,
        on,
    )
    assert finding is not None
    return finding


def sentence(finding: Finding, criterion: str) -> str:
    """What the finding says about one criterion."""
    (found,) = [found.sentence for found in finding.criteria if found.criterion == criterion]
    return found


def with_(record, **changes: Any):
    return record.model_copy(update=changes)


def counts_changed(trace: Trace, at: int, counts: int) -> Trace:
    changed = trace.counts.copy()
    changed[trace.at == at] = counts
    return Trace(trace.at, changed, trace.gaps)


def without(trace: Trace, since: int, until: int) -> Trace:
    """The trace without the samples between two ticks, the ends kept."""
    kept = (trace.at <= since) | (trace.at >= until)
    return Trace(trace.at[kept], trace.counts[kept], trace.gaps)


# Accepted ---------------------------------------------------------------------------------------


def test_a_shell_test_in_which_nothing_went_wrong_is_accepted(accepted_shell):
    """Every piece of evidence stands in the finding, each with its sentence."""
    finding = accepted_shell.finding()
    assert finding.verdict is ACCEPTED
    assert [found.criterion for found in finding.criteria] == [
        "instrument", "hold", "no-visible-leakage", "pressure released",
    ]  # fmt: skip
    assert [found.sentence for found in finding.criteria] == [
        "Channel PT-101: calibration CAL-26-0311 in date, range covered, zero checked.",
        "Held 60.0 s, never below 500 psi plus U = 1 psi.",
        "No leakage was seen (body and cover, cover joint, hinge-pin plugs, flange faces of the valve).",
        "Pressure was seen released below 5 psi.",
    ]
    assert (str(finding.lowest), str(finding.highest), finding.held_ms) == ("503 psi", "503 psi", 60_000)


def test_a_seat_test_within_its_limit_is_accepted(accepted_seat):
    """0.5 mL in 50 s are 36 mL/h; 4 fl oz/h (118.3 mL/h) are allowed for NPS 4."""
    finding = accepted_seat.finding()
    assert finding.verdict is ACCEPTED
    assert sentence(finding, "largest-leakage-rate") == (
        "0.5 mL in 50.0 s is 1.22 fl_oz/h with U = 0.25 fl_oz/h; 4 fl_oz/h is allowed: within the limit."
    )


@pytest.mark.parametrize("ended", [Ending.STOPPED, Ending.TRIPPED, Ending.LOST])
def test_a_stage_that_was_not_completed_has_no_verdict(accepted_shell, ended: Ending):
    """It is void, whatever its samples show."""
    stage = with_(accepted_shell.record(), ended=ended)
    assert evaluate_stage(stage, accepted_shell.trace(), accepted_shell.channel, accepted_shell.zero_check, DAY) is None


# The instrument ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("on", "verdict"),
    [
        (date(2026, 3, 10), INCONCLUSIVE),
        (date(2026, 3, 11), ACCEPTED),
        (date(2027, 3, 11), ACCEPTED),
        (date(2027, 3, 12), INCONCLUSIVE),
    ],
)
def test_the_calibration_must_be_in_date_on_the_day_of_the_run(accepted_shell, on: date, verdict: Verdict):
    """Both ends count; a day outside and the valve is neither accepted nor rejected."""
    finding = judge(accepted_shell, on=on)
    assert finding.verdict is verdict
    if verdict is INCONCLUSIVE:
        assert sentence(finding, "instrument") == (
            f"Channel PT-101: its calibration holds from 2026-03-11 to 2027-03-11, not on {on}."
        )


@pytest.mark.parametrize(
    ("lowest", "highest", "verdict"),
    [
        ("0 psi", "550 psi", ACCEPTED),
        ("0 psi", "549.99 psi", INCONCLUSIVE),
        ("500 psi", "1000 psi", ACCEPTED),
        ("500.01 psi", "1000 psi", INCONCLUSIVE),
    ],
)
def test_the_calibrated_range_must_cover_the_test(shop, accepted_shell, lowest: str, highest: str, verdict: Verdict):
    """From the required pressure to the upper limit: 500 to 550 psi."""
    channel = shop.channel(lowest=Pressure.parse(lowest), highest=Pressure.parse(highest))
    finding = judge(accepted_shell, channel=channel)
    assert finding.verdict is verdict
    if verdict is INCONCLUSIVE:
        assert sentence(finding, "instrument") == f"Channel PT-101: it is calibrated {lowest} to {highest} only."


def test_without_a_passed_zero_check_nothing_is_accepted(shop, accepted_shell):
    """And several faults stand together in one sentence."""
    zero_check = with_(shop.zero_check, passed=False)
    finding = judge(accepted_shell, zero_check=zero_check, on=date(2028, 1, 1))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "instrument") == (
        "Channel PT-101: its calibration holds from 2026-03-11 to 2027-03-11, not on 2028-01-01; "
        "the zero check was not passed."
    )
    assert judge(accepted_shell, zero_check=zero_check).verdict is INCONCLUSIVE


# The hold ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("counts", "verdict", "said"),
    [
        (50099, INCONCLUSIVE, "The hold fell below the acceptance limit."),
        (50100, ACCEPTED, "Held 60.0 s, never below 500 psi plus U = 1 psi."),
        (55000, ACCEPTED, "Held 60.0 s, never below 500 psi plus U = 1 psi."),
        (55001, INCONCLUSIVE, "The hold rose above the upper limit."),
    ],
)
@pytest.mark.parametrize("place", ["first", "middle", "last"])
def test_a_single_reading_at_each_limit(accepted_shell, counts: int, verdict: Verdict, said: str, place: str):
    """One count decides, at the beginning, in the middle and at the end of the hold, dip and recovery alike."""
    stage = accepted_shell.record()
    at = {"first": stage.hold_since, "last": stage.hold_until, "middle": stage.hold_since + 300_000}[place]
    finding = judge(accepted_shell, trace=counts_changed(accepted_shell.trace(), at, counts))
    assert finding.verdict is verdict
    assert sentence(finding, "hold") == said


def test_a_reading_outside_the_hold_does_not_belong_to_it(accepted_shell):
    """One sample before and one after, both low: the hold itself is whole."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    for at in (stage.hold_since - 1000, stage.hold_until + 1000):
        trace = counts_changed(trace, at, 50099)
    assert judge(accepted_shell, trace=trace).verdict is ACCEPTED


def test_a_pressure_above_the_upper_limit_beside_the_hold_is_not_accepted_either(accepted_shell):
    """A record that claims to be completed though its samples rose too high before the hold."""
    stage = accepted_shell.record()
    trace = counts_changed(accepted_shell.trace(), stage.hold_since - 1000, 55001)
    finding = judge(accepted_shell, trace=trace)
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "The hold stands beside a pressure above the upper limit."


def test_the_guard_band_is_added_and_not_taken_off(shop, accepted_shell):
    """Held at 503 psi: with U = 3.00 psi accepted, with U = 3.01 psi no longer, for 500 psi are required."""
    for uncertainty, verdict in {"3.00": ACCEPTED, "3.01": INCONCLUSIVE}.items():
        channel = shop.channel(expanded_uncertainty=Pressure.of(uncertainty, "psi"))
        assert judge(accepted_shell, channel=channel).verdict is verdict


def test_the_zero_correction_counts(shop, accepted_shell):
    """A channel that read 2.00 psi at atmosphere held 501 psi; with 2.01 psi it held 500.99 psi."""
    for zero, verdict in {200_000: ACCEPTED, 201_000: INCONCLUSIVE}.items():
        channel = shop.channel(scale=Scale(unit="psi", decimals=2, zero_millicounts=zero))
        finding = judge(accepted_shell, channel=channel)
        assert finding.verdict is verdict
        assert finding.lowest == Pressure.of(50300 - zero // 1000, "psi") * Pressure.of(1, "psi").ratio(
            Pressure.of(100, "psi")
        )


@pytest.mark.parametrize(("ticks", "verdict"), [(0, ACCEPTED), (1, INCONCLUSIVE)])
def test_a_hold_that_lacks_one_tick(accepted_shell, ticks: int, verdict: Verdict):
    """60.0000 s are enough, 59.9999 s are not: the samples are what counts, not the marks in the record."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    at = trace.at.copy()
    at[at == stage.hold_until] -= ticks
    finding = judge(accepted_shell, trace=Trace(at, trace.counts, trace.gaps))
    assert finding.verdict is verdict
    if ticks:
        assert sentence(finding, "hold") == "The hold lasted 59.9999 s of 60 s."


def test_marks_that_end_the_hold_early_are_seen_through(accepted_shell):
    """A record that claims a hold of 59.9 s."""
    stage = accepted_shell.record()
    finding = judge(accepted_shell, stage=with_(stage, hold_until=stage.hold_until - 1000))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "The hold lasted 59.9000 s of 60 s."


def test_marks_that_stretch_the_hold_are_seen_through(shop):
    """A hold that broke off, its marks set over the dip: the dip is in the samples."""
    attempt = shop.shell_test().holding().keep(51000, 30).read(50099).keep(51000, 5.1).keep(51000, 60)
    attempt.see(Seen.NO_LEAKAGE).released()
    stage = attempt.record()
    assert judge(attempt).verdict is ACCEPTED
    finding = judge(attempt, stage=with_(stage, hold_since=stage.hold_since - 360_000))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "The hold fell below the acceptance limit."


@pytest.mark.parametrize(
    "marks", [{"hold_since": None}, {"hold_until": None}, {"hold_since": 10**9, "hold_until": 10**9}]
)
def test_without_a_hold_nothing_is_accepted(accepted_shell, marks: dict[str, int | None]):
    """No marks, or marks where there are no samples."""
    finding = judge(accepted_shell, stage=with_(accepted_shell.record(), **marks))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "There is no hold in the samples."
    assert finding.held_ms == 0


def test_a_single_sample_is_no_hold(accepted_shell):
    """One reading lasts no time at all."""
    stage = accepted_shell.record()
    finding = judge(accepted_shell, stage=with_(stage, hold_until=stage.hold_since))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "There is no hold in the samples."


def test_two_samples_are_a_hold_with_a_gap(shop, accepted_shell):
    """The first and the last reading alone say nothing of what was between."""
    stage = accepted_shell.record()
    finding = judge(accepted_shell, trace=without(accepted_shell.trace(), stage.hold_since, stage.hold_until))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "The hold had a gap of 60.0 s."


@pytest.mark.parametrize(("ticks", "verdict"), [(10_000, ACCEPTED), (10_001, INCONCLUSIVE)])
def test_a_gap_in_the_samples_at_its_limit(accepted_shell, ticks: int, verdict: Verdict):
    """1.0000 s between two readings is tolerated, 1.0001 s is not."""
    stage = accepted_shell.record()
    middle = stage.hold_since + 300_000
    trace = without(accepted_shell.trace(), middle, middle + 10_000)
    at = trace.at.copy()
    at[at == middle] -= ticks - 10_000
    assert judge(accepted_shell, trace=Trace(at, trace.counts, trace.gaps)).verdict is verdict


@pytest.mark.parametrize("kept_in", ["trace", "stage"])
@pytest.mark.parametrize(("seconds", "verdict"), [(1, ACCEPTED), (1.0001, INCONCLUSIVE), (12, INCONCLUSIVE)])
def test_a_silence_inside_the_hold_is_a_gap(accepted_shell, kept_in: str, seconds: float, verdict: Verdict):
    """The samples look whole, but the gap says otherwise: wherever the gap is kept, it counts."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    since = stage.hold_since + 200_000
    gap = Gap(since=since, until=since + round(seconds * 10_000), reason=GapReason.SILENT)
    if kept_in == "trace":
        trace = Trace(trace.at, trace.counts, (gap,))
    else:
        stage = with_(stage, gaps=(gap,))
    finding = judge(accepted_shell, stage=stage, trace=trace)
    assert finding.verdict is verdict
    if seconds == 12:
        assert sentence(finding, "hold") == "The hold had a gap of 12.0 s."


@pytest.mark.parametrize(
    ("since", "until", "verdict"),
    [
        (-50_000, 0, ACCEPTED),
        (-50_000, 10_000, ACCEPTED),
        (-50_000, 10_001, INCONCLUSIVE),
        (600_000, 650_000, ACCEPTED),
        (590_000, 650_000, ACCEPTED),
        (589_999, 650_000, INCONCLUSIVE),
    ],
)
def test_only_what_lies_within_the_hold_counts_of_a_gap(accepted_shell, since: int, until: int, verdict: Verdict):
    """A silence that ended as the hold began, or began as it ended, takes nothing from it."""
    stage = accepted_shell.record()
    gap = Gap(since=stage.hold_since + since, until=stage.hold_since + until, reason=GapReason.SILENT)
    assert judge(accepted_shell, stage=with_(stage, gaps=(gap,))).verdict is verdict


def test_samples_out_of_order_are_no_hold(accepted_shell):
    """Time that runs backwards was not measured by this program."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    at = trace.at.copy()
    middle = int(np.flatnonzero(at == stage.hold_since + 300_000)[0])
    at[[middle, middle + 1]] = at[[middle + 1, middle]]
    finding = judge(accepted_shell, trace=Trace(at, trace.counts, trace.gaps))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "The hold has samples out of order."


@pytest.mark.parametrize("reason", [GapReason.FROZEN, GapReason.OUT_OF_RANGE])
def test_a_faulty_reading_inside_the_hold_spoils_it_however_short(accepted_shell, reason: GapReason):
    """A tenth of a second out of range or standing still: a fault is never a steady pressure."""
    stage = accepted_shell.record()
    since = stage.hold_since + 200_000
    faulty = with_(stage, gaps=(Gap(since=since, until=since + 1000, reason=reason),))
    finding = judge(accepted_shell, stage=faulty)
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "hold") == "The hold has a faulty reading in it."


# Looking ----------------------------------------------------------------------------------------


def test_without_an_observation_nothing_is_accepted(accepted_shell):
    """A perfect hold is no statement about leaks."""
    finding = judge(accepted_shell, stage=with_(accepted_shell.record(), observations=()))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "no-visible-leakage") == "The operator gave no observation after the hold at pressure."


@pytest.mark.parametrize(("ticks", "verdict"), [(0, ACCEPTED), (-1, INCONCLUSIVE)])
def test_no_leakage_counts_only_when_said_after_the_hold(accepted_shell, ticks: int, verdict: Verdict):
    """A record whose answer is older than the end of its hold is not accepted."""
    stage = accepted_shell.record()
    early = Observation(at=stage.hold_until + ticks, criterion=0, seen=Seen.NO_LEAKAGE)
    assert judge(accepted_shell, stage=with_(stage, observations=(early,))).verdict is verdict


def test_no_leakage_counts_only_while_the_valve_stands_at_pressure(accepted_shell):
    """An answer given after the release saw a valve without pressure."""
    stage = accepted_shell.record()
    late = Observation(at=stage.until, criterion=0, seen=Seen.NO_LEAKAGE)
    assert judge(accepted_shell, stage=with_(stage, observations=(late,))).verdict is INCONCLUSIVE


def test_an_answer_to_another_question_does_not_count(accepted_shell):
    """It must name the criterion that is judged."""
    stage = accepted_shell.record()
    (answer,) = stage.observations
    assert judge(accepted_shell, stage=with_(stage, observations=(with_(answer, criterion=1),))).verdict is INCONCLUSIVE


def test_leakage_rejects_and_says_where(shop):
    """Two places, one of them seen before the hold was over; "no leakage" elsewhere does not help."""
    attempt = shop.shell_test().held().see(Seen.LEAKAGE, "cover joint").released()
    stage = attempt.record()
    assert judge(attempt).verdict is REJECTED
    first = Observation(at=0, criterion=0, seen=Seen.LEAKAGE, where="hinge-pin plugs")
    good = Observation(at=stage.until, criterion=0, seen=Seen.NO_LEAKAGE)
    finding = judge(attempt, stage=with_(stage, observations=(first, *stage.observations, good)))
    assert finding.verdict is REJECTED
    assert sentence(finding, "no-visible-leakage") == (
        "Leakage was seen at hinge-pin plugs and cover joint; none is allowed."
    )


def test_a_leak_rejects_whatever_else_is_missing(shop):
    """Calibration overdue, no zero check, pressure never reached, no release seen: the valve leaked all the same."""
    attempt = shop.shell_test().read(0).ask(Action.VENT_CLOSED).read(20000)
    attempt.see(Seen.LEAKAGE, "body and cover").ask(Action.CONCLUDE).silent(30.1)
    zero_check = with_(shop.zero_check, passed=False)
    assert judge(attempt, zero_check=zero_check, on=date(2030, 1, 1)).verdict is REJECTED


def test_every_criterion_must_be_judged(accepted_shell):
    """A second visual criterion that was never answered leaves the stage open."""
    stage = accepted_shell.record()
    more = NoVisibleLeakage(look_at=("packing",), source="house")
    requirement = with_(stage.requirement, criteria=(*stage.requirement.criteria, more))
    finding = judge(accepted_shell, stage=with_(stage, requirement=requirement))
    assert finding.verdict is INCONCLUSIVE
    assert len(finding.criteria) == 5


# Collecting -------------------------------------------------------------------------------------

# NPS 4: 4 fl oz/h = 118.294 mL/h. In 50 s with U = 0.1 mL and U_t = 1 s:
#   Q + U = 118.29 mL/h at 1.53835 mL, Q − U = 118.29 mL/h at 1.74891 mL (the roots of V ± √(0.1² + (V/50)²) = 1.64297).


@pytest.mark.parametrize(
    ("volume", "verdict", "words"),
    [
        ("0 mL", ACCEPTED, "within the limit"),
        ("1.5383 mL", ACCEPTED, "within the limit"),
        ("1.5384 mL", INCONCLUSIVE, "too near the limit to tell; collect for at least 51 s"),
        ("1.643 mL", INCONCLUSIVE, "too near the limit to tell; an hour of collecting would not tell either"),
        ("1.7489 mL", INCONCLUSIVE, "too near the limit to tell; collect for at least 51 s"),
        ("1.7490 mL", REJECTED, "above the limit"),
        ("20 mL", REJECTED, "above the limit"),
    ],
)
def test_a_collected_rate_on_both_sides_of_its_guard_band(shop, volume: str, verdict: Verdict, words: str):
    """Within the limit with U to spare, beyond it by more than U, and what lies between."""
    finding = shop.seat_test().collected(volume).released().finding()
    assert finding.verdict is verdict
    assert sentence(finding, "largest-leakage-rate").endswith(f"; 4 fl_oz/h is allowed: {words}.")


def spoil_collection(record, **changes: Any):
    (caught,) = record.collections
    return with_(record, collections=(with_(caught, **changes),))


@pytest.mark.parametrize(
    "changes",
    [
        {"volume": None},
        {"volume_uncertainty": None},
        {"volume_uncertainty": Volume.of(0, "mL")},
        {"volume": Volume.of(-1, "mL")},
    ],
)
def test_a_collection_without_number_or_uncertainty_does_not_count(accepted_seat, changes: dict[str, Any]):
    """Not read, or read without saying how well, or read as less than nothing."""
    finding = judge(accepted_seat, stage=spoil_collection(accepted_seat.record(), **changes))
    assert finding.verdict is INCONCLUSIVE
    assert sentence(finding, "largest-leakage-rate") == "Nothing was collected within the hold for long enough."


@pytest.mark.parametrize(
    ("since", "until", "verdict"),
    [
        (50_000, 560_000, ACCEPTED),
        (49_999, 560_000, INCONCLUSIVE),
        (60_000, 360_000, ACCEPTED),
        (60_000, 359_999, INCONCLUSIVE),
        (60_000, 600_000, ACCEPTED),
        (60_000, 600_001, INCONCLUSIVE),
    ],
)
def test_a_collection_must_lie_within_the_hold_after_the_drain_down(
    accepted_seat, since: int, until: int, verdict: Verdict
):
    """From 5 s into the hold, for 30 s at least, until its end: on each limit and a tick beyond."""
    stage = accepted_seat.record()
    stage = spoil_collection(stage, since=stage.hold_since + since, until=stage.hold_since + until)
    assert judge(accepted_seat, stage=stage).verdict is verdict


def test_without_a_collection_a_metal_seat_is_not_accepted(accepted_seat):
    """A tight-looking seat that nobody caught anything from is not judged."""
    assert judge(accepted_seat, stage=with_(accepted_seat.record(), collections=())).verdict is INCONCLUSIVE


def test_a_collection_outside_a_hold_does_not_count(accepted_seat):
    """Without marks of a hold there is nothing it could lie within."""
    stage = with_(accepted_seat.record(), hold_since=None, hold_until=None)
    assert "Nothing was collected" in sentence(judge(accepted_seat, stage=stage), "largest-leakage-rate")


# Release ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("counts", "verdict"), [(500, ACCEPTED), (501, INCONCLUSIVE)])
def test_the_last_reading_must_be_released(accepted_shell, counts: int, verdict: Verdict):
    """5.00 psi at the end is released, 5.01 psi is not."""
    finding = judge(accepted_shell, trace=counts_changed(accepted_shell.trace(), accepted_shell.now, counts))
    assert finding.verdict is verdict
    if counts > 500:
        assert sentence(finding, "pressure released") == "Pressure was not seen below 5 psi afterwards."


def test_a_pressure_that_came_back_is_not_released(accepted_shell):
    """Pressure locked behind a closed disc: seen low once, and high at the end."""
    trace = counts_changed(accepted_shell.trace(), accepted_shell.now, 30000)
    assert judge(accepted_shell, trace=trace).verdict is INCONCLUSIVE


def test_without_readings_after_the_hold_there_is_no_release(accepted_shell):
    """The zero before the test is none."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    finding = judge(accepted_shell, trace=trace.between(0, stage.hold_until))
    assert finding.verdict is INCONCLUSIVE


# Laws -------------------------------------------------------------------------------------------


def found(conformity: Conformity) -> CriterionFinding:
    return CriterionFinding(criterion="hold", conformity=conformity, sentence="")


@given(conformities=st.lists(st.sampled_from(Conformity), max_size=6))
def test_the_verdict_of_several_findings(conformities: list[Conformity]):
    """One nonconformity rejects; acceptance needs at least one finding, and every one to conform."""
    verdict = verdict_of(tuple(map(found, conformities)))
    if any(conformity is Conformity.DOES_NOT_CONFORM for conformity in conformities):
        assert verdict is REJECTED
    elif conformities and all(conformity is Conformity.CONFORMS for conformity in conformities):
        assert verdict is ACCEPTED
    else:
        assert verdict is INCONCLUSIVE


def test_nothing_is_accepted_by_default():
    """No finding at all is inconclusive."""
    assert verdict_of(()) is INCONCLUSIVE


@dataclass
class Case:
    """Everything that a stage is judged from."""

    stage: StageRecord
    trace: Trace
    channel: ChannelRecord
    zero_check: ZeroCheck
    on: date = DAY

    @property
    def verdict(self) -> Verdict | None:
        finding = evaluate_stage(self.stage, self.trace, self.channel, self.zero_check, self.on)
        return None if finding is None else finding.verdict

    def stage_without(self, **changes: Any) -> None:
        self.stage = with_(self.stage, **changes)

    def trace_without(self, gone) -> None:
        self.trace = Trace(self.trace.at[~gone], self.trace.counts[~gone], self.trace.gaps)


def unread(case: Case) -> None:
    case.stage_without(collections=tuple(with_(caught, volume=None) for caught in case.stage.collections))


def overdue(case: Case) -> None:
    case.on = case.channel.due_on + timedelta(days=1)


def narrow_range(case: Case) -> None:
    case.channel = with_(case.channel, highest=case.stage.requirement.required)


def no_zero_check(case: Case) -> None:
    case.zero_check = with_(case.zero_check, passed=False)


def a_second_of_samples(case: Case) -> None:
    at, middle = case.trace.at, (case.trace.at[0] + case.trace.at[-1]) // 2
    case.trace_without((at > middle) & (at <= middle + 11_000))


EVIDENCE: dict[str, Callable[[Case], None]] = {
    "calibration": overdue,
    "range": narrow_range,
    "zero check": no_zero_check,
    "beginning of the hold": lambda case: case.stage_without(hold_since=None),
    "end of the hold": lambda case: case.stage_without(hold_until=None),
    "a second of samples": a_second_of_samples,
    "first sample of the hold": lambda case: case.trace_without(case.trace.at == case.stage.hold_since),
    "last sample of the hold": lambda case: case.trace_without(case.trace.at == case.stage.hold_until),
    "release": lambda case: case.trace_without(case.trace.at > (case.stage.hold_until or 0)),
    "all samples": lambda case: case.trace_without(case.trace.at >= 0),
}
LOOKED_AT = {"observation": lambda case: case.stage_without(observations=())}
CAUGHT = {"collection": lambda case: case.stage_without(collections=()), "volume": unread}


@pytest.mark.parametrize(("kind", "own"), [("shell", LOOKED_AT), ("seat", CAUGHT)])
def test_taking_any_evidence_from_an_accepted_stage_takes_the_acceptance(accepted_shell, accepted_seat, kind, own):
    """Each piece, and each two of them: what is missing never leaves a stage accepted, and never rejects it."""
    attempt = accepted_shell if kind == "shell" else accepted_seat

    def case() -> Case:
        return Case(attempt.record(), attempt.trace(), attempt.channel, attempt.zero_check)

    assert case().verdict is ACCEPTED
    pieces = EVIDENCE | own
    for which in [*combinations(pieces, 1), *combinations(pieces, 2)]:
        found = case()
        for piece in which:
            pieces[piece](found)
        assert found.verdict is INCONCLUSIVE, which


@given(start=st.integers(0, 600), length=st.integers(1, 600))
def test_readings_taken_out_of_a_hold_leave_it_accepted_only_within_the_longest_gap(
    accepted_shell, start: int, length: int
):
    """Take any stretch of readings away: accepted exactly if ends and steps of at most 1 s remain."""
    stage, trace = accepted_shell.record(), accepted_shell.trace()
    stretch = stage.hold_since + 1000 * np.arange(start, min(start + length, 601))
    kept = ~np.isin(trace.at, stretch)
    finding = judge(accepted_shell, trace=Trace(trace.at[kept], trace.counts[kept], trace.gaps))
    ends_kept = start > 0 and start + length <= 600
    assert (finding.verdict is ACCEPTED) is (ends_kept and length <= 9)


@given(extra=st.integers(1, 10_000))
def test_a_worse_transmitter_never_turns_a_stage_into_accepted(shop, accepted_shell, extra: int):
    """With a larger U a stage that was not accepted stays not accepted."""
    held = (50300 - 50000) / 100
    channel = shop.channel(expanded_uncertainty=Pressure.of(f"{1 + extra / 100:.2f}", "psi"))
    assert (judge(accepted_shell, channel=channel).verdict is ACCEPTED) is (1 + extra / 100 <= held)


def test_judging_again_gives_the_same(accepted_shell, accepted_seat):
    """The finding is a function of record and samples; the finding that is already there is not looked at."""
    for attempt in (accepted_shell, accepted_seat):
        first = attempt.finding()
        lie = with_(first, verdict=REJECTED)
        assert judge(attempt, stage=with_(attempt.record(), finding=lie)) == first
