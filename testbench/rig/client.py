"""Talks to a rig over its control socket."""

import json
import socket
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from testbench.errors import RigNotRunningError
from testbench.rig.control import short_address


class RigClient:
    """A connection to one rig. Blocks for each answer.

    Raises:
        RigNotRunningError: nothing answers there.
    """

    def __init__(self, control: Path, timeout_s: float = 10.0) -> None:
        self._control = control
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(timeout_s)
        try:
            with short_address(control) as address:
                self._socket.connect(address)
        except OSError as failure:
            self._socket.close()
            raise RigNotRunningError(str(control)) from failure
        self._lines = self._socket.makefile("rb")

    def ask(self, command: dict[str, Any]) -> dict[str, Any]:
        """Send one command, give its answer; a refusal is an answer with ``done`` false and a ``sentence``.

        Raises:
            RigNotRunningError: the rig is gone.
        """
        try:
            self._socket.sendall(json.dumps(command).encode() + b"\n")
            line = self._lines.readline()
        except OSError as failure:
            raise RigNotRunningError(str(self._control)) from failure
        if not line:
            raise RigNotRunningError(str(self._control))
        answer: dict[str, Any] = json.loads(line)
        return answer

    def tell(self, command: str, **values: Any) -> dict[str, Any]:
        """The same with the values named one by one."""
        return self.ask({"command": command, **values})

    def close(self) -> None:
        """Hang up; the rig goes on."""
        self._lines.close()
        self._socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
