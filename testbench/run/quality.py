"""What many runs show together: reasons by their frequency, and a value from run to run beside its own limits.

Yields are in ``run/yields``. Charts of single values and moving ranges: the standard deviation comes from the mean
moving range of a base period, d2 = 1.128 (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2); the run rules are
those of Western Electric (same, 6.3.2). Leakage rates are skewed and end at nought, so that the rule of 3 sigma signals
more often than it would for a normal distribution: a signal asks for a cause, it is no verdict on a valve.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from testbench.errors import BaseTooShortError
from testbench.metrology.charts import Chart, RunRule, Signal, individuals_chart
from testbench.metrology.statistics import Capability, capability
from testbench.run.findings import LEAKAGE_RATE

FEWEST_IN_BASE = 10
"""Values that limits are taken from, at least."""
FIRM_BASE = 20
"""From fewer than these the limits still wander, which is said (common practice: 20 to 25)."""
FEWEST_FOR_CAPABILITY = 50
"""Values, at least (common practice)."""


# Pareto -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ReasonLine:
    """One reason of a Pareto list."""

    reason: str
    runs: int
    share: float
    """Of all that is counted, 0 to 1."""
    cumulated: float
    """Of this reason and those before it."""


def pareto(counts: Mapping[str, int]) -> tuple[ReasonLine, ...]:
    """Reasons, the most frequent first, equal ones by name. A run with two reasons is counted under both."""
    every, so_far, lines = sum(counts.values()), 0, []
    for reason, runs in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])):
        so_far += runs
        lines.append(ReasonLine(reason, runs, runs / every, so_far / every))
    return tuple(lines)


# Charts -----------------------------------------------------------------------------------------


class Measured(NamedTuple):
    """One value that a run found."""

    run: str
    day: str
    serial: str
    operator: str
    value: float
    most: float | None
    """Its limit."""


@dataclass(frozen=True, slots=True)
class Control:
    """A chart of what runs found, one after the other."""

    what: str
    unit: str
    points: tuple[Measured, ...]
    base: str
    """Which values the limits come from, in words."""
    values: Chart
    ranges: Chart
    rules: tuple[RunRule, ...]
    capability: Capability | None
    """Of the base, where the limit is one and the same, and nothing in the base signals."""
    why_no_capability: str

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Where the values signal."""
        return self.values.signals(self.rules)

    @property
    def range_signals(self) -> tuple[Signal, ...]:
        """Where the ranges do, by the rule of 3 sigma; each is that of a value and the one before it."""
        return self.ranges.signals()

    @property
    def told(self) -> list[tuple[Measured, list[str]]]:
        """Each point that signals, in their order, with the rules; a range is told at the later of its two points."""
        rules: dict[int, list[str]] = defaultdict(list)
        for one in self.signals:
            rules[one.index].append(str(one.rule))
        for one in self.range_signals:
            rules[one.index + 1].append(f"moving range: {one.rule}")
        return [(self.points[index], rules[index]) for index in sorted(rules)]


def control(
    what: str, unit: str, points: Sequence[Measured], base: Sequence[Measured] | None, rules: Sequence[RunRule]
) -> Control:
    """Chart values with limits from a base period.

    Args:
        what: the criterion, for example the largest leakage rate.
        unit: of the values.
        points: in the order of the runs.
        base: what the limits come from, in the same order; None: the points themselves.
        rules: the run rules that are asked of the values.

    Raises:
        BaseTooShortError: the base has fewer than 10 values.
        TooFewPointsError: fewer than two points.
    """
    source = points if base is None else base
    if len(source) < FEWEST_IN_BASE:
        raise BaseTooShortError(what, len(source), FEWEST_IN_BASE)
    lowest = 0.0 if what == LEAKAGE_RATE else float("-inf")
    taken = [point.value for point in source]
    values, ranges = individuals_chart([point.value for point in points], taken, lowest)
    found, why = _capability(source, rules, individuals_chart(taken, lowest=lowest))
    few = f", fewer than the {FIRM_BASE} that they should come from" if len(source) < FIRM_BASE else ""
    said = f"{len(source)} values of {source[0].day} to {source[-1].day}{few}"
    return Control(
        what, unit, tuple(points), said if base is not None else f"all {said}", values, ranges, tuple(rules), found, why
    )


def _capability(
    points: Sequence[Measured], rules: Sequence[RunRule], base: tuple[Chart, Chart]
) -> tuple[Capability | None, str]:
    """The distance to the one limit, where that says something; else why it does not."""
    limits = {point.most for point in points}
    if None in limits:
        return None, "there is no limit to hold the values against"
    if len(limits) > 1:
        return None, "the values have different limits"
    if len(points) < FEWEST_FOR_CAPABILITY:
        return None, f"the base has {len(points)} values; at least {FEWEST_FOR_CAPABILITY} are needed"
    if base[0].signals(rules) or base[1].signals():
        return None, "the base itself is not in statistical control"
    if len({point.value for point in points}) == 1:
        return None, "the values do not vary"
    return capability([point.value for point in points], upper=limits.pop()), ""


# Gauge study ------------------------------------------------------------------------------------


def balanced(points: Iterable[Measured]) -> tuple[list[Measured], list[str]]:
    """The valves that every operator measured, equally often: what a crossed gauge study can be made of.

    Returns:
        The values, and the serial numbers that were left out because somebody did not measure them. Of a cell with more
        values than every cell has, the first ones count.
    """
    found = list(points)
    cells = Counter((point.serial, point.operator) for point in found)
    operators = {operator for _, operator in cells}
    whole = [serial for serial in dict.fromkeys(point.serial for point in found)
             if all(cells[serial, operator] for operator in operators)]  # fmt: skip
    trials = min((cells[serial, operator] for serial in whole for operator in operators), default=0)
    taken, kept = Counter[tuple[str, str]](), []
    for point in found:
        key = (point.serial, point.operator)
        if point.serial in whole and taken[key] < trials:
            taken[key] += 1
            kept.append(point)
    return kept, sorted({point.serial for point in found} - set(whole))
