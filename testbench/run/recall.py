"""A recall: what a calibration out of tolerance or a withdrawn procedure undoes, named run by run. Pure.

It changes no record: a recalled run is what it was, and cannot be released, until an engineer lifts the recall with a
reason. A run whose certificate has left already is recalled all the same; then its customer is to be told.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

from pydantic import Field

from testbench.errors import RecalledInUseError, RunRecalledError
from testbench.procedure.valve import Value, later
from testbench.run.nonconformity import Line, Said

Of = Literal["calibration", "procedure"]


class RecalledRun(Value):
    """One affected run, as it stood when it was recalled."""

    run: str
    record_sha256: str
    serial: str
    order: str
    verdict: str
    why: str
    """What this run has to do with it."""
    documents: tuple[str, ...] = ()
    """Numbers of what was issued of it."""


class Recall(Value):
    """A recall with every run that it names."""

    format: Literal[1] = 1
    number: Annotated[str, Field(pattern=r"^RC-\S+-[0-9]{6,}$")]
    of: Of
    subject: Line
    """Number of the calibration certificate, or id of the procedure."""
    detail: str = later("")
    """Serial number of the instrument, or the one revision that is withdrawn; empty for all of them."""
    why: Said
    at: str
    by: str
    by_id: str = later("")
    unfit: bool = later(default=False)
    """Whether what it names is itself not to be used any more; a calibration may also be what found others out."""
    runs: Annotated[tuple[RecalledRun, ...], Field(min_length=1)]


class Lifting(Value):
    """The end of a recall."""

    format: Literal[1] = 1
    number: str
    why: Said
    at: str
    by: str
    by_id: str = later("")


class RecallLine(Value):
    """A recall as it stands."""

    recall: Recall
    lifted: Lifting | None = None
    """None while it is in force."""

    @property
    def documents(self) -> tuple[str, ...]:
        """The documents that had left when it was recalled."""
        return tuple(number for run in self.recall.runs for number in run.documents)


def recalls_of(kept: Sequence[Recall | Lifting]) -> tuple[RecallLine, ...]:
    """The recalls of these entries, in the order of entry."""
    found: dict[str, RecallLine] = {}
    for one in kept:
        if isinstance(one, Recall):
            found[one.number] = RecallLine(recall=one)
        else:
            found[one.number] = found[one.number].model_copy(update={"lifted": one})
    return tuple(found.values())


def in_force(lines: Sequence[RecallLine]) -> Mapping[str, tuple[str, ...]]:
    """Run → numbers of the recalls that name it and were not lifted."""
    found: dict[str, list[str]] = defaultdict(list)
    for line in lines:
        if line.lifted is None:
            for one in line.recall.runs:
                found[one.run].append(line.recall.number)
    return {run: tuple(numbers) for run, numbers in found.items()}


def check_not_recalled(run: str, lines: Sequence[RecallLine], refused: str) -> None:
    """Refuse a recalled run what it cannot have, in words: its release, its certificate.

    Raises:
        RunRecalledError: names the recalls in force.
    """
    if (numbers := in_force(lines).get(run)) is not None:
        raise RunRecalledError(run, numbers, refused)


def check_fit_for_use(
    lines: Sequence[RecallLine],
    procedure: tuple[str, str],
    adopted_at: str | None,
    calibrations: Sequence[tuple[str, str]],
) -> None:
    """Refuse to begin a run on what is recalled.

    Args:
        lines: every recall.
        procedure: id and revision.
        adopted_at: when it was taken into use, UTC, ISO 8601; taken into use again after a recall, it counts anew.
            None: it was not, and the run can only yield a specimen.
        calibrations: certificate number and serial number of the instrument, for each channel.

    Raises:
        RecalledInUseError: names the recall.
    """
    for line in lines:
        recall = line.recall
        if line.lifted is not None or not recall.unfit:
            continue
        if recall.of == "calibration":
            named = next((one for one in calibrations if (recall.subject, recall.detail) in {one, (one[0], "")}), None)
            if named is not None:
                raise RecalledInUseError(f"Calibration {named[0]} of {named[1]}", recall.number, recall.why)
        elif (recall.subject, recall.detail or procedure[1]) == procedure and adopted_at and adopted_at < recall.at:
            raise RecalledInUseError(f"Procedure {procedure[0]}, revision {procedure[1]},", recall.number, recall.why)
