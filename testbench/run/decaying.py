"""How a decay goes along with a stage: air on the way up, the gate when the hold begins, the word when it is over.

Pure: the state of the stage goes in with its samples, the next state comes out.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from testbench.metrology.decay import NextStep
from testbench.metrology.decision_rule import Conformity
from testbench.metrology.rising import rise_of
from testbench.metrology.signal import Values
from testbench.quantities import Pressure
from testbench.run.bleeding import BLEEDS, Bleeding, Burette
from testbench.run.decay import Basis
from testbench.run.machine import Event, Phase
from testbench.run.samples import TICKS_PER_S, Sample, Trace
from testbench.run.state import Action, Happening, StageState, Undecided

FIRST_TENTH, LAST_TENTH = 2, 9
"""Tenths of the required pressure at which the rise is looked at."""
RISE_FROM = Fraction(1, 10)
"""Of the required pressure; below this the mains, not the pump, may have filled the body."""

LookBack = Callable[[], Trace]


@dataclass(frozen=True, slots=True)
class Decaying:
    """The rules of a stage about the decay of its pressure."""

    basis: Basis
    marks: tuple[int, ...]
    """Tenths of the required pressure at which the rise is looked at [counts], lowest first."""
    bleeding: Bleeding | None = None
    """How C is measured; None where it cannot be."""

    @classmethod
    def of(cls, basis: Basis, burette: Burette | None = None) -> "Decaying":
        """Turn the marks into counts once."""
        scale, required = basis.channel.scale, basis.required.required
        tenths = range(FIRST_TENTH, LAST_TENTH + 1)
        marks = tuple(scale.least_counts(required * Fraction(tenth, 10)) for tenth in tenths)
        return cls(basis, marks, Bleeding.of(basis.required, burette, basis.channel))

    def seen(self, state: StageState, sample: Sample, look_back: LookBack) -> tuple[StageState, list[Happening]]:
        """Look at a sample: on the way up, and at the one with which the hold begins."""
        if state.phase is Phase.PRESSURIZING:
            return self.rising(state, sample, look_back)
        if state.phase is Phase.HOLDING and state.since == sample.at and state.hold_since == sample.at:
            return self.gated(state, sample.at, look_back)
        return state, []

    # On the way up -------------------------------------------------------------------------------

    def rising(self, state: StageState, sample: Sample, look_back: LookBack) -> tuple[StageState, list[Happening]]:
        """Look at the rise whenever it has passed another tenth of the required pressure."""
        passed = sum(mark <= sample.counts for mark in self.marks[state.rise :])
        if not passed or state.air or self.basis.required.fluid != "water":
            return state, []
        state = replace(state, rise=state.rise + passed)
        found = rise_of(*self._rise(look_back().between(state.since, sample.at)))
        if found is None or not found.shows_air:
            return state, []
        said = (
            f"C is at least {found.ratio_at_least:.1f} times that without air at "
            f"{self.basis.channel.scale.pressure(sample.counts).text(0)}: air or a flexible rig. "
            "Vent again before raising further."
        )
        return replace(state, air=said), [Happening(sample.at, "air", said)]

    def _rise(self, climb: Trace) -> tuple[Values, Values]:
        """Times and pressures [s, Pa] since the newest reading that lay below the start of the rise."""
        scale = self.basis.channel.scale
        start = scale.least_counts(self.basis.required.required * RISE_FROM)
        below = np.flatnonzero(climb.counts < start)
        first = int(below[-1]) + 1 if below.size else 0
        pa = float(Pressure.factor(scale.unit))
        return climb.at[first:].astype(np.float64) / TICKS_PER_S, scale.pressures(climb.counts[first:]) * pa

    # C in place ----------------------------------------------------------------------------------

    def drawn_off(
        self, state: StageState, action: Action, at: int, look_back: LookBack
    ) -> tuple[StageState, tuple[Event, str] | None, list[Happening]]:
        """Begin to measure C, or take a mark; gives the event that follows with its sentence.

        Raises:
            MarkRefusedError: the pressure beside a drawn volume cannot be read.
            PressureMovesError: it does not stand still yet.
            LossNotSeenError: none was lost.
        """
        assert self.bleeding is not None
        if action is Action.MEASURE_C:
            return self.bleeding.begun(state, at, look_back), (Event.BLEED, "C is measured."), []
        state, happened = self.bleeding.marked(state, at, look_back)
        if len(state.drawn) < BLEEDS:
            return state, None, happened
        found = self.basis.compliance(state.drawn, look_back())
        assert found is not None
        said = f"{self.basis.compliance_in_words(found)} Raise the pressure again."
        return state, (Event.BLED, said), happened

    # When the hold begins ------------------------------------------------------------------------

    def gated(self, state: StageState, at: int, look_back: LookBack) -> tuple[StageState, list[Happening]]:
        """Say before the hold whether the decay can decide; where it can, nothing need be collected."""
        trace = look_back()
        gate = self.basis.gate(at, trace, self.basis.compliance(state.drawn, trace))
        if gate is None:
            return state, []
        state = replace(state, gate=gate.sentence)
        if gate.decides:
            state = replace(state, decay_s=max(self.basis.required.hold_s, gate.seconds), collections_asked=0)
        return state, [Happening(at, "gate", gate.sentence)]

    # When it is over -----------------------------------------------------------------------------

    def weighed(self, state: StageState, at: int, look_back: LookBack) -> tuple[StageState, list[Happening]]:
        """Say what the hold has shown, where the decay decides; where that is nothing, what would."""
        if state.decay_s is None or state.hold_since is None:
            return state, []
        trace = look_back()
        found = self.basis.decayed(trace.between(state.hold_since, at), trace, state.drawn)
        if found is None or found.decision is None:
            return state, []
        decision = found.decision
        if decision.conformity is not Conformity.WITHIN_GUARD_BAND:
            return replace(state, decay_undecided=None), [Happening(at, "decay", decision.reason)]
        longer = decision.next_step is NextStep.EXTEND and self._longer(state) is not None
        way = f"Extend the hold to {self._longer(state)} s" if longer else "Extend the hold and collect the leakage"
        undecided = Undecided(decision.reason.rstrip("."), collect=not longer)
        said = f"{decision.reason} {way}, or leave it undecided."
        return replace(state, decay_undecided=undecided), [Happening(at, "undecided", said)]

    def extended(self, state: StageState) -> tuple[StageState, str]:
        """Go on with an undecided hold: for longer, or with a collection."""
        assert state.decay_undecided is not None
        longer = self._longer(state)
        if state.decay_undecided.collect or longer is None:
            state = replace(state, decay_s=None, decay_undecided=None, collections_asked=1)
            return state, "The hold goes on: collect the leakage."
        return replace(state, decay_s=longer, decay_undecided=None), f"The hold goes on to {longer} s."

    def _longer(self, state: StageState) -> int | None:
        """The next length of the hold [s]; None where it is as long as it may be."""
        longest = self.basis.longest_hold_s
        if state.decay_s is None or state.decay_s >= longest:
            return None
        return min(2 * state.decay_s, longest)
