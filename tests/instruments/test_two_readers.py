"""A second program that ignores the lock and reads the same port: what it leaves over is no value, or a whole one.

The lock of a port is advisory (flock), so any program may open it all the same and take bytes.
"""

import os
import pty
import queue
import subprocess
import sys
import time
import tty

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.checksums import ChecksumKind
from testbench.framing.lines import LineFramer
from testbench.framing.readings import Reading
from testbench.instruments.clocks import SystemClock
from testbench.instruments.connecting import connect
from testbench.instruments.links import SHARED
from testbench.instruments.serial_port import open_link
from testbench.run.samples import GapReason
from testbench.station.acquisition import PortLost
from testbench.station.bench import ChannelEntry
from testbench.station.serial_settings import SerialSettings
from tests.station.conftest import OwnLine

THIEF = """
import os, select, sys
port = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY)
print("reading", flush=True)
taken = 0
while taken < 2000 and select.select([port], [], [], 60)[0]:
    taken += len(os.read(port, int(sys.argv[2])))  # nothing where the recorder was quicker
print(taken)
"""
COUNTS = [25_000 + (n * 373) % 10_000 for n in range(1500)]


@pytest.fixture
def ends():
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, slave, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def shared(ends, channel, lines, chunk, bites):
    """All values that come while another process reads the same port, what was sent, and what took the line in.

    The lines are sent over and over until the other process has what it wants, however seldom it gets its turn.
    """
    master, _, port = ends
    entry = ChannelEntry.model_validate({
        "tag": "PT-101", "instrument": "transmitter", "serial": "T-0042", "unit": "psi", **channel(port),
    })  # fmt: skip
    events = queue.SimpleQueue()
    reader = connect(entry.line, SystemClock(), events.put)
    reader.start()
    thief = subprocess.Popen([sys.executable, "-c", THIEF, port, str(bites)], stdout=subprocess.PIPE, text=True)
    assert thief.stdout.readline() == "reading\n"
    stream, rounds = b"".join(lines), 0
    while thief.poll() is None:
        rounds += 1
        for start in range(0, len(stream), chunk):
            os.write(master, stream[start : start + chunk])
            time.sleep(0.0005)
    assert int(thief.communicate()[0]) >= 2000
    time.sleep(0.2)
    reader.stop()
    acquisition, values = OwnLine(entry), []
    while not events.empty():
        values += [sample.counts for sample in acquisition.take(events.get()).samples]
    return values, COUNTS * rounds, acquisition


def plain(port):
    return {"decimals": 2, "line": {"port": port}}


def checked(port):
    number = {"part": "number", "whole_digits": 4, "decimals": 2}
    checksum = {"part": "checksum", "kind": "crc16-modbus"}
    return {"line": {"protocol": "ascii-line", "port": port, "parts": [number, checksum]}}


def in_order(values, sent):
    """Whether values are some of what was sent, in its order."""
    rest = iter(sent)
    return all(any(value == one for one in rest) for value in values)


def test_lines_that_are_taken_whole_are_missing_and_nothing_is_put_in_their_place(ends):
    """A line comes at once; the quicker of both has it."""
    lines = [b"\r\n", *(b"%+08.2f\r\n" % (counts / 100) for counts in COUNTS)]
    values, sent, _ = shared(ends, plain, lines, 10, 4096)
    assert 0 < len(values) < len(sent)
    assert in_order(values, sent)


def test_with_a_checksum_no_piece_of_a_line_becomes_a_value(ends):
    """Bytes trickle, and the other program takes three at a time: what is left fits the form, but not the checksum."""
    bodies = [b"%+08.2f" % (counts / 100) for counts in COUNTS]
    lines = [b"\r\n", *(body + b"%04X\r\n" % ChecksumKind.CRC16_MODBUS.of(body) for body in bodies)]
    values, sent, acquisition = shared(ends, checked, lines, 4, 3)
    assert acquisition.rejected_lines > 0
    assert in_order(values, sent)


@given(st.data())
def test_without_one_only_a_loss_of_whole_lines_in_length_can_make_a_value(data):
    """Of fixed width, the head of one line and the tail of another fit only if together they are as long as one.

    So what was taken between them is 10, 20, 30 … bytes of ten-byte lines: the one theft that no form can show.
    """
    stream = b"".join(b"%+08.2f\r\n" % (counts / 100) for counts in COUNTS[:12])
    kept, at = [], 0
    while at < len(stream):
        left = data.draw(st.integers(1, 25))
        kept += range(at, min(at + left, len(stream)))
        at += left + data.draw(st.integers(0, 25))
    framer, taken = LineFramer(), []
    for place in kept:
        taken.append(place)
        for item in framer.feed(stream[place : place + 1]):
            if isinstance(item, Reading):
                spans = [b - a - 1 for a, b in zip(taken[-10:], taken[-9:], strict=False)]
                assert sum(spans) % 10 == 0
                assert any(spans) or item.counts in COUNTS


def test_bytes_that_were_announced_and_are_gone_are_named(ends):
    """The port is there and has not hung up: nobody pulled a cable, somebody was quicker."""
    master, slave, port = ends
    link = open_link(SerialSettings(port=port))
    waiting = link._poll

    class Robbed:
        def poll(self, milliseconds):
            found = waiting.poll(milliseconds)
            os.read(slave, 4096)
            return found

    link._poll = Robbed()
    os.write(master, b"+0250.13\r\n")
    with pytest.raises(ValueError, match=SHARED):
        link.read(1.0)
    link.close()


def test_a_port_that_is_shared_is_said_to_be_and_the_line_is_begun_anew(ends, monkeypatch, bench):
    """The gap is named after it, and the first partial line afterwards is dropped."""
    master, _, port = ends
    entry = ChannelEntry.model_validate({**bench.channel.model_dump(), **plain(port)})
    events, robbed = queue.SimpleQueue(), iter([True])
    from testbench.instruments import links

    plainly = links.DescriptorLink.read

    def read(self, wait_s):
        data = plainly(self, wait_s)
        if data and data.startswith(b"+0250.14") and next(robbed, False):
            raise ValueError(SHARED)
        return data

    monkeypatch.setattr(links.DescriptorLink, "read", read)
    reader = connect(entry.line, SystemClock(), events.put)
    reader.start()
    for text in (b"x\r\n", b"+0250.13\r\n", b"+0250.14\r\n", b"50.15\r\n", b"+0250.16\r\n"):
        time.sleep(0.25)
        os.write(master, text)
    time.sleep(0.3)
    reader.stop()
    acquisition, values, gaps, lost = OwnLine(entry), [], [], []
    while not events.empty():
        event = events.get()
        lost += [event.sentence] if isinstance(event, PortLost) else []
        taken = acquisition.take(event)
        values += [sample.counts for sample in taken.samples]
        gaps += [gap.reason for gap in taken.gaps]
    assert lost == [f"Port {port} is read by another program as well, which took bytes from this one."]
    assert values == [25_013, 25_016]
    assert gaps == [GapReason.TWO_AT_ONCE]
