"""Hold points and witness points: who attended a stage, and whether notice was given in time. Pure.

A *hold point* is not passed without the witness; a *witness point* is, once notice was given or the witness stayed away
(common practice of inspection and test plans; the order's own terms prevail).
"""

from collections.abc import Sequence
from datetime import date

from testbench.errors import AttendanceNotSaidError, HoldPointError
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
        return False, f"no notice to {point.notify} is on the order; {point.notice_days} days are agreed"
    days = (on - point.notice_given_on).days
    said = f"notice to {point.notify} on {point.notice_given_on}, {days} days before; {point.notice_days} are agreed"
    return days >= point.notice_days, said


def attend(point: WitnessPoint, attended: Sequence[Attendee] | None, on: date) -> Attendance:
    """What the record keeps of a point that may be passed.

    Args:
        point: of the order.
        attended: as the operator says it; None: not said.
        on: day of the stage.

    Raises:
        AttendanceNotSaidError: nothing was said.
        HoldPointError: nobody attends a hold point.
    """
    if attended is None:
        raise AttendanceNotSaidError(point.stage, point.point, point.party)
    _, notice = notice_in_words(point, on)
    if point.point == "hold point" and not attended:
        raise HoldPointError(point.stage, point.party, f"nobody attends ({notice})")
    return Attendance(point=point, notice=notice, attended=tuple(attended))
