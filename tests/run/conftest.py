"""Stages, signals and records of an invented works: each is fine unless a test spoils it.

A reading is an integer count of 0.01 psi. With a valve rated 250 psi and U = 1.00 psi the limits are

==========  =================  ==================  ===================  =================
stage       required           acceptance limit    upper limit          released at most
==========  =================  ==================  ===================  =================
shell test  500 psi            501.00 psi (50100)  550.00 psi (55000)   5.00 psi (500)
seat test   250 psi            251.00 psi (25100)  275.00 psi (27500)   2.50 psi (250)
==========  =================  ==================  ===================  =================
"""

import tomllib
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from testbench.metrology.trend import Slope
from testbench.procedure.requirements import Requirements, StageRequirement, requirements_for
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Valve
from testbench.quantities import Pressure, Volume
from testbench.run.evaluation import evaluate_stage, judge_run
from testbench.run.hold import largest_step, signal_faults
from testbench.run.machine import Phase
from testbench.run.observations import Collection, Observation, Seen, ZeroCheck
from testbench.run.progress import Action, Happening, Stage, StageState
from testbench.run.record import ChannelRecord, Finding, Origin, RunRecord, StageRecord, TraceReference
from testbench.run.samples import Gap, GapReason, Sample, Scale, Thresholds, Trace, to_ticks

FILE = Path(__file__).parents[2] / "procedures" / "waterworks-swing-check.toml"
DAY = date(2026, 6, 1)
STEADY, RESTLESS = 0.0, 1000.0  # rates of change [counts/s]


@dataclass
class Attempt:
    """One attempt at a stage, driven as a bench does it: ten readings a second, silence noticed ten times a second."""

    stage: Stage
    channel: ChannelRecord
    zero_check: ZeroCheck
    state: StageState = field(default_factory=StageState)
    now: int = 0
    samples: list[Sample] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    happened: list[Happening] = field(default_factory=list)
    answered_in: int | None = None
    """How long the transmitter takes to answer a query [ticks]; None: it talks by itself."""

    @property
    def sentences(self) -> list[str]:
        """What the journal says, oldest first."""
        return [happening.sentence for happening in self.happened]

    @property
    def events(self) -> list[str]:
        """The names of what happened, oldest first."""
        return [happening.event for happening in self.happened]

    def take(self, outcome: tuple[StageState, list[Happening]]) -> None:
        self.state, happened = outcome
        self.happened += happened

    def read(self, counts: int, *, after_s: float = 0.1, bound: float | None = STEADY) -> "Attempt":
        """One reading."""
        last = self.samples[-1].at if self.samples else None
        self.now += to_ticks(after_s)
        if last is not None and self.now - last > to_ticks(0.5):
            self.gaps.append(Gap(since=last, until=self.now, reason=GapReason.SILENT))
        asked = None if self.answered_in is None else self.now - self.answered_in
        self.samples.append(Sample(self.now, counts, asked))
        slope = None if bound is None else Slope(bound, 0.0, 200, 20.0)
        self.take(self.stage.sample(self.state, self.samples[-1], slope, self.signal_faults, self.trace))
        return self

    def signal_faults(self) -> tuple[str, ...]:
        """What is wrong with the signal of the hold so far."""
        validity, since = self.stage.requirement.validity, self.state.hold_since
        if validity is None or since is None:
            return ()
        step = largest_step(self.channel, self.stage.requirement)
        return signal_faults(Trace.of(self.samples), since, self.now, validity.validity, step)

    def keep(self, counts: int, seconds: float, *, every_s: float = 0.1, bound: float | None = STEADY) -> "Attempt":
        """Readings of one value for a time."""
        for _ in range(round(seconds / every_s)):
            self.read(counts, after_s=every_s, bound=bound)
        return self

    def silent(self, seconds: float, reason: GapReason = GapReason.SILENT) -> "Attempt":
        """No usable reading for a time."""
        for _ in range(round(seconds / 0.1)):
            self.now += to_ticks(0.1)
            self.take(self.stage.silence(self.state, self.now, reason))
        return self

    def ask(self, action: Action, reason: str = "") -> "Attempt":
        """A request of the operator."""
        self.take(self.stage.request(self.state, action, self.now, reason=reason, look_back=self.trace))
        return self

    def see(self, seen: Seen, where: str = "", criterion: int = 0) -> "Attempt":
        """An answer of the operator."""
        answer = Observation(at=self.now, criterion=criterion, seen=seen, where=where, operator="Mara Quill")
        self.take(self.stage.observe(self.state, answer))
        return self

    def read_volume(self, volume: str, uncertainty: str = "0.5 mL") -> "Attempt":
        """What the vessel shows."""
        caught = Collection(
            since=0,
            until=0,
            volume=Volume.parse(volume),
            volume_uncertainty=Volume.parse(uncertainty),
            operator="Mara Quill",
        )
        self.take(self.stage.read_volume(self.state, self.now, caught))
        return self

    # Longer stretches of a stage

    def under_pressure(self) -> "Attempt":
        """Filled, vented, and the pressure at 2 psi above the acceptance limit, not yet steady."""
        self.read(0).ask(Action.VENT_CLOSED)
        return self.read(self.fine, bound=RESTLESS)

    def holding(self) -> "Attempt":
        """The hold has just begun."""
        self.under_pressure().keep(self.fine, 5.1)
        assert self.state.phase is Phase.HOLDING
        return self

    def held(self) -> "Attempt":
        """The hold is over."""
        self.holding().keep(self.fine, self.stage.requirement.hold_s)
        assert self.state.phase is Phase.OBSERVING
        return self

    def collected(self, volume: str = "0.5 mL", uncertainty: str = "0.1 mL", seconds: float = 50) -> "Attempt":
        """A seat test up to the end of its hold: collecting from 6 s on, and the volume read."""
        self.holding().keep(self.fine, 6).ask(Action.COLLECTION_STARTED)
        self.keep(self.fine, seconds).ask(Action.COLLECTION_ENDED)
        self.keep(self.fine, max(0.1, self.stage.requirement.hold_s - 6 - seconds))
        assert self.state.phase is Phase.OBSERVING
        return self.read_volume(volume, uncertainty)

    def released(self) -> "Attempt":
        """The pressure is let off."""
        return self.keep(0, 1)

    @property
    def fine(self) -> int:
        """A reading 2 psi above the acceptance limit."""
        return self.stage.thresholds.acceptance + 200

    # What is left of it

    def trace(self) -> Trace:
        return Trace.of(self.samples, tuple(self.gaps))

    def record(self) -> StageRecord:
        """The attempt as a record, not yet judged."""
        state, trace = self.state, self.trace()
        assert state.phase is Phase.CLOSED
        assert state.ending is not None
        return StageRecord(
            stage=self.stage.requirement.stage,
            attempt=1,
            requirement=self.stage.requirement,
            since=0,
            until=self.now,
            ended=state.ending,
            reason=state.reason,
            hold_since=state.hold_since,
            hold_until=state.hold_until,
            restarts=state.restarts,
            observations=state.observations,
            collections=state.collections,
            exceeded=state.exceeded,
            gaps=trace.gaps,
            rejected_lines=0,
            trace=TraceReference(samples=len(trace), sha256=trace.sha256()),
            finding=None,
            drawn=state.drawn,
        )

    def finding(self) -> Finding | None:
        """What the attempt shows."""
        basis = None if self.stage.decaying is None else self.stage.decaying.basis
        return evaluate_stage(self.record(), self.trace(), self.channel, self.zero_check, DAY, basis)

    def judged(self, attempt: int = 1) -> StageRecord:
        """The record with its finding."""
        return self.record().model_copy(update={"finding": self.finding(), "attempt": attempt})


class Shop:
    """The invented works: valves, its bench's channel, and attempts at their stages."""

    def __init__(self) -> None:
        self.procedure = Procedure.model_validate(tomllib.loads(FILE.read_text(encoding="utf-8")))
        self.zero_check = ZeroCheck(at=0, samples=20, mean_millicounts=0, passed=True)

    def valve(self, size: str = "NPS 4", seat: str = "metal") -> Valve:
        facts = {"serial": "HL-4-0117", "type": "swing-check", "size": size, "rated": "250 psi", "seat": seat}
        return Valve.model_validate(facts)

    def requirements(self, size: str = "NPS 4", seat: str = "metal") -> Requirements:
        return requirements_for(self.procedure, self.valve(size, seat))

    def channel(self, **changes: Any) -> ChannelRecord:
        facts: dict[str, Any] = {
            "tag": "PT-101",
            "instrument": "pressure transmitter 0–1000 psi",
            "serial": "T-0042",
            "scale": Scale(unit="psi", decimals=2),
            "certificate_number": "CAL-26-0311",
            "laboratory": "Saltmarsh Calibration Laboratory",
            "calibrated_on": date(2026, 3, 11),
            "due_on": date(2027, 3, 11),
            "lowest": Pressure.of(0, "psi"),
            "highest": Pressure.of(1000, "psi"),
            "expanded_uncertainty": Pressure.of("1.0", "psi"),
        }
        return ChannelRecord(**(facts | changes))

    def rules(self, requirement: StageRequirement) -> Stage:
        channel = self.channel()
        return Stage(requirement, Thresholds.of(requirement, channel.expanded_uncertainty, channel.scale))

    def shell_test(self, size: str = "NPS 4") -> Attempt:
        """An attempt at a shell test: looked at, hold 60 s for NPS 4, 15 s for NPS 2."""
        return Attempt(self.rules(self.requirements(size).stages[0]), self.channel(), self.zero_check)

    def seat_test(self, size: str = "NPS 4", seat: str = "metal") -> Attempt:
        """An attempt at a seat test: collected where the seat is metal."""
        return Attempt(self.rules(self.requirements(size, seat).stages[1]), self.channel(), self.zero_check)

    def run(self, *stages: StageRecord, **changes: Any) -> RunRecord:
        """A run of a metal-seated NPS 4 valve with these stages, its verdict drawn."""
        facts: dict[str, Any] = {
            "run": "B1-000001",
            "bench": "B1",
            "works": "Harrow Lane Valve Works",
            "origin": Origin.SIMULATED,
            "software": "testbench 0.1.0",
            "order": "HL-2041",
            "customer": "Ellery Water Board",
            "customer_order": "EWB-7733",
            "operator": "Mara Quill",
            "valve": self.valve(),
            "requirements": self.requirements(),
            "procedure_sha256": "0" * 64,
            "channel": self.channel(),
            "zero_check": self.zero_check,
            "started": "2026-06-01T08:00:00.000Z",
            "ended": "2026-06-01T08:10:00.000Z",
            "utc_offset_minutes": 60,
            "stages": stages,
            "verdict": None,
            "reason": "",
        }
        record = RunRecord(**(facts | changes))
        verdict, reason = judge_run(record)
        return record.model_copy(update={"verdict": verdict, "reason": reason})


@pytest.fixture(scope="session")
def shop() -> Shop:
    """The works."""
    return Shop()


@pytest.fixture(scope="session")
def accepted_shell(shop: Shop) -> Attempt:
    """A shell test from filling to release in which nothing went wrong. Not to be driven on."""
    return shop.shell_test().held().see(Seen.NO_LEAKAGE).released()


@pytest.fixture(scope="session")
def accepted_seat(shop: Shop) -> Attempt:
    """A seat test in which 0.5 mL came through in 50 s; 118.3 mL/h are allowed. Not to be driven on."""
    return shop.seat_test().collected().released()
