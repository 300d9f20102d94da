"""A screen's end of the link."""

import contextlib
import os
import select
import socket
from pathlib import Path

from testbench.errors import RecorderNotRunningError
from testbench.procedure.valve import Value
from testbench.station.messages import Answer, Update, read_message, write


class LinkClient:
    """Connects to the recorder of a home folder; sends requests, takes updates and answers.

    Raises:
        RecorderNotRunningError: nobody answers.
    """

    def __init__(self, home: Path) -> None:
        self._held = bytearray()
        self._socket = socket.socket(socket.AF_UNIX)
        self.connected = False
        descriptor = -1
        try:
            descriptor = os.open(home, os.O_RDONLY | os.O_DIRECTORY)
            self._socket.connect(f"/proc/self/fd/{descriptor}/recorder.sock")
        except OSError as failure:
            self._socket.close()
            raise RecorderNotRunningError(str(home)) from failure
        finally:
            if descriptor >= 0:
                os.close(descriptor)
        self.connected = True

    def greeted(self, wait_s: float) -> bool:
        """Whether the recorder speaks. One that was just killed may still take a connection and never will."""
        if not select.select([self._socket], [], [], wait_s)[0]:
            return False
        try:
            return bool(self._socket.recv(1, socket.MSG_PEEK))
        except OSError:
            return False

    def send(self, request: Value) -> None:
        """Send one request; a lost recorder shows in ``connected``."""
        try:
            self._socket.sendall(write(request))
        except OSError:
            self.connected = False

    def receive(self, wait_s: float = 0.0) -> list[Update | Answer]:
        """Everything that has come, after waiting at most ``wait_s`` for the first of it [s]."""
        if not self.connected:
            return []
        while select.select([self._socket], [], [], wait_s)[0]:
            wait_s = 0.0
            try:
                data = self._socket.recv(1 << 16)
            except OSError:
                data = b""
            if not data:
                self.connected = False
                break
            self._held += data
        lines = self._held.split(b"\n")
        self._held = lines.pop()
        return [read_message(bytes(line)) for line in lines if line]

    def close(self) -> None:
        """Leave; the recorder goes on."""
        self.connected = False
        with contextlib.suppress(OSError):
            self._socket.close()
