"""What is known about a stage under way, what the operator may ask for, and what the journal says of it."""

from dataclasses import dataclass
from enum import StrEnum

from testbench.run.machine import Ending, Phase
from testbench.run.observations import Collection, Drawn, Observation, VesselRead


class Action(StrEnum):
    """What the operator may ask for while a stage is under way."""

    VENT_CLOSED = "vent_closed"
    VENT_AGAIN = "vent_again"
    OBSERVE = "observe"
    COLLECTION_STARTED = "collection_started"
    COLLECTION_ENDED = "collection_ended"
    COLLECTED = "collected"
    VESSEL_READ = "vessel_read"
    MEASURE_C = "measure_c"
    """Draw known volumes off, to see what pressure they cost."""
    DRAWN_OFF = "drawn_off"
    LEAVE_C = "leave_c"
    EXTEND = "extend"
    LEAVE_UNDECIDED = "leave_undecided"
    CONCLUDE = "conclude"
    RIG_LEAK = "rig_leak"
    """The rig leaks: a blind gasket, a hose, a fixture. That says nothing about the valve."""
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Happening:
    """One line for the journal and the screen."""

    at: int
    event: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Undecided:
    """A decay that decides nothing, what would, and whether that is to collect."""

    advice: str
    collect: bool


@dataclass(frozen=True, slots=True)
class StageState:
    """Everything that is known about a stage under way."""

    phase: Phase = Phase.FILLING
    since: int = 0
    """Tick at which the phase began."""
    last: int | None = None
    """Tick of the newest sample."""
    counts: int | None = None
    """The newest reading; None while the signal is silent."""
    steady_since: int | None = None
    hold_since: int | None = None
    hold_until: int | None = None
    restarts: int = 0
    advised: bool = False
    collecting_since: int | None = None
    vessel_read: tuple[VesselRead, ...] = ()
    """Readings of the vessel that is being filled."""
    collections: tuple[Collection, ...] = ()
    exceeded: tuple[Collection, ...] = ()
    """What showed, in a hold that was broken off since, that the limit is not met: that stays, as leakage seen does."""
    collections_asked: int = 1
    """How many collections the hold is to have; one more each time it is extended."""
    left_level: bool = False
    """Whether the pressure left its level after the hold: then it cannot be extended."""
    left_undecided: bool = False
    """Whether the operator leaves an undecided leakage as it is."""
    air: str = ""
    """What the rise of the pressure said of air in the body; empty where it said nothing."""
    rise: int = 0
    """How many marks of the rise were passed since the vent was closed."""
    bleed_since: int | None = None
    """Tick of the last mark while C is measured."""
    unread: int = 0
    """Volumes drawn off since then whose loss was too small to be read."""
    to_draw: int = 1
    """How many volumes are to be drawn off next, at one go."""
    drawn: tuple[Drawn, ...] = ()
    gate: str = ""
    """Whether a pressure decay can decide the limit, as it was said when the hold began."""
    decay_s: int | None = None
    """How long the hold must last for the decay to decide [s]; None where it does not."""
    decay_undecided: Undecided | None = None
    observations: tuple[Observation, ...] = ()
    rig_leak: str = ""
    """Where the rig leaked; the stage is then void."""
    ending: Ending | None = None
    reason: str = ""
