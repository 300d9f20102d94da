"""First-pass yield: which share of the valves passed in the first run that decided anything.

The word is the trade's (common practice): units good at the first test over units tested. A void run decided nothing
and is not counted; an inconclusive one was a test, and the valve did not pass it. What a later run shows changes
nothing.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from testbench.metrology.statistics import FirstPassYield, Interval
from testbench.run.record import Verdict


@dataclass(frozen=True, slots=True)
class Yield:
    """The valves of one month or product."""

    group: str
    tested: int
    passed: int

    @property
    def percent(self) -> str:
        """The share with one decimal, rounded half up; never up to 100."""
        tenths = (2000 * self.passed + self.tested) // (2 * self.tested)
        tenths = tenths if self.passed == self.tested else min(tenths, 999)
        return f"{tenths // 10}.{tenths % 10}"

    @property
    def wilson(self) -> Interval:
        """Of the share, 95 %: for charts."""
        return FirstPassYield(self.passed, self.tested).wilson()

    @property
    def clopper_pearson(self) -> Interval:
        """Of the share, 95 %, exact: for claims."""
        return FirstPassYield(self.passed, self.tested).clopper_pearson()


def first_pass_yields(counts: Iterable[tuple[str, str, int]]) -> tuple[Yield, ...]:
    """Yields by group, in their order.

    Args:
        counts: group, verdict of the first run that decided, and how many valves.
    """
    tested: dict[str, int] = defaultdict(int)
    passed: dict[str, int] = defaultdict(int)
    for group, verdict, count in counts:
        tested[group] += count
        passed[group] += count if verdict == Verdict.ACCEPTED else 0
    return tuple(Yield(group, tested[group], passed[group]) for group in sorted(tested))


def together(yields: Iterable[Yield]) -> Yield | None:
    """All groups as one; None where there is none."""
    found = tuple(yields)
    if not found:
        return None
    return Yield("all", sum(one.tested for one in found), sum(one.passed for one in found))
