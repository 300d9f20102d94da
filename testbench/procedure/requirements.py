"""What a procedure demands of one valve. A record carries it whole, so that it can be judged again."""

from fractions import Fraction
from typing import Annotated, Literal

from pydantic import Field

from testbench.errors import FactMissingError, ProcedureDoesNotApplyError
from testbench.metrology.decision_rule import DecisionRule
from testbench.procedure.criteria import Criterion, StemRule
from testbench.procedure.limits import SignalValidity, SourcedFactor, fitting
from testbench.procedure.pressures import FactorPressure, pressure_of, rating_of
from testbench.procedure.stages import Procedure, PumpDuringHold, StageName, StageRule
from testbench.procedure.valve import Value, Valve, later
from testbench.quantities import Pressure


class Stabilization(Value):
    """The steadiness asked for, in the valve's own numbers."""

    window_s: int
    dwell_s: int
    largest_change_per_min: Pressure
    advise_after_s: int


class GaugeRange(Value):
    """Between which ends of range a gauge suits this test."""

    least: Pressure
    most: Pressure
    source: str


class StageRequirement(Value):
    """One stage as this valve must pass it."""

    stage: StageName
    fluid: Literal["water", "gas"] = "water"
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
    gauge_range: GaugeRange | None = None
    decision_rule: DecisionRule = later(DecisionRule.GUARDED)
    validity: SignalValidity | None = later(None)
    """When the state of its signal makes a hold void; None in records from before this was asked."""
    sources: tuple[str, ...]
    """Where the numbers come from, in words."""


class Requirements(Value):
    """All that a procedure demands of one valve."""

    procedure: str
    revision: str
    title: str
    standard: str
    edition: str
    rating: Pressure
    zero_tolerance: Pressure
    stages: Annotated[tuple[StageRequirement, ...], Field(min_length=1)]
    left_out: tuple[StageName, ...] = ()
    """Tests that the standard leaves to the order, and that the order does not ask for."""


def requirements_for(procedure: Procedure, valve: Valve) -> Requirements:
    """Work out what this valve must pass.

    Raises:
        ProcedureDoesNotApplyError: the type, seat or rating is outside the procedure, or a table has no row for it.
        FactMissingError: the order does not say something that the procedure needs.
    """
    try:
        return _requirements_for(procedure, valve)
    except ProcedureDoesNotApplyError as refusal:
        refusal.procedure = procedure.id  # a table that has no row does not know whose it is
        raise


def _requirements_for(procedure: Procedure, valve: Valve) -> Requirements:
    _check_scope(procedure, valve)
    rating, rating_source = rating_of(valve, procedure.ratings, procedure.pn_rating)
    most = procedure.rated_at_most
    if not Pressure.zero(rating.unit) < rating or (most is not None and rating > most):
        allowed = f"above 0 up to {most}" if most is not None else "above 0"
        raise ProcedureDoesNotApplyError(procedure.id, "rated pressure", str(rating), allowed)
    fitting_rules = [rule for rule in procedure.stages if rule.fits(valve)]
    chosen = [rule for rule in fitting_rules if rule.demand == "required" or rule.stage in valve.optional_tests]
    unknown = set(valve.optional_tests) - {rule.stage for rule in fitting_rules}
    if unknown or not chosen:
        allowed = ", ".join(rule.stage for rule in fitting_rules) or "no test of this procedure fits this valve"
        raise ProcedureDoesNotApplyError(procedure.id, "test", ", ".join(sorted(unknown)) or "none", allowed)
    stages = tuple(_stage_for(procedure, rule, valve, rating, rating_source) for rule in chosen)
    _check_shell_is_strongest(procedure, stages)
    return Requirements(
        procedure=procedure.id,
        revision=procedure.revision,
        title=procedure.title,
        standard=procedure.standard,
        edition=procedure.edition,
        rating=rating,
        zero_tolerance=min(stage.required for stage in stages) * _percent(procedure.bench.zero_tolerance_percent),
        stages=stages,
        left_out=tuple(rule.stage for rule in fitting_rules if rule not in chosen),
    )


def _check_scope(procedure: Procedure, valve: Valve) -> None:
    for field, found, allowed in (
        ("valve type", valve.type, procedure.valve_types),
        ("seat", valve.seat, procedure.seats),
    ):
        if found not in allowed:
            raise ProcedureDoesNotApplyError(procedure.id, field, found, ", ".join(allowed))
    if procedure.materials and valve.material is None:
        raise FactMissingError("material", f"this procedure is for {', '.join(procedure.materials)} only")
    for field, fact, range_ in (
        ("material", valve.material, procedure.materials),
        ("class", valve.pressure_class, procedure.classes),
    ):
        if fact is not None and range_ and fact not in range_:
            raise ProcedureDoesNotApplyError(procedure.id, field, str(fact), ", ".join(map(str, range_)))
    if procedure.leak_rates and valve.leak_rate is None:
        raise FactMissingError("leak rate", f"the order must name one of {', '.join(procedure.leak_rates)}")
    if procedure.leak_rates and valve.leak_rate not in procedure.leak_rates:
        allowed_rates = ", ".join(procedure.leak_rates)
        raise ProcedureDoesNotApplyError(procedure.id, "leak rate", str(valve.leak_rate), allowed_rates)


def _check_shell_is_strongest(procedure: Procedure, stages: tuple[StageRequirement, ...]) -> None:
    """No test of a seat loads the shell more than its own test; a fixed test pressure could, on a low rating."""
    for shell in stages:
        for stage in stages:
            if shell.stage is StageName.SHELL and stage.required > shell.required:
                found, allowed = str(stage.required), f"up to the {shell.stage}'s {shell.required}"
                raise ProcedureDoesNotApplyError(procedure.id, f"pressure of the {stage.stage}", found, allowed)


def _percent(rule: SourcedFactor) -> Fraction:
    return Fraction(rule.factor) / 100


def _stage_for(
    procedure: Procedure, rule: StageRule, valve: Valve, rating: Pressure, rating_source: str
) -> StageRequirement:
    required = pressure_of(rule.pressure, rating, valve)
    band = fitting(rule.hold, valve, f"hold time of the {rule.stage}")
    steady, sources = procedure.stabilization, procedure.sources
    rounding = rule.pressure.round_up_to if isinstance(rule.pressure, FactorPressure) else None
    named = {
        "rating": rating_source,
        "required pressure": rule.pressure.source,
        "rounding": rounding.source if rounding is not None else "",
        "upper limit": rule.upper_limit.source,
        "hold time": band.source,
        "steadiness and signal": steady.window.source,
        "decision rule": "" if procedure.decision is None else procedure.decision.source,
    }
    return StageRequirement(
        stage=rule.stage,
        fluid=rule.fluid,
        pressurized_side=rule.pressurized_side,
        open_side=rule.open_side,
        pump_during_hold=rule.pump_during_hold,
        required=required,
        upper_limit=rule.upper_limit.of(required, valve),
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
        criteria=_criteria_for(procedure, rule, valve),
        prepare=rule.prepare,
        gauge_range=_gauge_range(procedure, required),
        validity=SignalValidity.model_validate(procedure.signal.validity.model_dump(exclude={"source"})),
        decision_rule=DecisionRule.GUARDED if procedure.decision is None else procedure.decision.rule,
        sources=tuple(f"{what}: {sources[key].in_words}" for what, key in named.items() if key),
    )


def _criteria_for(procedure: Procedure, rule: StageRule, valve: Valve) -> tuple[Criterion, ...]:
    found = [criterion for criterion in rule.criteria if criterion.fits(valve)]
    if all(isinstance(criterion, StemRule) for criterion in found):
        allowed = "; ".join(criterion.in_words for criterion in rule.criteria)
        raise ProcedureDoesNotApplyError(procedure.id, f"criterion of the {rule.stage}", "none", allowed)
    return tuple(criterion.for_valve(valve, procedure.sources) for criterion in found)


def _gauge_range(procedure: Procedure, required: Pressure) -> GaugeRange | None:
    rule = procedure.gauge_range
    if rule is None:
        return None
    return GaugeRange(
        least=required * Fraction(rule.least_times),
        most=required * Fraction(rule.most_times),
        source=procedure.sources[rule.source].in_words,
    )
