"""A machine that slept, and a clock that was set: the one is a gap that no hold survives, the other is only told."""

import pytest

from testbench.run.samples import GapReason
from testbench.station.acquisition import ClockSet, Suspended
from testbench.station.clock_watch import ClockWatch, Moment

BEFORE = Moment(100.0, 500.0, 1_790_000_000.0)


def later(monotonic, since_boot, of_day):
    """What the clocks have moved by, a second of the station's clock on."""
    watch = ClockWatch(BEFORE)
    now = Moment(*(was + moved for was, moved in zip(BEFORE, (monotonic, since_boot, of_day), strict=True)))
    return watch.look(now, 11.0)


@pytest.mark.parametrize(
    ("moved", "found"),
    [
        ((1.0, 1.0, 1.0), ()),
        ((1.0, 1.2, 1.2), ()),  # the jitter of three readings
        ((1.0, 1.21, 1.21), (Suspended(11.0, 10.0, pytest.approx(0.21)),)),
        ((1.0, 61.0, 61.0), (Suspended(11.0, 10.0, pytest.approx(60.0)),)),
        ((1.0, 1.0, 1.09), ()),
        ((1.0, 1.0, 1.11), (ClockSet(11.0, pytest.approx(0.11, abs=1e-5)),)),
        ((1.0, 1.0, -3599.0), (ClockSet(11.0, pytest.approx(-3600.0)),)),
        ((1.0, 61.0, 1.0), (Suspended(11.0, 10.0, pytest.approx(60.0)), ClockSet(11.0, pytest.approx(-60.0)))),
    ],
)  # fmt: skip
def test_clocks_that_run_apart_tell_what_happened(moved, found):
    """CLOCK_BOOTTIME counts while the machine sleeps, CLOCK_MONOTONIC does not (clock_gettime(2), from memory)."""
    assert later(*moved) == found


def test_the_machine_is_compared_with_its_last_look():
    """A clock that was set once is told once."""
    watch = ClockWatch(BEFORE)
    assert watch.look(Moment(101.0, 501.0, 1_790_003_601.0), 1.0)
    assert watch.look(Moment(102.0, 502.0, 1_790_003_602.0), 2.0) == ()


def test_this_machine_has_all_three_clocks():
    """Read twice, they move together."""
    from testbench.instruments.clocks import moment

    assert ClockWatch(moment()).look(moment(), 0.0) == ()


def test_a_hold_in_which_the_machine_slept_begins_again_and_the_gap_is_in_the_record(at_hand):
    """Ten minutes of sleep are no time at all on the clock that times the hold."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    at_hand.hold(505, 100)
    now = at_hand.clock.seconds
    at_hand.session.take(Suspended(now, now - 0.25, 600.0))
    assert at_hand.see().stage.phase == "pressurizing"
    assert "The machine was suspended; steadiness is waited for again." in [n.sentence for n in at_hand.see().notices]
    at_hand.hold(505, 40)
    at_hand.hold(505, 125)
    at_hand.do("observe", criterion=0, seen="no leakage")
    at_hand.hold(0.2, 2)
    record = at_hand.session.run.stages[0]
    assert (record.restarts, [gap.reason for gap in record.gaps]) == (1, [GapReason.SUSPENDED])
    assert record.finding.verdict == "accepted"


def test_a_clock_that_is_set_is_told_and_changes_no_hold(at_hand):
    """An hour back in the middle of a hold: one line in the journal."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    left = at_hand.see().stage.hold_left_s
    at_hand.session.take(ClockSet(at_hand.clock.seconds, -3600.0))
    sentence = "The clock of this machine was set back by 3600.0 s; no hold is timed by it."
    assert [n.sentence for n in at_hand.see().notices][-1] == sentence
    assert [h.sentence for h in at_hand.store.journal if h.event == "clock set"] == [sentence]
    assert (at_hand.see().stage.phase, at_hand.see().stage.hold_left_s) == ("holding", left)
