"""Adopting a procedure: every number with its source, and who confirmed it from which copy.

A shop adopts a revision of a procedure before it is used for real runs. Adoption is of the file as it stands: a changed
file has another hash and needs adopting again.
"""

import re
from typing import Annotated

from pydantic import Field, StringConstraints

from testbench.errors import AdoptionIncompleteError
from testbench.procedure.limits import Grade, Source
from testbench.procedure.stages import Procedure, parts_of
from testbench.procedure.valve import Value

TO_CONFIRM = (Grade.MEMORY, Grade.COMMON_PRACTICE, Grade.HOUSE)
"""Grades that nobody can look up in print without a copy of the standard or a decision of the shop."""


Named = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
"""Something that somebody said: spaces alone are nobody and nothing."""


class Confirmation(Value):
    """One source, confirmed from a copy."""

    source: Named
    copy_seen: Named
    """Which copy of the standard, or whose decision, for example "C508-17, copy 3 of the works' library"."""


class Adoption(Value):
    """A procedure revision taken into use."""

    procedure: Named
    revision: Named
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    """Of the procedure file's bytes."""
    adopted_by: Named
    at: Named
    """UTC, ISO 8601."""
    confirmed: tuple[Confirmation, ...]


class Numbered(Value):
    """One number of a procedure, for a person to check."""

    place: str
    number: str
    source: str
    grade: Grade
    in_words: str


def numbers_of(procedure: Procedure) -> tuple[Numbered, ...]:
    """Every number of a procedure with its place and source, in the order of the file."""
    return tuple(
        Numbered(
            place=_counted_from_1(place),
            number=_own_numbers(part),
            source=key,
            grade=procedure.sources[key].grade,
            in_words=procedure.sources[key].in_words,
        )
        for place, part in parts_of(procedure, "")
        if (key := getattr(part, "source", None)) is not None
    )


def to_confirm(procedure: Procedure) -> dict[str, Source]:
    """The sources in use that somebody must confirm from a copy, by their keys."""
    used = {found.source for found in numbers_of(procedure)}
    return {key: source for key, source in procedure.sources.items() if key in used and source.grade in TO_CONFIRM}


def decided_here(procedure: Procedure, decision: str, confirmed: tuple[Confirmation, ...]) -> tuple[Confirmation, ...]:
    """The confirmations, with a decision of the shop for every house or common-practice source not named yet."""
    named = {found.source for found in confirmed}
    open_ones = [
        key
        for key, source in to_confirm(procedure).items()
        if source.grade in {Grade.HOUSE, Grade.COMMON_PRACTICE} and key not in named
    ]
    return (*confirmed, *(Confirmation(source=key, copy_seen=decision) for key in open_ones))


def check_confirmations(procedure: Procedure, confirmed: tuple[Confirmation, ...]) -> None:
    """Refuse an adoption that leaves a source unconfirmed, or confirms one that is not there.

    Raises:
        AdoptionIncompleteError: names the sources.
    """
    said, needed = {found.source for found in confirmed}, set(to_confirm(procedure))
    if len(said) < len(confirmed):
        raise AdoptionIncompleteError(procedure.id, "a source is confirmed twice")
    if missing := sorted(needed - said):
        raise AdoptionIncompleteError(procedure.id, f"not confirmed are {', '.join(missing)}")
    if unknown := sorted(said - set(procedure.sources)):
        raise AdoptionIncompleteError(procedure.id, f"there is no source {', '.join(unknown)}")


def _counted_from_1(place: str) -> str:
    """A place as a person counts: ``stages[1].pressure`` is the first stage's."""
    return re.sub(r"\[(\d+)\]", lambda found: f"[{int(found[1]) + 1}]", place)


def _own_numbers(model: Value) -> str:
    """What a model says itself, its source and its parts with sources of their own left out."""
    said = model.model_dump(mode="json", exclude_defaults=True, exclude={"source", "prepare"})
    return ", ".join(
        f"{name} {value}"
        for name, value in said.items()
        if not (isinstance(value, dict) and "source" in value)
        and not (isinstance(value, list) and value and isinstance(value[0], dict))
    )
