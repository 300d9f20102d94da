"""The line the transmitter writes on: a pseudo-terminal, which the recorder opens like any serial port, or TCP.

Nothing in here waits. What the other side does not take is counted and thrown away, as on a line that nobody reads.
"""

import contextlib
import fcntl
import os
import pty
import socket
import struct
import termios
import tty
from pathlib import Path
from typing import Protocol


class Wire(Protocol):
    """A line that can be unplugged."""

    refused_bytes: int
    """Bytes that nobody took."""

    @property
    def port(self) -> str:
        """What the recorder opens."""

    @property
    def plugged(self) -> bool:
        """Whether the line is there."""

    def plug(self) -> None:
        """Make the line, or make it again."""

    def unplug(self) -> None:
        """Take the line away."""

    def write(self, data: bytes) -> None:
        """Send what can be sent at once."""

    def unread(self) -> int | None:
        """Bytes that arrived and were not read yet; None where that cannot be known."""


class TerminalWire:
    """A pseudo-terminal in raw mode.

    Args:
        link: symbolic link kept on the terminal, so that its path survives unplugging.
    """

    def __init__(self, link: Path | None = None) -> None:
        self.refused_bytes = 0
        self._link = link
        self._master = self._slave = -1
        self._path = ""

    @property
    def port(self) -> str:
        """Path of the link, else of the terminal."""
        return str(self._link) if self._link else self._path

    @property
    def plugged(self) -> bool:
        """Whether the terminal exists."""
        return self._master >= 0

    def plug(self) -> None:
        """Open a terminal and point the link at it. The far end stays open here, so that readers may come and go."""
        self.unplug()
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._path = os.ttyname(self._slave)
        if self._link:
            fresh = self._link.with_name(f".{self._link.name}.{os.getpid()}")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self._path)
            fresh.replace(self._link)

    def unplug(self) -> None:
        """Hang up and take the link away, if it is still ours."""
        if not self.plugged:
            return
        if self._link and self._link.is_symlink() and str(self._link.readlink()) == self._path:
            self._link.unlink()
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1

    def write(self, data: bytes) -> None:
        """Send without waiting."""
        if not self.plugged:
            return
        try:
            sent = os.write(self._master, data)
        except BlockingIOError:
            sent = 0
        self.refused_bytes += len(data) - sent

    def unread(self) -> int | None:
        """Bytes waiting at the far end."""
        if not self.plugged:
            return None
        found: int = struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, b"\0" * 4))[0]
        return found


class SocketWire:
    """A TCP port on this machine for one reader at a time, opened as ``socket://HOST:PORT``.

    Args:
        host: address to listen on.
        port: port number; 0 takes a free one and keeps it.
    """

    def __init__(self, host: str, port: int) -> None:
        self.refused_bytes = 0
        self._address = (host, port)
        self._listener: socket.socket | None = None
        self._reader: socket.socket | None = None

    @property
    def port(self) -> str:
        """URL for the recorder's configuration."""
        return f"socket://{self._address[0]}:{self._address[1]}"

    @property
    def plugged(self) -> bool:
        """Whether somebody can connect."""
        return self._listener is not None

    def plug(self) -> None:
        """Listen."""
        self.unplug()
        self._listener = socket.create_server(self._address, backlog=1)
        self._listener.settimeout(0)
        self._address = (self._address[0], self._listener.getsockname()[1])

    def unplug(self) -> None:
        """Hang up and stop listening."""
        for held in (self._reader, self._listener):
            if held is not None:
                held.close()
        self._reader = self._listener = None

    def write(self, data: bytes) -> None:
        """Send without waiting; a reader that went away makes room for the next."""
        if self._reader is None and self._listener is not None:
            with contextlib.suppress(BlockingIOError):
                self._reader, _ = self._listener.accept()
                self._reader.settimeout(0)
                self._reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._reader is None:
            return
        try:
            sent = self._reader.send(data)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._reader.close()
            self._reader = None
            return
        self.refused_bytes += len(data) - sent

    def unread(self) -> int | None:
        """Not known over TCP."""
        return None
