"""A capture is read by the very same reader: what was delivered live is delivered again, stamp for stamp."""

import hashlib
import os
import pathlib
import queue
import time
from datetime import timedelta

import pytest

from testbench.errors import CaptureDamagedError, CaptureNotWrittenError
from testbench.framing.capture import Step, StepKind
from testbench.framing.readings import Reading
from testbench.instruments import reconnecting
from testbench.instruments.captures import CaptureFile, RunCaptures, left_behind, load_capture
from testbench.instruments.connecting import connect
from testbench.instruments.line_state import ErrorCounters
from testbench.instruments.replays import ReplayClock, replay_of
from testbench.station.acquisition import Arrived, LineErrors, Polled, PortLost, PortOpened, Quiet
from testbench.station.bench import ChannelEntry

ENTRY = {"tag": "PT-101", "instrument": "transmitter", "serial": "T-0042", "unit": "psi"}


def channel_on(**line):
    digits = {} if "protocol" in line else {"decimals": 2}
    return ChannelEntry.model_validate({**ENTRY, **digits, "line": line})


def events_of(file, speed=None):
    """All that a replay delivers, the sentence at its end left out."""
    replay, events = replay_of(file, speed), queue.SimpleQueue()
    reader = connect(replay.channel.line, replay.clock, events.put, None, replay.line)
    reader.start()
    reader._thread.join(30)
    found = [events.get() for _ in range(events.qsize())]
    if isinstance(found[-1], PortLost) and found[-1].sentence == f"Capture {file.name} has ended.":
        found.pop()
    return found


def without_quiet(events):
    return [event for event in events if not isinstance(event, Quiet)]


def recorded(channel, clock, file, feed, seconds=0.6):
    """Read a live line for a while, beside a capture of it."""
    events, capture = queue.SimpleQueue(), CaptureFile(file, channel, clock)
    reader = connect(channel.line, clock, events.put, capture.take)
    reader.start()
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        feed()
        time.sleep(0.01)
    reader.stop()
    capture.close()
    return [events.get() for _ in range(events.qsize())]


def test_a_streaming_line_is_replayed_as_it_was_read(ttys, clock, tmp_path):
    """Chunks, stamps, silences: every event is the same."""
    far = os.open(ttys.theirs, os.O_RDWR | os.O_NOCTTY)
    numbers = iter(range(10_000))
    live = recorded(
        channel_on(port=ttys.ours), clock, tmp_path / "a.capture",
        lambda: os.write(far, f"+{next(numbers):04d}.13\r\n".encode()[: 5 + next(numbers) % 6]),
    )  # fmt: skip
    os.close(far)
    assert sum(isinstance(event, Arrived) for event in live) > 10
    assert events_of(tmp_path / "a.capture") == live


def test_a_polled_line_is_replayed_as_it_was_read(modbus, clock, tmp_path):
    """Values, late and missing answers over all three transports: the same, with both stamps."""
    device, settings = modbus
    device.delay = lambda number: 0.15 if number % 7 == 3 else 0.0
    live = recorded(channel_on(**settings), clock, tmp_path / "a.capture", lambda: None, seconds=1.5)
    assert sum(isinstance(event, Polled) and isinstance(event.found, Reading) for event in live) > 5
    assert without_quiet(events_of(tmp_path / "a.capture")) == without_quiet(live)


def test_a_capture_that_joins_a_polled_line_in_its_middle_reads_its_values(modbus, clock, tmp_path):
    """As for a run: the line has been open for long, on TCP with a transaction number far from the first."""
    _, settings = modbus
    channel, events = channel_on(**settings), queue.SimpleQueue()
    raw = RunCaptures(tmp_path, channel, clock)
    reader = connect(channel.line, clock, events.put, raw.tap)
    reader.start()
    time.sleep(0.5)
    raw.begin("B1-000001")
    since = clock.elapsed_s()
    time.sleep(0.4)
    until = clock.elapsed_s()
    name, digest = raw.end()
    reader.stop()
    live = [events.get() for _ in range(events.qsize())]
    inside = [e for e in live if isinstance(e, Polled) and since < e.sent_s and e.at_s < until]
    found = [e for e in events_of(tmp_path / name) if isinstance(e, Polled)]
    assert len(found) > 5
    assert found == inside[: len(found)]
    assert len(inside) - len(found) <= 1
    assert load_capture(tmp_path / name).steps[0].kind is StepKind.JOINED
    assert len(digest) == 64


def counting(monkeypatch, *told):
    """A driver that has counted 5 framing errors at the opening, then these, one after the other, and no more."""
    counted = [5, *told]
    monkeypatch.setattr(
        ErrorCounters, "_read", lambda _: (counted.pop(0) if len(counted) > 1 else counted[0], 0, 2, 0, 0)
    )
    monkeypatch.setattr(reconnecting, "COUNTED_EVERY_S", 0.1)


def test_counted_errors_are_replayed_as_they_were_told(ttys, clock, tmp_path, monkeypatch):
    """With the opening that the driver counts at all, then each change."""
    counting(monkeypatch, 5, 8)
    far = os.open(ttys.theirs, os.O_RDWR | os.O_NOCTTY)
    live = recorded(channel_on(port=ttys.ours), clock, tmp_path / "a.capture", lambda: os.write(far, b"+0250.13\r\n"))
    os.close(far)
    assert [event.framing for event in live if isinstance(event, LineErrors)] == [3]
    assert live[0].counting
    assert events_of(tmp_path / "a.capture") == live


def test_a_capture_that_joins_a_counting_line_tells_its_own_errors_only(ttys, clock, tmp_path, monkeypatch):
    """Three before the run began, one within it."""
    counting(monkeypatch, 8, 8, 8, 9)
    channel, events = channel_on(port=ttys.ours), queue.SimpleQueue()
    raw = RunCaptures(tmp_path, channel, clock)
    reader = connect(channel.line, clock, events.put, raw.tap)
    reader.start()
    time.sleep(0.15)
    raw.begin("B1-000001")
    time.sleep(0.6)
    name, _ = raw.end()
    reader.stop()
    live = [events.get() for _ in range(events.qsize())]
    assert [event.framing for event in live if isinstance(event, LineErrors)] == [3, 4]
    replayed = events_of(tmp_path / name)
    assert [event.framing for event in replayed if isinstance(event, LineErrors)] == [1]
    assert replayed[0].counting


def test_a_line_that_is_not_there_is_not_there_in_the_replay(clock, tmp_path):
    """Said once, then silent."""
    live = recorded(channel_on(port=str(tmp_path / "gone")), clock, tmp_path / "a.capture", lambda: None)
    again = events_of(tmp_path / "a.capture")
    assert [type(event) for event in again] == [type(event) for event in live]
    assert again[0].sentence == live[0].sentence == f"Port {tmp_path / 'gone'} is not there."
    assert isinstance(again[0], PortLost)


def test_a_replay_keeps_the_pace_it_is_given(ttys, clock, tmp_path):
    """Ten times life: 0.6 s in about 0.06 s, never in less."""
    recorded(channel_on(port=ttys.ours), clock, tmp_path / "a.capture", lambda: None)
    began = time.monotonic()
    first, *_ = events_of(tmp_path / "a.capture", 10.0)
    assert isinstance(first, PortOpened)
    assert time.monotonic() - began >= 0.04


def test_the_clock_of_a_replay_dates_a_record_when_it_is_made():
    """What was captured last year is replayed today."""
    clock = ReplayClock(5.0, None)
    began = clock.utc()
    clock.advance(7.5, None)
    assert clock.elapsed_s() == 7.5
    assert clock.utc() - began == timedelta(seconds=2.5)
    clock.advance(6.0, None)
    assert clock.elapsed_s() == 7.5


def test_a_capture_is_never_written_over(clock, tmp_path):
    """Append-only means: a new file each time."""
    CaptureFile(tmp_path / "a.capture", channel_on(port="/dev/x"), clock).close()
    with pytest.raises(CaptureNotWrittenError) as refusal:
        CaptureFile(tmp_path / "a.capture", channel_on(port="/dev/x"), clock)
    assert str(refusal.value) == f"Capture {tmp_path / 'a.capture'} cannot be written: File exists."
    assert refusal.value.remedy == "Name a new file in a folder that can be written."


def test_a_full_disk_ends_the_capture_and_not_the_reading(clock, tmp_path):
    """/dev/full takes nothing: the reader goes on, and closing says why."""
    capture = CaptureFile(tmp_path / "a.capture", channel_on(port="/dev/x"), clock)
    capture._file.close()
    capture._file = pathlib.Path("/dev/full").open("wb", buffering=0)  # noqa: SIM115
    capture.take(Step(1.0, StepKind.OPENED))
    capture.take(Step(2.0, StepKind.QUIET))
    with pytest.raises(CaptureNotWrittenError) as refusal:
        capture.close()
    assert str(refusal.value) == f"Capture {tmp_path / 'a.capture'} cannot be written: No space left on device."


@pytest.mark.parametrize("ended", [True, False])
def test_what_an_interrupted_run_leaves_is_named_and_hashed_as_it_lies(clock, tmp_path, ended):
    """Killed in the middle of a line, or between the last seal and the record."""
    capture = CaptureFile(tmp_path / "B1-000001.capture", channel_on(port="/dev/x"), clock)
    capture.take(Step(clock.elapsed_s(), StepKind.OPENED))
    if ended:
        capture.close()
    else:
        capture._file.write(b'{"at": 0.1, "rece')
        capture._file.flush()
    left = left_behind(tmp_path, "B1-000001")
    digest = hashlib.sha256((tmp_path / "B1-000001.capture").read_bytes()).hexdigest()
    assert (left.raw_file, left.raw_sha256, left.raw_ended) == ("B1-000001.capture", digest, ended)
    assert left_behind(tmp_path, "B1-000002") is None
    capture._file.close()


def test_what_is_no_file_is_no_capture(tmp_path):
    """A folder."""
    with pytest.raises(CaptureDamagedError) as refusal:
        load_capture(tmp_path)
    assert str(refusal.value) == f"Capture {tmp_path}, line 1: found no ordinary file of at most 1 GB."
