"""What a run's record says of the line: settings, openings, counted errors, raw bytes, origin."""

from dataclasses import replace

import pytest

from testbench.errors import CaptureNotWrittenError
from testbench.run.record import LineRecord, Origin
from testbench.station.acquisition import LineErrors, PortLost, PortOpened
from testbench.station.session import Session
from tests.station.conftest import BenchInHand

STATE = "plain-line on /dev/x, 9600 baud 8N1; exclusive; low latency on; parity of input none; line errors counted"


class Kept:
    """Notes what was kept."""

    def __init__(self, failing=""):
        self.begun, self.failing = [], failing

    def begin(self, run):
        if self.failing == "begin":
            raise CaptureNotWrittenError(run, "No space left on device")
        self.begun.append(run)

    def end(self):
        if self.failing == "end":
            raise CaptureNotWrittenError("B1-000001.capture", "No space left on device")
        return (f"{self.begun[-1]}.capture", "ab" * 32) if self.begun else ("", "")


@pytest.fixture
def bench_with(bench, order):
    def made(**outside):
        at_hand = BenchInHand(bench, order)
        at_hand.session = Session(bench, replace(at_hand.session.outside, **outside))
        at_hand.viewer._session = at_hand.session
        at_hand.session.take(PortOpened(at_hand.clock.seconds, STATE, counting=True))
        at_hand.line(0.0)
        return at_hand

    return made


def ended(at_hand) -> LineRecord:
    at_hand.do("end_run")
    return at_hand.store.sealed[-1][0].line


def test_the_record_says_how_the_line_was_opened_and_what_was_counted_in_the_run(bench_with):
    """Errors from before the run are not the run's; what was counted before a replug is not lost."""
    at_hand = bench_with()
    take, clock = at_hand.session.take, at_hand.clock
    take(LineErrors(clock.seconds, framing=5, overrun=0, parity=0, breaks=1, buffer_overrun=0))
    at_hand.start("HL-4-0117")
    take(LineErrors(clock.seconds, framing=7, overrun=0, parity=0, breaks=1, buffer_overrun=0))
    take(PortLost(clock.seconds, "Port X is not there.", "Plug it in."))
    take(PortOpened(clock.seconds, STATE, counting=True))
    take(LineErrors(clock.seconds, framing=3, overrun=0, parity=0, breaks=0, buffer_overrun=0))
    errors = {"framing": 5, "overrun": 0, "parity": 0, "breaks": 0, "buffer_overrun": 0}
    assert ended(at_hand) == LineRecord(settings=STATE, opened=1, errors=errors)


def test_a_driver_that_does_not_count_is_not_said_to_have_counted_nothing(at_hand):
    """None, not 0."""
    at_hand.start("HL-4-0117")
    assert ended(at_hand).errors is None


def test_the_record_names_the_file_of_its_raw_bytes_and_its_hash(bench_with):
    """keep_raw = true in bench.toml."""
    at_hand = bench_with(raw=Kept())
    at_hand.start("HL-4-0117")
    record = ended(at_hand)
    assert (record.raw_file, record.raw_sha256) == ("B1-000001.capture", "ab" * 32)


@pytest.mark.parametrize("failing", ["begin", "end"])
def test_raw_bytes_that_cannot_be_kept_are_told_and_stop_no_test(bench_with, failing):
    """The samples are on disk all the same."""
    at_hand = bench_with(raw=Kept(failing))
    at_hand.start("HL-4-0117")
    record = ended(at_hand)
    assert (record.raw_file, record.raw_sha256) == ("", "")
    told = [notice.sentence for notice in at_hand.see().notices if "cannot be written" in notice.sentence]
    assert told[0].endswith("cannot be written: No space left on device.")


def test_a_run_from_a_capture_is_a_replayed_one_and_a_specimen(bench_with, bench):
    """Even on a bench that is live otherwise."""
    at_hand = bench_with(replayed=True)
    at_hand.start("HL-4-0117")
    assert at_hand.session.run.origin is Origin.REPLAYED
    assert at_hand.session.run.specimen
