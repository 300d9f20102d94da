"""The finished record of a run: everything needed to judge it again, and nothing that can change.

A record is written once as canonical JSON: keys sorted, no white space, no floating-point numbers (RFC 8785 gives
the same bytes for such values). Its SHA-256 is the record hash that a certificate prints.
"""

import hashlib
import json
from datetime import date
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from testbench.metrology.calibration import Calibration
from testbench.metrology.decision_rule import Conformity
from testbench.procedure.adoption import Adoption
from testbench.procedure.requirements import Requirements, StageRequirement
from testbench.procedure.stages import StageName
from testbench.procedure.valve import Value, Valve
from testbench.quantities import Pressure
from testbench.run.machine import Ending
from testbench.run.observations import Collection, Observation, ZeroCheck
from testbench.run.samples import Gap, Scale


class Verdict(StrEnum):
    """What a completed stage, or a run of completed stages, shows."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"
    INCONCLUSIVE = "inconclusive"


class Origin(StrEnum):
    """Where the samples came from. Only a live run can yield a page without SPECIMEN."""

    LIVE = "live"
    SIMULATED = "simulated"
    REPLAYED = "replayed"


class ChannelRecord(Value):
    """The deciding channel and its calibration as of the day of the run."""

    tag: str
    port: str = ""
    """Where it was connected."""
    instrument: str
    serial: str
    scale: Scale
    certificate_number: str
    laboratory: str
    calibrated_on: date
    due_on: date
    lowest: Pressure
    highest: Pressure
    expanded_uncertainty: Pressure
    """U with k = 2; the guard band of every pressure limit."""

    def for_fluid(self, fluid: str) -> "ChannelRecord":
        """The channel as it measures a test with this fluid."""
        return self.model_copy(update={"scale": self.scale.for_fluid(fluid)})

    @property
    def calibration(self) -> Calibration:
        """The calibration as a value of the metrology floor."""
        return Calibration(
            self.certificate_number,
            self.laboratory,
            self.calibrated_on,
            self.due_on,
            self.lowest,
            self.highest,
            self.expanded_uncertainty,
        )


class CriterionFinding(Value):
    """One criterion, judged with its evidence. Texts are exact; a page may round them, never the other way."""

    criterion: str
    required: str = ""
    measured: str = ""
    limit: str = ""
    uncertainty: str = ""
    conformity: Conformity
    sentence: str


class Finding(Value):
    """What a completed stage shows, and why."""

    verdict: Verdict
    criteria: tuple[CriterionFinding, ...]
    lowest: Pressure
    """Lowest and highest corrected pressure of the hold."""
    highest: Pressure
    held_ms: int


class TraceReference(Value):
    """Which samples belong to a stage."""

    samples: int
    sha256: str


class StageRecord(Value):
    """One attempt at one stage."""

    stage: StageName
    attempt: Annotated[int, Field(ge=1)]
    requirement: StageRequirement
    since: int
    until: int
    """Ticks since the run began."""
    ended: Ending
    reason: str
    """Why, where it is void; empty where completed."""
    hold_since: int | None
    hold_until: int | None
    restarts: int
    observations: tuple[Observation, ...]
    collections: tuple[Collection, ...]
    gaps: tuple[Gap, ...]
    rejected_lines: int
    trace: TraceReference
    finding: Finding | None
    """None where the stage is void."""


class EarlierRun(Value):
    """A closed run of the same serial number."""

    run: str
    verdict: Verdict | None
    """None where it was void."""
    reason: str
    record_sha256: str


class RunRecord(Value):
    """One visit of one valve to the bench."""

    format: Literal[1] = 1
    run: str
    bench: str
    works: str
    origin: Origin
    software: str
    order: str
    customer: str
    customer_order: str
    operator: str
    valve: Valve
    requirements: Requirements
    procedure_sha256: str
    adoption: Adoption | None = None
    """Who took the procedure into use; None where nobody did: then every page is a specimen."""
    channel: ChannelRecord
    zero_check: ZeroCheck
    started: str
    """UTC, ISO 8601 with milliseconds; the tick origin of the run."""
    ended: str
    utc_offset_minutes: int
    stages: tuple[StageRecord, ...]
    verdict: Verdict | None
    """None where the run is void."""
    reason: str
    overpressured: str = ""
    """What was read above every limit of the run outside a stage; empty where nothing was."""
    earlier: tuple[EarlierRun, ...] = ()
    """The runs of this serial number before this one, oldest first. The first failure stays."""
    ending: Ending | None = None
    """How the run ended; None while it is open."""

    @property
    def specimen(self) -> bool:
        """Whether any page of this run is a specimen: it was not live, or its procedure is not adopted."""
        return self.origin is not Origin.LIVE or self.adoption is None

    @property
    def void(self) -> bool:
        """Whether the run shows nothing, because a demanded stage was not completed."""
        return self.verdict is None


def canonical(record: Value) -> bytes:
    """The bytes that are hashed, stored and attached."""
    return json.dumps(
        record.model_dump(mode="json"), sort_keys=True, separators=(",", ":"), ensure_ascii=False
    ).encode()


def sha256(data: bytes) -> str:
    """Hexadecimal SHA-256."""
    return hashlib.sha256(data).hexdigest()
