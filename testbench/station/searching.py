"""What can be looked for among the runs of a bench, and what a page of the answer holds: values, no database.

The same search is made by options of the command line, by the line of a screen (:func:`read_line`), and by whatever
is served later; ``History`` is all that a screen needs to know of where the runs lie.
"""

import calendar
import re
import shlex
from dataclasses import dataclass
from datetime import date
from typing import Protocol, Self

from pydantic import model_validator

from testbench.errors import SearchRefusedError
from testbench.procedure.serials import compared
from testbench.procedure.valve import Value
from testbench.run.record import Origin, RunRecord, Verdict
from testbench.station.life import ValvePage

SHORTEST_PART = 3
"""Signs of a part of a serial number: the index is one of three signs each."""
VERDICTS = (*(verdict.value for verdict in Verdict), "void")
ORIGINS = tuple(origin.value for origin in Origin)
_SPAN = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?")


class Search(Value):
    """Everything that is said must hold. What is empty is not asked.

    Serial numbers are compared as ever: capitals make no difference. ``product``, ``procedure`` and ``operator`` are
    parts of a name, in any capitals.
    """

    serial: str = ""
    """The whole serial number."""
    prefix: str = ""
    """How it begins."""
    part: str = ""
    """What stands somewhere in it, three signs at least."""
    order: str = ""
    product: str = ""
    procedure: str = ""
    """Part of the procedure's id or of its standard."""
    verdict: str = ""
    """accepted, rejected, inconclusive or void."""
    operator: str = ""
    bench: str = ""
    origin: str = ""
    """live, simulated or replayed."""
    since: date | None = None
    """The first day, UTC."""
    until: date | None = None
    """The last day, UTC."""

    @model_validator(mode="after")
    def _can_be_made(self) -> Self:
        if self.part and len(compared(self.part)) < SHORTEST_PART:
            allowed = f"{SHORTEST_PART} signs at least, or the beginning of a serial number"
            raise SearchRefusedError("part", self.part, allowed)
        for name, names in (("verdict", VERDICTS), ("origin", ORIGINS)):
            found = getattr(self, name)
            if found and found not in names:
                raise SearchRefusedError(name, found, ", ".join(names))
        if self.since is not None and self.until is not None and self.until < self.since:
            raise SearchRefusedError("until", str(self.until), f"{self.since} or later")
        return self

    @property
    def everything(self) -> bool:
        """Whether nothing is asked."""
        return self == Search()

    @property
    def in_words(self) -> str:
        """What is asked, in one phrase."""
        said = [f"{name} {value}" for name, value in self.model_dump(mode="json").items() if value]
        return ", ".join(said) or "all runs"


def span_of(name: str, written: str) -> tuple[date, date]:
    """The first and last day of ``2026``, ``2026-11`` or ``2026-11-20``.

    Raises:
        SearchRefusedError: it is no such day, month or year.
    """
    found = _SPAN.fullmatch(written)
    allowed = "a day, month or year such as 2026-11-20, 2026-11 or 2026"
    if found is None:
        raise SearchRefusedError(name, written, allowed)
    year, month, day = int(found[1]), int(found[2] or 0), int(found[3] or 0)
    try:
        first = date(year, month or 1, day or 1)
        last = first if day else date(year, month or 12, calendar.monthrange(year, month or 12)[1])
    except ValueError:
        raise SearchRefusedError(name, written, allowed) from None
    return first, last


def search_of(**written: str | None) -> Search:
    """A search from what somebody wrote; ``since``, ``until`` and ``day`` as days, months or years.

    Raises:
        SearchRefusedError: something cannot be looked for.
    """
    said: dict[str, str | date] = {}
    for name, value in written.items():
        if not value:
            continue
        if name == "day":
            said["since"], said["until"] = span_of(name, value)
        elif name in {"since", "until"}:
            said[name] = span_of(name, value)[0 if name == "since" else 1]
        else:
            said[name] = value
    return Search.model_validate(said)


FIELDS = (*Search.model_fields, "day")


def read_line(line: str) -> Search:
    """The search that a line asks for: ``0117 verdict:rejected operator:"Mara Quill" since:2026-01``.

    A bare word is a part of a serial number, or its beginning where it is too short or ends in ``*``.

    Raises:
        SearchRefusedError: a field is none, or what it says cannot be looked for.
    """
    try:
        words = shlex.split(line)
    except ValueError:
        raise SearchRefusedError("line", line, "quotation marks in pairs") from None
    written: dict[str, str] = {}
    for word in words:
        name, colon, value = word.partition(":")
        if not colon:
            begins = word.endswith("*") or len(compared(word)) < SHORTEST_PART
            name, value = ("prefix", word.rstrip("*")) if begins else ("part", word)
        if name not in FIELDS:
            raise SearchRefusedError("line", name, f"a serial number, or one of {', '.join(FIELDS)}, then a colon")
        if name in written:
            raise SearchRefusedError(name, value, f"one {name}; there is '{written[name]}' already")
        written[name] = value
    return search_of(**written)


@dataclass(frozen=True, slots=True)
class FoundRun:
    """One line of an answer."""

    run: str
    started: str
    serial: str
    order: str
    product: str
    procedure: str
    standard: str
    verdict: str
    """Or void."""
    ended: str
    reason: str
    stages: str
    """Each stage with its verdict."""
    operator: str
    bench: str
    origin: str
    record_sha256: str
    document: str
    """The file of its newest document; empty where there is none."""


class Searched(Protocol):
    """Where runs are looked for, and nothing else is asked."""

    def search(self, asked: Search, limit: int = 50, before: str | None = None) -> list[FoundRun]:
        """The runs that fit, newest first, from before a run."""
        ...


class History(Searched, Protocol):
    """Where runs are looked for; a screen knows nothing else of it."""

    def record_of(self, run: str) -> RunRecord:
        """The record of a closed run."""
        ...

    def life(self, serial: str) -> ValvePage:
        """All that is known of a serial number.

        Raises:
            SerialNeverSeenError: nothing is.
        """
        ...


def page_of(history: Searched, asked: Search, limit: int, before: str | None) -> tuple[list[FoundRun], bool]:
    """A page, and whether there is more behind it."""
    found = history.search(asked, limit + 1, before)
    return found[:limit], len(found) > limit
