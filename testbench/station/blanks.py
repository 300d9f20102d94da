"""The register of blank runs: what was declared is kept as it was said, and never changed."""

from collections.abc import Sequence
from typing import Protocol

from testbench.errors import BlankRefusedError
from testbench.run.record import BlankRun, canonical


class BlankRuns(Protocol):
    """Where blank runs are read, each as canonical JSON."""

    def blanks(self) -> Sequence[str]:
        """Every blank run, in the order they were declared."""


class BlankRegister(BlankRuns, Protocol):
    """Where blank runs are kept."""

    def add_blank(self, body: str) -> None:
        """Keep a blank run; returns when it is on disk."""


def declared(register: BlankRuns) -> tuple[BlankRun, ...]:
    """Every blank run, in the order they were declared."""
    return tuple(BlankRun.model_validate_json(body) for body in register.blanks())


def declare(register: BlankRegister, blank: BlankRun) -> None:
    """Keep a blank run.

    Raises:
        BlankRefusedError: that hold is a blank run already.
    """
    for known in declared(register):
        if (known.run, known.stage, known.attempt) == (blank.run, blank.stage, blank.attempt):
            raise BlankRefusedError(blank.run, f"the {blank.stage}, attempt {blank.attempt}, is one already")
    register.add_blank(canonical(blank).decode())
