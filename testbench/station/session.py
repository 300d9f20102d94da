"""One bench at work: from a serial number to a sealed record. The only place where the floors are put together.

One thread owns a session. What happened is on disk before any screen hears of it. A refusal changes nothing.
"""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from testbench.errors import (
    AlreadyAcceptedError,
    BenchError,
    DiskNearlyFullError,
    FileRefusedError,
    NoReadingError,
    NothingLeftError,
    PressureNotReleasedError,
    RequestRefusedError,
    StoreFailedError,
)
from testbench.metrology.trend import SlidingSlope
from testbench.procedure.requirements import StageRequirement, requirements_for
from testbench.procedure.stages import Procedure
from testbench.procedure.valve import Order
from testbench.run.attendance import Attendance, attend
from testbench.run.decay import Basis
from testbench.run.decaying import Decaying
from testbench.run.hold import largest_step
from testbench.run.machine import Event, Phase
from testbench.run.observations import Observation
from testbench.run.progress import Action, Happening, Stage, StageState
from testbench.run.record import BlankRun, ChannelRecord, Origin, RunRecord, StageRecord, canonical
from testbench.run.retest import check_retest
from testbench.run.samples import GapReason, Sample, Thresholds, Trace, to_ticks
from testbench.station import messages as m
from testbench.station import readiness
from testbench.station.acquisition import Acquisition, ClockSet, PortEvent, Suspended, Taken
from testbench.station.at_the_bench import Operators, Signing
from testbench.station.bench import Bench
from testbench.station.beside import Beside, Companion, on_run
from testbench.station.current_run import StageUnderWay, closed, iso, judged, next_stage, point_of
from testbench.station.gauge_checks import GaugeCheck, check_of_hold, judged_with_checks, with_checks
from testbench.station.keeper import Batch, Keeper
from testbench.station.line import Line
from testbench.station.line_log import LineLog
from testbench.station.meters import Meters
from testbench.station.offering import search
from testbench.station.opening import caught, check_basis, opening_record, said_at_opening, texts_of, texts_of_order
from testbench.station.ports import Clock, Documents, FreeSpace, RawBytes, RunStore
from testbench.station.register import channel_of
from testbench.station.sign_off import document_of, owed_for_document

LEAST_FREE_BYTES = 50_000_000
NOTICES_KEPT = 12
PORT_DEAD_S = 5.0
LOOK_FOR_DOCUMENT_S = 1.0
"""How often the records are asked for the page of the run on the screen."""

STAGE_OPENED, STAGE_CLOSED = "stage opened", "stage closed"
"""Journal events whose sentence is JSON: what the next start needs to close an interrupted run as lost."""

_SIMPLE: dict[str, Action] = {
    "vent_closed": Action.VENT_CLOSED,
    "vent_again": Action.VENT_AGAIN,
    "collection_started": Action.COLLECTION_STARTED,
    "collection_ended": Action.COLLECTION_ENDED,
    "vessel_read": Action.VESSEL_READ,
    "measure_c": Action.MEASURE_C,
    "drawn_off": Action.DRAWN_OFF,
    "leave_c": Action.LEAVE_C,
    "extend": Action.EXTEND,
    "leave_undecided": Action.LEAVE_UNDECIDED,
    "conclude": Action.CONCLUDE,
    "stop": Action.STOP,
}


@dataclass(frozen=True, slots=True)
class Outside:
    """The ports a session works through."""

    clock: Clock
    store: RunStore
    documents: Documents
    free_space: FreeSpace
    find_procedure: Callable[[str], tuple[Procedure, str]]
    """Id → procedure and the SHA-256 of its file."""
    software: str
    load_orders: Callable[[], tuple[tuple[Order, ...], tuple[FileRefusedError, ...]]]
    """The orders as they stand now, and the files that were refused."""
    check_printable: Callable[[str], object]
    """Refuses a text that no document could print, before a valve is tested for nothing."""
    blanks: Callable[[], tuple[BlankRun, ...]] = tuple
    """The blank runs of this bench as they stand now, oldest first."""
    raw: RawBytes | None = None
    """Keeps the raw bytes of each run; None where bench.toml does not ask for it."""
    raw_beside: tuple[RawBytes | None, ...] = ()
    """The same for the bench's other lines, in their order."""
    replayed: bool = False
    """Whether the channel is driven from a capture."""
    signing: Signing | None = None
    """Where operators identify themselves; None: by name only."""
    check_language: Callable[[str | None], object] = lambda _: None
    """Refuses an order whose documents are wanted in a language that is not at hand."""


class Session:
    """Takes port events, requests and the passing of time; keeps the run."""

    def __init__(self, bench: Bench, outside: Outside) -> None:
        self.bench = bench
        self.orders: tuple[Order, ...] = ()
        self.outside = outside
        self.lines = tuple(Line(instruments[0]) for instruments in bench.lines)
        self.acquisition = Acquisition(bench.channel)
        self.beside = Beside(bench)
        self.meters = Meters(bench)
        self.lines_of = {one.tag: number for number, line in enumerate(bench.lines) for one in line}
        """Tag → number of the line that an instrument is read over; 0 is that of the deciding channel."""
        self._line_logs: list[LineLog] = []
        self.run: RunRecord | None = None
        """The open run, or the last closed one."""
        self.run_open = False
        self.run_since = 0
        self.heard = self.now()
        """Tick of the newest port event."""
        self.stage: StageUnderWay | None = None
        """The stage on the bench, or the last closed one of this run."""
        self.stage_open = False
        self.interrupted = False
        """Whether the recorder found a run that was interrupted, and none was started since: each begins at zero."""
        self.documents: dict[str, str] = {}
        self._look_again = 0
        self.notices: deque[m.Notice] = deque(maxlen=NOTICES_KEPT)
        self.states: dict[tuple[str, str], str] = {}
        self._refused_orders: tuple[str, ...] = ()
        self._traces: list[Trace] = []
        self._recent: deque[Sample] = deque(maxlen=4096)
        self.keeper = Keeper(outside.store, self.now, self._store_failed)
        self._to_seal: RunRecord | None = None
        self._unsaid: list[Happening] = []
        """What no screen may hear of before it is on disk."""
        self._log = LineLog(self.lines[0].history, None)
        self.channel: ChannelRecord | None = None
        """As calibrated and checked at the start of the newest run; None without a calibration."""
        self.operators = Operators(bench, outside.signing)
        self.read_orders()

    # Time ----------------------------------------------------------------------------------------

    def now(self) -> int:
        """Ticks since the recorder started."""
        return to_ticks(self.outside.clock.elapsed_s())

    def run_tick(self, at: int | None = None) -> int:
        """Ticks since the run began."""
        return (self.now() if at is None else at) - self.run_since

    # What comes in -------------------------------------------------------------------------------

    def take(self, event: PortEvent, line: int = 0) -> None:
        """Take what the port of a line delivered; what happened to the clocks concerns them all."""
        if isinstance(event, ClockSet):
            self._clock_set(event)
            return
        found, everyone = self.lines[line].take(event), isinstance(event, Suspended)
        for one in self.beside:  # first, so that what came with the reading that ends a stage is in that stage
            if everyone or self.lines_of[one.entry.tag] == line:
                self._take_beside(one, one.take(found))
        if line == 0:
            taken = self.acquisition.take(found)
            self.heard = to_ticks(event.at_s)
            self._recent.extend(taken.samples)
            if self.run_open:
                self._keep(taken)
        self.meters.take(found, line)
        self._notice_silence()

    def _take_beside(self, one: Companion, taken: Taken) -> None:
        """Keep what another channel gave, and compare it; nothing else hangs on it."""
        if self.run_open:
            samples, gaps = one.keep(taken, self.run_since, in_stage=self.stage_open)
            if samples or gaps:
                self._batch().add_beside(one.entry.tag, samples, gaps)
            self._compare(one.entry.tag, samples)

    def _compare(self, tag: str, samples: Sequence[Sample]) -> None:
        """Hold readings against those of the other channels; a disagreement trips the stage, or is said once."""
        if not (samples and self.bench.cross_check):
            return
        before = self.beside.disagreement
        self.beside.compare(tag, samples)
        sentence = self.beside.disagreement
        if sentence and self.stage is not None and self.stage_open:
            self._moved(*self.stage.rules.disagreed(self.stage.state, samples[-1].at, sentence))
        elif sentence and not before:
            self._happen([Happening(samples[-1].at, Event.DISAGREED, f"{sentence}.")])

    def _keep(self, taken: Taken) -> None:
        assert self.run is not None
        shifted = [(at - self.run_since, item) for at, item in taken.rejected]
        batch = self._batch()
        batch.rejected.extend(shifted)
        if self.stage is None or not self.stage_open:
            samples = [sample.on(self.run_since) for sample in taken.samples]
            batch.samples.extend(samples)
            self._compare(self.bench.channel.tag, samples)
            self._watch_between_stages(taken)
            return
        self.stage.rejected_lines += len(shifted)
        for gap in taken.gaps:
            moved = on_run(gap, self.run_since)
            self.stage.gaps.append(moved)
            batch.gaps.append(moved)
            if gap.reason in {GapReason.JUMPED, GapReason.SUSPENDED}:
                self._moved(*self.stage.rules.jumped(self.stage.state, moved.until, gap.reason))
        for sample in taken.samples:
            if self.stage_open:
                self._sample(sample.on(self.run_since))
        for at, above in [(at, True) for at in taken.above_range] + [(at, False) for at in taken.below_range]:
            if self.stage_open:
                rules, state = self.stage.rules, self.stage.state
                self._moved(*rules.out_of_range(state, at - self.run_since, above=above))

    def _clock_set(self, event: ClockSet) -> None:
        """Said and kept; nothing is timed by the time of day."""
        self.operators.clock_set(event.seconds, iso(self.outside.clock.utc()))
        way = "forward" if event.seconds > 0 else "back"
        sentence = f"The clock of this machine was set {way} by {abs(event.seconds):.1f} s; no hold is timed by it."
        if self.run_open:
            self._happen([Happening(self.run_tick(self.heard), "clock set", sentence)])
        else:
            self.notify(sentence)

    def _watch_between_stages(self, taken: Taken) -> None:
        """No pressure above every limit goes unseen because no stage is under way."""
        assert self.run is not None
        if self.run.overpressured or self._to_seal is not None:
            return
        scale, highest = self.run.channel.scale, max(stage.upper_limit for stage in self.run.requirements.stages)
        most = scale.most_counts(highest)
        seen = max((sample.counts for sample in taken.samples), default=most)
        if seen > most or taken.above_range:
            found = scale.pressure(seen).text(1) if seen > most else "a pressure above the transmitter's range"
            sentence = f"Outside a stage {found} was read, above {highest}; an engineer must look at this valve."
            self.run = self.run.model_copy(update={"overpressured": sentence})
            self._happen([Happening(self.run_tick(self.heard), "upper limit exceeded", sentence)])
            self._close_run()

    def _batch(self) -> Batch:
        return self.keeper.batch(self.stage.index if self.stage is not None and self.stage_open else -1)

    def _sample(self, sample: Sample) -> None:
        assert self.stage is not None
        self._batch().samples.append(sample)
        slope = self.stage.note(sample)
        stage, longest = self.stage, to_ticks(self.stage.rules.requirement.longest_gap_s)
        self._compare(self.bench.channel.tag, [sample])
        if tag := self.beside.silent(longest):  # nothing is steady and no hold goes on while it is not compared
            slope = None
            self.beside.compare_anew()
            self._moved(*stage.rules.not_compared(stage.state, sample.at, tag))
        elsewhere, said = self.beside.pressure_elsewhere(stage.rules, stage.state, sample)
        self._happen(said)
        rules = stage.rules
        self._moved(*rules.sample(stage.state, sample, slope, stage.signal_faults, stage.trace, elsewhere=elsewhere))

    def tick(self) -> None:
        """Let time pass: try again what failed, hear of finished documents."""
        now = self.now()
        if now - self.heard > to_ticks(PORT_DEAD_S):  # not even a Quiet: whoever reads the port is gone
            self.heard = now
            self._notice_silence()
        self.beside.let_pass(now, to_ticks(PORT_DEAD_S))
        if self._to_seal is not None and self.keeper.may_try():
            self._seal(self._to_seal)
        for run, path, sentence in self.outside.documents.written():
            if not (path and self.documents.get(run)):  # it was seen in the records already
                self.notify(sentence, grave=not path)
            self.documents[run] = path
        self._look_for_document(now)

    def _look_for_document(self, now: int) -> None:
        """Hear of a document that somebody else wrote, as a reviewer does with a release; never while a run is open."""
        run = self.run
        if run is None or self.run_open or not run.decided or self.documents.get(run.run) or now < self._look_again:
            return
        self._look_again = now + to_ticks(LOOK_FOR_DOCUMENT_S)
        path = self.keeper.asked(lambda: self.outside.store.document_of(run.run))
        if path:
            self.documents[run.run] = path
            self.notify(f"Run {run.run}: {document_of(run)} written to {path}.")

    def _notice_silence(self) -> None:
        """Judged at the time of the newest port event, never at the station's own."""
        since = self.acquisition.silent_since(self.heard)
        if since is None or self.stage is None or not self.stage_open:
            return
        # What froze or fell out of range stopped being usable before the newest sample was kept.
        state = replace(self.stage.state, last=max(since - self.run_since, self.stage.since))
        reason = self.acquisition.fault or GapReason.SILENT
        self._moved(*self.stage.rules.silence(state, self.run_tick(self.heard), reason))

    def request(self, request: m.AnyRequest) -> m.Answer:
        """Carry a request out, or refuse it and leave everything as it was."""
        try:
            if isinstance(request, m.FindValve):
                return m.Answer(id=request.id, done=True, found=self._find_valve(request.text))
            self._dispatch(request)
        except BenchError as refusal:
            return m.Answer.refused(request.id, refusal)
        if (fault := self.keeper.owes) is not None:
            kept = f"{fault} What you asked for is not on disk yet; it is kept and tried again."
            return m.Answer(id=request.id, done=False, sentence=kept, remedy=fault.remedy)
        return m.Answer(id=request.id, done=True)

    def _find_valve(self, text: str) -> tuple[m.OrderLine, ...]:
        if self.run_open:  # nobody chooses now, and a hold has better to do
            raise RequestRefusedError("find_valve", "a run is open", tuple(self.possible()))
        return search(self.orders, self.states, text)

    def _dispatch(self, request: m.AnyRequest) -> None:
        match request:
            case m.Attach() | m.Shutdown():
                self.read_orders()
            case m.StartRun():
                self._start_run(request)
            case m.StartStage():
                self._start_stage(request)
            case m.Sign():
                self._sign(request)
            case m.EndRun():
                self._end_run()
            case _:
                self._stage_request(request)

    # A run ---------------------------------------------------------------------------------------

    def read_orders(self) -> None:
        """Take the orders as they stand now; what was refused is said once."""
        if self.run_open:
            return
        self._read_register()
        if self.operators.read():
            self.notify("Operators are registered: they start a run with their PIN; those of bench.toml are ignored.")
        self.orders, refused = self.outside.load_orders()
        self.states = self.outside.store.states_of(self.orders)
        said = tuple(str(refusal) for refusal in refused)
        for sentence in said:
            if sentence not in self._refused_orders:
                self.notify(sentence, grave=True)
        self._refused_orders = said

    def _read_register(self) -> datetime:
        """Take the calibration and the gauge check as they stand now; gives the moment."""
        entry, store, at = self.bench.channel, self.outside.store, self.outside.clock.utc()
        reports, checks = store.calibrations_of(entry.serial), store.gauge_checks_of(entry.serial)
        self.channel = channel_of(entry, reports, checks, at)
        self.acquisition.calibrated(self.channel)
        self.beside.read_register(store, at)
        return at

    def _take_checks(self) -> tuple[GaugeCheck, ...] | None:
        """Take the checks against a second gauge that were made since the run began; None where the store refuses."""
        assert self.run is not None
        serial = self.run.channel.serial
        checks = self.keeper.asked(lambda: self.outside.store.gauge_checks_of(serial))
        if checks is not None:
            self.run = with_checks(self.run, checks)
        return checks

    def _check_second_gauge(self, stage: StageRecord, trace: Trace) -> None:
        """Let the channel that is the second gauge check the deciding one; never in a replay, it is of another day."""
        assert self.run is not None
        tag, at = self.bench.second_gauge, iso(self.outside.clock.utc())
        found = next((n for n, one in enumerate(self.run.beside) if one.channel.tag == tag), None)
        if found is None or self.outside.replayed:
            return
        both = (self.run.channel, self.run.beside[found].channel)
        check = check_of_hold(stage, both, (trace, trace.beside[found]), at, self.run.operator)
        if check is None:
            return

        def keep() -> bool:
            self.outside.store.add_gauge_check(check)
            return True

        if self.keeper.asked(keep):
            said = f"Second gauge: {check.check.sentence}."
            self._happen([Happening(self.run_tick(), "second gauge", said)])

    def _start_run(self, request: m.StartRun) -> None:
        self.read_orders()
        if self.run_open or self._to_seal is not None:
            raise RequestRefusedError("start_run", "a run is open", tuple(self.possible()))
        operator, operator_id = self.operators.identify(request)
        order, valve = readiness.find_valve(self.orders, request.order, request.serial)
        self.outside.check_language(order.language)
        for text in (*texts_of_order(order), operator, *texts_of(valve)):
            self.outside.check_printable(text)
        procedure, digest = self.outside.find_procedure(order.procedure)
        requirements = requirements_for(procedure, valve)
        readiness.check_witness_points(order, requirements)
        adoption = self.outside.store.adoption_of(digest)
        origin = Origin.REPLAYED if self.outside.replayed else self.bench.origin
        origin = Origin.SIMULATED if self._simulated else origin
        trial = origin is not Origin.LIVE or adoption is None
        study = trial and origin is Origin.LIVE
        # Under a procedure that nobody adopted a live run shows nothing for a valve, and may be had again and again.
        if not study and (run := self.outside.store.accepted_run_of(valve.serial, specimen=trial)) is not None:
            raise AlreadyAcceptedError(valve.serial, run)
        check_retest(valve.serial, self.outside.store.nonconformities_of(valve.serial), requirements, trial=trial)
        self._check_space()
        at, now = self._read_register(), self.now()
        channel = readiness.calibrated(self.bench.channel, self.channel, at.date())
        readiness.check_channel(channel, requirements, at.date())
        readiness.check_second_gauge(channel, self.bench.channel.gauge_check_every_h, at)
        self._check_signal()
        zero = readiness.zero_check(tuple(self._recent), self.heard, channel, requirements)
        opening = opening_record(
            self.bench,
            order,
            valve,
            requirements,
            channel,
            zero,
            at,
            operator=operator,
            operator_id=operator_id,
            origin=origin,
            software=self.outside.software,
            procedure_sha256=digest,
            adoption=adoption,
            earlier=self.outside.store.earlier_runs_of(valve.serial),
            blanks=self.outside.blanks(),
            water=self.meters.water(now),
            beside=self.beside.opening(requirements, at),
        )
        check_basis(opening, self.outside.store.recalls())
        number = self.outside.store.begin_run(canonical(opening).decode(), at)
        self.run = opening.model_copy(update={"run": number})
        self.run_open, self.run_since, self.stage, self.stage_open = True, now, None, False
        self.interrupted = False
        self._log = LineLog(self.lines[0].history, self.outside.raw)
        self._log.begin(number, self.notify)
        raw = (*self.outside.raw_beside, *[None] * len(self.lines))
        self._line_logs = [LineLog(line.history, kept) for line, kept in zip(self.lines[1:], raw, strict=False)]
        for log in self._line_logs:
            log.begin(number, self.notify)
        self.beside.begin(self.run)
        self._traces = []
        self._happen(said_at_opening(self.run))

    @property
    def released(self) -> bool:
        """Whether the pressure of the last stage was seen released, and none was read since."""
        if self.stage is None:
            return not self.interrupted
        newest, rules = self.acquisition.newest, self.stage.rules
        if newest is None or newest.counts > rules.thresholds.safe or self.beside.under_pressure(rules.requirement):
            return False
        return self.stage.state.counts is not None or self.acquisition.silent_since(self.heard) is None

    @property
    def _simulated(self) -> bool:
        """Whether any line was ever that of a simulated rig."""
        return any(one.simulated for one in (self.acquisition, *(one.acquisition for one in self.beside)))

    def _check_space(self) -> None:
        free = self.outside.free_space.free_bytes()
        if free < LEAST_FREE_BYTES:
            raise DiskNearlyFullError(f"{free // 1_000_000} MB", f"{LEAST_FREE_BYTES // 1_000_000} MB")

    def _check_signal(self) -> None:
        if self.acquisition.silent_since(self.heard) is not None:
            raise NoReadingError(self.bench.channel.tag, self.acquisition.why_silent)

    def _end_run(self) -> None:
        if not self.run_open or self.stage_open or self._to_seal is not None:
            doing = "a stage is under way" if self.stage_open else "no run is open"
            raise RequestRefusedError("end_run", doing, tuple(self.possible()))
        self._close_run()

    def _close_run(self) -> None:
        assert self.run is not None
        if self._simulated:
            self.run = self.run.model_copy(update={"origin": Origin.SIMULATED})
        ended = [log.end(self.notify) for log in (self._log, *self._line_logs)]
        beside = tuple(
            one.model_copy(update={"line": ended[number]}) if (number := self.lines_of[one.channel.tag]) else one
            for one in self.run.beside
        )
        self.run = self.run.model_copy(update={"line": ended[0], "beside": beside})
        self._seal(closed(self.run, iso(self.outside.clock.utc())))

    def _seal(self, record: RunRecord) -> None:
        """Record and traces in one transaction; until it is committed the verdict is not announced."""
        self._to_seal = record
        if not self.commit() or (checks := self._take_checks()) is None:
            return
        record = judged_with_checks(record, self._traces, checks)
        if not self.keeper.seal(record, self._traces):
            return
        self._to_seal = None
        self.run, self.run_open = record, False
        self._traces = []
        self.states = self.outside.store.states_of(self.orders)
        self.notify(f"Run {record.run}: {record.verdict or 'void'}. {record.reason}", grave=record.void)
        self.operators.read()
        if record.decided and owed_for_document(record, ()) is None:
            self.outside.documents.order(record.run)

    def _sign(self, request: m.Sign) -> None:
        """Between stages only: looking at a secret takes longer than a reading may wait."""
        if self.stage_open or "sign" not in self.possible():
            doing = "a stage is under way" if self.stage_open else "no run waits for its operator's signature"
            raise RequestRefusedError("sign", doing, tuple(self.possible()))
        signature, owed = self.operators.sign(request)
        self.notify(f"Run {request.run} is signed as performed by {signature.printed_name}.")
        if owed:
            self.outside.documents.order(request.run)

    # A stage -------------------------------------------------------------------------------------

    def _start_stage(self, request: m.StartStage) -> None:
        if not self.run_open or self.stage_open or self._to_seal is not None:
            doing = "a stage is under way" if self.stage_open else "no run is open"
            raise RequestRefusedError("start_stage", doing, tuple(self.possible()))
        assert self.run is not None
        if self._take_checks() is None and self.keeper.fault is not None:
            raise self.keeper.fault
        readiness.check_not_disproved(self.run)
        found = next_stage(self.run)
        if found is None:
            raise NothingLeftError(self.run.run)
        requirement, attempt = found
        now = self.now()
        if not self.commit() and self.keeper.fault is not None:
            raise self.keeper.fault  # what the last stage left must be on disk under its own number
        self._check_space()
        self._check_signal()
        channel = self.run.channel.for_fluid(requirement.fluid)
        thresholds = Thresholds.of(requirement, channel.guard_band(requirement), channel.scale)
        assert self.acquisition.newest is not None
        if self.acquisition.newest.counts > thresholds.safe:
            reading = channel.scale.pressure(self.acquisition.newest.counts)
            raise PressureNotReleasedError(reading.text(1), requirement.safe_below.text(1))
        attendance = self._attendance(request, requirement)
        self.meters.check(now)
        self.beside.begin_stage(self.run, requirement)
        self.meters.begin(now)
        index, since = len(self.run.stages), self.run_tick(now)
        self.stage = StageUnderWay(
            rules=Stage(requirement, thresholds, Decaying.of(Basis.of(requirement, self.run), self.bench.bleeding)),
            attempt=attempt,
            index=index,
            since=since,
            state=StageState(phase=Phase.FILLING, since=since),
            slope=SlidingSlope(requirement.stabilization.window_s),
            largest_step=largest_step(channel, requirement),
            attendance=attendance,
        )
        self.stage_open = True
        sentence = f"{requirement.stage.capitalize()}, attempt {attempt}, begun."
        opened = canonical(self.stage.opened()).decode()
        self._happen([Happening(since, STAGE_OPENED, opened), Happening(since, "stage begun", sentence)])

    def _attendance(self, request: m.StartStage, requirement: StageRequirement) -> Attendance | None:
        """Who attends; None where the order names no point for the stage."""
        for text in (said for one in request.attended or () for said in (one.name, one.party)):
            self.outside.check_printable(text)
        assert self.run is not None
        if (point := point_of(self.run, requirement)) is None:
            return None
        return attend(point, request.attended, self.outside.clock.utc().date(), self.operators.witnesses())

    def _stage_request(self, request: m.AnyRequest) -> None:
        if not self.stage_open:
            raise RequestRefusedError(request.request, "no stage is under way", tuple(self.possible()))
        assert self.stage is not None
        assert self.run is not None
        rules, state, at = self.stage.rules, self.stage.state, self.run_tick()
        operator = self.run.operator
        match request:
            case m.Observe(criterion=criterion, seen=seen, where=where, note=note):
                answer = Observation(at=at, criterion=criterion, seen=seen, where=where, note=note, operator=operator)
                self._moved(*rules.observe(state, answer))
            case m.Collected():
                self._moved(
                    *rules.read_volume(state, at, caught(request, rules.collected, self.bench.collecting, operator))
                )
            case m.RigLeak(where=where):
                self._moved(*rules.rig_leaked(state, at, where))
            case m.Stop(reason=reason):
                self._moved(*rules.request(state, Action.STOP, at, reason=reason))
            case _:
                self._moved(*rules.request(state, _SIMPLE[request.request], at, look_back=self.stage.trace))
                if request.request in {"collection_ended", "vessel_read"}:
                    self._moved(*self.meters.vessel_read(rules, self.stage.state, at, self.run_since, operator))

    def _moved(self, state: StageState, happened: list[Happening]) -> None:
        assert self.stage is not None
        self.stage.became(state)
        self._happen(happened)
        if state.phase is Phase.CLOSED and self.stage_open:
            self._close_stage()

    def _close_stage(self) -> None:
        assert self.stage is not None
        assert self.run is not None
        until, trace = self.run_tick(), replace(self.stage.trace(), beside=self.beside.traces())
        on = datetime.fromisoformat(self.run.started).astimezone(UTC).date()
        record = self.stage.record(max(until, self.stage.state.since))
        self._check_second_gauge(record, trace)
        self._take_checks()  # where the store refuses now, it is asked again before the run is sealed
        record = self.meters.with_readings(record, self.run_since)
        record = record.model_copy(update={"beside": self.beside.records()})
        record = judged(record, trace, self.run, on)
        self.run = self.run.model_copy(update={"stages": (*self.run.stages, record)})
        self._traces.append(trace)
        verdict = record.finding.verdict if record.finding else f"void ({record.ended}): {record.reason}"
        sentence = f"{record.stage.capitalize()}: {verdict}"
        self._happen([
            Happening(until, STAGE_CLOSED, canonical(record).decode()),
            Happening(until, "stage judged", sentence if sentence.endswith(".") else f"{sentence}."),
        ])
        self.stage_open = False
        if next_stage(self.run) is None:
            self._close_run()

    # What is kept --------------------------------------------------------------------------------

    def _happen(self, happened: list[Happening]) -> None:
        """Journal first, screen afterwards."""
        if not happened:
            return
        self._batch().happenings.extend(happened)
        self._unsaid.extend(happened)
        self.commit()

    def commit(self) -> bool:
        """Write what has come together, one transaction; what could not be written stays and is tried again.

        The recorder's loop calls this four times a second of the wall clock, whatever the bench's clock says.
        """
        if self.run is None or not self.run_open:
            return True
        if not self.keeper.commit(self.run.run):
            return False
        said, self._unsaid = self._unsaid, []
        for happening in said:
            if happening.event not in {STAGE_OPENED, STAGE_CLOSED}:
                self.notify(happening.sentence, grave=happening.event in _GRAVE)
        return True

    def _store_failed(self, fault: StoreFailedError) -> None:
        self.notify(f"{fault} {fault.remedy}", grave=True)

    def notify(self, sentence: str, *, grave: bool = False) -> None:
        """Say something on every screen."""
        at_s = (self.run_tick() if self.run_open else self.now()) / 10_000
        self.notices.append(m.Notice(at_s=at_s, utc=iso(self.outside.clock.utc()), sentence=sentence, grave=grave))

    # What may be asked for -----------------------------------------------------------------------

    def possible(self) -> list[str]:
        """Names of the requests that fit now, the likeliest first."""
        if self._to_seal is not None:
            return []
        if not self.run_open:
            return ["start_run", "sign"] if self.operators.unsigned else ["start_run"]
        if self.stage_open:
            assert self.stage is not None
            return [str(action) for action in self.stage.rules.possible(self.stage.state)]
        assert self.run is not None
        return ["start_stage", "end_run"] if next_stage(self.run) else ["end_run"]


_GRAVE = {
    "pressure channels disagree",
    "still under pressure",
    "vessel not read",
    "upper limit exceeded",
    "signal lost",
    "gap longer than allowed",
    "hold void for the state of its signal",
    "undecided",
    "advice",
    "air",
    "fell below the acceptance limit",
    "earlier run",
    "not adopted",
}
