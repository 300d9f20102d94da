"""What is set at each opening, and what the driver counts; a pseudo-terminal counts nothing, so one is imitated."""

import fcntl
import os
import struct
import termios
from array import array

import pytest
import serial

from testbench.errors import PortBusyError
from testbench.framing.parity_marks import ParityMarks
from testbench.instruments.line_state import ErrorCounters, keep_others_out, set_low_latency
from testbench.instruments.serial_port import SerialReader, open_link, open_port
from testbench.station.acquisition import LineErrors, PortOpened, Quiet
from testbench.station.line_settings import PlainLineSettings
from testbench.station.serial_settings import SerialSettings
from tests.instruments.conftest import Polls


def test_what_was_set_is_said_with_the_opening(ttys, clock):
    """A pseudo-terminal offers no low latency and counts no errors, and the record says so."""
    polls = Polls()
    reader = SerialReader(PlainLineSettings(port=ttys.ours, parity="even"), clock, polls.events.put)
    reader.start()
    polls.until(lambda p: p.others)
    reader.stop()
    opened = polls.others[0]
    assert isinstance(opened, PortOpened)
    assert opened.settings == (
        f"plain-line on {ttys.ours}, 9600 baud 8E1; exclusive; "
        "low latency not offered by the driver; parity of input checked; line errors not counted"
    )


def test_the_kernel_checks_parity_and_marks_what_it_finds(ttys):
    """INPCK and PARMRK are really on: a sound 0xFF arrives doubled, as POSIX says, and is taken for one again."""
    link = open_link(SerialSettings(port=ttys.ours, parity="even"))
    ours = os.open(ttys.ours, os.O_RDWR | os.O_NOCTTY)
    flags = termios.tcgetattr(ours)[0]
    os.close(ours)
    assert flags & termios.INPCK
    assert flags & termios.PARMRK
    far = os.open(ttys.theirs, os.O_RDWR | os.O_NOCTTY)
    os.write(far, b"a\xffb")
    came = b""
    while len(came) < 4:
        came += link.read(2) or b""
    assert came == b"a\xff\xffb"
    assert ParityMarks().feed(came).data == b"a\xffb"
    os.close(far)
    link.close()


def test_without_parity_nothing_is_marked(ttys):
    """0xFF arrives as it is."""
    link = open_link(SerialSettings(port=ttys.ours))
    far = os.open(ttys.theirs, os.O_RDWR | os.O_NOCTTY)
    os.write(far, b"a\xffb")
    came = b""
    while len(came) < 3:
        came += link.read(2) or b""
    assert came == b"a\xffb"
    os.close(far)
    link.close()


class Counting:
    """A driver that counts: struct serial_icounter_struct of linux/serial.h (from memory), 20 integers."""

    def __init__(self, **counters):
        self.counters = counters

    def __call__(self, descriptor, request, argument):
        assert (descriptor, request) == (7, 0x545D)  # TIOCGICOUNT, asm-generic/ioctls.h, from memory
        names = ("cts", "dsr", "rng", "dcd", "rx", "tx", "frame", "overrun", "parity", "brk", "buf_overrun")
        return struct.pack("20i", *(self.counters.get(name, 0) for name in names), *[0] * 9)


def test_errors_are_counted_from_the_opening(monkeypatch):
    """What the driver had counted before is none of ours; what does not change is not told."""
    driver = Counting(frame=5, overrun=1, rx=1000)
    monkeypatch.setattr(fcntl, "ioctl", driver)
    counters = ErrorCounters(7)
    assert counters.counting
    assert counters.news(1.0) is None
    driver.counters |= {"frame": 7, "parity": 1, "brk": 2, "buf_overrun": 3, "rx": 2000}
    assert counters.news(2.0) == LineErrors(2.0, framing=2, overrun=0, parity=1, breaks=2, buffer_overrun=3)
    assert counters.news(3.0) is None
    driver.counters |= {"overrun": 2}
    assert counters.news(4.0) == LineErrors(4.0, framing=2, overrun=1, parity=1, breaks=2, buffer_overrun=3)


def test_the_reader_tells_new_errors(ttys, clock, monkeypatch):
    """Asked at most once a second, told when they changed."""
    counts = iter([(0,) * 5, (0,) * 5, (3, 0, 1, 0, 0)])
    monkeypatch.setattr(ErrorCounters, "_read", lambda _: next(counts, (3, 0, 1, 0, 0)))
    polls = Polls()
    reader = SerialReader(PlainLineSettings(port=ttys.ours), clock, polls.events.put)
    reader.start()
    polls.until(lambda p: any(isinstance(event, LineErrors) for event in p.others))
    reader.stop()
    told = [event for event in polls.others if not isinstance(event, Quiet)]
    assert told[0].settings.endswith("; line errors counted")
    assert (told[1].framing, told[1].parity) == (3, 1)


class Port:
    def __init__(self, failure=None):
        self.failure, self.asked = failure, []

    def set_low_latency_mode(self, wanted):
        self.asked.append(wanted)
        if self.failure:
            raise self.failure


@pytest.mark.parametrize(
    ("port", "said"),
    [
        (Port(), "on"),
        (Port(ValueError("Failed to update ASYNC_LOW_LATENCY flag")), "not offered by the driver"),
        (Port(NotImplementedError()), "not offered by the driver"),
        (object(), "not offered by the driver"),
    ],
)
def test_low_latency_is_asked_for_and_what_came_of_it_is_said(port, said):
    """pyserial 3.5 raises ValueError where the driver lacks it, NotImplementedError on other systems."""
    assert set_low_latency(port) == said
    assert getattr(port, "asked", [True]) == [True]


def test_low_latency_is_the_flag_of_the_kernel(ttys, monkeypatch):
    """struct serial_struct: type, line, port, irq, flags, as int each; ASYNC_LOW_LATENCY is bit 13 of the flags.

    linux/serial.h and linux/tty_flags.h, TIOCGSERIAL 0x541E, TIOCSSERIAL 0x541F: from memory. All else stays as it was.
    """
    asked, plain = [], fcntl.ioctl

    def driver(descriptor, request, argument=0, *more):
        if request not in {0x541E, 0x541F}:
            return plain(descriptor, request, argument, *more)
        asked.append(request)
        if request == 0x541E:
            argument[:5] = array("i", [1, 0, 0x3F8, 4, 1 << 28])
        else:
            assert argument[:5] == array("i", [1, 0, 0x3F8, 4, 1 << 28 | 1 << 13])
        return 0

    port = open_port(SerialSettings(port=ttys.ours))
    monkeypatch.setattr(fcntl, "ioctl", driver)
    assert set_low_latency(port) == "on"
    assert asked[-2:] == [0x541E, 0x541F]
    port.close()


@pytest.mark.parametrize(("name", "asked"), [("/dev/ttyUSB0", [termios.TIOCEXCL]), ("/dev/pts/3", [])])
def test_no_other_program_may_open_a_port_that_is_held(monkeypatch, name, asked):
    """TIOCEXCL: further opens fail with EBUSY, the superuser's apart (tty_ioctl(2), from memory)."""
    found = []
    monkeypatch.setattr(os, "ttyname", lambda _: name)
    monkeypatch.setattr(fcntl, "ioctl", lambda _, request: found.append(request))
    keep_others_out(7)
    assert found == asked


def test_a_port_whose_holder_let_nobody_in_is_said_to_be_in_use(monkeypatch):
    """EBUSY, as the kernel answers."""
    monkeypatch.setattr(serial.Serial, "open", lambda _: (_ for _ in ()).throw(OSError(16, "Device or resource busy")))
    with pytest.raises(PortBusyError) as refusal:
        open_port(SerialSettings(port="/dev/ttyUSB0"))
    assert str(refusal.value) == "Port /dev/ttyUSB0 is in use by another program."
