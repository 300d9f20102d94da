"""From deliveries of a port to samples and gaps: silence is never a value."""

from datetime import UTC, datetime

import pytest

from testbench.framing.readings import Reading, Rejected, RejectReason
from testbench.quantities import Pressure
from testbench.run.samples import GapReason, Sample
from testbench.station.acquisition import Arrived, LineErrors, Polled, PortLost, PortOpened
from testbench.station.register import channel_of
from tests.station.conftest import OwnLine


@pytest.fixture
def line(bench):
    """A line that was opened and has found its first line end."""
    acquisition = OwnLine(bench.channel)
    acquisition.calibrated(channel_of(bench.channel, (), (), datetime(2026, 11, 25, tzinfo=UTC)))
    acquisition.take(PortOpened(0.0, ""))
    acquisition.take(Arrived(0.0, b"13\r\n"))
    return acquisition


def test_a_line_becomes_a_sample_with_the_stamp_of_its_read(line):
    """Two lines in one read carry one arrival stamp."""
    taken = line.take(Arrived(1.5, b"+0250.13\r\n+0250.14\r\n"))
    assert [(sample.at, sample.counts) for sample in taken.samples] == [(15_000, 25_013), (15_000, 25_014)]


def test_half_a_line_is_nothing_until_its_end_comes(line):
    """A pause in the middle of a line gives no half value."""
    assert line.take(Arrived(1.0, b"+02")).samples == ()
    assert [s.counts for s in line.take(Arrived(1.4, b"50.13\r\n")).samples] == [25_013]


@pytest.mark.parametrize(("seconds", "silent"), [(0.5, False), (0.5001, True)])
def test_a_reading_is_stale_after_half_a_second(line, seconds, silent):
    """stale_after_s = 0.5 in bench.toml."""
    line.take(Arrived(1.0, b"+0250.13\r\n"))
    assert (line.silent_since(round((1.0 + seconds) * 10_000)) is not None) is silent


def test_a_silence_is_kept_as_a_gap_from_the_last_reading_to_the_next(line):
    """From, to, reason."""
    line.take(Arrived(1.0, b"+0250.13\r\n"))
    assert line.silent_since(30_000) == 10_000
    taken = line.take(Arrived(4.0, b"+0250.14\r\n"))
    assert [(gap.since, gap.until, gap.reason) for gap in taken.gaps] == [(10_000, 40_000, GapReason.SILENT)]


def test_a_silence_that_nobody_asked_about_is_a_gap_all_the_same(line):
    """The next reading tells."""
    line.take(Arrived(1.0, b"+0250.13\r\n"))
    assert [gap.reason for gap in line.take(Arrived(4.0, b"+0250.14\r\n")).gaps] == [GapReason.SILENT]


def test_a_pulled_cable_is_a_gap_with_that_reason_and_the_first_line_after_it_is_dropped(line):
    """Unplug and replug."""
    line.take(Arrived(1.0, b"+0250.13\r\n"))
    line.take(PortLost(1.2, "Port X is not there.", "Plug it in."))
    assert line.port_sentence == "Port X is not there."
    line.take(PortOpened(3.0, ""))
    assert line.take(Arrived(3.0, b"0.13\r\n")).samples == ()
    taken = line.take(Arrived(3.1, b"+0250.14\r\n"))
    assert [(gap.since, gap.until, gap.reason) for gap in taken.gaps] == [(10_000, 31_000, GapReason.UNPLUGGED)]


@pytest.mark.parametrize(
    ("text", "usable"), [(b"+1000.00\r\n", True), (b"+1000.01\r\n", False), (b"-0051.00\r\n", False)]
)
def test_a_reading_outside_the_calibrated_range_is_a_fault(line, text, usable):
    """0 to 1000 psi, with room for the zero below."""
    assert (len(line.take(Arrived(1.0, text)).samples) == 1) is usable
    assert (line.fault is None) is usable


def test_a_reading_that_stands_still_for_ten_seconds_is_a_fault(line):
    """frozen_after_s = 10: the lines keep coming, the signal is gone."""
    for tenth in range(1, 103):
        taken = line.take(Arrived(tenth / 10, b"+0250.13\r\n"))
    assert taken.samples == ()
    assert line.fault is GapReason.FROZEN
    assert line.silent_since(102_000) == 1_000
    gap = line.take(Arrived(10.3, b"+0250.14\r\n")).gaps[0]
    assert (gap.since, gap.until, gap.reason) == (1_000, 103_000, GapReason.FROZEN)


def test_bytes_without_a_valid_line_are_said_to_be_garbage(line):
    """A wrong baud rate: bytes arrive, none is a line."""
    line.take(Arrived(1.0, b"+0250.13\r\n"))
    taken = line.take(Arrived(2.0, b"\xf8\x80\x00\n\xf8\x81\n"))
    assert len(taken.rejected) == 2
    assert line.fault is GapReason.GARBAGE
    assert line.rejected_lines == 2


def test_readings_that_come_in_one_heap_after_a_standstill_are_not_placed_in_time(line):
    """A stopped program: ten seconds of lines under one stamp are a gap, not a hold."""
    line.take(Arrived(1.0, b"+0250.13\r\n"))
    heap = b"".join(b"+0250.%02d\r\n" % (n % 100) for n in range(100))
    assert line.take(Arrived(11.0, heap)).samples == ()
    gap = line.take(Arrived(11.1, b"+0250.14\r\n")).gaps[0]
    assert (gap.since, gap.until, gap.reason) == (10_000, 111_000, GapReason.LATE)


@pytest.mark.parametrize(
    ("text", "jumped"), [(b"+0300.13\r\n", False), (b"+0300.14\r\n", True), (b"+0200.12\r\n", True)]
)
def test_a_reading_that_changes_faster_than_pressure_can_is_kept_and_marked(bench, text, jumped):
    """500 psi/s at the most: 50 psi in 0.1 s. The sample stays, for a burst looks like that, too."""
    fast = bench.channel.model_copy(update={"fastest_change_per_s": Pressure.of(500, "psi")})
    acquisition = OwnLine(fast)
    acquisition.take(PortOpened(0.0, ""))
    acquisition.take(Arrived(0.9, b"13\r\n+0250.13\r\n"))
    taken = acquisition.take(Arrived(1.0, text))
    assert len(taken.samples) == 1
    assert [gap.reason for gap in taken.gaps] == ([GapReason.JUMPED] if jumped else [])


def test_what_came_in_one_delivery_has_no_rate(bench):
    """Readings that were stamped together do not jump."""
    fast = bench.channel.model_copy(update={"fastest_change_per_s": Pressure.of(500, "psi")})
    acquisition = OwnLine(fast)
    acquisition.take(PortOpened(0.0, ""))
    assert acquisition.take(Arrived(0.9, b"13\r\n+0250.13\r\n+0400.00\r\n")).gaps == ()


def test_a_polled_value_becomes_a_sample_at_the_time_of_its_answer(line):
    """Both ends are kept; the answer's is the sample's."""
    taken = line.take(Polled(at_s=1.5, sent_s=1.48, found=Reading(25_013)))
    assert taken.samples == (Sample(15_000, 25_013, asked=14_800),)


def test_a_reading_that_came_by_itself_was_never_asked_for(line):
    """One stamp, and no query made up for it."""
    assert line.take(Arrived(0.9, b"13\r\n+0250.13\r\n")).samples == (Sample(9_000, 25_013, asked=None),)


def test_a_query_without_an_answer_is_silence_not_garbage(line):
    """A cable that was pulled behind the adapter says nothing about the settings of the line."""
    line.take(Polled(1.0, 0.9, Reading(25_013)))
    taken = line.take(Polled(3.0, 2.9, Rejected(b"", RejectReason.NO_ANSWER)))
    assert taken.rejected == ((30_000, Rejected(b"", RejectReason.NO_ANSWER)),)
    assert line.silent_since(30_000) == 10_000
    assert (line.fault, line.rejected_lines) == (GapReason.SILENT, 0)
    line.take(Polled(3.1, 3.0, Rejected(b"\x01\x02", RejectReason.CHECKSUM)))
    assert (line.fault, line.rejected_lines) == (GapReason.DAMAGED, 1)


@pytest.mark.parametrize(
    ("reason", "above", "below"),
    [(RejectReason.OVER_RANGE, (11_000,), ()), (RejectReason.UNDER_RANGE, (), (11_000,)), (RejectReason.FAULT, (), ())],
)
def test_the_instruments_own_word_on_its_range_counts_as_a_reading_out_of_it_does(line, reason, above, below):
    """A transmitter that says "over range" may stand at any pressure: the stage must trip as for a number."""
    line.take(Polled(1.0, 0.9, Reading(25_013)))
    taken = line.take(Polled(1.1, 1.05, Rejected(b"+0999.99 H", reason)))
    assert (taken.samples, taken.above_range, taken.below_range) == ((), above, below)
    assert line.fault is (GapReason.OUT_OF_RANGE if above or below else None)


def test_errors_that_the_driver_counts_are_kept_until_the_port_is_opened_again(line):
    """They begin at nothing with each opening."""
    errors = LineErrors(1.0, framing=2, overrun=0, parity=1, breaks=0, buffer_overrun=0)
    assert line.take(errors).samples == ()
    assert line.line_errors == errors
    line.take(PortOpened(2.0, ""))
    assert line.line_errors is None
