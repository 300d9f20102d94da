"""Ways to an acceptance that must not exist: each was once found open by somebody who looked for it."""

import pytest

from testbench.errors import RequestUnreadableError
from testbench.run.machine import Ending, Phase
from testbench.run.record import Origin, Verdict
from testbench.station.acquisition import Arrived


def lines(at_hand, text: bytes, times: int = 6):
    """The transmitter says the same line a few times."""
    for _ in range(times):
        at_hand.clock.seconds += 0.1
        at_hand.session.take(Arrived(at_hand.clock.seconds, text))
        at_hand.session.tick()


def test_a_reading_above_the_range_trips_the_stage(at_hand):
    """Over 1000 psi the transmitter cannot say how much: the pressure may have been anything."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    lines(at_hand, b"+1200.00\r\n", 1)
    stage = at_hand.see().stage
    assert (stage.phase, stage.ended) == ("depressurizing", "tripped")
    assert stage.reason == "The transmitter read above its range; an engineer must look at this valve."


def test_a_reading_below_the_range_breaks_the_hold(at_hand):
    """Half a second of −900 psi is a fault, not a gap that a hold survives."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    lines(at_hand, b"-0900.00\r\n", 1)
    stage = at_hand.see().stage
    assert (stage.phase, stage.restarts) == ("pressurizing", 1)


def test_nobody_says_no_leakage_of_a_valve_without_pressure(at_hand):
    """After the hold the pressure falls before anybody looked: the hold starts again."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    at_hand.hold(505, 65)
    assert at_hand.see().stage.phase == "observing"
    at_hand.hold(0.3, 1)
    answer = at_hand.ask("observe", criterion=0, seen="no leakage")
    assert answer.sentence == (
        "The observation was not recorded: 'no leakage' was said while pressurizing; "
        "it can be said once the hold is over."
    )
    assert at_hand.see().stage.restarts == 1


def test_a_volume_can_be_read_after_the_pressure_is_gone(at_hand):
    """What was caught within the hold stays caught."""
    at_hand.shell()
    at_hand.to_hold(253)
    at_hand.do("collection_started")
    at_hand.hold(253, 60)
    at_hand.do("collection_ended")
    at_hand.hold(253, 1)
    at_hand.hold(0.2, 3)
    at_hand.do("collected", volume="0.7 mL")
    at_hand.hold(0.2, 1)
    assert at_hand.store.sealed[0][0].verdict is Verdict.ACCEPTED


def test_a_trip_ends_the_run_and_the_next_one_says_so(at_hand):
    """Law 2: an engineer looks first; the record of the retest names the trip."""
    at_hand.start("HL-4-0117")
    at_hand.do("start_stage")
    at_hand.do("vent_closed")
    at_hand.hold(600, 1)
    at_hand.hold(0.2, 3)
    first, _ = at_hand.store.sealed[0]
    assert (first.verdict, first.ending) == (None, Ending.TRIPPED)
    assert first.reason.startswith("The shell test tripped: Pressure rose above the upper limit of 550 psi;")
    at_hand.start("HL-4-0117")
    assert [(run.run, run.verdict) for run in at_hand.session.run.earlier] == [("B1-000001", None)]
    assert any("Run B1-000001 of this valve: void. The shell test tripped" in n.sentence for n in at_hand.see().notices)


def test_pressure_between_the_stages_is_seen_and_ends_the_run(at_hand):
    """900 psi on a valve while no stage is under way: void, kept, and said."""
    at_hand.shell("HL-8-0119")
    at_hand.hold(900, 1)
    record, _ = at_hand.store.sealed[0]
    assert record.verdict is None
    assert record.reason == "Outside a stage 899.8 psi was read, above 550 psi; an engineer must look at this valve."
    assert any(sample.counts > 80_000 for sample in at_hand.store.samples[-1])


def test_what_is_not_on_disk_is_not_said(at_hand):
    """Journal first, screen afterwards: also when the disk is full."""
    at_hand.start("HL-8-0119")
    at_hand.to_hold(505)
    at_hand.store.full = True
    at_hand.hold(505, 125)
    said = [notice.sentence for notice in at_hand.see().notices]
    assert "The hold of 120 s is complete." not in said
    at_hand.store.full = False
    at_hand.hold(505, 2)
    assert "The hold of 120 s is complete." in [notice.sentence for notice in at_hand.see().notices]


def test_a_simulated_rig_is_told_by_its_line_whatever_the_configuration_says(bench, order):
    """Law 8: without a word in bench.toml the run is marked all the same."""
    from tests.station.conftest import BenchInHand

    at_hand = BenchInHand(bench.model_copy(update={"simulation": None}), order)
    at_hand.session.take(Arrived(at_hand.clock.seconds, b"SIMULATED RIG\r\n"))
    at_hand.start("HL-4-0117")
    assert at_hand.session.run.origin is Origin.SIMULATED
    assert at_hand.session.acquisition.rejected_lines == 0


def test_one_screen_that_attaches_takes_nothing_from_the_others(at_hand):
    """The whole trace for one, the newest points for everybody."""
    at_hand.start("HL-4-0117")
    at_hand.do("start_stage")
    at_hand.hold(1.0, 1)
    at_hand.see()
    at_hand.hold(1.0, 1)
    at_hand.viewer.update(whole_trace=True)
    assert len(at_hand.see().trace) > 0
    assert at_hand.see().stage.phase == Phase.FILLING


def test_what_a_simulated_rig_says_of_itself_is_no_unreadable_line(bench, order):
    """The page of the demonstration does not blame the line."""
    from tests.station.conftest import BenchInHand

    at_hand = BenchInHand(bench, order)
    at_hand.start("HL-4-0117")
    at_hand.do("start_stage")
    lines(at_hand, b"SIMULATED RIG\r\n+0000.12\r\n", 1)
    assert at_hand.session.stage.rejected_lines == 0


@pytest.mark.parametrize("line", [b"+1500.00\r\n", b"+0700.00\r\n"])
def test_overpressure_on_the_way_down_trips_a_stage_that_was_already_completed(at_hand, line):
    """The hold was good and the answer given; then the release goes wrong: no acceptance, no second attempt."""
    at_hand.start("HL-8-0119")
    at_hand.to_hold(505)
    at_hand.hold(505, 125)
    at_hand.do("observe", criterion=0, seen="no leakage")
    assert at_hand.see().stage.phase == "depressurizing"
    lines(at_hand, line, 3)
    at_hand.hold(0.2, 2)
    record, _ = at_hand.store.sealed[0]
    assert (record.verdict, record.ending, record.stages[0].ended) == (None, Ending.TRIPPED, Ending.TRIPPED)


def test_a_trial_does_not_stand_in_the_way_of_the_real_test(at_hand):
    """An acceptance that only yields specimens counts for specimens only."""
    asked = []

    def accepted_run_of(serial, *, specimen):
        asked.append(specimen)

    at_hand.store.accepted_run_of = accepted_run_of
    at_hand.start("HL-4-0117")
    assert asked == [True]


def test_a_volume_and_a_count_at_once_are_no_answer(at_hand):
    """One of both, never whichever comes first."""
    with pytest.raises(RequestUnreadableError) as refusal:
        at_hand.ask("collected", volume="1 mL", drops=3)
    assert str(refusal.value) == (
        "This is not a request: collected: Value error, give either a volume or a count, not both and not neither."
    )
