"""What the screen needs from the outside: a link to the recorder."""

from typing import Protocol

from testbench.procedure.valve import Value
from testbench.station.messages import Answer, Update


class Link(Protocol):
    """Requests go out, updates and answers come in. No call of it waits."""

    @property
    def connected(self) -> bool:
        """Whether the recorder can be spoken to now."""

    def send(self, request: Value) -> None:
        """Send one request. What cannot be sent is dropped, and ``connected`` becomes False."""

    def receive(self) -> list[Update | Answer]:
        """What has come since the last call, oldest first; empty when nothing has."""

    def close(self) -> None:
        """Let go of the recorder; it carries on."""
