"""The phases of a stage and the transition table. The table is the design: what is not in it cannot happen."""

from collections.abc import Mapping
from enum import StrEnum


class Phase(StrEnum):
    """Where a stage stands."""

    FILLING = "filling"
    PRESSURIZING = "pressurizing"
    STABILIZING = "stabilizing"
    BLEEDING = "bleeding"
    """Known volumes are drawn off, to see what pressure they cost."""
    HOLDING = "holding"
    OBSERVING = "observing"
    """The hold is over; the operator still owes an observation or a volume."""
    RELEASING_TO_VENT = "releasing to vent"
    DEPRESSURIZING = "depressurizing"
    CLOSED = "closed"


class Event(StrEnum):
    """What can happen to a stage."""

    VENT_CLOSED = "vent closed"
    REACHED = "acceptance limit reached"
    FELL_BELOW = "fell below the acceptance limit"
    SIGNAL_BROKEN = "gap longer than allowed"
    STEADY = "steady"
    BLEED = "known volumes to be drawn off"
    BLED = "known volumes drawn off"
    BLEED_LEFT = "no more volumes to be drawn off"
    HOLD_ELAPSED = "hold elapsed"
    HOLD_VOID = "hold void for the state of its signal"
    EXTENDED = "hold extended"
    OBSERVED = "everything observed"
    CONCLUDED = "concluded on the leakage seen"
    VENT_AGAIN = "vent again"
    RELEASED = "pressure released"
    EXCEEDED = "upper limit exceeded"
    STOPPED = "stopped by the operator"
    SIGNAL_LOST = "signal lost"
    DISAGREED = "pressure channels disagree"


class Ending(StrEnum):
    """How a stage ended. Only a completed one has a verdict; the rest are void."""

    COMPLETED = "completed"
    STOPPED = "stopped"
    TRIPPED = "tripped"
    LOST = "lost"


_ALWAYS: Mapping[Event, Phase] = {
    Event.EXCEEDED: Phase.DEPRESSURIZING,
    Event.STOPPED: Phase.DEPRESSURIZING,
    Event.SIGNAL_LOST: Phase.CLOSED,
    Event.DISAGREED: Phase.DEPRESSURIZING,
}

TRANSITIONS: Mapping[Phase, Mapping[Event, Phase]] = {
    Phase.FILLING: {**_ALWAYS, Event.VENT_CLOSED: Phase.PRESSURIZING},
    Phase.PRESSURIZING: {
        **_ALWAYS,
        Event.REACHED: Phase.STABILIZING,
        Event.CONCLUDED: Phase.DEPRESSURIZING,
        Event.VENT_AGAIN: Phase.RELEASING_TO_VENT,
    },
    Phase.STABILIZING: {
        **_ALWAYS,
        Event.STEADY: Phase.HOLDING,
        Event.BLEED: Phase.BLEEDING,
        Event.FELL_BELOW: Phase.PRESSURIZING,
        Event.SIGNAL_BROKEN: Phase.PRESSURIZING,
        Event.CONCLUDED: Phase.DEPRESSURIZING,
        Event.VENT_AGAIN: Phase.RELEASING_TO_VENT,
    },
    Phase.BLEEDING: {
        **_ALWAYS,
        Event.BLED: Phase.PRESSURIZING,
        Event.BLEED_LEFT: Phase.PRESSURIZING,
        Event.CONCLUDED: Phase.DEPRESSURIZING,
        Event.VENT_AGAIN: Phase.RELEASING_TO_VENT,
    },
    Phase.HOLDING: {
        **_ALWAYS,
        Event.HOLD_ELAPSED: Phase.OBSERVING,
        Event.HOLD_VOID: Phase.PRESSURIZING,
        Event.FELL_BELOW: Phase.PRESSURIZING,
        Event.SIGNAL_BROKEN: Phase.PRESSURIZING,
        Event.CONCLUDED: Phase.DEPRESSURIZING,
        Event.VENT_AGAIN: Phase.RELEASING_TO_VENT,
    },
    Phase.OBSERVING: {
        **_ALWAYS,
        Event.OBSERVED: Phase.DEPRESSURIZING,
        Event.EXTENDED: Phase.HOLDING,
        Event.FELL_BELOW: Phase.PRESSURIZING,
        Event.SIGNAL_BROKEN: Phase.PRESSURIZING,
    },
    Phase.RELEASING_TO_VENT: {**_ALWAYS, Event.RELEASED: Phase.FILLING},
    Phase.DEPRESSURIZING: {
        Event.RELEASED: Phase.CLOSED,
        Event.SIGNAL_LOST: Phase.CLOSED,
        Event.EXCEEDED: Phase.DEPRESSURIZING,
    },
    Phase.CLOSED: {},
}

ENDINGS: Mapping[Event, Ending] = {
    Event.OBSERVED: Ending.COMPLETED,
    Event.CONCLUDED: Ending.COMPLETED,
    Event.STOPPED: Ending.STOPPED,
    Event.EXCEEDED: Ending.TRIPPED,
    Event.SIGNAL_LOST: Ending.LOST,
    Event.DISAGREED: Ending.TRIPPED,
}
"""The first of these events decides how the stage ends; a pressure above the upper limit overrules it at any time."""


def diagram() -> str:
    """The table as text, one row a phase; DEVELOPERS.md shows it and a test compares."""
    rows = [
        f"{phase}: " + "; ".join(f"{event} → {after}" for event, after in row.items())
        for phase, row in TRANSITIONS.items()
        if row
    ]
    return "\n".join(rows)
