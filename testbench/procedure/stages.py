"""A procedure as a file states it, and the requirements it makes of one valve."""

from collections import Counter
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from testbench.errors import ProcedureDoesNotApplyError
from testbench.procedure.criteria import (
    Criterion,
    CriterionName,
    LargestLeakageRate,
    NoVisibleLeakage,
)
from testbench.procedure.limits import SizeBand, Source, SourcedFactor, SourcedSeconds, look_up
from testbench.procedure.valve import SeatPairing, Text, Value, Valve, ValveType
from testbench.quantities import LeakageRate, Pressure


class StageName(StrEnum):
    """The tests of a valve."""

    SHELL = "shell test"
    SEAT = "seat test"


class PumpDuringHold(StrEnum):
    """What the pump does while the hold is timed."""

    ISOLATED = "isolated"
    MAKING_UP = "making up"
    """It keeps the pressure up while what passes the seat is collected."""


class VisualRule(Value):
    """File form of a visual criterion."""

    criterion: Literal[CriterionName.NO_VISIBLE_LEAKAGE]
    seats: tuple[SeatPairing, ...] = tuple(SeatPairing)
    look_at: Annotated[tuple[Text, ...], Field(min_length=1)]
    source: Text


class CollectedRule(Value):
    """File form of a collected leakage criterion, its limit stated per inch of nominal size."""

    criterion: Literal[CriterionName.LARGEST_LEAKAGE_RATE]
    seats: tuple[SeatPairing, ...] = tuple(SeatPairing)
    limit_per_inch: LeakageRate
    collect_at: Text
    settle: SourcedSeconds
    collect: SourcedSeconds
    time_uncertainty: SourcedSeconds
    source: Text


class StabilizationRule(Value):
    """When a pressure counts as steady: |slope| + 1.645 u within the limit over a window, for a dwell."""

    window: SourcedSeconds
    dwell: SourcedSeconds
    largest_change_percent_per_min: SourcedFactor
    """Of the required pressure."""
    advise_after: SourcedSeconds
    """When the operator is told that it still settles, or that the signal is too noisy to tell."""


class StageRule(Value):
    """One test as the file states it."""

    stage: StageName
    pressurized_side: Text
    open_side: Text
    pump_during_hold: PumpDuringHold
    pressure: SourcedFactor
    """Factor on the rated pressure."""
    upper_limit: SourcedFactor
    """Factor on the required pressure; above it the stage trips."""
    hold: Annotated[tuple[SizeBand, ...], Field(min_length=1)]
    criteria: Annotated[
        tuple[Annotated[VisualRule | CollectedRule, Field(discriminator="criterion")], ...],
        Field(min_length=1),
    ]
    prepare: Annotated[tuple[Text, ...], Field(min_length=1)]
    """What the operator does before pressure comes on, one step a line."""

    @model_validator(mode="after")
    def _complete(self) -> Self:
        counted = Counter(number for band in self.hold for number in band.nps)
        if doubled := [number for number, times in counted.items() if times > 1]:
            raise ValueError(f"hold: NPS {', '.join(doubled)} stands in two size bands")
        for seat in SeatPairing:
            if not any(seat in rule.seats for rule in self.criteria):
                raise ValueError(f"criteria: no criterion for a {seat} seat")
        if Fraction(self.upper_limit.factor) <= 1:
            raise ValueError("upper_limit: the factor must be above 1")
        if Fraction(self.pressure.factor) <= 0:
            raise ValueError("pressure: the factor must be above 0")
        return self


class SignalRule(Value):
    """How much silence is tolerated."""

    longest_gap: SourcedSeconds
    lost_after: SourcedSeconds


class BenchRule(Value):
    """What holds for the whole run."""

    zero_tolerance_percent: SourcedFactor
    """Largest reading at atmosphere, in percent of the smallest required pressure."""
    safe_below_percent: SourcedFactor
    """Pressure counts as released below this percentage of the required pressure."""

    @model_validator(mode="after")
    def _released_is_not_at_pressure(self) -> Self:
        if Fraction(self.safe_below_percent.factor) >= 100:
            raise ValueError("safe_below_percent: must be below 100; at test pressure nothing is released")
        return self


class Procedure(Value):
    """A test procedure: a standard and edition turned into stages, every number with its source."""

    format: Literal[1]
    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    revision: Annotated[str, Field(pattern=r"^[0-9A-Za-z.]+$")]
    title: Text
    standard: Text
    edition: Text
    valve_types: Annotated[tuple[ValveType, ...], Field(min_length=1)]
    rated_at_most: Pressure
    sources: dict[str, Source]
    signal: SignalRule
    bench: BenchRule
    stabilization: StabilizationRule
    stages: Annotated[tuple[StageRule, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _every_source_exists(self) -> Self:
        for place, key in _sources_named(self, ""):
            if key not in self.sources:
                raise ValueError(f"{place}.source: '{key}' is not under [sources]")
        if len({rule.stage for rule in self.stages}) != len(self.stages):
            raise ValueError("stages: a stage stands there twice")
        return self


def _sources_named(model: Value, place: str) -> list[tuple[str, str]]:
    """Every ``source`` field below a model, with its place."""
    found: list[tuple[str, str]] = []
    for name in type(model).model_fields:
        value = getattr(model, name)
        where = f"{place}.{name}" if place else name
        if name == "source":
            found.append((place, value))
        for index, item in enumerate(value if isinstance(value, tuple) else (value,)):
            if isinstance(item, Value):
                at = f"{where}[{index}]" if isinstance(value, tuple) else where
                found.extend(_sources_named(item, at))
    return found


# What the procedure asks of one valve -----------------------------------------------------------


class Stabilization(Value):
    """The steadiness asked for, in the valve's own numbers."""

    window_s: int
    dwell_s: int
    largest_change_per_min: Pressure
    advise_after_s: int


class StageRequirement(Value):
    """One stage as this valve must pass it. A record carries it, so that it can be judged again."""

    stage: StageName
    pressurized_side: str
    open_side: str
    pump_during_hold: PumpDuringHold
    required: Pressure
    upper_limit: Pressure
    hold_s: int
    stabilization: Stabilization
    longest_gap_s: int
    lost_after_s: int
    safe_below: Pressure
    criteria: Annotated[tuple[Criterion, ...], Field(min_length=1)]
    prepare: tuple[str, ...]
    sources: tuple[str, ...]
    """Where the numbers come from, in words."""


class Requirements(Value):
    """All that a procedure demands of one valve."""

    procedure: str
    revision: str
    title: str
    standard: str
    edition: str
    zero_tolerance: Pressure
    stages: Annotated[tuple[StageRequirement, ...], Field(min_length=1)]


def requirements_for(procedure: Procedure, valve: Valve) -> Requirements:
    """Work out what this valve must pass.

    Raises:
        ProcedureDoesNotApplyError: the type or the rating is outside the procedure.
        SizeUnknownError: a size table does not list the valve's size.
    """
    if valve.type not in procedure.valve_types:
        raise ProcedureDoesNotApplyError(procedure.id, "valve type", valve.type, ", ".join(procedure.valve_types))
    if not Pressure.zero("psi") < valve.rated <= procedure.rated_at_most:
        raise ProcedureDoesNotApplyError(
            procedure.id,
            "rated pressure",
            str(valve.rated),
            f"above 0 up to {procedure.rated_at_most}",
        )
    stages = tuple(_stage_for(procedure, rule, valve) for rule in procedure.stages)
    lowest = min(stage.required for stage in stages)
    return Requirements(
        procedure=procedure.id,
        revision=procedure.revision,
        title=procedure.title,
        standard=procedure.standard,
        edition=procedure.edition,
        zero_tolerance=lowest * _percent(procedure.bench.zero_tolerance_percent),
        stages=stages,
    )


def _percent(rule: SourcedFactor) -> Fraction:
    return Fraction(rule.factor) / 100


def _stage_for(procedure: Procedure, rule: StageRule, valve: Valve) -> StageRequirement:
    required = valve.rated * Fraction(rule.pressure.factor)
    band = look_up(rule.hold, valve.size, f"the hold times of the {rule.stage}")
    criteria = tuple(_criterion_for(procedure, found, valve) for found in rule.criteria if valve.seat in found.seats)
    steady = procedure.stabilization
    named = {
        "required pressure": rule.pressure.source,
        "upper limit": rule.upper_limit.source,
        "hold time": band.source,
    }
    return StageRequirement(
        stage=rule.stage,
        pressurized_side=rule.pressurized_side,
        open_side=rule.open_side,
        pump_during_hold=rule.pump_during_hold,
        required=required,
        upper_limit=required * Fraction(rule.upper_limit.factor),
        hold_s=band.s,
        stabilization=Stabilization(
            window_s=steady.window.s,
            dwell_s=steady.dwell.s,
            largest_change_per_min=required * _percent(steady.largest_change_percent_per_min),
            advise_after_s=steady.advise_after.s,
        ),
        longest_gap_s=procedure.signal.longest_gap.s,
        lost_after_s=procedure.signal.lost_after.s,
        safe_below=required * _percent(procedure.bench.safe_below_percent),
        criteria=criteria,
        prepare=rule.prepare,
        sources=tuple(f"{what}: {procedure.sources[key].in_words}" for what, key in named.items()),
    )


def _criterion_for(
    procedure: Procedure, rule: VisualRule | CollectedRule, valve: Valve
) -> NoVisibleLeakage | LargestLeakageRate:
    source = procedure.sources[rule.source].in_words
    if isinstance(rule, VisualRule):
        return NoVisibleLeakage(look_at=rule.look_at, source=source)
    return LargestLeakageRate(
        limit=rule.limit_per_inch * valve.size.inches,
        collect_at=rule.collect_at,
        settle_s=rule.settle.s,
        collect_s=rule.collect.s,
        time_uncertainty_s=rule.time_uncertainty.s,
        source=source,
    )
