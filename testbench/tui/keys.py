"""Which function key asks for what. A key never changes its meaning; one that is not offered does nothing."""

from dataclasses import dataclass

from testbench.run.machine import Phase
from testbench.run.observations import Seen
from testbench.station.messages import ActionOffered, Update

NEXT = (
    "start_run",
    "start_stage",
    "vent_closed",
    "measure_c",
    "drawn_off",
    "leave_c",
    "collection_started",
    "collection_ended",
    "collected",
    "extend",
    "leave_undecided",
    "vessel_read",
)
"""What brings the run forward: F2. If two are offered, the second is on F5."""
FIXED = {"conclude": "f6", "sign": "f7", "end_run": "f8", "vent_again": "f9", "stop": "f10"}
TWICE = ("conclude", "end_run", "stop")
"""These end something for good: the key must be pressed twice."""
ORDER = ("f2", "f3", "f4", "f5", "f6", "f7", "f8", "f9", "f10")


@dataclass(frozen=True, slots=True)
class KeyOffered:
    """One function key as it is offered now."""

    key: str
    request: str
    label: str
    twice: bool = False
    seen: Seen | None = None


def offered(update: Update | None) -> tuple[KeyOffered, ...]:
    """The keys of an update, in the order in which they lie on the keyboard."""
    if update is None:
        return ()
    found: list[KeyOffered] = []
    forward = [action for action in update.actions if action.request in NEXT]
    for key, action in zip(("f2", "f5"), forward, strict=False):
        found.append(KeyOffered(key, action.request, action.label))
    requests = {action.request for action in update.actions}
    for action in update.actions:
        if action.request == "observe":
            found.extend(_answers(update))
        elif action.request == "rig_leak" and "observe" not in requests:  # else F4 asks where, and the rig is a place
            found.append(KeyOffered("f4", "rig_leak", action.label))
        elif action.request in FIXED:
            found.append(_fixed(action))
    return tuple(sorted(found, key=lambda one: ORDER.index(one.key)))


def _fixed(action: ActionOffered) -> KeyOffered:
    return KeyOffered(FIXED[action.request], action.request, action.label, twice=action.request in TWICE)


def _answers(update: Update) -> list[KeyOffered]:
    """Leakage can be said as soon as it is seen; "no leakage" only once the hold is over."""
    leakage = KeyOffered("f4", "observe", "Leakage", seen=Seen.LEAKAGE)
    none = KeyOffered("f3", "observe", "No leakage", seen=Seen.NO_LEAKAGE)
    over = update.stage is not None and update.stage.phase is Phase.OBSERVING
    return [none, leakage] if over else [leakage]
