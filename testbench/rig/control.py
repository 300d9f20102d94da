"""The rig's control socket: one JSON object a line in, one a line out."""

import contextlib
import errno
import os
import selectors
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from testbench.errors import RigStartFailedError

LONGEST_LINE = 65_536


@contextmanager
def short_address(path: Path) -> Iterator[str]:
    """An address for a Unix-domain socket, however long its path is.

    The kernel takes 107 bytes, so the socket is named through a descriptor of its folder.
    """
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


class ControlSocket:
    """Listens, cuts what comes into lines, and answers each through ``answer``.

    Raises:
        RigStartFailedError: the path is taken by a living rig, or cannot be used.
    """

    def __init__(self, path: Path, selector: selectors.BaseSelector, answer: Callable[[bytes], bytes]) -> None:
        self.path = path
        self._selector = selector
        self._answer = answer
        self._held: dict[socket.socket, bytearray] = {}
        self._listener = socket.socket(socket.AF_UNIX)
        try:
            with short_address(path) as address:
                self._make_room(address)
                self._listener.bind(address)
                self._listener.listen(8)
        except OSError as failure:
            self._listener.close()
            raise RigStartFailedError(str(path), failure.strerror or str(failure)) from failure
        self._listener.settimeout(0)
        selector.register(self._listener, selectors.EVENT_READ, self._welcome)

    def _make_room(self, address: str) -> None:
        """Take away what a rig left that is no more; leave a living one alone."""
        if not self.path.is_socket():
            return
        with socket.socket(socket.AF_UNIX) as probe:
            try:
                probe.connect(address)
            except ConnectionRefusedError:
                self.path.unlink()
                return
        raise OSError(errno.EADDRINUSE, "another rig answers there")

    def close(self) -> None:
        """Hang up on everybody and take the path away."""
        for client in list(self._held):
            self._part(client)
        self._selector.unregister(self._listener)
        self._listener.close()
        self.path.unlink(missing_ok=True)

    def _welcome(self) -> None:
        with contextlib.suppress(BlockingIOError):
            client, _ = self._listener.accept()
            client.settimeout(0)
            self._held[client] = bytearray()
            self._selector.register(client, selectors.EVENT_READ, lambda: self._hear(client))

    def _part(self, client: socket.socket) -> None:
        self._selector.unregister(client)
        del self._held[client]
        client.close()

    def _hear(self, client: socket.socket) -> None:
        held = self._held[client]
        try:
            data = client.recv(4096)
            held += data
            while (end := held.find(b"\n")) >= 0:
                line = bytes(held[:end])
                del held[: end + 1]
                client.send(self._answer(line) + b"\n")
        except OSError:
            self._part(client)
            return
        if not data or len(held) > LONGEST_LINE:
            self._part(client)
