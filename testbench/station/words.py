"""What the screen says to the operator: instructions, cautions and the names of the keys."""

from datetime import date
from fractions import Fraction

from testbench.procedure.criteria import LargestLeakageRate, StemWeep, VisualCriterion
from testbench.procedure.requirements import StageRequirement
from testbench.procedure.stages import PumpDuringHold
from testbench.procedure.valve import WitnessPoint
from testbench.quantities import Pressure
from testbench.run.attendance import notice_in_words
from testbench.run.bleeding import BLEEDS
from testbench.run.caught import Together
from testbench.run.collecting import owes_volume
from testbench.run.machine import Phase
from testbench.run.progress import Action, Stage, StageState
from testbench.run.samples import TICKS_PER_S
from testbench.run.state import Undecided

LABELS: dict[str, str] = {
    Action.VENT_CLOSED: "Filled and vented",
    Action.VENT_AGAIN: "Vent again",
    Action.OBSERVE: "Say what was seen",
    Action.COLLECTION_STARTED: "Vessel is under",
    Action.COLLECTION_ENDED: "Vessel is away",
    Action.VESSEL_READ: "Read the vessel",
    Action.COLLECTED: "Enter the volume",
    Action.MEASURE_C: "Measure C",
    Action.DRAWN_OFF: "Drawn off, closed",
    Action.LEAVE_C: "Leave C",
    Action.EXTEND: "Extend, collect again",
    Action.LEAVE_UNDECIDED: "Leave it undecided",
    Action.CONCLUDE: "End: leakage is plain",
    Action.RIG_LEAK: "The rig leaks",
    Action.STOP: "Stop",
    "start_run": "Start the run",
    "start_stage": "Start the stage",
    "end_run": "Close the run",
    "sign": "Sign: performed",
}

STORED_ENERGY = "Pressure stores energy: stand clear of blanks, hoses and the line of the bolts."
METERING_VALVE = "Open only a metering valve made for this pressure. Stand clear of its outlet."
NO_TIGHTENING = "Never tighten anything under pressure."
TRAPPED_AIR = "Trapped air bursts: vent until no bubble comes."
DEPRESSURIZE_FIRST = "Release the pressure before you touch bolts, blanks or hoses."
LOCKED_BEHIND_DISC = "Pressure can stay locked behind the closed disc: vent both sides before you open anything."
NOT_RELEASED = "Pressure was not seen released: treat the valve as under pressure."
NOT_KNOWN = "The pressure is not known: treat the valve as under pressure."
LOCAL_RULES = "The recorder only advises. Local codes and the works' safety rules prevail."


def attends(point: WitnessPoint, on: date) -> str:
    """Whose point a stage is, and how notice stands."""
    return f"{point.point.capitalize()} of {point.party}: {notice_in_words(point, on)[1]}"


def to_sign(run: str, operator: str, waiting: int) -> str:
    """The newest run that waits for its operator's signature; it may be left for later."""
    others = f" {waiting - 1} more wait." if waiting > 1 else ""
    return f"Run {run} waits for the signature of {operator}, now or later.{others} "


def instruction(stage: Stage, state: StageState, acceptance: Pressure) -> str:
    """What to do next in a stage.

    Args:
        stage: its rules.
        state: where it stands.
        acceptance: acceptance limit, corrected, in the unit to show.
    """
    rule = stage.requirement
    match state.phase:
        case Phase.HOLDING:
            return _while_holding(stage, state)
        case Phase.OBSERVING:
            return _observing(stage, state)
        case Phase.BLEEDING:
            return _bleeding(stage, state)
        case Phase.PRESSURIZING if state.air:
            return "Stop the pump. Air or a flexible rig: vent again before raising further."
        case Phase.PRESSURIZING:
            half_way = raise_to(rule, acceptance)
            aim = f"a little above {acceptance.text(1)}" if half_way is None else f"about {half_way.text(0)}"
            return (
                f"Raise the pressure at the {rule.pressurized_side} slowly to {aim}. "
                f"Never above {rule.upper_limit.text(0)}."
            )
        case _:
            release = f"Open the release valve slowly, down to below {rule.safe_below.text(0)}"
            return {
                Phase.FILLING: " ".join(rule.prepare),
                Phase.STABILIZING: f"{_pump(rule)} Wait until steady.",
                Phase.RELEASING_TO_VENT: f"{release}; then vent again.",
                Phase.DEPRESSURIZING: f"{release}.",
                Phase.CLOSED: NOT_RELEASED,
            }[state.phase]


def unread(state: StageState, remedy: str) -> str:
    """What to do in a stage while nothing usable is read of the deciding channel.

    Args:
        state: where the stage stands.
        remedy: for the fault of the line.
    """
    if state.phase in {Phase.RELEASING_TO_VENT, Phase.DEPRESSURIZING}:
        return f"{NOT_KNOWN} Go on releasing it slowly, by the bench's own gauge. {remedy}"
    return (
        f"{NOT_KNOWN} Stop pumping and look at the bench's own gauge. {remedy} "
        "If no reading comes back, release the pressure slowly."
    )


def not_released(then: str) -> str:
    """What to do after a stage whose pressure was not seen released, or where there is pressure again.

    Args:
        then: what comes after.
    """
    return f"{NOT_RELEASED} Release it slowly and look at the bench's own gauge before anything else. {then}"


UNREAD_CAUTIONS = (STORED_ENERGY, NO_TIGHTENING, DEPRESSURIZE_FIRST)
NOT_RELEASED_CAUTIONS = (NOT_RELEASED, DEPRESSURIZE_FIRST, LOCKED_BEHIND_DISC)


def cautions(state: StageState) -> tuple[str, ...]:
    """The usual cautions, where the hazard is met."""
    match state.phase:
        case Phase.FILLING:
            return (TRAPPED_AIR, LOCAL_RULES)
        case Phase.BLEEDING:
            return (METERING_VALVE, STORED_ENERGY, NO_TIGHTENING)
        case Phase.PRESSURIZING if state.air:
            return (TRAPPED_AIR, STORED_ENERGY, NO_TIGHTENING)
        case Phase.PRESSURIZING | Phase.STABILIZING | Phase.HOLDING | Phase.OBSERVING:
            return (STORED_ENERGY, NO_TIGHTENING)
        case Phase.DEPRESSURIZING if state.rig_leak:  # here somebody reaches for the spanner
            return (NO_TIGHTENING, DEPRESSURIZE_FIRST, LOCKED_BEHIND_DISC)
        case Phase.RELEASING_TO_VENT | Phase.DEPRESSURIZING:
            return (DEPRESSURIZE_FIRST, LOCKED_BEHIND_DISC)
        case _:
            return (LOCKED_BEHIND_DISC,)


def asked(criterion: VisualCriterion | LargestLeakageRate) -> str:
    """A criterion as a sentence."""
    if isinstance(criterion, VisualCriterion):
        what = "Weep at" if isinstance(criterion, StemWeep) else "No visible leakage:"
        return f"{what} {', '.join(criterion.look_at)}"
    return f"At most {limit_in_words(criterion)} at the {criterion.collect_at}"


def limit_in_words(criterion: LargestLeakageRate) -> str:
    """A leakage limit as the operator reads it: a count, or millilitres an hour."""
    limit = criterion.limit if criterion.counted else criterion.limit.in_unit("mL/h")
    return criterion.in_words(limit)


def _pump(rule: StageRequirement) -> str:
    if rule.pump_during_hold is PumpDuringHold.ISOLATED:
        return "Isolate the pump."
    return "Leave the pump on."


def raise_to(rule: StageRequirement, acceptance: Pressure) -> Pressure | None:
    """Half way to the upper limit where a decay may decide, so that a leak does not end the hold; else None."""
    isolated = rule.pump_during_hold is PumpDuringHold.ISOLATED
    allowed = any(isinstance(found, LargestLeakageRate) and found.decay is not None for found in rule.criteria)
    return (acceptance + rule.upper_limit) * Fraction(1, 2) if isolated and allowed else None


def _bleeding(stage: Stage, state: StageState) -> str:
    assert stage.decaying is not None
    assert stage.decaying.bleeding is not None
    burette = stage.decaying.bleeding.burette
    more = " more" if state.unread else ""
    return (
        f"Draw off {burette.volume * state.to_draw}{more} at the {burette.name}, close it, wait, then say so. "
        f"{len(state.drawn) + 1} of {BLEEDS}."
    )


def extend(undecided: Together | Undecided | None) -> str:
    """What extending the hold is for."""
    if isinstance(undecided, Undecided):
        return "Extend and collect" if undecided.collect else "Extend the hold"
    return LABELS[Action.EXTEND]


def _while_holding(stage: Stage, state: StageState) -> str:
    visual = [found for found in stage.requirement.criteria if isinstance(found, VisualCriterion)]
    if state.collecting_since is not None:
        if owes_volume(state):
            return "Enter what the vessel held when you read it. Leave it where it is."
        return "Collecting. Leave the vessel where it is until the time is up."
    if (undecided := stage.undecided(state)) is not None:
        return f"{undecided.advice[0].upper()}{undecided.advice[1:]}. Extend the hold, or leave it undecided."
    if stage.collected is not None and stage.owes_collection(state):
        assert state.hold_since is not None
        assert state.last is not None
        settled = state.last - state.hold_since >= stage.collected.settle_s * TICKS_PER_S
        where = stage.collected.collect_at
        return f"Put the vessel under the {where} and say so." if settled else f"Let the {where} drain."
    if state.decay_s is not None:
        return "The pressure decay decides. Leave pump and valves alone until the hold is over."
    if visual:
        return f"Look at {', '.join(place for found in visual for place in found.look_at)}. Report leakage at once."
    return "Wait for the end of the hold."


def _observing(stage: Stage, state: StageState) -> str:
    if (undecided := stage.undecided(state)) is not None:
        return f"{undecided.advice[0].upper()}{undecided.advice[1:]}. Extend the hold, or leave it undecided."
    if owes_volume(state):
        counted = stage.collected.counted if stage.collected else None
        return f"Enter how many {counted.what} you counted." if counted else "Read the vessel and enter the volume."
    places = ", ".join(
        place
        for index in stage.owed_observations(state)
        if isinstance(found := stage.requirement.criteria[index], VisualCriterion)
        for place in found.look_at
    )
    return f"Look at {places}. Did it leak? Say what you saw."
