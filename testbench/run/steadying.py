"""When the pressure is steady enough for the hold to begin, and what to do where it does not become so."""

from dataclasses import dataclass, replace

from testbench.metrology.trend import Slope, Stability, is_steady, rate_in_words, why_unsteady
from testbench.procedure.requirements import Stabilization
from testbench.run.machine import Phase
from testbench.run.samples import TICKS_PER_S, Thresholds, to_s
from testbench.run.state import Happening, StageState

_AIR = "Air may be trapped: release, vent again and raise again; or wait if the water is still warming up."
_REMEDIES = {
    Stability.STILL_SETTLING: _AIR,
    Stability.TOO_NOISY: "Look for pulses of the pump, a loose cable or a transmitter without damping.",
    Stability.NO_WINDOW: "Readings must come without a break for a whole window.",
}


@dataclass(frozen=True, slots=True)
class Steadying:
    """The rule of a stage and its limit in counts."""

    rule: Stabilization
    thresholds: Thresholds

    def is_over(self, state: StageState) -> bool:
        """Whether the pressure has been steady for the whole dwell, at the newest sample."""
        if state.phase is not Phase.STABILIZING or state.steady_since is None or state.last is None:
            return False
        return state.last - state.steady_since >= self.rule.dwell_s * TICKS_PER_S

    def tracked(self, state: StageState, at: int, slope: Slope | None) -> tuple[StageState, list[Happening]]:
        """Note since when the pressure has been steady; once the time-out is over, say why it is not.

        Args:
            state: where the stage stands.
            at: when the newest sample came [ticks].
            slope: over the stabilization window [counts/s], None while that is not full.
        """
        if state.phase is not Phase.STABILIZING:
            return state, []
        if not is_steady(slope, self._limit_per_s):
            if state.steady_since is not None:
                state = replace(state, steady_since=None)
            return self._advised(state, at, slope)
        return (replace(state, steady_since=at) if state.steady_since is None else state), []

    @property
    def _limit_per_s(self) -> float:
        return float(self.thresholds.change_per_min) / 60

    def _advised(self, state: StageState, at: int, slope: Slope | None) -> tuple[StageState, list[Happening]]:
        """Say which it is, a pressure that moves or a signal too noisy to tell, once."""
        waited = at - state.since
        if state.advised or waited <= self.rule.advise_after_s * TICKS_PER_S:
            return state, []
        limits, why = self.thresholds, why_unsteady(slope, self._limit_per_s)
        rate = ""
        if slope is not None:
            rate = f": {rate_in_words(slope, self._limit_per_s, limits.unit, float(limits.per_count))}"
        sentence = f"Not steady after {to_s(waited):.0f} s, {why}{rate}. {_REMEDIES[why]}"
        return replace(state, advised=True), [Happening(at, "advice", sentence)]
