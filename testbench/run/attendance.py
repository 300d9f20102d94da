"""Hold points and witness points: who attended a stage, and whether notice was given in time. Pure.

A *hold point* is not passed without a witness of the party whose point it is; a *witness point* is, once notice was
given or the witness stayed away (common practice of inspection and test plans; the order's own terms prevail).
"""

from collections.abc import Collection, Sequence
from datetime import date

from testbench.errors import AttendanceNotSaidError, HoldPointError, OtherPartyError
from testbench.procedure.names import plain_name
from testbench.procedure.valve import Text, Value, WitnessPoint


class Attendee(Value):
    """Somebody who attended."""

    name: Text
    party: Text
    """For whom."""


class Attendance(Value):
    """What was said before a stage with a witness point or hold point began."""

    point: WitnessPoint
    notice: str
    """Whether notice was given in time, in words."""
    attended: tuple[Attendee, ...]
    """Nobody: did not attend."""


def notice_in_words(point: WitnessPoint, on: date) -> tuple[bool, str]:
    """Whether notice was given in time for a test on a day, and the words for it."""
    if point.notice_given_on is None:
        agreed = f"{point.notice_days} day{'' if point.notice_days == 1 else 's'} {_are(point.notice_days)} agreed"
        return False, f"no notice to {point.notify} is on the order; {agreed}"
    days = (on - point.notice_given_on).days
    when = f"{abs(days)} day{'' if abs(days) == 1 else 's'} {'before' if days >= 0 else 'after this test'}"
    agreed = f"{point.notice_days} {_are(point.notice_days)} agreed"
    return days >= point.notice_days, f"notice to {point.notify} on {point.notice_given_on}, {when}; {agreed}"


def _are(days: int) -> str:
    return "is" if days == 1 else "are"


def attend(
    point: WitnessPoint, attended: Sequence[Attendee] | None, on: date, witnesses: Collection[str] | None = None
) -> Attendance:
    """What the record keeps of a point that may be passed.

    Args:
        point: of the order.
        attended: as the operator says it; None: not said. Others may be named beside those of the point's own party.
        on: day of the stage.
        witnesses: printed names of the registered witnesses who are enabled; None: nobody is registered here.

    Raises:
        AttendanceNotSaidError: nothing was said.
        OtherPartyError: those who attend a witness point do so for others only.
        HoldPointError: nobody attends a hold point for its party, or nobody who is registered as a witness.
    """
    if attended is None:
        raise AttendanceNotSaidError(point.stage, point.point, point.party)
    said = tuple(Attendee(name=plain_name(one.name), party=plain_name(one.party)) for one in attended)
    _, notice = notice_in_words(point, on)
    own = [one.name for one in said if one.party.casefold() == plain_name(point.party).casefold()]
    if point.point == "hold point":
        _check_hold_point(point, said, own, witnesses, notice)
    elif said and not own:
        raise OtherPartyError(point.stage, point.party, _in_words(said))
    return Attendance(point=point, notice=notice, attended=said)


def _check_hold_point(
    point: WitnessPoint, said: Sequence[Attendee], own: Sequence[str], witnesses: Collection[str] | None, notice: str
) -> None:
    if not said:
        raise HoldPointError(point.stage, point.party, f"nobody attends ({notice})")
    if not own:
        raise HoldPointError(point.stage, point.party, f"nobody attends for it, but {_in_words(said)} ({notice})")
    if witnesses is not None and not set(own) & set(witnesses):
        registered = ", ".join(witnesses) or "nobody"
        why = f"{', '.join(own)} is not registered as a witness here; registered is {registered} ({notice})"
        raise HoldPointError(point.stage, point.party, why)


def _in_words(attended: Sequence[Attendee]) -> str:
    return ", ".join(f"{one.name} for {one.party}" for one in attended)
