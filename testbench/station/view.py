"""The session as a person needs to see it: session → Update. Reads, decides nothing."""

from collections.abc import Iterable

from testbench.procedure.criteria import LargestLeakageRate, VisualCriterion
from testbench.procedure.requirements import StageRequirement
from testbench.procedure.valve import WitnessPoint
from testbench.run.bleeding import Bleeding
from testbench.run.cross_check import CRITERION
from testbench.run.decisions import decision_of
from testbench.run.machine import Phase
from testbench.run.progress import Action
from testbench.run.record import Finding, RunRecord, StageRecord, Verdict
from testbench.run.samples import TICKS_PER_S, Scale, Trace, to_s
from testbench.station import messages as m
from testbench.station import words
from testbench.station.acquisition import Acquisition
from testbench.station.beside import Companion
from testbench.station.current_run import StageUnderWay, iso, next_stage, point_of
from testbench.station.offering import offered
from testbench.station.session import Session

POINTS_PER_UPDATE = 20
POINTS_OF_A_STAGE = 3000
DRAWN_PLACES = 6
"""Decimals of a pressure that is only drawn."""


class Viewer:
    """Builds updates; remembers how much of the trace it has told already."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._sequence = 0
        self._told: tuple[str, int, int] = ("", -1, 0)  # run, stage index, samples told
        self._offered_of: tuple[object, object, object] = (None, None, None)
        self._offered: tuple[m.OrderLine, ...] = ()
        self._revision, self._told_revision = 1, 0

    def update(self, *, whole_trace: bool = False) -> m.Update:
        """The present state.

        Args:
            whole_trace: put the stage's whole trace and the orders in, for a screen that has just come.
        """
        session = self._session
        self._sequence += 1
        points, complete = self._new_points(whole=whole_trace)
        now = session.now()
        instruction, cautions = self._instruction()
        return m.Update(
            sequence=self._sequence,
            bench=session.bench.name,
            utc=iso(session.outside.clock.utc()),
            at_s=to_s(session.run_tick(now) if session.run else now),
            origin=session.bench.origin,
            signal=self._signal(now),
            beside=tuple(self._beside(one, now) for one in session.beside),
            water_degc=self._water(now),
            water_fault="" if session.meters.thermometer is None else session.meters.thermometer.fault(now),
            run=self._run(),
            stage=self._stage(now),
            instruction=instruction,
            cautions=cautions,
            actions=self._actions(),
            orders=self._orders(whole=whole_trace),
            orders_revision=self._revision,
            operators=session.operators.names,
            pin_needed=session.operators.pin_needed,
            unsigned=() if session.run_open else session.operators.lines,
            notices=tuple(session.notices),
            trace=points,
            trace_complete=complete,
        )

    # The signal ----------------------------------------------------------------------------------

    def _scale(self) -> Scale:
        session = self._session
        if session.run is not None and session.run_open:
            return session.run.channel.scale
        return session.bench.channel.scale(None) if session.channel is None else session.channel.scale

    def _signal(self, now: int) -> m.Signal:
        session = self._session
        return _signal_of(session.acquisition, session.heard, now, self._scale())

    def _beside(self, one: Companion, now: int) -> m.ChannelBeside:
        scale = one.entry.scale(None) if one.channel is None else one.channel.scale
        return m.ChannelBeside(tag=one.entry.tag, signal=_signal_of(one.acquisition, one.heard, now, scale))

    def _water(self, now: int) -> float | None:
        thermometer = self._session.meters.thermometer
        found = None if thermometer is None else thermometer.reading(now)
        return None if found is None else found.to("degC")

    # The run -------------------------------------------------------------------------------------

    def _run(self) -> m.RunView | None:
        session = self._session
        run = session.run
        if run is None:
            return None
        return m.RunView(
            run=run.run,
            order=run.order,
            customer=run.customer,
            serial=run.valve.serial,
            valve=run.valve.in_one_line,
            operator=run.operator,
            procedure=f"{run.requirements.standard} {run.requirements.edition}, {run.requirements.procedure}",
            origin=run.origin,
            stages=tuple(self._stage_lines(run)),
            open=session.run_open,
            verdict=None if session.run_open else run.verdict,
            sentence="" if session.run_open else run.reason,
            document=session.documents.get(run.run, ""),
            attends="" if (point := self._point(run)) is None else point.party,
        )

    def _point(self, run: RunRecord) -> WitnessPoint | None:
        """The witness point or hold point of the stage that comes next."""
        found = next_stage(run) if self._session.run_open and not self._session.stage_open else None
        return None if found is None else point_of(run, found[0])

    def _stage_lines(self, run: RunRecord) -> Iterable[m.StageLine]:
        session = self._session
        under_way = session.stage if session.stage_open else None
        for demanded in run.requirements.stages:
            tried = [stage for stage in run.stages if stage.stage == demanded.stage]
            if under_way is not None and under_way.rules.requirement.stage == demanded.stage:
                yield m.StageLine(stage=demanded.stage, state="under way")
            elif tried:
                yield _stage_line(tried[-1])
            else:
                yield m.StageLine(stage=demanded.stage, state="to do")

    def _orders(self, *, whole: bool) -> tuple[m.OrderLine, ...] | None:
        """What is offered, where it is not what all screens were told last; None: it is."""
        session = self._session
        key = (session.run_open, session.orders, session.states)
        if any(new is not old for new, old in zip(key, self._offered_of, strict=True)):
            offered_now = () if session.run_open else offered(session.orders, session.states)
            self._revision += offered_now != self._offered
            self._offered_of, self._offered = key, offered_now
        if not whole and self._told_revision == self._revision:
            return None
        if not whole:  # what one screen asked for anew, the others must still hear
            self._told_revision = self._revision
        return self._offered

    # The stage -----------------------------------------------------------------------------------

    def _stage(self, now: int) -> m.StageView | None:
        session = self._session
        under_way, run = session.stage, session.run
        if under_way is None or run is None:
            return None
        state, rule = under_way.state, under_way.rules.requirement
        scale, unit = run.channel.scale.for_fluid(rule.fluid), run.channel.scale.unit
        tick = session.run_tick(now)
        at = tick if session.stage_open else state.since
        change = under_way.change
        per_min = 60 * float(under_way.rules.thresholds.per_count)
        record = None if session.stage_open else run.stages[-1]
        acceptance = rule.required + run.channel.guard_band(rule)
        return m.StageView(
            stage=rule.stage,
            attempt=under_way.attempt,
            phase=state.phase,
            phase_s=to_s(max(0, at - state.since)),
            required=rule.required.to(unit),
            acceptance_limit=acceptance.to(unit),
            upper_limit=rule.upper_limit.to(unit),
            raise_to=None if (aim := words.raise_to(rule, acceptance)) is None else aim.to(unit),
            safe_below=rule.safe_below.to(unit),
            hold_s=under_way.rules.hold_s(state),
            hold_left_s=_hold_left(under_way, at),
            collecting_s=None if state.collecting_since is None else to_s(at - state.collecting_since),
            collect_left_s=_collect_left(under_way, at),
            change_per_min=None if change is None else change.per_s * per_min,
            change_bound_per_min=None if change is None else change.bound * per_min,
            change_limit_per_min=rule.stabilization.largest_change_per_min.to(unit),
            lowest_in_hold=None if under_way.lowest is None else scale.pressure(under_way.lowest).to(unit),
            restarts=state.restarts,
            drawn_off=len(state.drawn),
            draw_off=None if (bleeding := _bleeding(under_way)) is None else bleeding.burette.volume * state.to_draw,
            gate=state.gate,
            pressurized_side=rule.pressurized_side,
            pump_during_hold=rule.pump_during_hold,
            criteria=tuple(_asked(under_way, index) for index in range(len(rule.criteria))),
            finding=None if record is None else record.finding,
            decisions=() if record is None or record.finding is None else _decisions(record.finding, rule),
            ended=state.ending or "",
            reason=state.reason,
        )

    def _new_points(self, *, whole: bool) -> tuple[tuple[tuple[float, float], ...], bool]:
        session = self._session
        under_way, run = session.stage, session.run
        if under_way is None or run is None:
            return (), True
        key = (run.run, under_way.index)
        told = 0 if whole or self._told[:2] != key else self._told[2]
        new = under_way.samples.trace(told)
        if not whole:  # what one screen asked for anew, the others must still hear
            self._told = (*key, len(under_way.samples))
        most = POINTS_OF_A_STAGE if told == 0 else POINTS_PER_UPDATE
        scale = run.channel.scale.for_fluid(under_way.rules.requirement.fluid)
        kept = thinned(new, most)
        times, pressures = kept.at / TICKS_PER_S, scale.pressures(kept.counts).round(DRAWN_PLACES)
        return tuple(zip(times.tolist(), pressures.tolist(), strict=True)), told == 0

    # Words ---------------------------------------------------------------------------------------

    def _instruction(self) -> tuple[str, tuple[str, ...]]:
        session = self._session
        under_way, run = session.stage, session.run
        if session.stage_open and under_way is not None and run is not None:
            if session.acquisition.silent_since(session.heard) is not None:
                return words.unread(under_way.state, session.acquisition.remedy), words.UNREAD_CAUTIONS
            rule = under_way.rules.requirement
            acceptance = (rule.required + run.channel.guard_band(rule)).in_unit(run.channel.scale.unit)
            said = words.instruction(under_way.rules, under_way.state, acceptance)
            return said, words.cautions(under_way.state)
        then = self._between_stages(run) if session.run_open and run is not None else self._between_runs()
        if not session.released:
            return words.not_released(then), words.NOT_RELEASED_CAUTIONS
        return then, () if under_way is None else words.cautions(under_way.state)

    def _between_stages(self, run: RunRecord) -> str:
        found = next_stage(run)
        if found is None:
            return "Close the run."
        requirement, attempt = found
        again = "" if attempt == 1 else f" again (attempt {attempt})"
        point, today = self._point(run), self._session.outside.clock.utc().date()
        attends = "" if point is None else f" {words.attends(point, today)}."
        return f"Next: the {requirement.stage}{again}.{attends} Start it when the valve is mounted."

    def _between_runs(self) -> str:
        unsigned = self._session.operators.unsigned
        sign = words.to_sign(unsigned[0].run, unsigned[0].operator, len(unsigned)) if unsigned else ""
        return f"{sign}Mount the next valve with its vent open, then choose it."

    def _actions(self) -> tuple[m.ActionOffered, ...]:
        labels = dict(words.LABELS)
        session = self._session
        if session.stage_open and session.stage is not None:
            labels[Action.EXTEND] = words.extend(session.stage.rules.undecided(session.stage.state))
        if session.run_open and not session.stage_open and session.run is not None:
            found = next_stage(session.run)
            if found is not None:
                labels["start_stage"] = f"Start the {found[0].stage}"
        return tuple(m.ActionOffered(request=name, label=labels[name]) for name in session.possible())


def _signal_of(acquisition: Acquisition, heard: int, now: int, scale: Scale) -> m.Signal:
    """How a channel stands at the newest event of its line, its newest reading on a scale."""
    silent, newest = acquisition.silent_since(heard), acquisition.newest
    good = silent is None and newest is not None
    return m.Signal(
        state="good" if good else "lost" if acquisition.port_sentence else "stale",
        sentence="" if silent is None else acquisition.sentence,
        age_s=None if newest is None else max(0.0, to_s(now - newest.at)),
        pressure=scale.pressure(newest.counts).to(scale.unit) if good and newest else None,
        unit=scale.unit,
        decimals=scale.decimals,
        rejected_lines=acquisition.rejected_lines,
    )


def thinned(trace: Trace, most: int) -> Trace:
    """At most about ``most`` samples that keep every peak: smallest and largest of each portion, in order."""
    if len(trace) <= most:
        return trace
    step = -(-2 * len(trace) // most)
    portions = [(start, trace.counts[start : start + step]) for start in range(0, len(trace), step)]
    kept = sorted({start + int(end) for start, part in portions for end in (part.argmin(), part.argmax())})
    return Trace(trace.at[kept], trace.counts[kept])


def _decisions(finding: Finding, rule: StageRequirement) -> tuple[str, ...]:
    found = (decision_of(criterion, rule) for criterion in finding.criteria)
    return tuple("" if decision is None else decision.words for decision in found)


def _stage_line(record: StageRecord) -> m.StageLine:
    if record.finding is None:
        return m.StageLine(stage=record.stage, state="void", sentence=f"{record.ended}: {record.reason}")
    deciding = [found.sentence for found in record.finding.criteria if found.conformity != "conforms"]
    if record.finding.verdict is Verdict.ACCEPTED:
        limited = [found for found in record.finding.criteria if found.limit and found.criterion != CRITERION]
        deciding = [found.sentence for found in limited[-1:]]
    return m.StageLine.model_validate({
        "stage": record.stage,
        "state": record.finding.verdict,
        "sentence": " ".join(deciding),
    })


def _hold_left(stage: StageUnderWay, at: int) -> float | None:
    state = stage.state
    if state.phase is not Phase.HOLDING or state.hold_since is None:
        return None
    return max(0.0, stage.rules.hold_s(state) - to_s(at - state.hold_since))


def _bleeding(stage: StageUnderWay) -> Bleeding | None:
    decaying = stage.rules.decaying
    return None if decaying is None or stage.state.phase is not Phase.BLEEDING else decaying.bleeding


def _collect_left(stage: StageUnderWay, at: int) -> float | None:
    rule, state = stage.rules.collected, stage.state
    if rule is None or state.phase is not Phase.HOLDING or state.hold_since is None:
        return None
    if state.collecting_since is not None:
        return max(0.0, rule.collect_s - to_s(at - state.collecting_since))
    if Action.COLLECTION_STARTED in stage.rules.possible(state):
        return max(0.0, rule.settle_s - to_s(at - state.hold_since))
    return None


def _asked(stage: StageUnderWay, index: int) -> m.CriterionAsked:
    criterion = stage.rules.requirement.criteria[index]
    if isinstance(criterion, VisualCriterion):
        answers = [found for found in stage.state.observations if found.criterion == index]
        said = "; ".join(f"{a.seen} {a.where}".strip() for a in answers)
        return m.CriterionAsked(
            index=index,
            kind="no-visible-leakage",
            words=words.asked(criterion),
            look_at=criterion.look_at,
            limit="none",
            answer=said,
        )
    assert isinstance(criterion, LargestLeakageRate)
    state = stage.state
    taken = [volume for found in state.collections for volume in (*(r.volume for r in found.readings), found.volume)]
    taken += [found.volume for found in state.vessel_read]
    read = [str(volume) for volume in taken if volume is not None]
    return m.CriterionAsked(
        index=index,
        kind="largest-leakage-rate",
        words=words.asked(criterion),
        limit=words.limit_in_words(criterion),
        counted=criterion.counted.what if criterion.counted else "",
        answer="; ".join(read),
    )
