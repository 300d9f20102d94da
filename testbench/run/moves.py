"""What a transition leaves of what was known: a hold that is broken off counts for nothing, a new venting for air."""

from dataclasses import replace
from typing import Any

from testbench.run.machine import Event, Phase
from testbench.run.observations import Observation, Seen
from testbench.run.state import StageState

HOLD_MAY_FOLLOW = {Phase.PRESSURIZING, Phase.RELEASING_TO_VENT}
"""Where a broken-off hold goes when another is to follow; elsewhere the stage is over and nothing starts again."""


def moved(state: StageState, event: Event, after: Phase, at: int) -> StageState:
    """The state after a transition, before its ending is noted."""
    state = replace(state, phase=after, since=at, steady_since=None, advised=False, **_of_air(state, event, after))
    if event is Event.STEADY:
        return replace(state, hold_since=at, hold_until=None, left_level=False, left_undecided=False)
    if event is Event.HOLD_ELAPSED:
        return replace(state, hold_until=at)
    if event is Event.EXTENDED:  # who saw no leakage must look again at its end
        return replace(state, hold_until=None, observations=_leaks_only(state))
    broken_off = state.hold_until is None or after in HOLD_MAY_FOLLOW
    if state.hold_since is not None and broken_off:
        # A hold that did not come to its end counts for nothing, and neither does what was seen in it:
        # except leakage, which stays seen.
        return replace(
            state,
            hold_since=None,
            hold_until=None,
            restarts=state.restarts + (after in HOLD_MAY_FOLLOW),
            collecting_since=None,
            vessel_read=(),
            collections=(),
            collections_asked=1,
            gate="",
            decay_s=None,
            decay_undecided=None,
            observations=_leaks_only(state),
        )
    return state


def _leaks_only(state: StageState) -> tuple[Observation, ...]:
    return tuple(seen for seen in state.observations if seen.seen is Seen.LEAKAGE)


def _of_air(state: StageState, event: Event, after: Phase) -> dict[str, Any]:
    """What was known of air and of C is void once the body is vented again, and C unless it was measured to the end."""
    changes: dict[str, Any] = {}
    if state.phase is Phase.BLEEDING and after is not Phase.BLEEDING:
        changes = {"bleed_since": None, "unread": 0, "to_draw": 1}
        changes |= {} if event is Event.BLED else {"drawn": ()}
    if event in {Event.VENT_AGAIN, Event.VENT_CLOSED}:
        changes |= {"drawn": (), "air": "", "rise": 0}
    return changes
