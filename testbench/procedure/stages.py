"""A procedure as a file states it: stages for many valves, every number with its source."""

from collections.abc import Iterator
from enum import StrEnum
from fractions import Fraction
from itertools import combinations, product
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.metrology.decision_rule import DecisionRule
from testbench.procedure.criteria import CollectedRule, CountedRule, CriterionRule, StemRule
from testbench.procedure.limits import (
    DECIMAL,
    Applies,
    SignalValidity,
    SizeBand,
    Source,
    SourcedFactor,
    SourcedSeconds,
    check_rows,
)
from testbench.procedure.pressures import PnRating, PressureRule, RatingRow, UpperLimit
from testbench.procedure.valve import LeakRate, Material, SeatPairing, Text, Value, ValveType
from testbench.quantities import Pressure


class StageName(StrEnum):
    """The tests of a valve."""

    SHELL = "shell test"
    SEAT = "seat test"
    SEAT_OTHER_SIDE = "seat test from the other side"
    BACKSEAT = "backseat test"
    LOW_PRESSURE_SEAT = "low-pressure seat test"
    LOW_PRESSURE_SEAT_OTHER_SIDE = "low-pressure seat test from the other side"
    LOW_HEAD_SEAT = "low-head seat test"


class PumpDuringHold(StrEnum):
    """What the pump does while the hold is timed."""

    ISOLATED = "isolated"
    MAKING_UP = "making up"
    """It keeps the pressure up while what passes the seat is collected."""


class StabilizationRule(Value):
    """When a pressure counts as steady: |slope| + 1.645 u within the limit over a window, for a dwell."""

    window: SourcedSeconds
    dwell: SourcedSeconds
    largest_change_percent_per_min: SourcedFactor
    """Of the required pressure."""
    advise_after: SourcedSeconds
    """When the operator is told that it still settles, or that the signal is too noisy to tell."""


class StageRule(Applies):
    """One test as the file states it, for the valves it applies to."""

    stage: StageName
    demand: Literal["required", "optional"] = "required"
    fluid: Literal["water", "gas"] = "water"
    pressurized_side: Text
    open_side: Text
    pump_during_hold: PumpDuringHold
    pressure: PressureRule
    upper_limit: UpperLimit
    hold: Annotated[tuple[SizeBand, ...], Field(min_length=1)]
    criteria: Annotated[tuple[CriterionRule, ...], Field(min_length=1)]
    prepare: Annotated[tuple[Text, ...], Field(min_length=1)]
    """What the operator does before pressure comes on, one step a line."""

    @field_validator("hold")
    @classmethod
    def _one_hold_for_each(cls, hold: tuple[SizeBand, ...]) -> tuple[SizeBand, ...]:
        check_rows(hold)
        return hold


class ValidityRule(SignalValidity):
    """When nothing may be concluded from a hold, for the state of its signal."""

    source: Text


class SignalRule(Value):
    """How much silence is tolerated."""

    longest_gap: SourcedSeconds
    lost_after: SourcedSeconds
    validity: ValidityRule

    @model_validator(mode="after")
    def _a_gap_is_short(self) -> Self:
        if not self.longest_gap.s < self.lost_after.s or self.longest_gap.s > 10:
            raise ValueError("longest_gap: must be at most 10 s and below lost_after; a hold is not made of silence")
        return self


class BenchRule(Value):
    """What holds for the whole run."""

    zero_tolerance_percent: SourcedFactor
    """Largest reading at atmosphere, in percent of the smallest required pressure."""
    safe_below_percent: SourcedFactor
    """Pressure counts as released below this percentage of the required pressure."""

    @model_validator(mode="after")
    def _released_is_not_at_pressure(self) -> Self:
        if Fraction(self.zero_tolerance_percent.factor) > 10:
            raise ValueError("zero_tolerance_percent: must be at most 10; a zero that far away is a fault")
        if Fraction(self.safe_below_percent.factor) >= 100:
            raise ValueError("safe_below_percent: must be below 100; at test pressure nothing is released")
        return self


class GaugeRangeRule(Value):
    """The end of a gauge's range, in times the test pressure."""

    least_times: Annotated[str, Field(pattern=DECIMAL)]
    most_times: Annotated[str, Field(pattern=DECIMAL)]
    source: Text

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not 1 <= Fraction(self.least_times) < Fraction(self.most_times):
            raise ValueError("least_times: must be at least 1 and below most_times")
        return self


class DecisionChoice(Value):
    """How much of the doubt about a measured value a verdict has to respect."""

    rule: DecisionRule
    source: Text


class Procedure(Value):
    """A test procedure: a standard and edition turned into stages, every number with its source."""

    format: Literal[1]
    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    revision: Annotated[str, Field(pattern=r"^[0-9A-Za-z.]+$")]
    title: Text
    standard: Text
    edition: Text
    valve_types: Annotated[tuple[ValveType, ...], Field(min_length=1)]
    seats: Annotated[tuple[SeatPairing, ...], Field(min_length=1)] = tuple(SeatPairing)
    materials: tuple[Material, ...] = ()
    """Shell materials it is for; empty where the material decides nothing, and the order need not say it."""
    classes: tuple[Annotated[int, Field(gt=0)], ...] = ()
    """Classes it is for, where the order names a class; empty means any."""
    leak_rates: tuple[LeakRate, ...] = ()
    """Rates among which the order must choose; empty where the standard does not leave the choice."""
    rated_at_most: Pressure | None = None
    ratings: tuple[RatingRow, ...] = ()
    """Ratings at room temperature, for an order that names class and material instead of a pressure."""
    pn_rating: PnRating | None = None
    gauge_range: GaugeRangeRule | None = None
    sources: dict[str, Source]
    signal: SignalRule
    bench: BenchRule
    stabilization: StabilizationRule
    decision: DecisionChoice | None = None
    """The decision rule; None: guarded, the recorder's own."""
    stages: Annotated[tuple[StageRule, ...], Field(min_length=1)]

    @field_validator("ratings")
    @classmethod
    def _one_rating_for_each(cls, ratings: tuple[RatingRow, ...]) -> tuple[RatingRow, ...]:
        check_rows(ratings)
        return ratings

    @model_validator(mode="after")
    def _every_source_exists(self) -> Self:
        for place, part in parts_of(self, ""):
            key = getattr(part, "source", None)
            if key is not None and key not in self.sources:
                raise ValueError(f"{place}.source: '{key}' is not under [sources]")
        return self

    @model_validator(mode="after")
    def _no_part_is_for_valves_outside_the_procedure(self) -> Self:
        scopes = ("types", self.valve_types), *((name, getattr(self, name)) for name in _SCOPES)
        for place, part in parts_of(self, ""):
            for name, scope in scopes if isinstance(part, Applies) else ():
                outside = [str(found) for found in getattr(part, name) if found not in scope]
                if outside and (scope or name == "leak_rates"):
                    where = "valve_types" if name == "types" else name
                    raise ValueError(f"{place}.{name}: {', '.join(outside)} is not among the procedure's {where}")
        return self

    @model_validator(mode="after")
    def _no_stage_twice_for_one_valve(self) -> Self:
        for one, other in combinations(self.stages, 2):
            if one.stage == other.stage and one.overlaps(other):
                raise ValueError(f"stages: the {one.stage} stands there twice for the same valves")
        return self

    @model_validator(mode="after")
    def _every_seat_has_a_criterion(self) -> Self:
        for index, rule in enumerate(self.stages):
            deciding = [found for found in rule.criteria if not isinstance(found, StemRule)]
            for kind, seat, rate in product(
                rule.types or self.valve_types, rule.seats or self.seats, self.leak_rates or ("",)
            ):
                valve = Applies(types=(kind,), seats=(seat,), leak_rates=(rate,) if rate else ())
                said = f"for a {seat} seat{f' of rate {rate}' if rate else ''} of a {kind} valve"
                meant = [found for found in deciding if found.overlaps(valve)]
                if not meant:
                    raise ValueError(f"stages[{index}].criteria: no criterion {said}")
                for found in meant:
                    rows = found.limits if isinstance(found, CollectedRule | CountedRule) else (found,)
                    if not any(row.overlaps(valve) for row in rows):
                        raise ValueError(f"stages[{index}].criteria: no limit {said}")
        return self


_SCOPES = ("seats", "materials", "classes", "leak_rates")


def parts_of(model: Value, place: str) -> Iterator[tuple[str, Value]]:
    """A model and every model below it, with their places; places count from 0."""
    yield place, model
    for name in type(model).model_fields:
        value = getattr(model, name)
        where = f"{place}.{name}" if place else name
        for index, item in enumerate(value if isinstance(value, tuple) else (value,)):
            if isinstance(item, Value):
                yield from parts_of(item, f"{where}[{index}]" if isinstance(value, tuple) else where)
