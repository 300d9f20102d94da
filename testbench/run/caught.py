"""What was caught within a hold, beside its limit: one collection by itself, and all of a hold together."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

from testbench.metrology.decision_rule import Conformity, Decision, DecisionRule, decide_upper_limit
from testbench.metrology.leakage import (
    CollectedRate,
    CollectedSeries,
    TimedVolume,
    VesselReading,
    agree,
    collected_series,
    pooled,
    pooled_rate,
)
from testbench.procedure.criteria import LargestLeakageRate
from testbench.quantities import LeakageRate, Volume
from testbench.run.observations import Collection
from testbench.run.samples import to_s

LONGEST_WORTH_ASKING_S = 3600
TOO_NEAR = "too near the limit to tell"


@dataclass(frozen=True, slots=True)
class Caught:
    """What one collection amounts to beside its limit."""

    collection: Collection
    volume: TimedVolume
    series: CollectedSeries
    decision: Decision[LeakageRate]

    @property
    def conformity(self) -> Conformity:
        """A rate that was not steady decides nothing: what drained down may be in it."""
        return self.decision.conformity if self.series.steady else Conformity.WITHIN_GUARD_BAND

    @property
    def results(self) -> tuple[CollectedRate, ...]:
        """The rates that another collection must agree with: of all of it, and of its end where it was not steady."""
        halves = self.series.halves
        return (self.series.found,) if self.series.steady or halves is None else (self.series.found, halves[1])

    @property
    def collect_for_s(self) -> int | None:
        """How long must be collected, as things stand, for the uncertainty to leave no doubt [s]; None for ever.

        Volume and time are as well known after a long collection as after a short one, so that the uncertainty of the
        rate falls as one over the time; the rate is taken as it was found.
        """
        distance = abs(float((self.decision.limit - self.decision.measured).exact))
        if distance == 0:
            return None
        return math.ceil(self.volume.seconds * float(self.decision.guard_band.exact) / distance)

    @property
    def advice(self) -> str:
        """What to do about a leakage that is undecided."""
        if not self.series.steady:
            return f"{self.series.reason}; collect again"
        if self.collect_for_s is None or self.collect_for_s > LONGEST_WORTH_ASKING_S:
            return f"{TOO_NEAR}; an hour of collecting would not tell either"
        return f"{TOO_NEAR}; collect for at least {self.collect_for_s} s"


def weigh(collection: Collection, criterion: LargestLeakageRate, rule: DecisionRule) -> Caught | None:
    """What a collection amounts to; None where a volume is still to be read, or makes no sense."""
    nothing, limit = Volume.zero("mL"), criterion.limit
    final, u = collection.volume, collection.volume_uncertainty
    if final is None or final < nothing or u is None or u <= nothing:
        return None
    if any(reading.volume is None for reading in collection.readings):
        return None
    readings = [VesselReading(0.0, nothing)]
    readings += [
        VesselReading(to_s(reading.at - collection.since), reading.volume)
        for reading in collection.readings
        if reading.volume is not None and collection.since < reading.at < collection.until
    ]  # a reading in the same moment as another has no rate to it
    seconds = to_s(collection.until - collection.since)
    readings.append(VesselReading(seconds, final))
    series = collected_series(readings, u, criterion.time_uncertainty_s, unit=limit.unit)
    decision = decide_upper_limit(series.found.rate, series.found.expanded_uncertainty, limit, rule)
    return Caught(collection, TimedVolume(final, u, seconds), series, decision)


Result = tuple[Caught, CollectedRate]
"""A collection with one of its results."""


@dataclass(frozen=True, slots=True)
class Together:
    """What the collections of one hold amount to: judged as one, unless two of them contradict each other."""

    caught: tuple[Caught, ...]
    """Oldest first, at least one."""
    criterion: LargestLeakageRate
    decision: Decision[LeakageRate]

    @property
    def contradicting(self) -> tuple[Result, Result] | None:
        """The first two that cannot both be right; None where all agree."""
        for first, second in combinations(self.caught, 2):
            for one, other in product(first.results, second.results):
                if not agree(one, other):
                    return (first, one), (second, other)
        return None

    @property
    def conformity(self) -> Conformity:
        """Contradicting results decide nothing, nor does a newest rate that was not steady."""
        decides = self.contradicting is None and self.caught[-1].series.steady
        return self.decision.conformity if decides else Conformity.WITHIN_GUARD_BAND

    @property
    def all_of_it(self) -> TimedVolume:
        """All that was caught, in all the time."""
        return pooled([one.volume for one in self.caught])

    @property
    def collect_more_s(self) -> int | None:
        """How long one more collection must be, at the rate found, for all together to decide [s]; None for ever."""
        distance = abs(float((self.decision.limit - self.decision.measured).exact))
        if distance == 0:
            return None
        found = self.all_of_it
        of_volume = float((found.volume_uncertainty + self.caught[-1].volume.volume_uncertainty).exact)
        times = math.sqrt(len(self.caught) + 1) * self.criterion.time_uncertainty_s
        uncertainty = math.hypot(of_volume, float(self.decision.measured.exact) * times)
        guard = self.decision.rule.guard_factor(self.decision.coverage_factor) * uncertainty
        return max(self.criterion.collect_s, math.ceil(guard / distance - found.seconds))

    @property
    def advice(self) -> str:
        """What would decide it within this hold."""
        if not self.caught[-1].series.steady:
            return self.caught[-1].advice
        more = self.collect_more_s
        if more is None or more > LONGEST_WORTH_ASKING_S:
            return f"{TOO_NEAR}; an hour of collecting would not tell either"
        return f"{TOO_NEAR}; collect for at least {more} s more"


def together(caught: Sequence[Caught], criterion: LargestLeakageRate, rule: DecisionRule) -> Together:
    """Judge collections of one hold, oldest first and at least one, as one."""
    if len(caught) == 1:
        return Together(tuple(caught), criterion, caught[0].decision)
    found = pooled_rate([one.volume for one in caught], criterion.time_uncertainty_s, criterion.limit.unit)
    decision = decide_upper_limit(found.rate, found.expanded_uncertainty, criterion.limit, rule)
    return Together(tuple(caught), criterion, decision)


def deciding(caught: Sequence[Caught], criterion: LargestLeakageRate, rule: DecisionRule) -> Together:
    """All together; but once the limit was shown to be exceeded, by one or by those up to then, that stays."""
    ways = [[one] for one in caught] + [list(caught[:number]) for number in range(2, len(caught) + 1)]
    found = [together(way, criterion, rule) for way in ways]
    beyond = [one for one in found if one.conformity is Conformity.DOES_NOT_CONFORM]
    return (beyond or found)[-1]
