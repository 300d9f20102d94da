"""Instruments that answer in text, behind a tty, a raw TCP port and a serial server that speaks RFC 2217."""

import contextlib
import socket
import threading

import pytest
import serial
from serial import rfc2217

from testbench.framing.readings import Reading, RejectReason
from testbench.instruments.polled import PollingReader
from testbench.instruments.serial_port import SerialReader
from testbench.station.acquisition import Arrived, PortOpened
from testbench.station.line_settings import LINE_SETTINGS, PlainLineSettings
from tests.instruments.conftest import AMPLE_S, Polls

OLD_THREADS = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")
"""pyserial 3.5 starts its RFC 2217 thread in the way of Python 2."""
PARTS = ({"part": "number", "whole_digits": 4, "decimals": 2},)


@contextlib.contextmanager
def answering(read, write, answers, *, echo=False):
    """A thread that answers the queries it knows.

    Args:
        read: gives bytes, or none after a short wait.
        write: takes bytes.
        answers: by query.
        echo: whether what it hears goes back first, as from a two-wire adapter.
    """
    stop = threading.Event()

    def run():
        held = b""
        while not stop.is_set():
            data = read()
            held += data
            if echo and data:
                write(data)
            for query, answer in answers.items():
                if query in held:
                    held = b""
                    write(answer)

    thread = threading.Thread(target=run)
    thread.start()
    yield
    stop.set()
    thread.join()


@pytest.fixture
def far(ttys):
    """The instrument's own end of the line."""
    port = serial.Serial(ttys.theirs, 115200, timeout=0.01)
    yield port
    port.close()


@pytest.mark.parametrize("echoed", [False, True])
def test_a_prompted_instrument_on_a_tty(ttys, far, poll, echoed):
    """One line for each "P?", with and without an adapter that hands our own bytes back."""
    with answering(lambda: far.read(100), far.write, {b"P?\r": b"+0250.13\r"}, echo=echoed):
        polls = poll(
            protocol="ascii-prompt", port=ttys.ours, baud=115200, query="P?\r", delimiter="\r", parts=PARTS,
            poll_every_s=0.01, answer_within_s=AMPLE_S, echoed=echoed,
        ).until(lambda p: len(p.values) >= 20)  # fmt: skip
    assert set(polls.values) == {Reading(25013)}
    assert polls.rejected == []


def test_an_echo_that_was_not_agreed_is_named(ttys, far, poll):
    """Nothing becomes a value; the reason says what to set."""
    with answering(lambda: far.read(100), far.write, {b"P?\r": b"+0250.13\r"}, echo=True):
        polls = poll(
            protocol="ascii-prompt", port=ttys.ours, baud=115200, query="P?\r", delimiter="\r", parts=PARTS,
            poll_every_s=0.01, answer_within_s=AMPLE_S,
        ).until(lambda p: RejectReason.ECHO in p.reasons and len(p.rejected) >= 5)  # fmt: skip
    assert polls.values == []


def test_an_instrument_of_ieee_488_2_behind_a_raw_tcp_port(poll):
    """``socket://``: an NR3 number, three decimals."""
    listener = socket.create_server(("127.0.0.1", 0))
    polls = poll(
        protocol="scpi", port=f"socket://127.0.0.1:{listener.getsockname()[1]}", query="MEAS:PRES?",
        values=({"decimals": 3},), poll_every_s=0.01, answer_within_s=AMPLE_S,
    )  # fmt: skip
    connection, _ = listener.accept()
    connection.settimeout(0.01)

    def read():
        with contextlib.suppress(TimeoutError):
            return connection.recv(100)
        return b""

    with answering(read, connection.sendall, {b"MEAS:PRES?\n": b"+2.501305E+02\n"}):
        polls.until(lambda p: len(p.values) >= 20)
    assert set(polls.values) == {Reading(250130)}  # a tie, to the even neighbour
    assert polls.rejected == []
    polls.reader.stop()
    connection.close()
    listener.close()


class SerialServer:
    """pyserial's own RFC 2217 server on 127.0.0.1, with a pyserial port behind it."""

    def __init__(self):
        self.device = serial.serial_for_url("loop://", timeout=0.01)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self.to_client: list[bytes] = []
        self.from_client = bytearray()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        connection, _ = self._listener.accept()
        connection.settimeout(0.005)
        manager = rfc2217.PortManager(self.device, _Writer(connection))
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError, ConnectionError):
                data = connection.recv(1024)
                self.from_client += b"".join(manager.filter(data))
            with contextlib.suppress(OSError):
                while self.to_client:
                    connection.sendall(b"".join(manager.escape(self.to_client.pop(0))))
        connection.close()

    def read(self):
        self._stop.wait(0.005)
        data = bytes(self.from_client)
        del self.from_client[: len(data)]
        return data

    def close(self):
        self._stop.set()
        self._thread.join()
        self._listener.close()
        self.device.close()


class _Writer:
    def __init__(self, connection):
        self.write = connection.sendall


@pytest.fixture
def server():
    found = SerialServer()
    yield found
    found.close()


@OLD_THREADS
def test_a_prompted_instrument_behind_a_serial_server(server, clock):
    """``rfc2217://`` has no descriptor; the very same driver, over pyserial's own reading."""
    polls = Polls()
    settings = {"protocol": "ascii-prompt", "port": server.url, "query": "P?\r", "delimiter": "\r", "parts": PARTS}
    reader = PollingReader(LINE_SETTINGS.validate_python(settings), clock, polls.events.put)
    reader.start()
    with answering(server.read, server.to_client.append, {b"P?\r": b"+0250.13\r"}):
        polls.until(lambda p: len(p.values) >= 5)
    reader.stop()
    assert set(polls.values) == {Reading(25013)}


@OLD_THREADS
def test_lines_behind_a_serial_server_arrive(server, clock):
    """The reader of free-running lines takes the URL as well; bytes 0xFF come through unharmed."""
    polls = Polls()
    reader = SerialReader(PlainLineSettings(port=server.url), clock, polls.events.put)
    reader.start()
    polls.until(lambda p: any(isinstance(event, PortOpened) for event in p.others))
    server.to_client.append(b"+0250.13\r\n\xff\x00")
    polls.until(lambda p: b"\xff\x00" in b"".join(e.data for e in p.others if isinstance(e, Arrived)))
    reader.stop()
    arrived = [event for event in polls.others if isinstance(event, Arrived)]
    assert b"".join(event.data for event in arrived) == b"+0250.13\r\n\xff\x00"
