"""How leakage is caught within a hold: the vessel is put under, read, taken away; and again, where that told nothing.

Pure: what is asked for goes in with the state of the stage, the next state comes out.
"""

from dataclasses import dataclass, replace

from testbench.errors import ObservationRefusedError
from testbench.metrology.decision_rule import Conformity, DecisionRule
from testbench.procedure.criteria import LargestLeakageRate
from testbench.quantities import Volume
from testbench.run.caught import Together, deciding, weigh
from testbench.run.leakage import contradiction_in_words
from testbench.run.observations import Collection, VesselRead
from testbench.run.samples import TICKS_PER_S, to_s
from testbench.run.state import Action, Happening, StageState


def owes_volume(state: StageState) -> bool:
    """Whether the vessel was read, or taken away, and nobody has said yet what it held."""
    kept = [read.volume for collection in state.collections for read in collection.readings]
    read = [found.volume for found in state.vessel_read]
    return None in [*read, *kept, *(collection.volume for collection in state.collections)]


@dataclass(frozen=True, slots=True)
class Collecting:
    """The collected criterion of a stage and the rule it is decided by."""

    criterion: LargestLeakageRate
    rule: DecisionRule

    def is_owed(self, state: StageState) -> bool:
        """Whether something still has to be caught."""
        return len(state.collections) < state.collections_asked

    def undecided(self, state: StageState) -> Together | None:
        """What was collected where it decides nothing and the hold can be extended for more; None else.

        What contradicts itself is not open: nothing that is collected afterwards mends it.
        """
        found = self._standing(state)
        if found is None or found.contradicting is not None:
            return None
        return found if found.conformity is Conformity.WITHIN_GUARD_BAND else None

    def _standing(self, state: StageState) -> Together | None:
        """What was collected so far; None where there is nothing, something is owed, or the hold cannot go on."""
        if not state.collections or state.left_level or state.left_undecided:
            return None
        if owes_volume(state) or self.is_owed(state) or state.collecting_since is not None:
            return None
        weighed = [weigh(collection, self.criterion, self.rule) for collection in state.collections]
        caught = [found for found in weighed if found is not None]
        return deciding(caught, self.criterion, self.rule) if caught else None

    def exceeding(self, state: StageState) -> tuple[Collection, ...]:
        """What was collected in a hold where it shows that the limit is not met; nothing else."""
        weighed = [weigh(collection, self.criterion, self.rule) for collection in state.collections]
        caught = [found for found in weighed if found is not None]
        if not caught:
            return ()
        found = deciding(caught, self.criterion, self.rule)
        exceeds = found.conformity is Conformity.DOES_NOT_CONFORM
        return tuple(one.collection for one in found.caught) if exceeds else ()

    def carry_out(self, state: StageState, action: Action, at: int) -> tuple[StageState, list[Happening]]:
        """Put the vessel under, read it, or take it away.

        Raises:
            ObservationRefusedError: too early.
        """
        return {
            Action.COLLECTION_STARTED: self._start,
            Action.VESSEL_READ: self._read,
            Action.COLLECTION_ENDED: self._end,
        }[action](state, at)

    def _start(self, state: StageState, at: int) -> tuple[StageState, list[Happening]]:
        assert state.hold_since is not None
        if at < state.hold_since + self.criterion.settle_s * TICKS_PER_S:
            raise ObservationRefusedError(
                f"collecting was started {to_s(at - state.hold_since):.1f} s into the hold",
                f"let it drain for {self.criterion.settle_s} s first",
            )
        return replace(state, collecting_since=at), [
            Happening(at, "collection started", "Collecting at the open side.")
        ]

    @staticmethod
    def _read(state: StageState, at: int) -> tuple[StageState, list[Happening]]:
        said = Happening(at, "vessel read", "The vessel is read where it stands.")
        return replace(state, vessel_read=(*state.vessel_read, VesselRead(at=at))), [said]

    def _end(self, state: StageState, at: int) -> tuple[StageState, list[Happening]]:
        assert state.collecting_since is not None
        seconds = to_s(at - state.collecting_since)
        if seconds < self.criterion.collect_s:
            raise ObservationRefusedError(
                f"collected for {seconds:.1f} s",
                f"collect for at least {self.criterion.collect_s} s",
            )
        caught = Collection(since=state.collecting_since, until=at, readings=state.vessel_read)
        state = replace(state, collecting_since=None, vessel_read=(), collections=(*state.collections, caught))
        return state, [Happening(at, "collection ended", f"Collected for {seconds:.1f} s.")]

    def read_volume(self, state: StageState, at: int, said: Collection) -> tuple[StageState, list[Happening]]:
        """Put what the operator said where the first volume is missing.

        Raises:
            ObservationRefusedError: the volume is negative or has no uncertainty.
        """
        nothing = Volume.zero("mL")
        if said.volume is None or said.volume < nothing:
            raise ObservationRefusedError(f"volume is {said.volume}", "it must be 0 or more")
        if said.volume_uncertainty is None or said.volume_uncertainty <= nothing:
            raise ObservationRefusedError(
                "no uncertainty of the volume was given", "say how well the vessel can be read"
            )
        state, seconds = _with_volume(state, said)
        happened = [Happening(at, "volume read", f"Collected {said.volume} in {seconds:.1f} s.")]
        found = self._standing(state)
        if found is not None and found.contradicting is not None:
            happened.append(Happening(at, "undecided", contradiction_in_words(found)))
        elif found is not None and found.conformity is Conformity.WITHIN_GUARD_BAND:
            advice = found.advice[0].upper() + found.advice[1:]
            sentence = f"{advice}. Extend the hold and collect again, or leave it undecided."
            happened.append(Happening(at, "undecided", sentence))
        return state, happened


def _with_volume(state: StageState, said: Collection) -> tuple[StageState, float]:
    """The state with one volume more, and how long the vessel had been filling when it was read [s]."""
    if state.vessel_read and state.vessel_read[-1].volume is None:
        read = state.vessel_read[-1].model_copy(update={"volume": said.volume, "instrument": said.instrument})
        assert state.collecting_since is not None
        return replace(state, vessel_read=(*state.vessel_read[:-1], read)), to_s(read.at - state.collecting_since)
    newest = state.collections[-1]
    if newest.readings and newest.readings[-1].volume is None:
        read = newest.readings[-1].model_copy(update={"volume": said.volume, "instrument": said.instrument})
        caught, until = newest.model_copy(update={"readings": (*newest.readings[:-1], read)}), read.at
    else:
        kept = {name: getattr(newest, name) for name in ("since", "until", "readings")}
        caught, until = said.model_copy(update=kept), newest.until
    return replace(state, collections=(*state.collections[:-1], caught)), to_s(until - newest.since)
