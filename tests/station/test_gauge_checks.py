"""Checks against a second gauge: what clears a disagreement, and what one does to the run that is open."""

from datetime import UTC, date, datetime

import pytest

from testbench.errors import DataRefusedError, StoreFailedError
from testbench.run.evaluation import rejudged
from testbench.run.record import RunRecord, SecondGaugeCheck, canonical
from testbench.run.samples import Trace
from testbench.station.bench import ChannelCalibration
from testbench.station.gauge_checks import GaugeCheck, check_in_force, check_sense, checks_since
from testbench.station.ports import JournalLine, OpenRun
from testbench.station.recovery import close_interrupted
from tests.station.conftest import BenchInHand


def made(indicated: str, gauge: str, *, u_gauge: str = "1.5 psi", at: str = "09:00", day: str = "2026-11-25"):
    """The channel (U 1.0 psi) beside a gauge."""
    check = SecondGaugeCheck.model_validate({
        "gauge": "test gauge G-07", "at": f"{day}T{at}:00+00:00", "by": "Mara Quill", "indicated": indicated,
        "uncertainty": "1.0 psi", "gauge_indicated": gauge, "gauge_uncertainty": u_gauge,
    })  # fmt: skip
    return GaugeCheck(channel="PT-101", serial="T-0042", certificate_number="CAL-26-0311", check=check)


BAD = made("400 psi", "402.5 psi")
"""2.5 psi apart, 1.8 psi allowed."""
BAD_IN_WORDS = (
    "400.00 psi beside 402.50 psi on test gauge G-07 on 2026-11-25: 2.50 psi apart, 1.80 psi is allowed"
)  # fmt: skip
INSTRUMENT = (
    f"Channel PT-101: it disagreed with a second gauge while the run was open: {BAD_IN_WORDS} "
    "(checked by Mara Quill at 09:00 UTC); find out which of the two is wrong, then test the valve again."
)

WHY = f"A second gauge disagreed with PT-101 while the run was open: {BAD_IN_WORDS}."


@pytest.fixture
def calibration(bench) -> ChannelCalibration:
    return ChannelCalibration(**dict(bench.channel.calibration))


# What clears a disagreement ---------------------------------------------------------------------


@pytest.mark.parametrize(("checks", "agrees"), [
    ([BAD], False),
    ([BAD, made("300 psi", "300 psi")], True),  # 3/4 of the pressure, exactly
    ([BAD, made("299.99 psi", "300 psi")], False),
    ([BAD, made("20 psi", "20 psi"), made("400 psi", "400 psi")], True),
    ([BAD, made("400 psi", "402 psi", u_gauge="4 psi")], False),  # allows 4.1 psi: 2.5 psi would pass, too
    ([BAD, made("400 psi", "400 psi", u_gauge="2.2 psi")], True),  # coarser, but 2.42 psi would have shown 2.5
    ([BAD, made("400 psi", "400 psi", u_gauge="2.3 psi")], False),  # 2.51 psi would not
    ([BAD, made("50 psi", "60 psi"), made("50 psi", "50 psi")], False),  # clears the second, not the first
    ([made("50 psi", "60 psi"), BAD, made("400 psi", "400 psi")], True),  # clears both
])  # fmt: skip
def test_what_clears_a_disagreement(calibration, checks, agrees):
    """At no less than 3/4 of its pressure, with a gauge that would have shown it (both our own choice)."""
    assert check_in_force(checks, calibration).agrees is agrees


def test_the_disagreement_that_stands_is_the_one_that_is_told(calibration):
    """Not the low check that agrees after it."""
    assert check_in_force([BAD, made("20 psi", "20 psi")], calibration) == BAD.check
    newer = calibration.model_copy(update={"calibrated_on": date(2026, 11, 26)})
    assert check_in_force([BAD], newer) is None


@pytest.mark.parametrize(("u_gauge", "fine"), [("4 psi", True), ("4.01 psi", False)])
def test_a_gauge_that_is_much_coarser_than_the_channel_is_refused(bench, calibration, u_gauge, fine):
    """U of the channel is 1.0 psi; 4 times that is the most (our own choice)."""
    check, channel = made("400 psi", "400 psi", u_gauge=u_gauge).check, bench.channel.record(calibration)
    if fine:
        check_sense(check, channel)
        return
    with pytest.raises(DataRefusedError) as refusal:
        check_sense(check, channel)
    assert str(refusal.value) == (
        "check against a second gauge: found U of the gauge 4.01 psi; allowed 4.00 psi, 4 times U of the channel there."
    )


def test_checks_since_a_run_began_are_told_by_their_order(bench, calibration):
    """The clock of whoever enters a check need not be that of the run."""
    first, second = made("400 psi", "400 psi", at="12:00"), made("400 psi", "400.1 psi", at="08:00")
    channel = bench.channel.record(calibration, first.check)
    assert checks_since([first, second, BAD], channel) == (second.check, BAD.check)
    assert checks_since([first], channel) == ()
    unchecked = bench.channel.record(calibration)
    assert checks_since([made("400 psi", "400 psi", day="2026-03-10"), BAD], unchecked) == (BAD.check,)


# The run that is open ---------------------------------------------------------------------------


def seat(at_hand: BenchInHand, *, until_the_answer: tuple[GaugeCheck, ...] = ()) -> None:
    at_hand.to_hold(253)
    at_hand.hold(253, 125)
    at_hand.store.gauge_checks.extend(until_the_answer)
    answered(at_hand)


def answered(at_hand: BenchInHand) -> None:
    at_hand.do("observe", criterion=0, seen="no leakage")
    at_hand.hold(0.2, 2)


def sealed(at_hand: BenchInHand) -> tuple[RunRecord, tuple[Trace, ...]]:
    (only,) = at_hand.store.sealed
    return only


def instruments(record: RunRecord) -> list[tuple[str, str]]:
    return [(stage.finding.verdict, stage.finding.criteria[0].sentence) for stage in record.stages]


def test_a_disagreement_in_the_last_stage_undoes_every_stage_of_the_run(at_hand):
    """The shell test had been accepted by then; judged again from the record it is the same."""
    at_hand.shell("HL-8-0119")
    seat(at_hand, until_the_answer=(BAD,))
    record, traces = sealed(at_hand)
    assert instruments(record) == [("inconclusive", INSTRUMENT)] * 2
    assert (record.verdict, record.reason) == ("inconclusive", f"The shell test is inconclusive. {WHY}")
    assert record.channel.checked_since == (BAD.check,)
    assert at_hand.desk.asked == []
    assert rejudged(RunRecord.model_validate_json(canonical(record)), traces) == record


def test_a_disagreement_that_comes_before_the_run_is_sealed_binds_it(at_hand, monkeypatch):
    """The store does not say what was checked when the stage ends: the run is not sealed before it has answered."""
    at_hand.shell("HL-8-0119")
    at_hand.to_hold(253)
    at_hand.hold(253, 125)
    at_hand.store.gauge_checks.append(BAD)

    def refuse(serial):
        raise StoreFailedError("testbench.db", "the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(at_hand.store, "gauge_checks_of", refuse)
        answered(at_hand)
        assert at_hand.store.sealed == []
    at_hand.hold(0.2, 2)
    record, _ = sealed(at_hand)
    assert (record.verdict, instruments(record)) == ("inconclusive", [("inconclusive", INSTRUMENT)] * 2)


def test_no_stage_begins_while_the_store_does_not_say_what_was_checked(at_hand, monkeypatch):
    """A refusal, and nothing is changed; once it answers the stage begins."""
    at_hand.shell("HL-8-0119")

    def refuse(serial):
        raise StoreFailedError("testbench.db", "the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(at_hand.store, "gauge_checks_of", refuse)
        answer = at_hand.ask("start_stage")
        assert (answer.done, answer.sentence) == (
            False, "The records in testbench.db cannot be used: the disk is full.",
        )  # fmt: skip
    at_hand.hold(0.2, 2)
    at_hand.do("start_stage")


def test_after_a_disagreement_no_other_stage_is_begun(at_hand):
    """Nobody puts a valve under pressure for nothing; the run can only be closed."""
    at_hand.shell("HL-8-0119")
    at_hand.store.gauge_checks.append(BAD)
    answer = at_hand.ask("start_stage")
    assert (answer.done, answer.sentence, answer.remedy) == (
        False,
        f"Channel PT-101 disagreed with a second gauge while run B1-000001 was open: {BAD_IN_WORDS}.",
        "Close the run, find out which of the two is wrong, then test the valve again.",
    )
    assert at_hand.session.possible() == ["end_run"]
    at_hand.do("end_run")
    record, _ = sealed(at_hand)
    assert (record.verdict, record.reason) == (
        None, f"The seat test was not carried out. {WHY}",
    )  # fmt: skip
    assert instruments(record) == [("inconclusive", INSTRUMENT)]


def test_a_disagreement_in_the_first_stage_ends_the_run(at_hand):
    """No attempt of the same run is worth its while; a later check that agrees mends only the runs to come."""
    at_hand.start("HL-8-0119")
    at_hand.to_hold(505)
    at_hand.hold(505, 125)
    at_hand.store.gauge_checks += [BAD, made("400 psi", "400 psi", at="09:05")]
    at_hand.do("observe", criterion=0, seen="no leakage")
    at_hand.hold(0.2, 2)
    record, _ = sealed(at_hand)
    assert instruments(record) == [("inconclusive", INSTRUMENT)]
    assert [check.agrees for check in record.channel.checked_since] == [False, True]
    at_hand.start("HL-8-0119")


def test_leakage_that_was_seen_stays_seen(at_hand):
    """A rejection needs no gauge to stand."""
    at_hand.start("HL-8-0119")
    at_hand.to_hold(505)
    at_hand.hold(505, 125)
    at_hand.store.gauge_checks.append(BAD)
    at_hand.do("observe", criterion=0, seen="leakage", where="bonnet")
    at_hand.hold(0.2, 2)
    record, _ = sealed(at_hand)
    assert instruments(record) == [("rejected", INSTRUMENT)]


def test_a_check_that_agrees_is_kept_and_changes_nothing(at_hand):
    """One from before the run is the run's own, one while it is open stands beside it."""
    before, during = made("400 psi", "400 psi", at="07:00"), made("253 psi", "253 psi")
    at_hand.store.gauge_checks.append(before)
    at_hand.shell("HL-8-0119")
    seat(at_hand, until_the_answer=(during,))
    record, _ = sealed(at_hand)
    assert record.verdict == "accepted"
    assert (record.channel.second_gauge, record.channel.checked_since) == (before.check, (during.check,))


def test_a_run_without_such_a_check_keeps_its_bytes(at_hand):
    """As records from before: the field is not there."""
    at_hand.shell("HL-8-0119")
    seat(at_hand)
    record, _ = sealed(at_hand)
    assert record.verdict == "accepted"
    assert b"checked_since" not in canonical(record)


def test_a_run_that_is_closed_after_a_power_cut_is_bound_too(at_hand, monkeypatch):
    """Every stage had been accepted, the lights went out before the seal, and then somebody held a gauge to it."""
    at_hand.shell("HL-8-0119")
    kept: list[tuple[RunRecord, tuple[Trace, ...]]] = []

    def dark(record, traces):
        kept.append((record, tuple(traces)))
        raise StoreFailedError("testbench.db", "the power is gone")

    monkeypatch.setattr(at_hand.store, "seal", dark)
    seat(at_hand)
    (record, traces), *_ = kept
    assert record.verdict == "accepted"

    class Left:
        """What the power cut left."""

        def open_runs(self):
            journal = tuple(JournalLine(-1, happening) for happening in at_hand.store.journal)
            opened = datetime(2026, 11, 25, 8, tzinfo=UTC)
            return [OpenRun(record.run, at_hand.store.opened[0], opened, dict(enumerate(traces)), {}, journal)]

        def calibrations_of(self, serial):
            return ()

        def gauge_checks_of(self, serial):
            return (BAD,) if serial == "T-0042" else ()

        def seal(self, record, traces):
            self.sealed = record
            return "0" * 64

    left = Left()
    close_interrupted(left, datetime(2026, 11, 25, 10, tzinfo=UTC))
    assert (left.sealed.verdict, instruments(left.sealed)) == ("inconclusive", [("inconclusive", INSTRUMENT)] * 2)
