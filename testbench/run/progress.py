"""How a stage goes on: ``advance(state, event)`` gives the next state and what happened.

Nothing in here reads a clock. The hold is timed on sample stamps: it starts at the sample that made the pressure
steady and ends at the first sample that lies the hold time later, asked for where it was asked for. The laws kept here:

* the hold counts only while every sample lies within [acceptance, upper] and no gap is longer than allowed;
* below the acceptance limit, or after such a gap, it starts again from zero and the record says so;
* above the upper limit the stage trips;
* a stage closes only when pressure was seen released, or the signal was lost for good.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from testbench.errors import ObservationRefusedError, RequestRefusedError
from testbench.metrology.trend import Slope
from testbench.procedure.criteria import LargestLeakageRate, VisualCriterion
from testbench.procedure.requirements import StageRequirement
from testbench.run.caught import Together
from testbench.run.collecting import Collecting, owes_volume
from testbench.run.decaying import Decaying, LookBack
from testbench.run.machine import ENDINGS, TRANSITIONS, Ending, Event, Phase
from testbench.run.moves import moved
from testbench.run.observations import Collection, Observation, Seen, of_the_rig
from testbench.run.samples import TICKS_PER_S, GapReason, Sample, Thresholds, Trace, to_s
from testbench.run.state import Action, Happening, StageState, Undecided
from testbench.run.steadying import Steadying

__all__ = ["Action", "Happening", "Stage", "StageState"]


def _nothing_wrong() -> tuple[str, ...]:
    return ()


def _no_samples() -> Trace:
    return Trace.of([])


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage's rules: what is required and the limits in counts."""

    requirement: StageRequirement
    thresholds: Thresholds
    decaying: Decaying | None = None
    """What is to be said of the decay of the pressure; None: nothing."""

    # What is still owed --------------------------------------------------------------------------

    def owed_observations(self, state: StageState) -> tuple[int, ...]:
        """Indices of the visual criteria that have no answer yet."""
        answered = {observation.criterion for observation in state.observations}
        return tuple(
            index
            for index, criterion in enumerate(self.requirement.criteria)
            if isinstance(criterion, VisualCriterion) and index not in answered
        )

    @property
    def collected(self) -> LargestLeakageRate | None:
        """The collected criterion, where the stage has one."""
        for criterion in self.requirement.criteria:
            if isinstance(criterion, LargestLeakageRate):
                return criterion
        return None

    @property
    def collecting(self) -> Collecting | None:
        """How its leakage is caught."""
        return None if self.collected is None else Collecting(self.collected, self.requirement.decision_rule)

    @property
    def steadying(self) -> Steadying:
        """When its hold may begin."""
        return Steadying(self.requirement.stabilization, self.thresholds)

    def owes_collection(self, state: StageState) -> bool:
        """Whether something still has to be caught."""
        return self.collecting is not None and self.collecting.is_owed(state)

    def undecided(self, state: StageState) -> Together | Undecided | None:
        """The decay, or what was collected, where it decides nothing and the hold can be extended."""
        if state.decay_undecided is not None and not state.left_level and not state.left_undecided:
            return state.decay_undecided
        return None if self.collecting is None else self.collecting.undecided(state)

    def hold_s(self, state: StageState) -> int:
        """How long the hold must last [s]."""
        return self.requirement.hold_s if state.decay_s is None else state.decay_s

    def possible(self, state: StageState) -> tuple[Action, ...]:
        """What the operator may ask for now, the likeliest first."""
        row, holding = TRANSITIONS[state.phase], state.phase is Phase.HOLDING
        catching = state.collecting_since is not None
        undecided = state.phase in _AFTER_STEADY and self.undecided(state) is not None
        fits = {
            Action.VENT_CLOSED: Event.VENT_CLOSED in row,
            Action.COLLECTION_ENDED: holding and catching,
            Action.COLLECTION_STARTED: holding and not catching and self.owes_collection(state),
            Action.COLLECTED: state.phase in _AFTER_STEADY and owes_volume(state),
            Action.EXTEND: undecided,
            Action.LEAVE_UNDECIDED: undecided,
            Action.VESSEL_READ: holding and catching and not owes_volume(state),
            Action.OBSERVE: state.phase in _UNDER_PRESSURE and bool(self.owed_observations(state)),
            Action.DRAWN_OFF: Event.BLED in row,
            Action.LEAVE_C: Event.BLEED_LEFT in row,
            Action.MEASURE_C: Event.BLEED in row and self.decaying is not None and self.decaying.bleeding is not None,
            Action.CONCLUDE: Event.CONCLUDED in row and _leakage_seen(state),
            Action.VENT_AGAIN: Event.VENT_AGAIN in row,
            Action.RIG_LEAK: state.phase in _UNDER_PRESSURE and not _leakage_seen(state),
            Action.STOP: Event.STOPPED in row,
        }
        return tuple(action for action, offered in fits.items() if offered)

    # Samples and silence -------------------------------------------------------------------------

    def sample(
        self,
        state: StageState,
        sample: Sample,
        slope: Slope | None,
        signal_faults: Callable[[], tuple[str, ...]] = _nothing_wrong,
        look_back: LookBack = _no_samples,
        *,
        elsewhere: bool = False,
    ) -> tuple[StageState, list[Happening]]:
        """Take the newest sample.

        Args:
            state: where the stage stands.
            sample: the reading.
            slope: over the stabilization window [counts/s], None while that is not full.
            signal_faults: asked when the hold would be over: why it is void for the state of its signal.
            look_back: gives all samples of the stage, this one included; asked only where they are needed.
            elsewhere: whether a channel that this one is compared with still reads pressure: then none was released.
        """
        happened: list[Happening] = []
        if state.last is not None and self._too_long(state.last, sample.at):
            state = self._broken(state, sample.at, sample.at - state.last, happened)
        state = replace(state, last=sample.at, counts=sample.counts)
        for event in self._events_of(state, sample, elsewhere=elsewhere):
            if event is Event.HOLD_ELAPSED and (faults := signal_faults()):
                said = f"The hold is void and starts again from zero: {'; '.join(faults)}."
                state = self._apply(state, Event.HOLD_VOID, sample.at, happened, said)
                continue
            weighed: list[Happening] = []
            if event is Event.HOLD_ELAPSED and self.decaying is not None:
                state, weighed = self.decaying.weighed(state, sample.at, look_back)
            state = self._apply(state, event, sample.at, happened)
            happened.extend(weighed)
        if state.phase is Phase.OBSERVING and sample.counts < self.thresholds.acceptance:
            state = self._left_level(state, sample.at, happened)
        state, advice = self.steadying.tracked(state, sample.at, slope)
        happened.extend(advice)
        if self.steadying.is_over(state):
            state = self._apply(state, Event.STEADY, sample.at, happened)
        if self.decaying is not None:
            state, seen = self.decaying.seen(state, sample, look_back)
            happened.extend(seen)
        return state, happened

    def _left_level(self, state: StageState, at: int, happened: list[Happening]) -> StageState:
        """The hold can no longer be extended; if that was all that was waited for, the stage goes on to its end."""
        return self._finish_if_all_observed(replace(state, left_level=True), at, happened)

    def silence(self, state: StageState, now: int, reason: GapReason) -> tuple[StageState, list[Happening]]:
        """Say that there is no usable reading at this moment."""
        happened: list[Happening] = []
        silent_since = state.last if state.last is not None else state.since
        state = replace(state, counts=None)
        if now - silent_since > self.requirement.lost_after_s * TICKS_PER_S:
            sentence = (
                f"No reading for {to_s(now - silent_since):.0f} s, at most "
                f"{self.requirement.lost_after_s} s is allowed: {reason}."
            )
            state = self._apply(state, Event.SIGNAL_LOST, now, happened, sentence)
        elif self._too_long(silent_since, now):
            state = self._broken(state, now, now - silent_since, happened)
        return state, happened

    def out_of_range(self, state: StageState, at: int, *, above: bool) -> tuple[StageState, list[Happening]]:
        """Say that a reading lay outside the transmitter's range.

        Above it the pressure may have been anything: the stage trips. Below it the reading is a fault, and a hold with
        a fault in it starts again.
        """
        happened: list[Happening] = []
        if above and state.ending is Ending.TRIPPED:
            return state, happened
        event = Event.EXCEEDED if above else Event.SIGNAL_BROKEN
        side = "above its range; an engineer must look at this valve" if above else "below its range"
        sentence = f"The transmitter read {side}."
        return self._apply(replace(state, counts=None), event, at, happened, sentence), happened

    def jumped(
        self, state: StageState, at: int, reason: GapReason = GapReason.JUMPED
    ) -> tuple[StageState, list[Happening]]:
        """Say that the reading changed faster than pressure on this rig can, or that nobody was there to read it.

        A hold with that in it begins again.
        """
        happened: list[Happening] = []
        if state.phase is Phase.OBSERVING and not self.owed_observations(state):
            return self._left_level(state, at, happened), happened
        sentence = f"{reason[0].upper()}{reason[1:]}; steadiness is waited for again."
        return self._apply(state, Event.SIGNAL_BROKEN, at, happened, sentence), happened

    def disagreed(self, state: StageState, at: int, sentence: str) -> tuple[StageState, list[Happening]]:
        """Say that two pressure channels disagree: nobody knows the pressure, and the stage trips."""
        happened: list[Happening] = []
        said = f"{sentence}; an engineer must look at this bench."
        return self._apply(state, Event.DISAGREED, at, happened, said), happened

    def not_compared(self, state: StageState, at: int, tag: str) -> tuple[StageState, list[Happening]]:
        """Say that a channel that must be compared is silent: what was not compared counts for nothing."""
        happened: list[Happening] = []
        if state.phase not in _AFTER_STEADY:
            return state, happened
        if state.phase is Phase.OBSERVING and not self.owed_observations(state):
            return self._left_level(state, at, happened), happened
        sentence = (
            f"{tag} gave no reading to compare for longer than {self.requirement.longest_gap_s} s; "
            "the hold starts again from zero."
        )
        return self._apply(state, Event.SIGNAL_BROKEN, at, happened, sentence), happened

    def _too_long(self, since: int, until: int) -> bool:
        return until - since > self.requirement.longest_gap_s * TICKS_PER_S

    def _broken(self, state: StageState, at: int, ticks: int, happened: list[Happening]) -> StageState:
        if state.phase is Phase.OBSERVING and not self.owed_observations(state):
            return self._left_level(state, at, happened)
        held = state.phase in {Phase.HOLDING, Phase.OBSERVING}
        again = "the hold starts again from zero" if held else "steadiness is waited for again"
        sentence = (
            f"Nothing was read for {to_s(ticks):.1f} s, at most {self.requirement.longest_gap_s} s is allowed; {again}."
        )
        return self._apply(state, Event.SIGNAL_BROKEN, at, happened, sentence)

    def _events_of(self, state: StageState, sample: Sample, *, elsewhere: bool) -> list[Event]:
        limits = self.thresholds
        if sample.counts > limits.upper:
            return [] if state.ending is Ending.TRIPPED else [Event.EXCEEDED]
        events = []
        if sample.counts >= limits.acceptance:
            events.append(Event.REACHED)
        elif state.phase is not Phase.OBSERVING or self.owed_observations(state):
            # Whoever still has to look must see the valve at pressure; a volume can be read at leisure.
            events.append(Event.FELL_BELOW)
        if sample.counts <= limits.safe and not elsewhere:
            events.append(Event.RELEASED)
        if state.phase is Phase.HOLDING and self._hold_is_over(state, sample):
            events.append(Event.HOLD_ELAPSED)
        return events

    def _hold_is_over(self, state: StageState, sample: Sample) -> bool:
        assert state.hold_since is not None
        # It began when the answer that showed a steady pressure was complete, and ends with one whose query went out
        # late enough: whenever the two were measured in between, they lie the hold apart.
        elapsed = sample.earliest - state.hold_since >= self.hold_s(state) * TICKS_PER_S
        # While something is still being caught the hold goes on: the collection lies within the hold. A sample
        # that arrived before the vessel was taken away does not end it, though it may be handled after.
        caught = all(collection.until <= sample.at for collection in state.collections)
        return elapsed and state.collecting_since is None and not self.owes_collection(state) and caught

    # Requests ------------------------------------------------------------------------------------

    def request(
        self,
        state: StageState,
        action: Action,
        at: int,
        *,
        reason: str = "",
        look_back: LookBack = _no_samples,
    ) -> tuple[StageState, list[Happening]]:
        """Carry out a request that carries no finding.

        Raises:
            RequestRefusedError: the request does not fit the phase.
            MarkRefusedError: the pressure beside a drawn volume cannot be read.
            PressureMovesError: it does not stand still yet.
            LossNotSeenError: none was lost.
        """
        self._check_possible(state, action)
        happened: list[Happening] = []
        match action:
            case Action.VENT_CLOSED | Action.VENT_AGAIN | Action.CONCLUDE | Action.LEAVE_C:
                state = self._apply(state, _PLAIN[action], at, happened)
            case Action.STOP:
                sentence = f"Stopped by the operator: {reason or 'no reason given'}."
                state = self._apply(state, Event.STOPPED, at, happened, sentence)
            case Action.COLLECTION_STARTED | Action.COLLECTION_ENDED | Action.VESSEL_READ:
                assert self.collecting is not None
                return self.collecting.carry_out(state, action, at)
            case Action.MEASURE_C | Action.DRAWN_OFF:
                assert self.decaying is not None
                state, event, happened = self.decaying.drawn_off(state, action, at, look_back)
                if event is not None:
                    state = self._apply(state, event[0], at, happened, event[1])
            case Action.EXTEND:
                state = self._extend(state, at, happened)
            case Action.LEAVE_UNDECIDED:
                happened.append(Happening(at, "left undecided", "The leakage is left undecided by the operator."))
                state = self._finish_if_all_observed(replace(state, left_undecided=True), at, happened)
            case _:
                raise RequestRefusedError(action, state.phase, self.possible(state))
        return state, happened

    def observe(self, state: StageState, observation: Observation) -> tuple[StageState, list[Happening]]:
        """Record the operator's answer to a visual criterion.

        "No leakage" can be said only after the hold; leakage can be said as soon as it is seen under pressure.

        Raises:
            RequestRefusedError: the stage is not under pressure.
            ObservationRefusedError: wrong criterion, too early, no place given for a leak, or one of the rig.
        """
        self._check_possible(state, Action.OBSERVE)
        if observation.criterion not in self.owed_observations(state):
            raise ObservationRefusedError(
                f"criterion {observation.criterion} asks for no answer now",
                f"asked for: {', '.join(map(str, self.owed_observations(state)))}",
            )
        if observation.seen is Seen.NO_LEAKAGE and state.phase is not Phase.OBSERVING:
            raise ObservationRefusedError(
                f"'no leakage' was said while {state.phase}",
                "it can be said once the hold is over",
            )
        if observation.seen is Seen.LEAKAGE and not observation.where.strip():
            raise ObservationRefusedError("no place was given", "say where the leakage was seen")
        if observation.seen is Seen.LEAKAGE and of_the_rig(observation.where):
            raise ObservationRefusedError(
                f"'{observation.where.strip()}' is a place of the rig, not of the valve",
                f"a leak there is said with '{Action.RIG_LEAK}', and voids the stage",
            )
        place = f" at {observation.where}" if observation.where else ""
        happened = [Happening(observation.at, "observation", f"Observed: {observation.seen}{place}.")]
        state = replace(state, observations=(*state.observations, observation))
        return self._finish_if_all_observed(state, observation.at, happened), happened

    def rig_leaked(self, state: StageState, at: int, where: str) -> tuple[StageState, list[Happening]]:
        """Record that the rig leaks: the stage is void, and the valve is not judged by it.

        Once leakage of the valve was said it stays said, and no leak of the rig takes it back.

        Raises:
            RequestRefusedError: the stage is not under pressure, or leakage of the valve was seen.
            ObservationRefusedError: no place was given.
        """
        self._check_possible(state, Action.RIG_LEAK)
        if not where.strip():
            raise ObservationRefusedError("no place was given", "say where the rig leaks")
        happened: list[Happening] = []
        sentence = f"The rig leaked at the {where.strip()}; nothing is shown about the valve."
        return self._apply(replace(state, rig_leak=where.strip()), Event.STOPPED, at, happened, sentence), happened

    def read_volume(self, state: StageState, at: int, collection: Collection) -> tuple[StageState, list[Happening]]:
        """Record the volume that was caught in the newest collection.

        Raises:
            RequestRefusedError: no volume is owed.
            ObservationRefusedError: the volume is negative or has no uncertainty.
        """
        self._check_possible(state, Action.COLLECTED)
        assert self.collecting is not None
        state, happened = self.collecting.read_volume(state, at, collection)
        return self._finish_if_all_observed(state, at, happened), happened

    def _check_possible(self, state: StageState, action: Action) -> None:
        if action not in self.possible(state):
            raise RequestRefusedError(action, state.phase, self.possible(state))

    def _extend(self, state: StageState, at: int, happened: list[Happening]) -> StageState:
        """Ask for one more collection within the same hold; where it was over already, it goes on."""
        if state.decay_undecided is not None and self.decaying is not None:
            state, said = self.decaying.extended(state)
            return self._apply(state, Event.EXTENDED, at, happened, said)
        state = replace(state, collections_asked=state.collections_asked + 1)
        if state.phase is Phase.OBSERVING:
            return self._apply(state, Event.EXTENDED, at, happened, "The hold goes on: collect again.")
        happened.append(Happening(at, Event.EXTENDED, "Collect again within this hold."))
        return state

    def _finish_if_all_observed(self, state: StageState, at: int, happened: list[Happening]) -> StageState:
        owed = (
            self.owed_observations(state)
            or owes_volume(state)
            or self.owes_collection(state)
            or self.undecided(state) is not None
        )
        if state.phase is Phase.OBSERVING and not owed:
            return self._apply(state, Event.OBSERVED, at, happened)
        return state

    # The table applied ---------------------------------------------------------------------------

    def _apply(
        self,
        state: StageState,
        event: Event,
        at: int,
        happened: list[Happening],
        sentence: str = "",
    ) -> StageState:
        after = TRANSITIONS[state.phase].get(event)
        if after is None:
            return state
        before, state = state, moved(state, event, after, at)
        if self.collecting is not None and not state.collections and (shown := self.collecting.exceeding(before)):
            state = replace(state, exceeded=shown)
        if event in ENDINGS and (state.ending is None or event is Event.EXCEEDED):
            state = replace(state, ending=ENDINGS[event], reason=sentence or self._reason(event, before))
        happened.append(Happening(at, event, sentence or self._sentence(event, before)))
        if after is Phase.OBSERVING:
            state = self._finish_if_all_observed(state, at, happened)
        return state

    def _reason(self, event: Event, before: StageState) -> str:
        return "" if ENDINGS[event] is Ending.COMPLETED else self._sentence(event, before)

    def _sentence(self, event: Event, before: StageState) -> str:
        stage = self.requirement
        match event:
            case Event.FELL_BELOW if before.phase is Phase.OBSERVING:
                return "Pressure fell before anybody said what was seen; the hold starts again from zero."
            case Event.FELL_BELOW if before.phase is Phase.HOLDING:
                return "Pressure fell below the acceptance limit; the hold starts again from zero."
            case Event.EXCEEDED:
                return (
                    f"Pressure rose above the upper limit of {stage.upper_limit}; an engineer must look at this valve."
                )
            case Event.STEADY:
                return f"Steady; the hold of {stage.hold_s} s begins."
            case Event.HOLD_ELAPSED:
                return f"The hold of {self.hold_s(before)} s is complete."
            case _:
                return f"{event.value[0].upper()}{event.value[1:]}."


_PLAIN = {
    Action.VENT_CLOSED: Event.VENT_CLOSED,
    Action.VENT_AGAIN: Event.VENT_AGAIN,
    Action.CONCLUDE: Event.CONCLUDED,
    Action.LEAVE_C: Event.BLEED_LEFT,
}
_AFTER_STEADY = {Phase.HOLDING, Phase.OBSERVING}
_UNDER_PRESSURE = {Phase.PRESSURIZING, Phase.STABILIZING, Phase.BLEEDING, Phase.HOLDING, Phase.OBSERVING}


def _leakage_seen(state: StageState) -> bool:
    return any(observation.seen is Seen.LEAKAGE for observation in state.observations)
