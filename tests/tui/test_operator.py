"""The operator presses keys; the recorder is asked; the screen says what it hears."""

import pytest
import tui_scenes as scenes
from tui_scenes import FakeLink, app_with, signal, stage_view, update

from testbench.quantities import Volume
from testbench.run.machine import Phase
from testbench.run.observations import Seen
from testbench.station import messages as m
from testbench.tui.app import OperatorApp
from testbench.tui.conversation import CONFIRM_S, DEAD_S, Conversation, Mode
from testbench.tui.keys import FIXED, NEXT, ORDER, offered
from testbench.tui.screens.operator import OperatorScreen


class Fingers:
    """Presses keys a second apart, unless told otherwise."""

    def __init__(self, scene):
        self.talk = Conversation()
        self.talk.updated(scene)
        self.at = 100.0

    def press(self, *keys, after=1.0):
        asked = []
        for key in keys:
            self.at += after
            asked.append(self.talk.key(key, key if len(key) == 1 else None, self.at))
        return asked[-1]

    @property
    def said(self):
        return self.talk.said.sentence if self.talk.said else ""


# The keys ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_name", "key"),
    [("start_stage", "f2"), ("vent_closed", "f2"), ("collection_started", "f2"), ("collection_ended", "f2"),
     ("vent_again", "f9")],
)  # fmt: skip
def test_a_key_asks_for_what_it_says(request_name, key):
    """One press, one request."""
    fingers = Fingers(update(actions=(m.ActionOffered(request=request_name, label="Do it"),)))
    assert fingers.press(key).request == request_name


def test_a_key_never_changes_its_meaning():
    """F2 goes forward; the rest have one meaning each, and all of them have a place on the bar."""
    assert FIXED == {"conclude": "f6", "sign": "f7", "end_run": "f8", "vent_again": "f9", "stop": "f10"}
    assert set(FIXED.values()) | {"f2", "f3", "f4", "f5"} == set(ORDER)
    assert not set(FIXED) & set(NEXT)


def test_of_two_ways_forward_the_likelier_is_on_f2():
    """The recorder names the likeliest first."""
    keys = offered(update(actions=(scenes.START_STAGE, scenes.START_RUN)))
    assert [(key.key, key.request) for key in keys] == [("f2", "start_stage"), ("f5", "start_run")]


def test_a_key_that_is_not_offered_says_so_and_asks_for_nothing():
    """A press is never without an answer."""
    fingers = Fingers(scenes.holding())
    assert fingers.press("f2") is None
    assert fingers.said == "F2 does nothing now."
    assert fingers.press("x") is None
    assert fingers.said == "", "until the next key"


@pytest.mark.parametrize("owner", [OperatorApp, OperatorScreen])
def test_no_binding_lies_on_a_key_that_prints(owner):
    """A scanner types letters and digits."""
    assert [key for key in owner._merge_bindings().key_to_bindings if len(key) == 1] == []


# Observing ---------------------------------------------------------------------------------------


def test_no_leakage_is_one_explicit_press():
    """F3, and nothing else, says that nothing leaks."""
    asked = Fingers(scenes.observing()).press("f3")
    assert asked == m.Observe(request="observe", criterion=0, seen=Seen.NO_LEAKAGE)


@pytest.mark.parametrize("keys", [("enter",), ("space",), ("down",), ("escape",), ("f4", "enter"), ("tab",)])
def test_there_is_no_default_answer_to_an_observation(keys):
    """Enter alone answers nothing, not even in the list of places."""
    assert Fingers(scenes.observing()).press(*keys) is None


def test_no_leakage_is_not_offered_before_the_hold_is_over():
    """Leakage can be said at once; its absence only afterwards."""
    fingers = Fingers(scenes.holding())
    assert [key.key for key in fingers.talk.keys] == ["f4", "f9", "f10"]
    assert fingers.press("f3") is None


def test_leakage_is_said_with_its_place_from_the_list():
    """F4, arrow keys, Enter."""
    fingers = Fingers(scenes.holding())
    assert fingers.press("f4") is None
    assert fingers.talk.mode is Mode.PLACE
    asked = fingers.press("down", "down", "enter")
    assert asked == m.Observe(request="observe", criterion=0, seen=Seen.LEAKAGE, where="cover joint")
    assert fingers.talk.mode is Mode.WATCHING


def test_the_place_of_a_leak_can_be_typed():
    """What is not on the list is typed, and corrected with Backspace."""
    fingers = Fingers(scenes.holding())
    asked = fingers.press("f4", *"drain plugs", "backspace", "enter")
    assert asked.where == "drain plug"


def test_typing_takes_the_choice_back_and_choosing_takes_the_typing_back():
    """Enter takes what was touched last, never a mixture."""
    fingers = Fingers(scenes.holding())
    fingers.press("f4", "down", "x")
    assert fingers.talk.choosing.selected is None
    assert fingers.press("up", "enter").where == "flange faces of the valve"


def test_the_first_criterion_without_an_answer_is_asked_for():
    """Two visual criteria are answered one after the other."""
    answered = scenes.VISUAL.model_copy(update={"answer": "no leakage"})
    second = scenes.VISUAL.model_copy(update={"index": 1, "look_at": ("seat",)})
    fingers = Fingers(
        update(stage=stage_view(phase=Phase.OBSERVING, criteria=(answered, second)), actions=(scenes.OBSERVE,))
    )
    assert fingers.press("f3").criterion == 1


# Stopping ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("waited", "stops"),
    [(DEAD_S - 0.01, False), (DEAD_S + 0.01, True), (CONFIRM_S - 0.01, True), (CONFIRM_S + 0.01, False)],
)
def test_stop_takes_two_presses_neither_too_soon_nor_too_late(waited, stops):
    """A bouncing glove is no second press; after three seconds the first is forgotten."""
    fingers = Fingers(scenes.holding())
    assert fingers.press("f10") is None
    assert fingers.said == "Stop? Press F10 once more."
    second = fingers.press("f10", after=waited)
    assert (second is not None) is stops


def test_another_key_between_takes_the_first_press_back():
    """Two presses in a row, or none."""
    fingers = Fingers(scenes.holding())
    fingers.press("f10", after=1.0)
    fingers.press("f2", after=0.5)
    assert fingers.press("f10", after=0.5) is None


def test_the_question_goes_away_by_itself():
    """A first press that nobody follows up leaves no alarm on the screen."""
    fingers = Fingers(scenes.holding())
    fingers.press("f10")
    fingers.talk.expire(fingers.at + CONFIRM_S - 0.1)
    assert fingers.said
    fingers.talk.expire(fingers.at + CONFIRM_S + 0.1)
    assert not fingers.said


def test_stop_works_while_a_list_or_an_entry_is_open():
    """Nothing on the screen stands between the operator and Stop."""
    for scene, key in ((scenes.holding(), "f4"), (scenes.volume_owed(), "f2")):
        fingers = Fingers(scene)
        fingers.press(key)
        assert [one.key for one in fingers.talk.keys] == ["f10"]
        fingers.press("f10")
        assert fingers.press("f10") == m.Stop(request="stop")


@pytest.mark.parametrize("request_name", ["conclude", "end_run", "stop"])
def test_what_cannot_be_taken_back_takes_two_presses(request_name):
    """Ending a stage or a run is never one slip of the hand."""
    fingers = Fingers(update(actions=(m.ActionOffered(request=request_name, label="End it"),)))
    assert fingers.press(FIXED[request_name]) is None
    assert fingers.press(FIXED[request_name]).request == request_name


# Choosing ----------------------------------------------------------------------------------------


def test_a_valve_and_an_operator_are_chosen_with_the_arrow_keys():
    """Two lists, no default in either."""
    fingers = Fingers(scenes.choosing())
    assert fingers.talk.mode is Mode.VALVE
    assert fingers.press("enter") is None
    assert fingers.said == "Nothing is chosen yet."
    assert fingers.press("down", "down", "enter") is None
    assert fingers.talk.choosing.title == "Who tests HL-6-0118?"
    asked = fingers.press("down", "enter")
    assert asked == m.StartRun(request="start_run", order="HL-2041", serial="HL-6-0118", operator="Mara Quill")


def test_escape_goes_back_from_the_operator_to_the_valve():
    """A wrong valve can be put right."""
    fingers = Fingers(scenes.choosing())
    fingers.press("down", "enter", "escape")
    assert fingers.talk.mode is Mode.VALVE


def test_a_list_is_left_when_the_recorder_no_longer_asks():
    """Another screen may have started the run."""
    fingers = Fingers(scenes.choosing())
    fingers.talk.updated(scenes.filling())
    assert fingers.talk.mode is Mode.WATCHING


def test_the_selection_stays_while_updates_come():
    """Ten updates a second do not move the bar."""
    fingers = Fingers(scenes.choosing())
    fingers.press("down", "down")
    fingers.talk.updated(scenes.choosing().model_copy(update={"sequence": 813}))
    assert fingers.talk.choosing.selected == 1


def test_after_a_run_the_verdict_stays_until_the_next_is_asked_for():
    """The list does not push the verdict away."""
    fingers = Fingers(scenes.accepted_run())
    assert fingers.talk.mode is Mode.WATCHING
    fingers.press("f2")
    assert fingers.talk.mode is Mode.VALVE


# Volume ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        (tuple("12.5"), m.Collected(request="collected", volume=Volume.of("12.5", "mL"))),
        (tuple("12,5"), m.Collected(request="collected", volume=Volume.of("12.5", "mL"))),
        (("0",), m.Collected(request="collected", volume=Volume.of(0, "mL"))),
        (("4", "x", "-"), m.Collected(request="collected", volume=Volume.of(4, "mL"))),
        (("1", "7", "backspace", "right", "2", "3"), m.Collected(request="collected", drops=23)),
    ],
)
def test_a_volume_or_drops_are_typed_and_entered(keys, expected):
    """Digits and one decimal point; changing between mL and drops begins anew."""
    assert Fingers(scenes.volume_owed()).press("f2", *keys, "enter") == expected


@pytest.mark.parametrize("keys", [(), (".",), ("right",)])
def test_an_empty_volume_is_not_taken_as_none_caught(keys):
    """Nothing caught is entered as 0, by hand."""
    fingers = Fingers(scenes.volume_owed())
    assert fingers.press("f2", *keys, "enter") is None
    assert fingers.said


def counting(what):
    """A volume owed where the limit itself is a count."""
    update = scenes.volume_owed()
    criteria = tuple(
        found.model_copy(update={"counted": what}) if found.kind == "largest-leakage-rate" else found
        for found in update.stage.criteria
    )
    return update.model_copy(update={"stage": update.stage.model_copy(update={"criteria": criteria})})


@pytest.mark.parametrize(
    ("what", "keys", "expected"),
    [
        ("drops", ("1", "4"), m.Collected(request="collected", drops=14)),
        ("bubbles", ("3", "2"), m.Collected(request="collected", drops=32)),
        ("bubbles", ("right", "3", "2"), m.Collected(request="collected", drops=32)),
    ],
)
def test_what_the_standard_counts_is_entered_as_a_count(what, keys, expected):
    """Bubbles have no volume that anybody could read; the arrow keys do not offer one."""
    assert Fingers(counting(what)).press("f2", *keys, "enter") == expected


# The link ----------------------------------------------------------------------------------------


async def test_the_screen_attaches_when_it_comes_up_and_when_the_recorder_comes_back(link, hand):
    """It may be started at any moment, and the recorder too."""
    app = app_with(link, hand)
    async with app.run_test() as pilot:
        await pilot.pause()
        app.tick()
        assert [request.request for request in link.sent] == ["attach"]
        link.connected = False
        app.tick()
        link.connected = True
        app.tick()
        assert [request.request for request in link.sent] == ["attach", "attach"]
    assert link.closed


async def test_a_recorder_that_was_started_anew_is_asked_for_everything_again(link, hand):
    """Its numbers begin again, even if the link never seemed to be away."""
    link.inbox = [scenes.holding()]
    app = app_with(link, hand)
    async with app.run_test() as pilot:
        await pilot.pause()
        link.inbox = [scenes.choosing().model_copy(update={"sequence": 1})]
        app.tick()
        app.tick()
        assert [request.request for request in link.sent] == ["attach", "attach"]


async def test_until_the_first_word_from_the_recorder_the_screen_says_that_it_waits(link, hand):
    """Not yet a fault; after a second it is one."""
    app = app_with(link, hand)
    async with app.run_test() as pilot:
        await pilot.pause()
        assert app.screen.query_one("#band").value[0].word == "Connecting"
        hand.now += 1.1
        app.tick()
        assert app.screen.query_one("#band").value[0].word == "No recorder"


async def test_requests_are_numbered_and_a_refusal_stays_until_the_next_key(link, hand):
    """Sentence and remedy, in place of the instruction."""
    link.inbox = [scenes.observing()]
    app = app_with(link, hand)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        await pilot.press("f3")
        assert [request.id for request in link.asked] == [2]
        link.inbox = [m.Answer(id=2, done=False, sentence="Too early.", remedy="Wait for the end of the hold.")]
        app.tick()
        app.tick()
        advice = app.screen.query_one("#guidance").value
        assert (advice.said.sentence, advice.said.remedy) == ("Too early.", "Wait for the end of the hold.")
        await pilot.press("left")
        assert app.screen.query_one("#guidance").value.said is None


async def test_an_answer_that_is_done_says_nothing(link, hand):
    """What was carried out shows by itself."""
    link.inbox = [scenes.holding(), m.Answer(id=1, done=True)]
    app = app_with(link, hand)
    async with app.run_test() as pilot:
        await pilot.pause()
        assert app.talk.said is None


async def test_nothing_is_sent_while_the_recorder_is_gone(link, hand):
    """The operator is told, and presses again."""
    link.inbox = [scenes.observing()]
    app = app_with(link, hand)
    async with app.run_test() as pilot:
        await pilot.pause()
        link.connected = False
        await pilot.press("f3")
        assert link.asked == []
        assert app.talk.said.sentence == "The recorder does not answer; nothing was sent."


# What is believed --------------------------------------------------------------------------------


async def shown(scene, silent_s=0.0, *, connected=True):
    hand = scenes.Hand()
    link = FakeLink(scene)
    app = app_with(link, hand)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        hand.now += silent_s
        link.connected = connected
        app.tick()
        screen = app.screen
        return screen.query_one("#band").value[0], screen.query_one("#pressure").value


async def test_a_good_reading_is_shown_with_all_its_digits():
    """As many decimals as the channel has."""
    band, reading = await shown(scenes.holding())
    assert (band.word, reading.number, reading.missing) == ("Holding", "507.34", "")


async def test_a_stale_reading_is_blanked_and_said():
    """The last number would look like a steady pressure."""
    band, reading = await shown(scenes.stale())
    assert band.word == "Holding"
    assert (reading.number, reading.missing) == ("", "No reading 1.4 s")
    assert reading.why == "No reading: nothing came from PT-101."


async def test_a_number_without_a_good_signal_is_never_shown():
    """Even if one were sent along."""
    _, reading = await shown(update(signal=signal(507.34, state="stale", age_s=0.9)))
    assert reading.number == ""


async def test_a_lost_port_takes_the_band():
    """The word that is read from 3 m says it."""
    band, reading = await shown(scenes.lost())
    assert (band.word, reading.number) == ("No signal", "")


@pytest.mark.parametrize(("silent_s", "number"), [(1.0, "507.34"), (1.1, "")])
async def test_a_recorder_that_says_nothing_is_not_believed(silent_s, number):
    """It speaks several times a second; after one second without a word the number goes."""
    band, reading = await shown(scenes.holding(), silent_s)
    assert reading.number == number
    assert (band.word == "No recorder") is (number == "")


async def test_a_recorder_that_is_gone_is_said_at_once():
    """No number, no time, no keys."""
    band, reading = await shown(scenes.holding(), connected=False)
    assert (band.word, reading.number) == ("No recorder", "")
    assert reading.missing == "No recorder 0 s"


@pytest.mark.parametrize(("age_s", "said"), [(0.5, False), (0.51, True)])
async def test_the_age_of_the_last_reading_is_said_beyond_half_a_second(age_s, said):
    """A slow line is told from a fast one."""
    _, reading = await shown(update(signal=signal(age_s=age_s)))
    assert ("last reading" in reading.detail) is said


async def test_the_mark_moves_with_what_is_heard_and_stands_still_without(link, hand):
    """A frozen screen, or a silent recorder, is told from a steady pressure."""
    link.inbox = [scenes.holding()]
    app = app_with(link, hand)
    async with app.run_test() as pilot:
        await pilot.pause()
        before = app.screen.query_one("#band").value[1]
        app.tick()
        assert app.screen.query_one("#band").value[1] == before
        link.inbox = [scenes.holding()]
        app.tick()
        assert app.screen.query_one("#band").value[1] == before + 1


# A leak of the rig -------------------------------------------------------------------------------

RIG = m.ActionOffered(request="rig_leak", label="The rig leaks")


def test_the_places_of_the_rig_stand_below_those_of_the_valve():
    """F4 asks where; a place of the rig voids the stage instead of rejecting the valve."""
    scene = scenes.holding()
    fingers = Fingers(scene.model_copy(update={"actions": (*scene.actions, RIG)}))
    fingers.press("f4")
    choices = fingers.talk.choosing.choices
    assert [choice.label for choice in choices[-3:]] == ["blind gasket", "hose", "fixture"]
    assert choices[-1].detail == "of the rig: void, the valve is not judged"
    assert fingers.press("up", "up", "enter") == m.RigLeak(request="rig_leak", where="hose")


def test_a_place_of_the_valve_still_rejects():
    """What is typed or chosen among the valve's places is leakage of the valve."""
    scene = scenes.holding()
    fingers = Fingers(scene.model_copy(update={"actions": (*scene.actions, RIG)}))
    found = fingers.press("f4", "down", "enter")
    assert (found.request, found.seen) == ("observe", Seen.LEAKAGE)


def test_a_place_of_the_rig_that_is_typed_is_the_rigs_as_well():
    """Nobody's valve is rejected because somebody typed what stands in the list."""
    scene = scenes.holding()
    fingers = Fingers(scene.model_copy(update={"actions": (*scene.actions, RIG)}))
    assert fingers.press("f4", *"Hose", "enter") == m.RigLeak(request="rig_leak", where="Hose")
    fingers = Fingers(scene.model_copy(update={"actions": (*scene.actions, RIG)}))
    assert fingers.press("f4", *"blind  gasket", "enter") == m.RigLeak(request="rig_leak", where="blind  gasket")


def test_where_nothing_is_looked_at_f4_asks_for_the_rig_alone():
    """A seat test that is collected: F4 keeps its meaning, leakage was seen, and only the rig is left as a place."""
    fingers = Fingers(update(actions=(RIG,)))
    assert [(key.key, key.label) for key in fingers.talk.keys] == [("f4", "The rig leaks")]
    fingers.press("f4")
    assert fingers.talk.mode is Mode.RIG
    assert fingers.press(*"flange", "enter") == m.RigLeak(request="rig_leak", where="flange")
    assert fingers.talk.mode is Mode.WATCHING
