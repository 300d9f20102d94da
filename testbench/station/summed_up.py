"""What a lot certificate or a shift summary sums up, as the list that is attached to it. Pure.

The list is what makes such a page checkable: which run, under which record hash, with which verdict and document, and
the row as it is printed. Whether a verdict follows is told by each valve's own document alone.
"""

from collections import Counter
from collections.abc import Iterator
from enum import StrEnum
from typing import Literal

from testbench.procedure.valve import Text, Value
from testbench.run.record import Verdict, sha256

NOT_TESTED, VOID = "not tested", "void"


class Kind(StrEnum):
    """What the page is."""

    LOT = "lot"
    SHIFT = "shift"

    @property
    def series(self) -> str:
        """First letter of its numbers."""
        return self[0].upper()


class Doubt(StrEnum):
    """Why a run that was accepted does not count as such."""

    RECALLED = "recalled"
    NONCONFORMING = "nonconforming"
    NOT_RELEASED = "not_released"
    WITHDRAWN = "withdrawn"
    NOT_ISSUED = "not_issued"


class SummedRow(Value):
    """One valve of a lot, or one run of a shift."""

    serial: Text
    run: str = ""
    """Empty where the valve was not tested, like all that follows."""
    record_sha256: str = ""
    verdict: str = NOT_TESTED
    """Of the run: accepted, rejected, inconclusive or void."""
    doubt: Doubt | None = None
    told: str = ""
    """Numbers of what brings the doubt."""
    document: str = ""
    """Number of its own document; empty where it has none."""
    document_sha256: str = ""
    printed: tuple[str, ...] = ()
    """The row as it stands on the page: its cells, the verdict in words, then what was measured."""

    @property
    def counts(self) -> bool:
        """Whether it stands for an accepted valve."""
        return self.verdict == Verdict.ACCEPTED and self.doubt is None and self.document != ""

    @property
    def state(self) -> str:
        """The verdict, and what is said against it."""
        doubt = "" if self.doubt is None else self.doubt.replace("_", " ")
        return f"{self.verdict} but {doubt}{f' ({self.told})' if self.told else ''}" if doubt else self.verdict


class SummedUp(Value):
    """The list."""

    format: Literal[1] = 1
    kind: Kind
    number: Text
    subject: Text
    """The order, or which shift."""
    bench: str = ""
    """Of the shift; a lot may be tested on several."""
    since: str = ""
    until: str = ""
    """Of a shift, ISO 8601; it holds the runs that ended in between."""
    issued: Text
    """UTC, ISO 8601."""
    replaces: str = ""
    """Number of the page that this one takes the place of."""
    complete: bool
    """Whether every valve of the order counts as accepted; a shift never is."""
    specimen: bool
    rows: tuple[SummedRow, ...]

    @property
    def count(self) -> int:
        """Which one of its series it is."""
        return int(self.number.rpartition("-")[2])

    @property
    def records_sha256(self) -> str:
        """Over the hashes of all records, in the order of the rows."""
        return sha256("".join(row.record_sha256 for row in self.rows).encode())

    @property
    def code(self) -> str:
        """The same on one plain line: what the QR code and the metadata hold."""
        lot = self.kind is Kind.LOT
        what = ("complete" if self.complete else "not complete") if lot else str(len(self.rows))
        mark = ["SPECIMEN"] if self.specimen else []
        return " | ".join((self.number, self.subject if lot else self.bench, what, self.records_sha256, *mark))

    @property
    def about(self) -> str:
        """What it is for, in words."""
        if self.kind is Kind.SHIFT:
            return f"shift {self.subject} of bench {self.bench}, {_counted(len(self.rows), 'run')}"
        complete = "complete" if self.complete else "not complete"
        return f"order {self.subject}, {complete}, {_counted(len(self.rows), 'valve')}"

    @property
    def counted(self) -> str:
        """How many rows stand how."""
        return "; ".join(f"{count} {state}" for state, count in Counter(row.state for row in self.rows).items())

    @property
    def what(self) -> tuple[str, str, str, str]:
        """What a later page must sum up, too, to take the place of this one."""
        return self.kind, self.subject, self.since, self.until


def _counted(count: int, one: str) -> str:
    return f"{count} {one}{'' if count == 1 else 's'}"


def faults_of_list(found: SummedUp) -> Iterator[str]:
    """What a list says against itself."""
    whole = found.kind is Kind.LOT and bool(found.rows) and all(row.counts for row in found.rows)
    if found.complete is not whole:
        yield "It says that the lot is complete, and its rows do not, or the other way round."
    if len({row.serial if found.kind is Kind.LOT else row.run for row in found.rows}) != len(found.rows):
        yield "It lists something twice."
    if any(row.serial not in row.printed for row in found.rows):
        yield "A printed row does not name its valve."


def number_in(kind: Kind, bench: str, count: int) -> str:
    """The number of a page in its series."""
    return f"{kind.series}-{bench}-{count:06d}"
