"""What the operator saw and collected. There is no default answer anywhere in here."""

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from testbench.procedure.stages import StageName
from testbench.procedure.valve import Value, later
from testbench.quantities import Pressure, Volume


class Seen(StrEnum):
    """The two answers to a visual criterion."""

    NO_LEAKAGE = "no leakage"
    LEAKAGE = "leakage"


RIG_PLACES = ("blind gasket", "hose", "fixture")
"""Where a rig leaks; a leak there is none of the valve and voids the stage (common practice)."""


def of_the_rig(place: str) -> bool:
    """Whether a place is one of the rig, however it is spaced and in whatever capitals."""
    return " ".join(place.split()).casefold() in RIG_PLACES


class Observation(Value):
    """One explicit answer of the operator."""

    at: int
    """Ticks since the run began."""
    criterion: int
    """Index of the visual criterion in the stage."""
    seen: Seen
    where: str = ""
    """Where it leaked; asked for when leakage was seen."""
    note: str = ""
    operator: str = ""


class VesselRead(Value):
    """The vessel read while it stays where it is."""

    at: int
    volume: Volume | None = None
    """None until the operator has said it."""
    instrument: str = later("")
    """Tag of the sensor that told it; empty where a person read it."""


class Collection(Value):
    """What was caught at the open side, and for how long."""

    since: int
    until: int
    volume: Volume | None = None
    """None until the operator has read it."""
    volume_uncertainty: Volume | None = None
    """Expanded uncertainty of the reading, k = 2."""
    drops: int | None = None
    """Drops or bubbles, where they were counted instead of measured."""
    drops_per_ml: str | None = None
    operator: str = ""
    readings: tuple[VesselRead, ...] = later(())
    """Readings in between, oldest first: they show whether the rate was steady."""
    instrument: str = later("")
    """Tag of the sensor that told the volume; empty where a person read it."""


class Drawn(Value):
    """A known volume drawn off the closed body, between two marks at which the pressure stood still."""

    since: int
    until: int
    """Ticks; the readings before each mark tell the pressure."""
    volume: Volume
    volume_uncertainty: Volume
    """Expanded uncertainty of it, k = 2."""
    burette: str


class ZeroCheck(Value):
    """The reading at atmosphere before the run."""

    stage: StageName | None = None
    at: int
    samples: Annotated[int, Field(gt=0)]
    mean_millicounts: int
    passed: bool
    allowed: Pressure | None = later(None)
    """How far from zero the mean may lie; it is taken off every reading."""
