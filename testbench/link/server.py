"""The recorder's end of the link: a Unix-domain socket in the home folder, any number of screens.

Reading is one small thread a client; writing never blocks the recorder: what a slow screen does not take in time is
dropped for it, answers excepted.
"""

import contextlib
import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path

from testbench.errors import RecorderRunningError

LONGEST_LINE = 64_000  # bytes; a request is far shorter
MOST_PENDING = 1_000_000  # bytes held for a screen that does not read


def socket_address(home: Path) -> str:
    """A short address of the home's socket: socket paths end at 107 bytes, home folders may not.

    The descriptor of the folder stays open for the life of the process on purpose.
    """
    descriptor = os.open(home, os.O_RDONLY | os.O_DIRECTORY)
    return f"/proc/self/fd/{descriptor}/recorder.sock"


class _Client:
    def __init__(self, number: int, connection: socket.socket) -> None:
        self.number = number
        self.connection = connection
        self.pending = bytearray()

    def send(self, line: bytes, *, may_drop: bool) -> None:
        if may_drop and len(self.pending) > MOST_PENDING:
            return
        self.pending += line
        with contextlib.suppress(BlockingIOError):
            sent = self.connection.send(self.pending, socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
            del self.pending[:sent]


class LinkServer:
    """Listens for screens and hands their lines over."""

    def __init__(self, home: Path, heard: Callable[[int, bytes], None]) -> None:
        self._path = home / "recorder.sock"
        self._heard = heard
        self._clients: dict[int, _Client] = {}
        self._lock = threading.Lock()
        self._next = 1
        self._socket = self._listen(home)

    def _listen(self, home: Path) -> socket.socket:
        listener = socket.socket(socket.AF_UNIX)
        address = socket_address(home)
        try:
            listener.connect(address)
        except OSError:
            self._path.unlink(missing_ok=True)  # left behind by a recorder that was killed
        else:
            listener.close()
            raise RecorderRunningError(str(home))
        listener.close()
        listener = socket.socket(socket.AF_UNIX)
        listener.bind(address)
        self._path.chmod(0o600)
        listener.listen(8)
        return listener

    def start(self) -> None:
        """Begin to accept screens."""
        threading.Thread(target=self._accept, name="link", daemon=True).start()

    def close(self) -> None:
        """Send every screen away and remove the socket."""
        with self._lock:
            clients = list(self._clients.values())
        for client in clients:
            with contextlib.suppress(OSError):
                client.connection.shutdown(socket.SHUT_RDWR)
        self._path.unlink(missing_ok=True)
        self._socket.close()

    def anyone(self) -> bool:
        """Whether a screen is connected."""
        return bool(self._clients)

    def broadcast(self, line: bytes) -> None:
        """Send to everyone; a slow screen misses it."""
        with self._lock:
            clients = list(self._clients.values())
        for client in clients:
            self._send(client, line, may_drop=True)

    def answer(self, client: int, line: bytes) -> None:
        """Send to one."""
        with self._lock:
            found = self._clients.get(client)
        if found is not None:
            self._send(found, line, may_drop=False)

    def _send(self, client: _Client, line: bytes, *, may_drop: bool) -> None:
        try:
            client.send(line, may_drop=may_drop)
        except OSError:
            self._forget(client)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            with self._lock:
                client = _Client(self._next, connection)
                self._clients[self._next] = client
                self._next += 1
            threading.Thread(target=self._read, args=(client,), name="screen", daemon=True).start()

    def _read(self, client: _Client) -> None:
        held = bytearray()
        with contextlib.suppress(OSError):
            while data := client.connection.recv(4096):
                held += data
                while (end := held.find(b"\n")) >= 0:
                    line = bytes(held[:end])
                    del held[: end + 1]
                    if line.strip():
                        self._heard(client.number, line)
                if len(held) > LONGEST_LINE:
                    break
        self._forget(client)

    def _forget(self, client: _Client) -> None:
        with self._lock:
            self._clients.pop(client.number, None)
        with contextlib.suppress(OSError):
            client.connection.close()
