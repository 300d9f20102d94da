"""How a stage goes on: ``advance(state, event)`` gives the next state and what happened.

Nothing in here reads a clock. The hold is timed on sample stamps: it starts at the sample that made the pressure
steady and ends at the first sample that lies the hold time later. The laws kept here:

* the hold counts only while every sample lies within [acceptance, upper] and no gap is longer than allowed;
* below the acceptance limit, or after such a gap, it starts again from zero and the record says so;
* above the upper limit the stage trips;
* a stage closes only when pressure was seen released, or the signal was lost for good.
"""

from dataclasses import dataclass, replace

from testbench.errors import ObservationRefusedError, RequestRefusedError
from testbench.procedure.criteria import LargestLeakageRate, VisualCriterion
from testbench.procedure.requirements import StageRequirement
from testbench.quantities import Volume
from testbench.run.machine import ENDINGS, TRANSITIONS, Ending, Event, Phase
from testbench.run.observations import Collection, Observation, Seen
from testbench.run.samples import TICKS_PER_S, GapReason, Sample, Thresholds, to_s
from testbench.run.state import Action, Happening, StageState

__all__ = ["Action", "Happening", "Stage", "StageState"]


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage's rules: what is required and the limits in counts."""

    requirement: StageRequirement
    thresholds: Thresholds

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

    def owes_collection(self, state: StageState) -> bool:
        """Whether something still has to be caught."""
        return self.collected is not None and not state.collections

    def owes_volume(self, state: StageState) -> bool:
        """Whether a caught volume still has to be read."""
        return any(collection.volume is None for collection in state.collections)

    def possible(self, state: StageState) -> tuple[Action, ...]:
        """What the operator may ask for now, the likeliest first."""
        row, holding = TRANSITIONS[state.phase], state.phase is Phase.HOLDING
        catching = state.collecting_since is not None
        fits = {
            Action.VENT_CLOSED: Event.VENT_CLOSED in row,
            Action.COLLECTION_ENDED: holding and catching,
            Action.COLLECTION_STARTED: holding and not catching and self.owes_collection(state),
            Action.COLLECTED: (holding or state.phase is Phase.OBSERVING) and self.owes_volume(state),
            Action.OBSERVE: state.phase in _UNDER_PRESSURE and bool(self.owed_observations(state)),
            Action.CONCLUDE: Event.CONCLUDED in row and _leakage_seen(state),
            Action.VENT_AGAIN: Event.VENT_AGAIN in row,
            Action.STOP: Event.STOPPED in row,
        }
        return tuple(action for action, offered in fits.items() if offered)

    # Samples and silence -------------------------------------------------------------------------

    def sample(
        self, state: StageState, sample: Sample, change_bound_per_s: float | None
    ) -> tuple[StageState, list[Happening]]:
        """Take the newest sample.

        Args:
            state: where the stage stands.
            sample: the reading.
            change_bound_per_s: |slope| + 1.645 u over the stabilization window [counts/s], None if not yet known.
        """
        happened: list[Happening] = []
        if state.last is not None and self._too_long(state.last, sample.at):
            state = self._broken(state, sample.at, sample.at - state.last, happened)
        state = replace(state, last=sample.at, counts=sample.counts)
        for event in self._events_of(state, sample):
            state = self._apply(state, event, sample.at, happened)
        state = self._track_steadiness(state, sample, change_bound_per_s, happened)
        return state, happened

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

    def _too_long(self, since: int, until: int) -> bool:
        return until - since > self.requirement.longest_gap_s * TICKS_PER_S

    def _broken(self, state: StageState, at: int, ticks: int, happened: list[Happening]) -> StageState:
        if state.phase is Phase.OBSERVING and not self.owed_observations(state):
            return state
        held = state.phase in {Phase.HOLDING, Phase.OBSERVING}
        again = "the hold starts again from zero" if held else "steadiness is waited for again"
        sentence = (
            f"Nothing was read for {to_s(ticks):.1f} s, at most {self.requirement.longest_gap_s} s is allowed; {again}."
        )
        return self._apply(state, Event.SIGNAL_BROKEN, at, happened, sentence)

    def _events_of(self, state: StageState, sample: Sample) -> list[Event]:
        limits = self.thresholds
        if sample.counts > limits.upper:
            return [] if state.ending is Ending.TRIPPED else [Event.EXCEEDED]
        events = []
        if sample.counts >= limits.acceptance:
            events.append(Event.REACHED)
        elif state.phase is not Phase.OBSERVING or self.owed_observations(state):
            # Whoever still has to look must see the valve at pressure; a volume can be read at leisure.
            events.append(Event.FELL_BELOW)
        if sample.counts <= limits.safe:
            events.append(Event.RELEASED)
        if state.phase is Phase.HOLDING and self._hold_is_over(state, sample.at):
            events.append(Event.HOLD_ELAPSED)
        return events

    def _hold_is_over(self, state: StageState, at: int) -> bool:
        assert state.hold_since is not None
        elapsed = at - state.hold_since >= self.requirement.hold_s * TICKS_PER_S
        # While something is still being caught the hold goes on: the collection lies within the hold. A sample
        # that arrived before the vessel was taken away does not end it, though it may be handled after.
        caught = all(collection.until <= at for collection in state.collections)
        return elapsed and state.collecting_since is None and not self.owes_collection(state) and caught

    def _track_steadiness(
        self,
        state: StageState,
        sample: Sample,
        change_bound_per_s: float | None,
        happened: list[Happening],
    ) -> StageState:
        if state.phase is not Phase.STABILIZING:
            return state
        rule = self.requirement.stabilization
        limit_per_s = float(self.thresholds.change_per_min) / 60
        if change_bound_per_s is None or not change_bound_per_s <= limit_per_s:  # NaN is not steady
            state = replace(state, steady_since=None)
            return self._advise(state, sample.at, change_bound_per_s, happened)
        if state.steady_since is None:
            state = replace(state, steady_since=sample.at)
        assert state.steady_since is not None
        if sample.at - state.steady_since >= rule.dwell_s * TICKS_PER_S:
            return self._apply(state, Event.STEADY, sample.at, happened)
        return state

    def _advise(
        self,
        state: StageState,
        at: int,
        change_bound_per_s: float | None,
        happened: list[Happening],
    ) -> StageState:
        waited = at - state.since
        if state.advised or waited <= self.requirement.stabilization.advise_after_s * TICKS_PER_S:
            return state
        sentence = (
            f"Not steady after {to_s(waited):.0f} s. Air may be trapped: release, vent again and raise again; "
            f"or wait if the water is still warming up."
        )
        happened.append(Happening(at, "advice", sentence))
        return replace(state, advised=True)

    # Requests ------------------------------------------------------------------------------------

    def request(
        self, state: StageState, action: Action, at: int, *, reason: str = ""
    ) -> tuple[StageState, list[Happening]]:
        """Carry out a request that carries no finding: vent closed, vent again, stop, collection start and end.

        Raises:
            RequestRefusedError: the request does not fit the phase.
        """
        self._check_possible(state, action)
        happened: list[Happening] = []
        match action:
            case Action.VENT_CLOSED:
                state = self._apply(state, Event.VENT_CLOSED, at, happened)
            case Action.VENT_AGAIN:
                state = self._apply(state, Event.VENT_AGAIN, at, happened)
            case Action.CONCLUDE:
                state = self._apply(state, Event.CONCLUDED, at, happened)
            case Action.STOP:
                sentence = f"Stopped by the operator: {reason or 'no reason given'}."
                state = self._apply(state, Event.STOPPED, at, happened, sentence)
            case Action.COLLECTION_STARTED:
                state = self._start_collection(state, at, happened)
            case Action.COLLECTION_ENDED:
                state = self._end_collection(state, at, happened)
            case _:
                raise RequestRefusedError(action, state.phase, self.possible(state))
        return state, happened

    def observe(self, state: StageState, observation: Observation) -> tuple[StageState, list[Happening]]:
        """Record the operator's answer to a visual criterion.

        "No leakage" can be said only after the hold; leakage can be said as soon as it is seen under pressure.

        Raises:
            RequestRefusedError: the stage is not under pressure.
            ObservationRefusedError: wrong criterion, too early, or no place given for a leak.
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
        place = f" at {observation.where}" if observation.where else ""
        happened = [Happening(observation.at, "observation", f"Observed: {observation.seen}{place}.")]
        state = replace(state, observations=(*state.observations, observation))
        return self._finish_if_all_observed(state, observation.at, happened), happened

    def read_volume(self, state: StageState, at: int, collection: Collection) -> tuple[StageState, list[Happening]]:
        """Record the volume that was caught in the newest collection.

        Raises:
            RequestRefusedError: no volume is owed.
            ObservationRefusedError: the volume is negative or has no uncertainty.
        """
        self._check_possible(state, Action.COLLECTED)
        nothing = Volume.zero("mL")
        if collection.volume is None or collection.volume < nothing:
            raise ObservationRefusedError(f"volume is {collection.volume}", "it must be 0 or more")
        if collection.volume_uncertainty is None or collection.volume_uncertainty <= nothing:
            raise ObservationRefusedError(
                "no uncertainty of the volume was given", "say how well the vessel can be read"
            )
        newest = state.collections[-1]
        read = collection.model_copy(update={"since": newest.since, "until": newest.until})
        state = replace(state, collections=(*state.collections[:-1], read))
        seconds = to_s(newest.until - newest.since)
        happened = [Happening(at, "volume read", f"Collected {collection.volume} in {seconds:.1f} s.")]
        return self._finish_if_all_observed(state, at, happened), happened

    def _check_possible(self, state: StageState, action: Action) -> None:
        if action not in self.possible(state):
            raise RequestRefusedError(action, state.phase, self.possible(state))

    def _start_collection(self, state: StageState, at: int, happened: list[Happening]) -> StageState:
        assert self.collected is not None
        assert state.hold_since is not None
        settled = state.hold_since + self.collected.settle_s * TICKS_PER_S
        if at < settled:
            raise ObservationRefusedError(
                f"collecting was started {to_s(at - state.hold_since):.1f} s into the hold",
                f"let it drain for {self.collected.settle_s} s first",
            )
        happened.append(Happening(at, "collection started", "Collecting at the open side."))
        return replace(state, collecting_since=at)

    def _end_collection(self, state: StageState, at: int, happened: list[Happening]) -> StageState:
        assert self.collected is not None
        assert state.collecting_since is not None
        seconds = to_s(at - state.collecting_since)
        if seconds < self.collected.collect_s:
            raise ObservationRefusedError(
                f"collected for {seconds:.1f} s",
                f"collect for at least {self.collected.collect_s} s",
            )
        happened.append(Happening(at, "collection ended", f"Collected for {seconds:.1f} s."))
        caught = Collection(since=state.collecting_since, until=at)
        return replace(state, collecting_since=None, collections=(*state.collections, caught))

    def _finish_if_all_observed(self, state: StageState, at: int, happened: list[Happening]) -> StageState:
        owed = self.owed_observations(state) or self.owes_volume(state) or self.owes_collection(state)
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
        before, state = state, _moved(state, event, after, at)
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
                return f"The hold of {stage.hold_s} s is complete."
            case _:
                return f"{event.value[0].upper()}{event.value[1:]}."


_UNDER_PRESSURE = {Phase.PRESSURIZING, Phase.STABILIZING, Phase.HOLDING, Phase.OBSERVING}
_HOLD_MAY_FOLLOW = {Phase.PRESSURIZING, Phase.RELEASING_TO_VENT}
"""Where a broken-off hold goes when another is to follow; elsewhere the stage is over and nothing starts again."""


def _leakage_seen(state: StageState) -> bool:
    return any(observation.seen is Seen.LEAKAGE for observation in state.observations)


def _moved(state: StageState, event: Event, after: Phase, at: int) -> StageState:
    """The state after a transition, before its ending is noted."""
    state = replace(state, phase=after, since=at, steady_since=None, advised=False)
    if event is Event.STEADY:
        return replace(state, hold_since=at, hold_until=None)
    if event is Event.HOLD_ELAPSED:
        return replace(state, hold_until=at)
    broken_off = state.hold_until is None or after in _HOLD_MAY_FOLLOW
    if state.hold_since is not None and broken_off:
        # A hold that did not come to its end counts for nothing, and neither does what was seen in it:
        # except leakage, which stays seen.
        kept = tuple(seen for seen in state.observations if seen.seen is Seen.LEAKAGE)
        return replace(
            state,
            hold_since=None,
            hold_until=None,
            restarts=state.restarts + (after in _HOLD_MAY_FOLLOW),
            collecting_since=None,
            collections=(),
            observations=kept,
        )
    return state
