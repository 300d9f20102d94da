"""When a person is locked after wrong tries. Pure: the tries and the rule go in, the end of the lock comes out.

A try is kept before the secret is looked at, so that neither a killed program nor two at once gives one away. Tries
count in the order in which they were kept, never by their times; and the lock runs from the latest time that any of
them bears. So a clock that is set back only makes it longer. (Set forward it ends the lock: whoever may set the clock
of the machine owns the machine.)
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from testbench.errors import PersonLockedError
from testbench.procedure.valve import Text, Value
from testbench.run.signature import Method
from testbench.station.current_run import iso


class Outcome(StrEnum):
    """What became of a try."""

    BEGUN = "begun"
    """Kept before the secret is looked at; wrong unless the next line says otherwise."""
    RIGHT = "right"
    CLEARED = "cleared"
    """A new secret was set."""


class Attempt(Value):
    """One line of the register of tries."""

    person: Text
    """As it was entered, registered or not."""
    method: Method
    at: str
    """UTC, ISO 8601 with milliseconds."""
    outcome: Outcome


class LockOut(Value):
    """The ``[people]`` table of bench.toml.

    Defaults: five tries forgive a glove that slips; then a minute, doubled up to an hour, leaves a guesser 33 tries on
    the first day and 24 on each other, of some 10 000 PINs of four digits.
    """

    wrong_tries: Annotated[int, Field(ge=3, le=10)] = 5
    first_delay_s: Annotated[int, Field(ge=10, le=3600)] = 60
    longest_delay_s: Annotated[int, Field(ge=60, le=86400)] = 3600

    @model_validator(mode="after")
    def _grows(self) -> Self:
        if self.longest_delay_s < self.first_delay_s:
            raise ValueError("longest_delay_s: must not be below first_delay_s")
        return self

    def delay(self, wrong: int) -> timedelta:
        """How long the lock lasts after so many wrong tries in a row; nothing below ``wrong_tries``."""
        if wrong < self.wrong_tries:
            return timedelta(0)
        doubled = self.first_delay_s * 2 ** min(wrong - self.wrong_tries, 20)
        return timedelta(seconds=min(doubled, self.longest_delay_s))


def wrong_in_a_row(attempts: Sequence[Attempt]) -> tuple[Attempt, ...]:
    """The tries since the last that was right, or since the secret was set."""
    last = max((at for at, one in enumerate(attempts) if one.outcome is not Outcome.BEGUN), default=-1)
    return tuple(attempts[last + 1 :])


def locked_until(attempts: Sequence[Attempt], rule: LockOut) -> datetime | None:
    """The end of the lock; None where there is none.

    Args:
        attempts: of one person by one method, in the order in which they were kept.
        rule: of the bench.
    """
    wrong = wrong_in_a_row(attempts)
    if len(wrong) < rule.wrong_tries:
        return None
    return max(datetime.fromisoformat(one.at) for one in wrong) + rule.delay(len(wrong))


def check_not_locked(attempts: Sequence[Attempt], rule: LockOut, person: str, now: datetime) -> None:
    """Refuse a try while the lock lasts.

    Raises:
        PersonLockedError: with its end.
    """
    until = locked_until(attempts, rule)
    if until is not None and now < until:
        raise PersonLockedError(person, len(wrong_in_a_row(attempts)), iso(until))
