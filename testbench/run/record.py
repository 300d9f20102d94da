"""The finished record of a run: everything needed to judge it again, and nothing that can change.

A record is written once as canonical JSON: keys sorted, no white space, no floating-point numbers (RFC 8785 gives
the same bytes for such values). Its SHA-256 is the record hash that a certificate prints.
"""

import hashlib
import json
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from testbench.metrology.decision_rule import Conformity
from testbench.procedure.adoption import Adoption
from testbench.procedure.report_form import ReportForm
from testbench.procedure.requirements import Requirements, StageRequirement
from testbench.procedure.stages import StageName
from testbench.procedure.valve import CertificateType, Value, Valve, WitnessPoint, later
from testbench.quantities import Pressure, Temperature
from testbench.run.attendance import Attendance
from testbench.run.channels import (
    Atmosphere,
    ChannelRecord,
    CrossCheck,
    SecondGaugeCheck,
    UncertaintyPoint,
)
from testbench.run.machine import Ending
from testbench.run.observations import Collection, Drawn, Observation, ZeroCheck
from testbench.run.samples import Gap
from testbench.run.timing import HoldTiming
from testbench.run.vessel import VesselSensor

__all__ = ["Atmosphere", "ChannelRecord", "CrossCheck", "SecondGaugeCheck", "UncertaintyPoint"]


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


class CriterionFinding(Value):
    """One criterion, judged with its evidence. Texts are exact; a page may round them, never the other way."""

    criterion: str
    required: str = ""
    measured: str = ""
    limit: str = ""
    uncertainty: str = ""
    conformity: Conformity
    sentence: str


class DecayMonitor(Value):
    """What the pressure of a hold did by itself: beside the criteria, never one of them. Texts are exact."""

    slope_per_min: str = ""
    """Rate of change of the corrected pressure over the hold; empty where the pump made up."""
    half_width_per_min: str = ""
    """Its half-width at 95 %."""
    method: str = ""
    """Which half-width was the largest."""
    curved: bool = False
    flagged: int = 0
    """Samples left out as outliers."""
    compliance: str = ""
    """C, the volume that a change of pressure takes, measured in place; empty where it was not."""
    compliance_uncertainty: str = ""
    """U of C, k = 2."""
    air_ratio: str = ""
    """C over that of the water alone, where the cavity and the temperature of the water are known."""
    blanks: int = 0
    """Blank runs that the drift was taken from."""
    rate: str = ""
    """Leakage rate, the drift of the bench taken off; empty without C."""
    uncertainty: str = ""
    """U of the rate, k = 2."""
    dominant: str = ""
    """What the uncertainty mostly comes from."""
    gate: str = ""
    """What was known before the hold: whether a decay can decide the limit; empty without a limit."""
    sentence: str


class Finding(Value):
    """What a completed stage shows, and why."""

    verdict: Verdict
    criteria: tuple[CriterionFinding, ...]
    lowest: Pressure
    """Lowest and highest corrected pressure of the hold."""
    highest: Pressure
    held_ms: int
    decay: DecayMonitor | None = later(None)
    """None where there was no hold, and in records from before the decay was watched."""
    timing: HoldTiming | None = later(None)
    """How the times of the hold are known; None where there was none, and in records from before that was asked."""


class TraceReference(Value):
    """Which samples belong to a stage."""

    samples: int
    sha256: str


class BesideTrace(Value):
    """What another pressure channel of the bench gave during a stage."""

    tag: str
    gaps: tuple[Gap, ...] = ()
    rejected_lines: int = 0
    trace: TraceReference


class WaterTemperature(Value):
    """What the temperature channel said during a stage, at most one reading a second."""

    tag: str
    instrument: str
    serial: str
    unit: str
    decimals: int
    expanded_uncertainty_k: str
    """U with k = 2 [K]."""
    readings: Annotated[tuple[tuple[int, int], ...], Field(min_length=1)]
    """Ticks since the run began, and what was indicated, as an integer of the last digit."""

    def at(self, index: int) -> Temperature:
        """One reading, for example the first (0) or the last (-1)."""
        return Temperature.of(f"{self.readings[index][1]}e-{self.decimals}", self.unit)


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
    exceeded: tuple[Collection, ...] = later(())
    """What was collected in a hold that was broken off, where it showed that the limit is not met."""
    gaps: tuple[Gap, ...]
    rejected_lines: int
    trace: TraceReference
    water: WaterTemperature | None = later(None)
    """None where the bench has no temperature channel, or it was silent."""
    finding: Finding | None
    """None where the stage is void."""
    drawn: tuple[Drawn, ...] = later(())
    """Known volumes drawn off before the hold: C in place is worked out from them and the samples."""
    vessel: VesselSensor | None = later(None)
    """What the sensor at the vessel read while something was collected; None where a person read it."""
    beside: tuple[BesideTrace, ...] = later(())
    """One for each channel beside the deciding one, in the order of the run's."""
    attendance: Attendance | None = later(None)
    """None where the order names no witness point for this stage."""
    rig_leak: str = later("")
    """Where the rig leaked; the stage was stopped for it and is void."""


class BlankRun(Value):
    """A hold on a body known to be tight: what the bench's own drift did to its pressure."""

    run: str
    stage: StageName
    attempt: Annotated[int, Field(ge=1)]
    bench: str
    origin: Origin
    at: str
    """When that run began: UTC, ISO 8601."""
    fluid: Literal["water", "gas"]
    pressure: Pressure
    """The required pressure of that stage."""
    slope_per_min: Pressure
    half_width_per_min: Pressure
    """Of the slope, 95 %."""
    declared_by: Annotated[str, Field(min_length=1, max_length=200)]
    why: Annotated[str, Field(min_length=1, max_length=200)]
    """What the body was, and how it is known to be tight."""


class LineRecord(Value):
    """How the line of a channel fared during a run."""

    settings: str
    """What it was opened with, and what the driver granted, such as its low-latency mode."""
    opened: int
    """How often it was opened again."""
    errors: dict[str, int] | None = None
    """Framing, overrun, parity, break and buffer errors that the driver counted; None where it does not count, or the
    recorder was interrupted."""
    raw_file: str = ""
    """Capture of the raw bytes within captures/; empty where none was kept."""
    raw_sha256: str = ""
    raw_ended: bool = later(default=True)
    """Whether the capture was closed with its last seal; an interrupted one is named and hashed as it was found."""


class BesideRecord(Value):
    """A pressure channel beside the deciding one, as of the day of the run."""

    channel: ChannelRecord
    zero_check: ZeroCheck
    line: LineRecord | None = later(None)
    """None where it shares the line of the deciding channel, while the run is open, and after a kill."""


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
    line: LineRecord | None = later(None)
    """None while it is open, and where the recorder was killed."""
    blanks: tuple[BlankRun, ...] = later(())
    """The blank runs of this bench that a stage of this run may take its drift from, oldest first."""
    water_temperature: Temperature | None = later(None)
    beside: tuple[BesideRecord, ...] = later(())
    """The bench's other pressure channels; they drive nothing."""
    cross_checks: tuple[CrossCheck, ...] = later(())
    operator_id: str = later("")
    """Of the operator, who was authenticated by PIN; empty where nobody was registered: named, not authenticated."""
    witness_points: tuple[WitnessPoint, ...] = later(())
    """As the order names them."""
    certificate_type: CertificateType | None = later(None)
    """The document that the order asks for; None where it names none, and in records from before."""
    report: ReportForm | None = later(None)
    """Language, units and paper of its documents; None where neither bench nor order chose, and from before."""

    @property
    def specimen(self) -> bool:
        """Whether any page of this run is a specimen: it was not live, or its procedure is not adopted."""
        return self.origin is not Origin.LIVE or self.adoption is None

    @property
    def decided(self) -> bool:
        """Whether it becomes a document: it was accepted or rejected."""
        return self.verdict in {Verdict.ACCEPTED, Verdict.REJECTED}

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
