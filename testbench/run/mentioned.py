"""A nonconformity as a document names it: plain facts, as they stood when the document was issued. Pure."""

from collections.abc import Iterable
from typing import Self

from testbench.procedure.valve import Value
from testbench.run.nonconformity import Disposition, Nonconformity, Part, Standing, stands_in_the_way
from testbench.run.record import Verdict


class Mentioned(Value):
    """What a page says of a nonconformity. Nothing that somebody wrote: every word of it can be printed."""

    number: str
    run: str
    """Which showed it."""
    standing: Standing
    disposition: Disposition | None = None
    """The newest."""
    worked_on: tuple[Part, ...] = ()
    """By all reworks together."""
    retest: str = ""
    """The newest run after the rework that was decided; empty where there is none."""
    retest_verdict: Verdict | None = None

    @classmethod
    def of(cls, found: Nonconformity) -> Self:
        """As it stands now."""
        parts = dict.fromkeys(part for rework in found.reworks for part in rework.disturbed)
        retest = next((one for one in reversed(found.retests) if one.verdict in _DECIDED), None)
        return cls(
            number=found.number, run=found.opened.run, standing=found.standing, disposition=found.disposition,
            worked_on=tuple(parts), retest=retest.run if retest else "",
            retest_verdict=retest.verdict if retest else None,
        )  # fmt: skip


_DECIDED = (Verdict.ACCEPTED, Verdict.REJECTED)


def mentioned(found: Iterable[Nonconformity], *, trial: bool) -> tuple[Mentioned, ...]:
    """Those of a serial number that a document names; what a trial opened stands on documents of trials only."""
    return tuple(Mentioned.of(one) for one in found if stands_in_the_way(one, trial=trial))
