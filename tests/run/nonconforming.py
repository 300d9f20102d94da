"""Entries of a nonconformity of the invented works, as tests put them together."""

from testbench.run.nonconformity import (
    Attached,
    Closed,
    Disposed,
    Disposition,
    Entry,
    Noted,
    Part,
    Retested,
    Reworked,
    after,
)
from testbench.run.record import Verdict

NUMBER = "N-B1-000001"
REWORK = Disposed(disposition=Disposition.REWORK, why="The seat can be lapped.")
SCRAP = Disposed(disposition=Disposition.SCRAP, why="The body is porous.")
CONCEDED = Disposed(
    disposition=Disposition.CONCESSION,
    why="Used as a drain valve.",
    authority="Ellery Water Board",
    reference="EWB-C-12",
)
LAPPED = Reworked(done="Seat lapped through the open end.", disturbed=(Part.SEAT,))
OPENED_UP = Reworked(done="Cover off, disc changed.", disturbed=(Part.SEAT, Part.COVER_JOINT))
NOTE, CLOSED = Noted(text="Scratch at six o'clock."), Closed(why="Shown good.")
PHOTO = Attached(attachment=1, name="seat.jpg", size=8, media_type="image/jpeg", sha256="0" * 64)


def retest(verdict, *, shell=True):
    """A run after the rework."""
    return Retested(run="B1-000002", record_sha256="0" * 64, verdict=verdict, reason="", shell_accepted=shell)


GOOD, BAD, VOID = retest(Verdict.ACCEPTED), retest(Verdict.REJECTED), retest(None)


def entry(what, number=NUMBER):
    return Entry(number=number, at="2026-11-25T09:00:00.000Z", by="Tobin Ashe", what=what)


def entered(found, *whats):
    for what in whats:
        found = after(found, entry(what))
    return found
