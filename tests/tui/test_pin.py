"""The PIN at the bench: digits by hand, shown as dots, gone with Enter; and who attends a witness point."""

import logging

import pytest
import tui_scenes as scenes
from test_operator import Fingers
from tui_scenes import FakeLink, Hand, app_with

from testbench.run.attendance import Attendee
from testbench.station import messages as m
from testbench.tui.conversation import Mode
from testbench.tui.pin import LONGEST_PIN

SIGN = m.ActionOffered(request="sign", label="Sign: performed")
UNSIGNED = tuple(
    m.UnsignedLine(run=f"B1-00000{number}", serial=serial, operator="Mara Quill",
                   statement=f"I performed run B1-00000{number} on valve {serial}.")
    for number, serial in ((2, "HL-6-0118"), (1, "HL-4-0117"))
)  # fmt: skip


def asking(**changes):
    return scenes.choosing().model_copy(update={"pin_needed": True, **changes})


def to_sign(*lines):
    return scenes.accepted_run().model_copy(update={"actions": (scenes.START_RUN, SIGN), "unsigned": lines})


def at_the_pin(**changes) -> Fingers:
    fingers = Fingers(asking(**changes))
    fingers.press("down", "enter", "down", "enter")
    assert fingers.talk.mode is Mode.PIN
    return fingers


def test_a_run_is_started_with_a_pin_where_operators_are_registered():
    """Valve, operator, PIN; one request."""
    fingers = at_the_pin()
    assert fingers.talk.pin.operator == "Mara Quill"
    assert fingers.press("7", "3", "9", "5", "backspace", "4") is None
    asked = fingers.press("enter")
    assert (asked.request, asked.operator, asked.pin.get_secret_value()) == ("start_run", "Mara Quill", "7394")
    assert fingers.talk.mode is Mode.WATCHING
    assert fingers.talk.pin.typed == ""


def test_only_digits_are_taken_and_no_more_than_a_pin_has():
    """Letters do nothing."""
    fingers = at_the_pin()
    fingers.press("a", ".", "١", *"123456789")
    assert fingers.talk.pin.typed == "12345678"
    assert len(fingers.talk.pin.typed) == LONGEST_PIN


def test_without_a_digit_nothing_is_asked():
    """Enter alone starts no run and costs no try."""
    fingers = at_the_pin()
    assert fingers.press("enter") is None
    assert fingers.said == "Nothing was entered."
    assert fingers.talk.mode is Mode.PIN


@pytest.mark.parametrize(("gap", "typed"), [(0.049, ""), (0.051, "7394")])
def test_what_a_scanner_types_is_no_pin(gap, typed):
    """Below 50 ms no hand typed it: the entry is emptied, and its Enter takes nothing."""
    fingers = at_the_pin()
    fingers.press("7")
    fingers.press("3", "9", "4", after=gap)
    assert fingers.talk.pin.typed == typed
    asked = fingers.press("enter", after=gap)
    assert (asked is None) == (typed == "")
    if not typed:
        assert fingers.talk.mode is Mode.PIN
        assert fingers.said == "No hand types that fast; the PIN was emptied."


def test_a_scanned_serial_number_chooses_no_valve_while_a_pin_is_typed():
    """Neither its digits nor its end get anywhere."""
    fingers = at_the_pin()
    assert fingers.press(*"HL-6-0118", "enter", after=0.002) is None
    assert (fingers.talk.mode, fingers.talk.pin.typed) == (Mode.PIN, "")


def test_escape_goes_back_and_forgets_what_was_typed():
    """A wrong operator can be put right."""
    fingers = at_the_pin()
    fingers.press("7", "escape")
    assert (fingers.talk.mode, fingers.talk.pin.typed) == (Mode.VALVE, "")


def test_an_entry_is_left_when_the_recorder_no_longer_asks():
    """Somebody else started a run."""
    fingers = at_the_pin()
    fingers.press("7")
    fingers.talk.updated(scenes.filling())
    assert (fingers.talk.mode, fingers.talk.pin.typed) == (Mode.WATCHING, "")


def test_a_sealed_run_is_signed_with_f7():
    """The statement stands above the PIN; the other key starts the next run all the same."""
    fingers = Fingers(to_sign(UNSIGNED[0]))
    assert [key.key for key in fingers.talk.keys] == ["f2", "f7"]
    fingers.press("f7")
    assert fingers.talk.pin.statement == "I performed run B1-000002 on valve HL-6-0118."
    asked = fingers.press(*"7394", "enter")
    assert (asked.request, asked.run, asked.pin.get_secret_value()) == ("sign", "B1-000002", "7394")


def test_of_several_unsigned_runs_one_is_chosen():
    """Newest first; nothing is selected until somebody selects it."""
    fingers = Fingers(to_sign(*UNSIGNED))
    fingers.press("f7")
    assert (fingers.talk.mode, fingers.talk.choosing.selected) == (Mode.UNSIGNED, None)
    fingers.press("down", "down", "enter")
    assert fingers.press(*"7394", "enter").run == "B1-000001"


async def test_the_dots_say_how_many_and_the_log_says_nothing(caplog):
    """Neither the screen nor the log of requests holds a digit."""
    caplog.set_level(logging.DEBUG)
    link = FakeLink(to_sign(UNSIGNED[0]))
    hand = Hand()
    app = app_with(link, hand)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.press("f7")
        for digit in "7394":
            hand.now += 1
            await pilot.press(digit)
        app.tick()
        await pilot.pause()
        dots = app.screen.query_one("#pin")
        shown = "\n".join(dots.render_line(y).text for y in range(dots.size.height))
        assert "7394" not in shown
        assert dots.value.typed == "7394"
        assert "7394" not in repr(dots.value)
        hand.now += 1
        await pilot.press("enter")
        await pilot.pause()
    (asked,) = link.asked
    assert asked.pin.get_secret_value() == "7394"
    assert "asked:" in caplog.text
    assert "7394" not in caplog.text


# Who attends ------------------------------------------------------------------------------------


def before_a_witness_point():
    run = scenes.run_view(attends="Ellery Water Board")
    return scenes.update(actions=(scenes.START_STAGE,), run=run, stage=None)


def test_who_attends_is_typed_before_a_witness_point():
    """A name, for the party of the point."""
    fingers = Fingers(before_a_witness_point())
    assert fingers.press("f2") is None
    assert fingers.talk.mode is Mode.ATTENDING
    assert fingers.press("enter") is None, "there is no default answer"
    asked = fingers.press(*"Ines Marlow", "enter")
    assert asked.attended == (Attendee(name="Ines Marlow", party="Ellery Water Board"),)


def test_did_not_attend_is_an_answer():
    """Chosen, not assumed."""
    fingers = Fingers(before_a_witness_point())
    assert fingers.press("f2", "down", "enter").attended == ()
