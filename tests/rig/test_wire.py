"""The line: a terminal or a TCP port that can be unplugged, and that never makes the rig wait."""

import os
import select
import socket
from pathlib import Path

import pytest

from testbench.rig.wire import SocketWire, TerminalWire

LINE = b"+0250.13\r\n"


def arrived(descriptor: int, count: int = 4096) -> bytes:
    """What is there, once something is there."""
    select.select([descriptor], [], [])
    return os.read(descriptor, count)


def opened(path: str) -> int:
    return os.open(path, os.O_RDWR | os.O_NOCTTY)


@pytest.fixture
def wire(tmp_path):
    made = TerminalWire(tmp_path / "tty")
    made.plug()
    yield made
    made.unplug()


def test_what_is_written_is_read_byte_for_byte(wire):
    """Raw mode: no echo, no translation of line ends."""
    far = opened(wire.port)
    wire.write(LINE + bytes(range(256)))
    found = b""
    while len(found) < len(LINE) + 256:
        found += arrived(far)
    assert found == LINE + bytes(range(256))
    os.close(far)


def test_an_unread_terminal_refuses_bytes_and_does_not_wait(wire):
    """A pty would block its writer; what does not fit is counted and thrown away instead."""
    for _ in range(20_000):
        wire.write(LINE)
    assert wire.refused_bytes > 0
    assert wire.unread() > 0


def test_what_is_unread_can_be_counted(wire):
    """The base of the back pressure."""
    far = opened(wire.port)
    wire.write(LINE)
    select.select([far], [], [])
    assert wire.unread() == len(LINE)
    assert arrived(far) == LINE
    assert wire.unread() == 0
    os.close(far)


def test_unplugging_hangs_up_and_replugging_keeps_the_path(wire, tmp_path):
    """As with a pulled adapter: the reader gets nothing more, the path is gone, and later is back."""
    far = opened(wire.port)
    wire.unplug()
    assert os.read(far, 10) == b""
    assert not Path(wire.port).exists()
    assert not wire.plugged
    assert wire.unread() is None
    wire.write(LINE)
    os.close(far)
    wire.plug()
    assert wire.port == str(tmp_path / "tty")
    far = opened(wire.port)
    wire.write(LINE)
    assert arrived(far) == LINE
    os.close(far)


def test_a_link_that_somebody_else_made_meanwhile_is_left_alone(wire, tmp_path):
    """Only the own link is taken away."""
    (tmp_path / "tty").unlink()
    (tmp_path / "tty").symlink_to("/dev/null")
    wire.unplug()
    assert (tmp_path / "tty").is_symlink()


def test_a_socket_serves_one_reader_after_the_other_on_the_same_port():
    """``socket://127.0.0.1:PORT`` for recorders without a terminal; the port stays when it is unplugged."""
    wire = SocketWire("127.0.0.1", 0)
    wire.plug()
    port = wire.port
    address = ("127.0.0.1", int(port.rsplit(":", 1)[1]))
    wire.write(LINE)  # nobody there
    with socket.create_connection(address) as reader:
        wire.write(LINE)
        assert reader.recv(100) == LINE
        wire.unplug()
        assert reader.recv(100) == b""
    wire.plug()
    assert wire.port == port
    with socket.create_connection(address) as reader:
        wire.write(LINE)
        assert reader.recv(100) == LINE
    while wire._reader is not None:  # the kernel tells it after a write or two
        wire.write(LINE)
    with socket.create_connection(address) as reader:
        wire.write(LINE)
        assert reader.recv(100) == LINE
    assert wire.unread() is None
    wire.unplug()


def test_an_unread_socket_refuses_bytes_and_does_not_wait():
    """The same law as for the terminal."""
    wire = SocketWire("127.0.0.1", 0)
    wire.plug()
    with socket.create_connection(("127.0.0.1", int(wire.port.rsplit(":", 1)[1]))):
        while wire.refused_bytes == 0:
            wire.write(LINE * 1000)
    wire.unplug()
