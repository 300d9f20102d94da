"""A nonconformity from the rejection to its end: entries that are only ever added, folded into how it stands. Pure.

A rejected run opens one. What may follow is ``ALLOWED``, as the machine's table is for a stage. A concession lets a
product go as it is, by whoever has the authority: the run stays rejected. Scrap ends the serial number. A rework is
shown good by a new run and by nothing else.
"""

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from testbench.errors import NonconformityStepError
from testbench.procedure.criteria import LargestLeakageRate
from testbench.procedure.stages import StageName
from testbench.procedure.valve import Text, Value, later
from testbench.run.observations import Seen
from testbench.run.record import Origin, RunRecord, StageRecord, Verdict

MOST_SIGNS = 2000


class Disposition(StrEnum):
    """What is decided about a nonconforming valve."""

    REWORK = "rework"
    SCRAP = "scrap"
    CONCESSION = "concession"


class Step(StrEnum):
    """What an entry adds."""

    OPENED = "opened"
    NOTED = "noted"
    ATTACHED = "attached"
    DISPOSED = "disposed"
    REWORKED = "reworked"
    RETESTED = "retested"
    CLOSED = "closed"


class Standing(StrEnum):
    """How a nonconformity stands."""

    UNDECIDED = "no disposition yet"
    TO_REWORK = "to be reworked"
    REWORKED = "reworked, to be tested again"
    PASSED = "accepted in a retest"
    FAILED = "rejected in a retest"
    SCRAPPED = "scrap"
    CONCEDED = "conceded"
    CLOSED = "closed"


_ALWAYS = frozenset({Step.NOTED, Step.ATTACHED})
ALLOWED: Mapping[Standing, frozenset[Step]] = {
    Standing.UNDECIDED: _ALWAYS | {Step.DISPOSED},
    Standing.TO_REWORK: _ALWAYS | {Step.DISPOSED, Step.REWORKED},
    Standing.REWORKED: _ALWAYS | {Step.DISPOSED, Step.REWORKED, Step.RETESTED},
    Standing.PASSED: _ALWAYS | {Step.CLOSED},
    Standing.FAILED: _ALWAYS | {Step.CLOSED},
    Standing.SCRAPPED: _ALWAYS | {Step.CLOSED},
    Standing.CONCEDED: _ALWAYS | {Step.DISPOSED, Step.CLOSED},
    Standing.CLOSED: frozenset(),
}
"""What may follow. A conceded valve may still be reworked; scrap is final; a closed one takes nothing any more."""


class Part(StrEnum):
    """What a rework took apart or worked on."""

    SEAT = "seat"
    COVER_JOINT = "cover joint"
    STEM = "stem"
    BODY = "body"
    OTHER = "other joint"


OF_THE_SHELL = frozenset(Part) - {Part.SEAT}
"""Parts of the pressure-retaining shell: once disturbed, only a shell test shows that they are tight (common practice).

What has no name here counts as one of them.
"""


def _readable(text: str) -> str:
    text = text.strip()
    if not text:
        raise ValueError("found nothing, something must be said")
    if any(unicodedata.category(sign) in {"Cc", "Cf", "Cs", "Zl", "Zp"} and sign != "\n" for sign in text):
        raise ValueError("found a sign that cannot be seen; write plain lines")
    return text


Said = Annotated[str, Field(max_length=MOST_SIGNS), AfterValidator(_readable)]
"""What somebody wrote: plain lines."""
Line = Annotated[str, Field(max_length=200), AfterValidator(_readable)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Opened(Value):
    """What was found; copied from the record, so that the page of a valve needs no other."""

    step: Literal[Step.OPENED] = Step.OPENED
    run: Text
    record_sha256: str
    serial: str
    order: str
    customer: str
    valve: str
    verdict: Verdict | None
    reason: str
    where: tuple[str, ...]
    """Stage and place of each leak that was seen."""
    findings: tuple[str, ...]
    origin: Origin
    specimen: bool
    """Whether it is of a trial: it stands in the way of trials only."""
    why: str = later("")
    """Of one that a person opened; empty where the rejection did."""


class Noted(Value):
    """Evidence in words."""

    step: Literal[Step.NOTED] = Step.NOTED
    text: Said


class Attached(Value):
    """A file whose content lies in the records."""

    step: Literal[Step.ATTACHED] = Step.ATTACHED
    attachment: Annotated[int, Field(ge=1)]
    """Its number within the nonconformity."""
    name: str
    """As it is shown; never a path."""
    size: Annotated[int, Field(ge=0)]
    media_type: str
    sha256: Sha256


class Disposed(Value):
    """The disposition."""

    step: Literal[Step.DISPOSED] = Step.DISPOSED
    disposition: Disposition
    why: Said
    authority: Line | None = later(None)
    """Who granted a concession: the customer, or whoever the order names."""
    reference: Line | None = later(None)
    """Under which number or letter."""

    @model_validator(mode="after")
    def _granted(self) -> Self:
        conceded = self.disposition is Disposition.CONCESSION
        if conceded and (self.authority is None or self.reference is None):
            raise ValueError("a concession names who granted it and under which reference")
        if not conceded and (self.authority is not None or self.reference is not None):
            raise ValueError("authority and reference belong to a concession")
        return self


class Reworked(Value):
    """What was done, and what was disturbed by it."""

    step: Literal[Step.REWORKED] = Step.REWORKED
    done: Said
    disturbed: Annotated[tuple[Part, ...], Field(min_length=1)]

    @property
    def of_the_shell(self) -> bool:
        """Whether something of the pressure-retaining shell was disturbed."""
        return bool(OF_THE_SHELL & set(self.disturbed))


class Retested(Value):
    """A closed run after the rework."""

    step: Literal[Step.RETESTED] = Step.RETESTED
    run: str
    record_sha256: str
    verdict: Verdict | None
    reason: str
    shell_accepted: bool
    """Whether an accepted shell test is among its stages."""


class Closed(Value):
    """The end."""

    step: Literal[Step.CLOSED] = Step.CLOSED
    why: Said


What = Annotated[
    Opened | Noted | Attached | Disposed | Reworked | Retested | Closed,
    Field(discriminator="step"),
]


class Entry(Value):
    """One line of a nonconformity."""

    format: Literal[1] = 1
    number: Annotated[str, Field(pattern=r"^N-\S+-[0-9]{6,}$")]
    at: str
    """UTC, ISO 8601 with milliseconds."""
    by: str
    """Printed name, or the recorder."""
    by_id: str = later("")
    """Of a registered person who was authenticated; empty where the recorder wrote it or nobody is registered."""
    what: What


class Nonconformity(Value):
    """A nonconformity as its entries leave it."""

    number: str
    standing: Standing
    opened: Opened
    entries: tuple[Entry, ...]
    disposition: Disposition | None = None
    """The newest."""
    reworks: tuple[Reworked, ...] = ()
    attachments: tuple[Attached, ...] = ()
    retests: tuple[Retested, ...] = ()

    @property
    def shell_owed(self) -> bool:
        """Whether a rework disturbed the pressure-retaining shell, and no shell test was accepted since."""
        owed = False
        for entry in self.entries:
            if isinstance(entry.what, Reworked):
                owed = owed or entry.what.of_the_shell
            elif isinstance(entry.what, Retested) and entry.what.shell_accepted:
                owed = False
        return owed


def begun(entry: Entry) -> Nonconformity:
    """The nonconformity of its first entry."""
    assert isinstance(entry.what, Opened)
    return Nonconformity(number=entry.number, standing=Standing.UNDECIDED, opened=entry.what, entries=(entry,))


def check_step(found: Nonconformity, step: Step) -> None:
    """Refuse what may not follow.

    Raises:
        NonconformityStepError: says what may.
    """
    allowed = ALLOWED[found.standing]
    if step not in allowed:
        raise NonconformityStepError(found.number, step, found.standing, tuple(sorted(allowed)))


def after(found: Nonconformity, entry: Entry) -> Nonconformity:
    """How a nonconformity stands after one more entry.

    Raises:
        NonconformityStepError: it may not follow, or it is no entry of this one.
    """
    what, allowed = entry.what, ALLOWED[found.standing]
    if entry.number != found.number:
        raise NonconformityStepError(found.number, what.step, found.standing, tuple(sorted(allowed)))
    check_step(found, what.step)
    changes: dict[str, object] = {"standing": _standing_after(found, what), "entries": (*found.entries, entry)}
    match what:
        case Disposed():
            changes["disposition"] = what.disposition
        case Reworked():
            changes["reworks"] = (*found.reworks, what)
        case Attached():
            changes["attachments"] = (*found.attachments, what)
        case Retested():
            changes["retests"] = (*found.retests, what)
        case _:
            pass
    return found.model_copy(update=changes)


_OF_DISPOSITION = {
    Disposition.REWORK: Standing.TO_REWORK,
    Disposition.SCRAP: Standing.SCRAPPED,
    Disposition.CONCESSION: Standing.CONCEDED,
}


def _standing_after(found: Nonconformity, what: What) -> Standing:
    match what:
        case Disposed():
            return _OF_DISPOSITION[what.disposition]
        case Reworked():
            return Standing.REWORKED
        case Closed():
            return Standing.CLOSED
        case Retested(verdict=Verdict.REJECTED):
            return Standing.FAILED
        case Retested(verdict=Verdict.ACCEPTED) if what.shell_accepted or not found.shell_owed:
            return Standing.PASSED
        case _:  # a void or inconclusive retest shows nothing
            return found.standing


def folded(entries: Iterable[Entry]) -> tuple[Nonconformity, ...]:
    """The nonconformities of these entries, each in the order of its opening."""
    found: dict[str, Nonconformity] = {}
    for entry in entries:
        found[entry.number] = after(found[entry.number], entry) if entry.number in found else begun(entry)
    return tuple(found.values())


# From a record ----------------------------------------------------------------------------------


def opened_by(record: RunRecord, record_sha256: str, why: str = "") -> Opened:
    """What a nonconformity says of the run that showed it."""
    rejected = [one for one in record.stages if one.finding is not None and one.finding.verdict is Verdict.REJECTED]
    return Opened(
        run=record.run,
        record_sha256=record_sha256,
        serial=record.valve.serial,
        order=record.order,
        customer=record.customer,
        valve=record.valve.in_one_line,
        verdict=record.verdict,
        reason=record.reason,
        where=tuple(_places(record.stages)),
        findings=tuple(sentence for stage in rejected for sentence in _against(stage)),
        origin=record.origin,
        specimen=record.specimen,
        why=why,
    )


def _places(stages: Sequence[StageRecord]) -> Iterable[str]:
    """Of completed stages only: what leaked in a stage that was void is said by its reason."""
    for stage in stages:
        if stage.finding is not None:
            yield from (f"{stage.stage}: {one.where}" for one in stage.observations if one.seen is Seen.LEAKAGE)
            against = {one.criterion for one in stage.finding.criteria if one.conformity == "does not conform"}
            caught = (one for one in stage.requirement.criteria if isinstance(one, LargestLeakageRate))
            yield from (f"{stage.stage}: {one.collect_at}" for one in caught if one.criterion in against)


def _against(stage: StageRecord) -> Iterable[str]:
    assert stage.finding is not None
    return (f"{stage.stage}: {one.sentence}" for one in stage.finding.criteria if one.conformity == "does not conform")


def retested_by(record: RunRecord, record_sha256: str) -> Retested:
    """What a nonconformity says of a later run of its valve."""
    shell = any(
        one.stage is StageName.SHELL and one.finding is not None and one.finding.verdict is Verdict.ACCEPTED
        for one in record.stages
    )
    return Retested(
        run=record.run,
        record_sha256=record_sha256,
        verdict=record.verdict,
        reason=record.reason,
        shell_accepted=shell,
    )


def stands_in_the_way(found: Nonconformity, *, trial: bool) -> bool:
    """Whether it concerns a run: one of a trial concerns trials only, as an acceptance in a trial does."""
    return trial or not found.opened.specimen
