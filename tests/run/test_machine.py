"""Laws of the transition table, written from the rules of a hydrostatic test and not read from the table."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from testbench.run.machine import ENDINGS, TRANSITIONS, Ending, Event, Phase, diagram

EDGES = [(before, event, after) for before, row in TRANSITIONS.items() for event, after in row.items()]
UNDER_WAY = set(Phase) - {Phase.DEPRESSURIZING, Phase.CLOSED}


def edges_into(phase: Phase) -> set[tuple[Phase, Event]]:
    return {(before, event) for before, event, after in EDGES if after is phase and before is not phase}


def reachable(start: Phase, *, without: Phase | None = None) -> set[Phase]:
    """Every phase that can follow, none of the paths going through ``without``."""
    found, waiting = set(), [start]
    while waiting:
        phase = waiting.pop()
        if phase in found or phase is without:
            continue
        found.add(phase)
        waiting += TRANSITIONS[phase].values()
    return found


def histories(phase: Phase, length: int) -> Iterator[tuple[tuple[Event, Phase], ...]]:
    """Every history of up to so many events."""
    yield ()
    if length:
        for event, after in TRANSITIONS[phase].items():
            for rest in histories(after, length - 1):
                yield ((event, after), *rest)


def test_every_phase_has_a_row():
    """A phase without a row would stop the bench."""
    assert set(TRANSITIONS) == set(Phase)


def test_a_stage_is_closed_only_by_released_pressure_or_a_lost_signal():
    """There is no other way out: not by the hold, not by an observation, not by a stop."""
    into_closed = edges_into(Phase.CLOSED)
    assert {event for _, event in into_closed} == {Event.RELEASED, Event.SIGNAL_LOST}
    assert {before for before, event in into_closed if event is Event.RELEASED} == {Phase.DEPRESSURIZING}


def test_nothing_leads_to_closed_and_completed_without_release_and_a_conclusion():
    """In every history of nine events: completed means observed or concluded; closed by it means released after."""
    counted = 0
    for history in histories(Phase.FILLING, 9):
        events = [event for event, _ in history]
        endings = [ENDINGS[event] for event in events if event in ENDINGS]
        closed = bool(history) and history[-1][1] is Phase.CLOSED
        if not closed or endings[0] is not Ending.COMPLETED or Event.SIGNAL_LOST in events:
            continue
        if Event.EXCEEDED in events:
            continue  # the trip overrules what was completed
        counted += 1
        assert events[-1] is Event.RELEASED
        decided = events[-2]
        assert decided in {Event.OBSERVED, Event.CONCLUDED}
        if decided is Event.OBSERVED:
            last = [event for event in events if event is not Event.RELEASED]
            while last[-3:-1] == [Event.EXTENDED, Event.HOLD_ELAPSED]:  # the same hold went on for a while
                del last[-3:-1]
            assert last[-4:] == [Event.REACHED, Event.STEADY, Event.HOLD_ELAPSED, Event.OBSERVED]
    assert counted > 10


def test_only_an_observation_or_a_conclusion_completes_a_stage():
    """A hold that ran out completes nothing; somebody must have looked."""
    assert {event for event, ending in ENDINGS.items() if ending is Ending.COMPLETED} == {
        Event.OBSERVED,
        Event.CONCLUDED,
    }
    assert ENDINGS[Event.STOPPED] is Ending.STOPPED
    assert ENDINGS[Event.EXCEEDED] is Ending.TRIPPED
    assert ENDINGS[Event.SIGNAL_LOST] is Ending.LOST


def test_observing_follows_a_whole_hold_and_nothing_else():
    """The hold is over only when it has elapsed."""
    assert edges_into(Phase.OBSERVING) == {(Phase.HOLDING, Event.HOLD_ELAPSED)}


def test_a_hold_begins_only_from_steadiness():
    """Never straight from pressurizing, never from a hold that was interrupted; a hold that is over may go on."""
    assert edges_into(Phase.HOLDING) == {(Phase.STABILIZING, Event.STEADY), (Phase.OBSERVING, Event.EXTENDED)}
    assert Phase.HOLDING not in TRANSITIONS[Phase.HOLDING].values()


@pytest.mark.parametrize("event", [Event.FELL_BELOW, Event.SIGNAL_BROKEN, Event.HOLD_VOID, Event.VENT_AGAIN])
def test_a_hold_never_resumes(event: Event):
    """After a loss of pressure, a gap or a new venting the way to the next hold goes through stabilization again."""
    after = TRANSITIONS[Phase.HOLDING][event]
    assert after is not Phase.HOLDING
    assert Phase.HOLDING in reachable(after)
    assert Phase.HOLDING not in reachable(after, without=Phase.STABILIZING)


@pytest.mark.parametrize("phase", sorted(UNDER_WAY))
def test_the_operator_can_stop_at_any_time_before_the_release(phase: Phase):
    """A stop leads to depressurizing, whatever is going on."""
    assert TRANSITIONS[phase][Event.STOPPED] is Phase.DEPRESSURIZING


@pytest.mark.parametrize("phase", sorted(UNDER_WAY))
def test_too_high_a_pressure_trips_at_any_time_before_the_release(phase: Phase):
    """Also while filling, observing or venting."""
    assert TRANSITIONS[phase][Event.EXCEEDED] is Phase.DEPRESSURIZING


@pytest.mark.parametrize("phase", sorted(set(Phase) - {Phase.CLOSED}))
def test_a_lost_signal_closes_from_everywhere(phase: Phase):
    """Without a signal nothing more can be known."""
    assert TRANSITIONS[phase][Event.SIGNAL_LOST] is Phase.CLOSED


@pytest.mark.parametrize("phase", list(Phase))
def test_every_stage_comes_to_an_end(phase: Phase):
    """From every phase there is a way to closed, and none leads on from there."""
    assert Phase.CLOSED in reachable(phase)
    assert reachable(Phase.CLOSED) == {Phase.CLOSED}


@pytest.mark.parametrize("phase", list(Phase))
def test_every_phase_can_be_reached(phase: Phase):
    """No row is dead."""
    assert phase in reachable(Phase.FILLING)


def test_leakage_can_be_concluded_only_under_pressure_and_before_the_hold_is_over():
    """After the hold the observations that are owed decide."""
    allowed = {before for before, event, _ in EDGES if event is Event.CONCLUDED}
    assert allowed == {Phase.PRESSURIZING, Phase.STABILIZING, Phase.BLEEDING, Phase.HOLDING}


def test_volumes_are_drawn_off_only_before_the_hold_and_the_pressure_is_raised_again_afterwards():
    """What was drawn off is missing from the test pressure: the way to a hold goes through raising and steadiness."""
    assert edges_into(Phase.BLEEDING) == {(Phase.STABILIZING, Event.BLEED)}
    into = {
        after for before, event, after in EDGES if before is Phase.BLEEDING and event in {Event.BLED, Event.BLEED_LEFT}
    }
    assert into == {Phase.PRESSURIZING}
    assert Phase.HOLDING not in reachable(Phase.BLEEDING, without=Phase.STABILIZING)


def test_venting_again_goes_through_a_release_and_a_new_filling():
    """The vent is opened only when the pressure is off."""
    assert {after for _, event, after in EDGES if event is Event.VENT_AGAIN} == {Phase.RELEASING_TO_VENT}
    assert TRANSITIONS[Phase.RELEASING_TO_VENT][Event.RELEASED] is Phase.FILLING


def test_the_diagram_shows_every_transition():
    """One row a phase, and none for closed, from which nothing leads."""
    rows = diagram().splitlines()
    assert len(rows) == len(Phase) - 1
    assert (
        "depressurizing: pressure released → closed; signal lost → closed; upper limit exceeded → depressurizing"
        in rows
    )
    assert sum(row.count("→") for row in rows) == len(EDGES)


def test_the_diagram_in_the_developers_page_is_the_table():
    """The picture cannot drift from the design."""
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    shown = page.partition("<!-- diagram -->\n```\n")[2].partition("\n```")[0]
    assert shown == diagram()
