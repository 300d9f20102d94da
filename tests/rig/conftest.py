"""A whole bench in one thread and no time at all: rig, transmitter, the real session, and the simulated operator."""

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from testbench.errors import BenchError
from testbench.link.client import OrdersTold
from testbench.procedure.valve import Order
from testbench.procedure_files.loader import find_procedure
from testbench.rig.commands import carry_out, handles, read_command, refusal
from testbench.rig.operator import SimulatedOperator
from testbench.rig.physics import RigPhysics
from testbench.rig.transmitter import Transmitter
from testbench.run.record import RunRecord
from testbench.station import messages as m
from testbench.station.acquisition import Arrived, PortOpened
from testbench.station.bench import Bench
from testbench.station.session import Outside, Session
from testbench.station.view import Viewer


@dataclass
class RigTime:
    """The rig's time is the session's time."""

    rig: RigPhysics

    def elapsed_s(self) -> float:
        return self.rig.at_s

    def utc(self) -> datetime:
        return datetime(2026, 11, 25, 8, 0, tzinfo=UTC) + timedelta(seconds=self.rig.at_s)


@dataclass
class SealedRuns:
    """Keeps closed runs."""

    opened: int = 0
    sealed: list[RunRecord] = field(default_factory=list)

    def begin_run(self, opening, at):
        self.opened += 1
        return f"B1-{self.opened:06d}"

    def append(self, *what):
        pass

    def seal(self, record, traces):
        self.sealed.append(record)
        return "0" * 64

    def earlier_runs_of(self, serial):
        return ()

    def recalls(self):
        return getattr(self, "recalled", ())

    def nonconformities_of(self, serial):
        return ()

    def document_of(self, run):
        return ""

    def adoption_of(self, procedure_sha256: str) -> None:
        return None

    def calibrations_of(self, serial):
        return ()

    def gauge_checks_of(self, serial):
        return ()

    def accepted_run_of(self, serial, *, specimen):
        return next((run.run for run in self.sealed if run.valve.serial == serial and run.verdict == "accepted"), None)

    def states_of(self, orders):
        return {(run.order, run.valve.serial): str(run.verdict or "void") for run in self.sealed}


class NoDocuments:
    def order(self, run):
        pass

    def written(self):
        return []


class PlentyOfSpace:
    def free_bytes(self):
        return 10**12


class WholeBench:
    """Steps rig and session together; shows the operator an update every so many seconds of simulated time."""

    def __init__(self, bench: Bench, order: Order, seed: int = 1) -> None:
        self.rig, self.transmitter = RigPhysics(), Transmitter()
        self.store = SealedRuns()
        outside = Outside(
            RigTime(self.rig),
            self.store,
            NoDocuments(),
            PlentyOfSpace(),
            lambda name: find_procedure(name, None),
            "test",
            lambda: ((order,), ()),
            lambda text: None,
        )
        self.session = Session(bench, outside)
        self.viewer, self.orders = Viewer(self.session), OrdersTold()
        self.operator = SimulatedOperator("Mara Quill")
        self.notices: list[str] = []
        self.phases: list[tuple[float, str, str]] = []
        self.session.take(PortOpened(0.0, ""))
        self.session.take(Arrived(0.0, b"\r\n"))

    def pass_time(self, seconds: float) -> None:
        for _ in range(round(seconds * 10)):
            self.rig.step(0.1)
            self.session.take(Arrived(self.rig.at_s, self.transmitter.line(self.rig.psi)))
            self.session.tick()

    def rig_answer(self, command: dict) -> dict:
        try:
            facts = {"done": True} | carry_out(self.rig, read_command(json.dumps(command).encode()))
        except BenchError as refused:
            facts = refusal(refused)
        return facts | {"handles": handles(self.rig)}

    def show(self) -> None:
        """One look of the operator at the screen, and what follows from it."""
        update, _ = self.orders.put_in(m.read_message(m.write(self.viewer.update())))
        self._note(update)
        step = self.operator.see(update)
        for command in step.commands:
            self.operator.rig_answered(command, self.rig_answer(command))
        for request in step.requests:
            self.operator.answered(self.session.request(m.read_request(m.write(request))))

    def _note(self, update: m.Update) -> None:
        for notice in update.notices:
            if notice.sentence not in self.notices:
                self.notices.append(notice.sentence)
        if update.stage and (not self.phases or self.phases[-1][1:] != (update.stage.stage, update.stage.phase)):
            self.phases.append((update.at_s, str(update.stage.stage), str(update.stage.phase)))

    def work(self, *, glance_s: float = 0.5, longest_s: float = 7200.0) -> None:
        """Until the operator has no valve left."""
        while not self.operator.finished:
            self.pass_time(glance_s)
            self.show()
            assert self.rig.at_s < longest_s, self.operator.said[-3:]


@pytest.fixture
def whole_bench(bench: Bench, order: Order) -> WholeBench:
    return WholeBench(bench, order)


@dataclass
class RigProgram:
    """``testbench rig`` in a process of its own."""

    process: subprocess.Popen[str]
    facts: dict

    def next_facts(self) -> dict:
        return json.loads(self.process.stdout.readline())


@pytest.fixture
def start_rig(tmp_path: Path) -> Iterator[Callable[..., RigProgram]]:
    """Starts the rig as a program and waits until it says where it is."""
    started: list[subprocess.Popen[str]] = []

    def start(*options: str, control: Path = tmp_path / "rig.sock") -> RigProgram:
        command = [sys.executable, "-m", "testbench", "rig", "--json", "--control", str(control), *options]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        started.append(process)
        line = process.stdout.readline()
        assert line, process.stderr.read()
        return RigProgram(process, json.loads(line))

    yield start
    for process in started:
        process.terminate()
        process.communicate()
