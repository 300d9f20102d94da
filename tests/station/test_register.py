"""What the register says of an instrument: drift, how it came to its calibration, checks, and the start of a run."""

from datetime import UTC, date, datetime

import pytest

from testbench.errors import BenchError
from testbench.metrology.decision_rule import DecisionRule
from testbench.quantities import Pressure
from testbench.run.leakage import BY_DECAY
from testbench.run.record import SecondGaugeCheck, Verdict
from testbench.station.calibrations import Calibrated
from testbench.station.gauge_checks import GaugeCheck, check_in_force
from testbench.station.impact import impact_on, questioned
from testbench.station.register import as_found_of, before, changes, check_entry, entries, find, predecessor
from tests.station.certificates import readings, report, up_and_down
from tests.station.conftest import BenchInHand

FIRST = report(certificate_number="SCL-25-0388", calibrated_on="2025-06-01", due_on="2026-05-31",
               entered_at="2025-06-04T09:00:00+00:00")  # fmt: skip


def after(**more):
    """The calibration a year after FIRST."""
    return report(**more)


# Drift ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("moved", "seen"), [(0.05, False), (0.07, False), (0.072, True), (-0.072, True), (2, True)])
def test_a_drift_is_seen_where_it_is_more_than_both_uncertainties(moved, seen):
    """U is 0.0504 psi both times (reference 0.05, resolution 0.01/√12·2): together √2 · 0.0504 = 0.071 psi."""
    old, now = Calibrated.of(FIRST), Calibrated.of(after(points=up_and_down(zero=-moved)))
    found = changes(now, old)
    assert [change.drift for change in found] == pytest.approx([moved] * 11)
    assert found[5].allowed == pytest.approx(2**0.5 * 0.05033, abs=0.0001)
    assert all(change.significant is seen for change in found)


def test_the_calibration_before_is_the_newest_of_the_same_instrument():
    """Not another instrument's, not a later one, not an entry of its own number."""
    older = report(certificate_number="SCL-24-0300", calibrated_on="2024-06-01", due_on="2025-06-01")
    other = report(serial="T-0043", certificate_number="SCL-26-0001", calibrated_on="2026-01-01")
    later = report(certificate_number="SCL-27-0001", calibrated_on="2027-06-01", due_on="2028-06-01")
    assert before([older, FIRST, other, later, after()], after()) is FIRST
    assert before([older, other], FIRST) is older
    assert before([other, after()], after()) is None


# Which one is meant -----------------------------------------------------------------------------


def test_a_number_under_two_serials_needs_the_serial(bench):
    """Both are there; neither hides the other."""
    other = report(serial="T-0043")
    both = (report(), other)
    with pytest.raises(BenchError) as refusal:
        find(both, bench.channel, "SCL-26-0411")
    assert str(refusal.value) == (
        "There is a calibration SCL-26-0411 of each of these instruments: T-0042, T-0043."
    )  # fmt: skip
    assert refusal.value.remedy == "Name the instrument with --serial."
    assert find(both, bench.channel, "SCL-26-0411", "T-0042") is both[0]
    assert find(both, bench.channel, "SCL-26-0411", "T-0043") is other
    with pytest.raises(BenchError) as refusal:
        find(both, bench.channel, "SCL-26-0411", "T-0044")
    assert str(refusal.value) == (
        "There is no calibration SCL-26-0411 of T-0044 in the register; it holds SCL-26-0411, SCL-26-0411."
    )


def test_that_of_bench_toml_is_found_by_its_number_too(bench):
    """Where the register has the same number of the same instrument, that one counts."""
    assert find((), bench.channel, "CAL-26-0311") is bench.channel.calibration
    same = report(certificate_number="CAL-26-0311")
    assert find((same,), bench.channel, "CAL-26-0311") is same


def test_every_entry_of_a_certificate_is_kept_in_order():
    """Another instrument's of the same number is none of them."""
    first, other = report(), report(serial="T-0043")
    again = report(correction="as found was misread")
    assert entries((first, other, again), again) == (first, again)


@pytest.mark.parametrize("written", ["t-0042", "T-0042"])
def test_a_serial_that_differs_in_case_only_is_refused(bench, written):
    """It would be another instrument."""
    if written == "T-0042":
        check_entry(report(), (), bench.channel)
        return
    with pytest.raises(BenchError) as refusal:
        check_entry(report(serial=written), (), bench.channel)
    assert str(refusal.value) == (
        "Calibration SCL-26-0411: serial: found t-0042; T-0042 is known, and upper and lower case count."
    )


# As found ---------------------------------------------------------------------------------------


def found_at(psi_more: float, *, tolerance: str | None = None, zero: float = 0.0):
    """Came reading ``psi_more`` too much at the top, ``zero`` too much at zero, straight in between."""
    rows = [(psi, round(psi + zero + (psi_more - zero) * psi / 1000, 4)) for psi in range(0, 1001, 250)]
    return after(as_found=readings(*rows), tolerance=tolerance)


@pytest.mark.parametrize(("error", "passed"), [(2.5, True), (2.501, False), (-2.5, True), (-2.501, False)])
def test_as_found_is_judged_by_the_tolerance(error, passed):
    """Exactly the maximum permissible error still passes."""
    report_ = found_at(error, tolerance="2.5 psi")
    found = as_found_of(report_, None)
    assert found.passed is passed
    assert found.worst.error == pytest.approx(error)


@pytest.mark.parametrize(("error", "passed"), [(0.1, True), (0.101, False), (-0.1, True), (-0.101, False)])
def test_as_found_without_a_tolerance_is_judged_by_the_calibration_before(bench, error, passed):
    """Its error span 0.0503 psi at 1000 psi, and U of today's reference 0.05 psi: 0.1003 psi."""
    found = as_found_of(found_at(error), predecessor(found_at(error), (FIRST,), bench.channel))
    assert found.points[-1].allowed == pytest.approx(0.1003, abs=0.0001)
    assert found.passed is passed


def test_as_found_is_read_through_the_correction_that_was_in_use(bench):
    """The instrument always read 1 % too much, and was corrected for it: nothing is wrong with it."""
    steep = FIRST.model_copy(update={"points": after(points=up_and_down(gain=1.01)).points})
    came = after(as_found=readings(*((psi, 1.01 * psi) for psi in (0, 250, 500, 750, 1000))), tolerance="1 psi")
    assert as_found_of(came, predecessor(came, (steep,), bench.channel)).passed
    assert not as_found_of(came, None).passed


def test_as_found_after_the_simple_entry_of_bench_toml(bench):
    """It promised 1.0 psi, and the reference brings 0.05: 1.05 psi are allowed."""
    for error, passed in ((1.05, True), (1.051, False)):
        came = found_at(error)
        old = predecessor(came, (), bench.channel)
        assert (old.certificate_number, old.calibrated_on) == ("CAL-26-0311", date(2026, 3, 11))
        assert as_found_of(came, old).passed is passed


def test_as_found_with_nothing_to_judge_it_by():
    """No tolerance and no calibration before: the errors are told, the verdict is not."""
    found = as_found_of(found_at(3.0), None)
    assert found.passed is None
    assert as_found_of(after(), None) is None


def test_a_run_took_the_zero_off_so_its_error_counts_from_zero(bench):
    """It came 3 psi high all along, and 4 at the top: a run that took its zero was 1 psi high at the top."""
    found = as_found_of(found_at(4.0, zero=3.0), None)
    assert found.points[0].error == 3
    assert [point.error_in_run for point in found.points] == pytest.approx([0, 0.25, 0.5, 0.75, 1.0])
    read = found.error_in_run_at(Pressure.parse("500.5 psi"), reads_high=True)
    assert read == Pressure.parse("0.5 psi")


def test_of_up_and_down_the_worse_counts():
    """Lagging on the way down: 0.4 high going up, 0.6 going down."""
    rows = [(0, 0, "up"), (500, 500.4, "up"), (1000, 1000, "up"), (1000, 1000, "down"), (500, 500.6, "down")]
    found = as_found_of(after(as_found=readings(*rows)), None)
    at = Pressure.parse("500.6 psi")
    assert found.error_in_run_at(at, reads_high=True) == Pressure.parse("0.6 psi")
    assert found.error_in_run_at(at, reads_high=False).to("psi") == pytest.approx(0.4, abs=0.001)


# Impact -----------------------------------------------------------------------------------------


@pytest.fixture
def accepted_run(at_hand):
    """HL-8-0119 accepted on both stages: shell held at 505 psi (required 500), seat at 253 psi (required 250)."""
    at_hand.shell("HL-8-0119")
    at_hand.to_hold(253)
    at_hand.hold(253, 125)
    at_hand.do("observe", criterion=0, seen="no leakage")
    at_hand.hold(0.2, 2)
    record, _ = at_hand.store.sealed[0]
    assert record.verdict == "accepted"
    return record


AFTER_ALL = "required 500 psi, with the guard band 501.00 psi"


@pytest.mark.parametrize(("at_top", "sentence"), [
    (7.5, f"shell test: lowest 504.79 psi, less the error 501.03 psi, {AFTER_ALL}: stands"),
    (7.6, f"shell test: lowest 504.79 psi, less the error 500.98 psi, {AFTER_ALL}: in the guard band, NOT SHOWN"),
    (11.6, f"shell test: lowest 504.79 psi, less the error 499.00 psi, {AFTER_ALL}: in the guard band, NOT SHOWN"),
    (11.7, f"shell test: lowest 504.79 psi, less the error 498.95 psi, {AFTER_ALL}: NO LONGER MET"),
])  # fmt: skip
def test_a_stage_is_asked_again_by_its_own_rule_with_the_error_taken_off(accepted_run, at_top, sentence):
    """U is 1.0 psi and the rule is guarded: 501 psi or more conforms, below 499 psi does not, between is inconclusive.

    The reading is 504.79 psi, zero taken off; e psi high at 1000 psi, it was 504.79 e / (1000 + e) high there.
    """
    run = impact_on(accepted_run, "", as_found_of(found_at(at_top, tolerance="2 psi"), None))
    shell = run.stages[0]
    assert shell.sentence == sentence
    assert shell.affected is not sentence.endswith("stands")


@pytest.mark.parametrize("verdict", [Verdict.REJECTED, Verdict.INCONCLUSIVE, None])
def test_a_run_that_was_not_accepted_has_no_acceptance_to_lose(accepted_run, verdict):
    """Its accepted stage falls, and is told; it calls nothing into question that rests on the run."""
    record = accepted_run.model_copy(update={"verdict": verdict})
    run = impact_on(record, "", as_found_of(found_at(11.7, tolerance="2 psi"), None))
    assert (run.stages[0].affected, run.affected) == (True, False)


@pytest.mark.parametrize(
    ("at_top", "end"), [(9.5, "required 500 psi: stands"), (9.6, "required 500 psi: NO LONGER MET")]
)
def test_a_simple_rule_has_no_guard_band(accepted_run, at_top, end):
    """An error of 4.79 psi at 504.79 psi is the most."""
    first = accepted_run.stages[0]
    simple = first.requirement.model_copy(update={"decision_rule": DecisionRule.SIMPLE})
    record = accepted_run.model_copy(update={"stages": (first.model_copy(update={"requirement": simple}),)})
    (shell,) = impact_on(record, "", as_found_of(found_at(at_top, tolerance="2 psi"), None)).stages
    assert shell.sentence.endswith(end)


def test_a_leakage_judged_by_decay_is_said_not_to_be_looked_at(accepted_run):
    """It comes from the same readings; the pressure of its hold stands."""
    first = accepted_run.stages[0]
    by_decay = first.finding.criteria[-1].model_copy(update={"required": BY_DECAY})
    finding = first.finding.model_copy(update={"criteria": (by_decay,)})
    record = accepted_run.model_copy(update={"stages": (first.model_copy(update={"finding": finding}),)})
    (shell,) = impact_on(record, "", as_found_of(found_at(3, tolerance="2 psi"), None)).stages
    assert shell.sentence == (
        f"shell test: lowest 504.79 psi, less the error 503.28 psi, {AFTER_ALL}: stands; its leakage was judged by "
        "pressure decay, which is not looked at"
    )


def test_an_instrument_that_read_low_lets_the_upper_limit_be_passed_unseen(accepted_run):
    """It read 12 % too low: the shell saw 573 psi where 550 psi was the most."""
    found = as_found_of(found_at(-120, tolerance="2 psi"), None)
    shell = impact_on(accepted_run, "", found).stages[0]
    assert (shell.conformity, shell.too_high) == ("conforms", True)
    assert shell.sentence.endswith("above the upper limit 550 psi: NO LONGER MET")


@pytest.mark.parametrize(("changed", "counts"), [
    ({}, True),
    ({"serial": "T-0043"}, False),
    ({"certificate_number": "SCL-26-0411"}, False),  # measured with the new calibration already
])  # fmt: skip
def test_which_runs_are_called_into_question(accepted_run, bench, changed, counts):
    """Those with this instrument, since the calibration before, not with this one or a later one."""
    record = accepted_run.model_copy(update={"channel": accepted_run.channel.model_copy(update=changed)})
    now = after()
    assert questioned(record, now, (FIRST, now), predecessor(now, (FIRST,), bench.channel)) is counts


@pytest.mark.parametrize(("started", "counts"), [
    ("2025-05-31T23:59:00.000Z", False), ("2025-06-01T08:00:00.000Z", True), ("2026-12-24T08:00:00.000Z", True),
])  # fmt: skip
def test_runs_from_before_the_last_good_calibration_are_not(accepted_run, bench, started, counts):
    """The day of that calibration counts; without one before, every run does."""
    record, now = accepted_run.model_copy(update={"started": started}), after()
    assert questioned(record, now, (FIRST, now), predecessor(now, (FIRST,), bench.channel)) is counts
    assert questioned(record, now, (now,), None)


# Second gauge -----------------------------------------------------------------------------------


def check(gauge: str = "250.3 psi", at: str = "2026-11-25T06:00:00.000Z", u: str = "1.0 psi", u_gauge: str = "1.5 psi"):
    """The channel at 250 psi beside a gauge."""
    return SecondGaugeCheck.model_validate({
        "gauge": "test gauge G-07", "at": at, "by": "Mara Quill", "indicated": "250 psi", "uncertainty": u,
        "gauge_indicated": gauge, "gauge_uncertainty": u_gauge,
    })  # fmt: skip


def kept(certificate: str = "CAL-26-0311", **facts: str) -> GaugeCheck:
    return GaugeCheck(channel="PT-101", serial="T-0042", certificate_number=certificate, check=check(**facts))


@pytest.mark.parametrize(("gauge", "agrees"), [("255", True), ("255.000001", False), ("245", True), ("244.99", False)])
@pytest.mark.parametrize("unit", ["psi", "bar"])
def test_two_gauges_agree_up_to_the_root_of_the_sum_of_the_squares(gauge, agrees, unit):
    """Eₙ = 1 at 5 apart with U of 3 and 4, exactly; one millionth more and they disagree, in any unit."""
    facts = {"gauge": f"{gauge} {unit}", "u": f"3 {unit}", "u_gauge": f"4 {unit}"}
    found = check(**facts).model_copy(update={"indicated": Pressure.of(250, unit)})
    assert found.agrees is agrees


@pytest.mark.parametrize(("calibrated", "certificate", "counts"), [
    (date(2026, 11, 24), "new", True),  # checked the day after its calibration
    (date(2026, 11, 25), "CAL-26-0311", True),
    (date(2026, 11, 25), "new", False),  # calibrated later on the day of the check
    (date(2026, 11, 26), "new", False),
])  # fmt: skip
def test_a_new_calibration_makes_an_old_check_say_nothing(bench, calibrated, certificate, counts):
    """A calibration of before the check that is entered after it does not."""
    from testbench.station.bench import ChannelCalibration

    calibration = ChannelCalibration(**dict(bench.channel.calibration)).model_copy(
        update={"calibrated_on": calibrated, "certificate_number": certificate, "due_on": date(2027, 12, 1)}
    )
    assert (check_in_force([kept()], calibration) is not None) is counts


# The start of a run -----------------------------------------------------------------------------


def started(at_hand: BenchInHand):
    """The answer to a request for a run of the first valve, the bench at rest before it."""
    at_hand.hold(0.2, 3)
    return at_hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")


def with_channel(bench, **changes):
    return bench.model_copy(update={"channel": bench.channel.model_copy(update=changes)})


def test_a_run_takes_the_calibration_of_the_register(at_hand):
    """Gain, U along the range, number and dates; entered while the recorder runs."""
    at_hand.store.calibrations.append(report(points=up_and_down(gain=1.01)))
    assert started(at_hand).done
    channel = at_hand.session.run.channel
    assert (channel.certificate_number, channel.due_on) == ("SCL-26-0411", date(2027, 6, 1))
    assert float(channel.scale.gain) == pytest.approx(1 / 1.01)
    assert channel.scale.zero_millicounts == pytest.approx(20_000, abs=500)
    assert [point.at.to("psi") for point in channel.uncertainty_points] == list(range(0, 1001, 100))
    at_hand.hold(505.2, 1)
    assert at_hand.see().signal.pressure == pytest.approx(500.0, abs=0.03)


def test_the_range_is_that_of_the_calibration_in_force(at_hand):
    """Calibrated to 600 psi now: 601 is no value any more, where bench.toml still says 1000."""
    half = [row for row in up_and_down() if row["reference"] <= 600]
    assert started(at_hand).done
    at_hand.do("end_run")
    at_hand.hold(601, 1)
    assert at_hand.see().signal.state == "good"
    at_hand.store.calibrations.append(report(points=half))
    assert started(at_hand).done
    at_hand.hold(601, 1)
    assert at_hand.see().signal.pressure is None


def test_a_channel_without_a_calibration_starts_nothing(bench, order):
    """Neither in the register nor in bench.toml; with one in the register it starts."""
    at_hand = BenchInHand(with_channel(bench, calibration=None), order)
    answer = started(at_hand)
    assert not answer.done
    assert answer.sentence == (
        "Channel PT-101: instrument T-0042 has no calibration in force on 2026-11-25, "
        "neither in the register nor in bench.toml."
    )
    assert answer.remedy == "Enter its calibration certificate: testbench calibration add."
    at_hand.store.calibrations.append(report())
    assert started(at_hand).done


@pytest.mark.parametrize(("due", "starts"), [("2026-11-24", False), ("2026-11-25", True)])
def test_an_overdue_calibration_of_the_register_starts_nothing(at_hand, due, starts):
    """Even where bench.toml would be in date: the register goes first."""
    at_hand.store.calibrations.append(report(due_on=due))
    answer = started(at_hand)
    assert answer.done is starts
    if not starts:
        assert answer.sentence == "Channel PT-101: calibration was due on 2026-11-24, today is 2026-11-25."


@pytest.mark.parametrize(("highest", "starts"), [(500, False), (600, True)])
def test_a_calibration_that_does_not_reach_the_upper_limit_starts_nothing(at_hand, highest, starts):
    """550 psi is the upper limit of the shell test."""
    at_hand.store.calibrations.append(report(points=[r for r in up_and_down() if r["reference"] <= highest]))
    assert started(at_hand).done is starts


def test_a_second_gauge_that_disagrees_starts_nothing(at_hand):
    """Until a check agrees; the one that counts is the newest, and it stands in the record."""
    at_hand.store.gauge_checks.append(kept(gauge="252.5 psi"))
    answer = started(at_hand)
    assert answer.sentence == (
        "Channel PT-101 disagrees with a second gauge: 250.00 psi beside 252.50 psi on test gauge G-07 on 2026-11-25: "
        "2.50 psi apart, 1.80 psi is allowed."
    )
    assert not at_hand.store.opened
    at_hand.store.gauge_checks.append(kept())
    assert started(at_hand).done
    assert at_hand.session.run.channel.second_gauge == check()


@pytest.mark.parametrize(("hours", "starts"), [(8, True), (7, False)])
def test_a_bench_that_wants_a_check_before_every_shift(bench, order, hours, starts):
    """The newest is of 00:01:43, the run starts at 08:01:43: 8 h are just right, 7 are too few."""
    at_hand = BenchInHand(with_channel(bench, gauge_check_every_h=hours), order)
    at_hand.store.gauge_checks.append(kept(at="2026-11-25T00:01:43.000Z"))
    at_hand.clock.seconds = 100.0
    answer = started(at_hand)
    assert at_hand.clock.utc().replace(microsecond=0) == datetime(2026, 11, 25, 8, 1, 43, tzinfo=UTC)
    assert answer.done is starts
    if not starts:
        assert answer.sentence == (
            "Channel PT-101 must be checked against a second gauge every 7 h; "
            "the newest check is of 2026-11-25T00:01:43.000Z."
        )


def test_a_demanded_check_that_was_never_made(bench, order):
    """Or was made before the calibration."""
    at_hand = BenchInHand(with_channel(bench, gauge_check_every_h=12), order)
    assert started(at_hand).sentence == (
        "Channel PT-101 must be checked against a second gauge every 12 h; "
        "the newest check is from before its calibration, or there is none."
    )
