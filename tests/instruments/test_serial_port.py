"""A real tty, fed by something that is not our rig."""

import contextlib
import os
import pty
import queue
import shutil
import subprocess
import termios
import tty

import pytest
import serial

from testbench.errors import PortBusyError, PortMissingError, PortSettingError
from testbench.framing.lines import LineFramer, Reading
from testbench.instruments.clocks import SystemClock
from testbench.instruments.serial_port import SerialReader, open_port
from testbench.station.acquisition import Arrived, PortLost, PortOpened, Quiet
from testbench.station.line_settings import PlainLineSettings
from testbench.station.serial_settings import SerialSettings
from tests.station.conftest import OwnLine


@pytest.fixture
def pair():
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave), slave
    for descriptor in (master, slave):
        with contextlib.suppress(OSError):
            os.close(descriptor)


class Deliveries:
    """What the reader delivered, but for the moments when it had nothing to say."""

    def __init__(self):
        self.events = queue.SimpleQueue()

    def put(self, event):
        if not isinstance(event, Quiet):
            self.events.put(event)

    def get(self, timeout):
        return self.events.get(timeout=timeout)


@pytest.fixture
def delivered():
    return Deliveries()


def reader_of(port, delivered):
    reader = SerialReader(PlainLineSettings(port=port), SystemClock(), delivered.put)
    reader.start()
    return reader


def collect(delivered, wanted, acquisition):
    """Take deliveries until so many samples have come."""
    samples = []
    while len(samples) < wanted:
        samples.extend(acquisition.take(delivered.get(timeout=10)).samples)
    return samples


def test_lines_written_to_a_tty_arrive_as_samples(pair, delivered, bench):
    """Opened by pyserial, read by poll and os.read."""
    master, port, _ = pair
    reader = reader_of(port, delivered)
    assert isinstance(delivered.get(timeout=10), PortOpened)
    os.write(master, b"13\r\n+0250.13\r\n+0250.14\r\n")
    assert [s.counts for s in collect(delivered, 2, OwnLine(bench.channel))] == [25_013, 25_014]
    reader.stop()


def test_a_missing_port_is_said_once_and_opened_when_it_comes(tmp_path, pair, delivered):
    """The reader keeps trying; the sentence does not repeat."""
    _, port, _ = pair
    path = tmp_path / "adapter"
    reader = reader_of(str(path), delivered)
    lost = delivered.get(timeout=10)
    assert isinstance(lost, PortLost)
    assert lost.sentence == f"Port {path} is not there."
    path.symlink_to(port)
    assert isinstance(delivered.get(timeout=10), PortOpened)
    reader.stop()


def test_an_unplugged_adapter_is_seen_at_once(pair, delivered):
    """Zero bytes after a wake-up, or an input error, mean that it is gone."""
    master, port, slave = pair
    reader = reader_of(port, delivered)
    assert isinstance(delivered.get(timeout=10), PortOpened)
    os.close(slave)
    os.close(master)
    lost = delivered.get(timeout=10)
    assert isinstance(lost, PortLost)
    assert lost.sentence.startswith(f"Port {port} cannot be used: it was unplugged")
    reader.stop()


def test_a_port_in_use_is_refused(pair):
    """Two programs on one port would steal each other's bytes."""
    _, port, _ = pair
    first = open_port(SerialSettings(port=port))
    with pytest.raises(PortBusyError) as refusal:
        open_port(SerialSettings(port=port))
    assert str(refusal.value) == f"Port {port} is in use by another program."
    first.close()


def test_no_such_port_is_refused():
    """The plainest mistake in bench.toml."""
    with pytest.raises(PortMissingError) as refusal:
        open_port(SerialSettings(port="/dev/no-such-port"))
    assert str(refusal.value) == "Port /dev/no-such-port is not there."
    assert refusal.value.remedy == "Plug the adapter in, or correct 'port' in bench.toml."


@pytest.mark.skipif(shutil.which("socat") is None, reason="socat is not installed")
def test_socat_feeds_the_recorder_through_a_pair_of_ttys(tmp_path, delivered):
    """An independent program at the other end of the line (socat, Debian)."""
    theirs, ours = tmp_path / "theirs", tmp_path / "ours"
    pipe = subprocess.Popen(["socat", f"pty,raw,echo=0,link={theirs}", f"pty,raw,echo=0,link={ours}"])
    try:
        reader = reader_of(str(ours), delivered)
        while not isinstance(delivered.get(timeout=10), PortOpened):
            pass
        text = "x\r\n" + "".join(f"+0250.{n:02d}\r\n" for n in range(100))
        subprocess.run(["socat", "-u", "-", f"file:{theirs},raw,echo=0"], input=text.encode(), check=True)
        framer, readings = LineFramer(), []
        while len(readings) < 100:
            found = framer.feed(delivered.get(timeout=10).data)
            readings.extend(item.counts for item in found if isinstance(item, Reading))
        assert readings == [25_000 + n for n in range(100)]
        reader.stop()
    finally:
        pipe.terminate()
        pipe.wait()


def test_every_byte_comes_with_the_time_of_its_read(pair, delivered):
    """One stamp a read, on a monotonic clock."""
    master, port, _ = pair
    reader = reader_of(port, delivered)
    delivered.get(timeout=10)
    os.write(master, b"a")
    first = delivered.get(timeout=10)
    os.write(master, b"b")
    second = delivered.get(timeout=10)
    assert isinstance(first, Arrived)
    assert isinstance(second, Arrived)
    assert second.at_s > first.at_s
    reader.stop()


@pytest.mark.parametrize(
    ("settings", "named"),
    [
        ({"parity": "even"}, "parity even"),
        ({"parity": "odd", "byte_size": 7}, "parity odd with 7 data bits"),
        ({"stop_bits": 2}, "2 stop bits"),
        ({"baud": 12345}, "12345 baud"),
    ],
)
def test_a_setting_that_a_port_does_not_take_is_named(monkeypatch, settings, named):
    """The C library refuses what a pseudo-terminal did not take over, with nothing but EINVAL."""

    def refuse(_):
        raise termios.error(22, "Invalid argument")

    monkeypatch.setattr(serial.Serial, "open", refuse)
    with pytest.raises(PortSettingError) as refused:
        open_port(PlainLineSettings(port="/dev/ttyS9", **settings))
    assert str(refused.value) == f"Port /dev/ttyS9 does not take {named}."
    assert refused.value.remedy == (
        "Choose what port and transmitter both have; a pseudo-terminal, for example, has no parity."
    )
