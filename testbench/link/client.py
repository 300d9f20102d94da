"""A screen's end of the link."""

import contextlib
import os
import select
import socket
from pathlib import Path

from testbench.errors import RecorderNotRunningError
from testbench.procedure.valve import Value
from testbench.station.messages import Answer, Attach, OrderLine, Update, read_message, write


class OrdersTold:
    """The orders as told last: they come over the link only when they change, and belong to every update."""

    def __init__(self) -> None:
        self._orders: tuple[OrderLine, ...] = ()
        self._revision = self._asked = 0

    def put_in(self, update: Update) -> tuple[Update, bool]:
        """The update with its orders, and whether a change was missed that must be asked for (said once a change)."""
        if update.orders is not None:
            self._orders, self._revision = update.orders, update.orders_revision
            return update, False
        missed = update.orders_revision not in {self._revision, self._asked}
        self._asked = update.orders_revision
        return update.model_copy(update={"orders": self._orders}), missed


class LinkClient:
    """Connects to the recorder of a home folder; sends requests, takes updates and answers.

    Raises:
        RecorderNotRunningError: nobody answers.
    """

    def __init__(self, home: Path) -> None:
        self._held = bytearray()
        self._orders = OrdersTold()
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
        return [self._whole(read_message(bytes(line))) for line in lines if line]

    def _whole(self, message: Update | Answer) -> Update | Answer:
        if isinstance(message, Answer):
            return message
        message, missed = self._orders.put_in(message)
        if missed:
            self.send(Attach(request="attach"))
        return message

    def close(self) -> None:
        """Leave; the recorder goes on."""
        self.connected = False
        with contextlib.suppress(OSError):
            self._socket.close()
