"""Acceptance criteria: as a file states them for many valves, and as one valve must meet them."""

from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.procedure.limits import DECIMAL, Applies, SourcedSeconds, Sources, check_rows, fitting
from testbench.procedure.valve import Text, Value, Valve, later
from testbench.quantities import LeakageRate, Volume


class CriterionName(StrEnum):
    """The kinds of criteria."""

    NO_VISIBLE_LEAKAGE = "no-visible-leakage"
    LARGEST_LEAKAGE_RATE = "largest-leakage-rate"
    LARGEST_COUNT = "largest-count"
    """File form only: a count per minute becomes a leakage rate by the standard's convention."""
    STEM_WEEP = "stem-weep"


class StemWeepRule(StrEnum):
    """What a standard says of a weep at stem, gland or hinge-pin seal under shell pressure."""

    ALLOWED = "allowed"
    ALLOWED_IF_TIGHT_AT_RATING = "allowed if tight at the rating"
    NOT_ALLOWED = "not allowed"


# As one valve must meet them: what a record carries ----------------------------------------------


class VisualCriterion(Value):
    """Something that the operator looks at. No computed rate can stand in for eyes."""

    look_at: tuple[str, ...]
    source: str


class NoVisibleLeakage(VisualCriterion):
    """No leakage may be seen."""

    criterion: Literal[CriterionName.NO_VISIBLE_LEAKAGE] = CriterionName.NO_VISIBLE_LEAKAGE


class StemWeep(VisualCriterion):
    """A weep at the stem is its own observation, apart from shell leakage, with the standard's own rule."""

    criterion: Literal[CriterionName.STEM_WEEP] = CriterionName.STEM_WEEP
    rule: StemWeepRule


class Counted(Value):
    """What is counted instead of measured, and the convention that makes it a volume."""

    what: Literal["drops", "bubbles"]
    per_ml: Annotated[str, Field(pattern=DECIMAL)]
    convention: str

    def volume(self, number: int) -> Volume:
        """The volume that a count stands for; one count is also how well it is known."""
        return Volume.of(Fraction(number) / Fraction(self.per_ml), "mL")


class Decay(Value):
    """What lets a pressure decay stand for a collection, where the gate before the hold says that it can."""

    longest_hold_s: int
    """The longest hold that it may take [s]."""
    blank_days: int
    """How old a blank run may be [days]."""
    blank_pressure_factor: Annotated[str, Field(pattern=DECIMAL)]
    """How many times the required pressure, or what part of it, a blank run's pressure may be."""
    source: str


class LargestLeakageRate(Value):
    """What passes the seat is collected and timed; the rate may not exceed the limit."""

    criterion: Literal[CriterionName.LARGEST_LEAKAGE_RATE] = CriterionName.LARGEST_LEAKAGE_RATE
    limit: LeakageRate
    counted: Counted | None = None
    """Where the limit is a count; None where it is a volume."""
    collect_at: str
    settle_s: int
    """How long what drains down is let go before collecting [s]."""
    collect_s: int
    """The shortest collection that counts [s]."""
    time_uncertainty_s: int
    """Expanded uncertainty (k = 2) of a time between two key presses [s]."""
    source: str
    decay: Decay | None = later(None)
    """None where only what is collected decides."""

    def in_words(self, rate: LeakageRate, decimals: int = 1) -> str:
        """A rate in the unit that the operator reads: a count where the standard counts."""
        return f"{self.number(rate):z.{decimals}f} {self.unit}"

    @property
    def unit(self) -> str:
        """The unit that the operator reads."""
        return self.limit.unit if self.counted is None else f"{self.counted.what}/min"

    def number(self, rate: LeakageRate) -> float:
        """A rate in that unit."""
        if self.counted is None:
            return rate.to(self.unit)
        return rate.to("mL/min") * float(self.counted.per_ml)


Criterion = Annotated[NoVisibleLeakage | StemWeep | LargestLeakageRate, Field(discriminator="criterion")]


# As a file states them ---------------------------------------------------------------------------


class VisualRule(Applies):
    """No visible leakage."""

    criterion: Literal[CriterionName.NO_VISIBLE_LEAKAGE]
    look_at: Annotated[tuple[Text, ...], Field(min_length=1)]
    source: Text

    def for_valve(self, valve: Valve, sources: Sources) -> NoVisibleLeakage:
        """The criterion for one valve."""
        return NoVisibleLeakage(look_at=self.look_at, source=sources[self.source].in_words)


class StemRule(Applies):
    """Weep at the stem."""

    criterion: Literal[CriterionName.STEM_WEEP]
    rule: StemWeepRule
    look_at: Annotated[tuple[Text, ...], Field(min_length=1)]
    source: Text

    def for_valve(self, valve: Valve, sources: Sources) -> StemWeep:
        """The criterion for one valve."""
        return StemWeep(look_at=self.look_at, rule=self.rule, source=sources[self.source].in_words)


class RateLimit(Applies):
    """A limit on a rate: per inch of nominal size (NPS), per millimetre of it (DN), or plain."""

    per_inch: LeakageRate | None = None
    per_dn: LeakageRate | None = None
    at_most: LeakageRate | None = None
    source: Text

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        forms = {"per_inch": self.per_inch, "per_dn": self.per_dn, "at_most": self.at_most}
        given = {name: form for name, form in forms.items() if form is not None}
        if len(given) != 1:
            raise ValueError("at_most: give exactly one of per_inch, per_dn and at_most")
        for name, form in given.items():
            if not LeakageRate.zero("mL/h") < form:
                raise ValueError(f"{name}: found {form}, it must be above 0; 'none' is no-visible-leakage")
        return self

    def of(self, valve: Valve) -> LeakageRate:
        """The limit for a valve's size."""
        if self.per_inch is not None:
            return self.per_inch * valve.size.inches
        if self.per_dn is not None:
            return self.per_dn * valve.size.dn
        assert self.at_most is not None
        return self.at_most


class CountLimit(Applies):
    """A limit on a count per minute: per inch of nominal size, or plain. Zero means: none in the whole hold."""

    per_min_per_inch: Annotated[str, Field(pattern=DECIMAL)] | None = None
    per_min: Annotated[str, Field(pattern=DECIMAL)] | None = None
    source: Text

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if (self.per_min is None) == (self.per_min_per_inch is None):
            raise ValueError("per_min: give exactly one of per_min and per_min_per_inch")
        return self

    def of(self, valve: Valve) -> Fraction:
        """Counts per minute for a valve's size."""
        if self.per_min is not None:
            return Fraction(self.per_min)
        assert self.per_min_per_inch is not None
        return Fraction(self.per_min_per_inch) * valve.size.inches


class DecayRule(Value):
    """Leave for a pressure decay to stand for a collection, where the gate before the hold says that it can."""

    longest_hold: SourcedSeconds
    blank_days: Annotated[int, Field(gt=0)]
    blank_pressure_factor: Annotated[str, Field(pattern=DECIMAL)]
    source: Text

    @field_validator("blank_pressure_factor")
    @classmethod
    def _at_least_one(cls, factor: str) -> str:
        if Fraction(factor) < 1:
            raise ValueError("must be at least 1; a blank run at the required pressure itself always fits")
        return factor

    def resolved(self, sources: Sources) -> Decay:
        """The same with its source in words."""
        return Decay(
            longest_hold_s=self.longest_hold.s,
            blank_days=self.blank_days,
            blank_pressure_factor=self.blank_pressure_factor,
            source=sources[self.source].in_words,
        )


class Collecting(Applies):
    """How leakage is caught."""

    collect_at: Text
    settle: SourcedSeconds
    collect: SourcedSeconds
    time_uncertainty: SourcedSeconds
    decay: DecayRule | None = None

    def collected(
        self, limit: LeakageRate, source: str, sources: Sources, counted: Counted | None = None
    ) -> LargestLeakageRate:
        """The criterion with its limit."""
        return LargestLeakageRate(
            limit=limit,
            counted=counted,
            collect_at=self.collect_at,
            settle_s=self.settle.s,
            collect_s=self.collect.s,
            time_uncertainty_s=self.time_uncertainty.s,
            source=source,
            decay=None if self.decay is None else self.decay.resolved(sources),
        )


class CollectedRule(Collecting):
    """Largest leakage rate."""

    criterion: Literal[CriterionName.LARGEST_LEAKAGE_RATE]
    limits: Annotated[tuple[RateLimit, ...], Field(min_length=1)]

    @field_validator("limits")
    @classmethod
    def _one_limit_for_each(cls, limits: tuple[RateLimit, ...]) -> tuple[RateLimit, ...]:
        check_rows(limits)
        return limits

    def for_valve(self, valve: Valve, sources: Sources) -> LargestLeakageRate:
        """The criterion for one valve.

        Raises:
            ProcedureDoesNotApplyError: no limit fits it.
        """
        limit = fitting(self.limits, valve, "leakage limit")
        return self.collected(limit.of(valve), sources[limit.source].in_words, sources)


class CountedRule(Collecting):
    """Largest count of drops or bubbles."""

    criterion: Literal[CriterionName.LARGEST_COUNT]
    counted: Literal["drops", "bubbles"]
    per_ml: Annotated[str, Field(pattern=DECIMAL)]
    convention: Text
    limits: Annotated[tuple[CountLimit, ...], Field(min_length=1)]

    @field_validator("limits")
    @classmethod
    def _one_limit_for_each(cls, limits: tuple[CountLimit, ...]) -> tuple[CountLimit, ...]:
        check_rows(limits)
        return limits

    def for_valve(self, valve: Valve, sources: Sources) -> LargestLeakageRate | NoVisibleLeakage:
        """The criterion for one valve; a limit of zero is a visual one.

        Raises:
            ProcedureDoesNotApplyError: no limit fits it.
        """
        limit = fitting(self.limits, valve, "leakage limit")
        most, source = limit.of(valve), sources[limit.source].in_words
        if most == 0:
            return NoVisibleLeakage(look_at=(self.collect_at,), source=source)
        counted = Counted(what=self.counted, per_ml=self.per_ml, convention=self.convention)
        exact = LeakageRate.of(most / Fraction(self.per_ml), "mL/min")
        as_written = LeakageRate.parse(str(exact))  # a record carries 15 digits; judged again, the limit is the same
        return self.collected(as_written, source, sources, counted)


CriterionRule = Annotated[VisualRule | StemRule | CollectedRule | CountedRule, Field(discriminator="criterion")]
