"""A scanner beside a person at the same keyboard."""

import pytest
from textual.events import Key
from tui_scenes import START_RUN, app_with, choosing, holding, update, volume_owed

from testbench.tui.conversation import Conversation, Mode
from testbench.tui.scanner import Scanner

SUFFIXES = {"CR": ("enter",), "LF": ("ctrl+j",), "CR+LF": ("enter", "ctrl+j"), "Tab": ("tab",)}


def typed(scanner, text, start=10.0, gap=0.002):
    at = start
    for character in text:
        scanner.character(character, at)
        at += gap
    return at


def scan(talk, text, keys, start):
    """Keys 2 ms apart, as a wedge scanner sends them. Gives what was asked for."""
    asked, at = [], start
    for character in text:
        asked.append(talk.key(character, character, at))
        at += 0.002
    for key in keys:
        asked.append(talk.key(key, None, at))
        at += 0.002
    return [request for request in asked if request is not None]


def test_fast_keys_and_a_suffix_are_a_scan():
    """Six characters with gaps below 50 ms, then Enter at once."""
    scanner = Scanner()
    assert scanner.suffix(typed(scanner, "HL-4-0117")) == "HL-4-0117"


@pytest.mark.parametrize(("gap", "found"), [(0.049, "HL-4-0117"), (0.050, None)])
def test_a_gap_that_a_person_could_make_is_no_scan(gap, found):
    """Below 50 ms a scanner, from 50 ms on a person."""
    scanner = Scanner()
    assert scanner.suffix(typed(scanner, "HL-4-0117", gap=gap)) == found


@pytest.mark.parametrize(("text", "found"), [("HL-411", "HL-411"), ("HL-41", None)])
def test_a_scan_has_six_characters_or_more(text, found):
    """Five could be a person who rolls over the keys."""
    scanner = Scanner()
    assert scanner.suffix(typed(scanner, text)) == found


@pytest.mark.parametrize(("pause", "found"), [(0.198, "HL-4-0117"), (0.202, None)])
def test_the_suffix_comes_at_once(pause, found):
    """An Enter 200 ms later is a person's."""
    scanner = Scanner()
    last = typed(scanner, "HL-4-0117") - 0.002
    assert scanner.suffix(last + pause) == found


def test_what_a_person_typed_before_a_scan_is_not_part_of_it():
    """A pause clears the buffer."""
    scanner = Scanner()
    typed(scanner, "ab", start=9.0)
    assert scanner.suffix(typed(scanner, "HL-4-0117", start=10.0)) == "HL-4-0117"


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_two_hundred_scans_select_exactly_and_ask_for_nothing(suffix):
    """Every suffix works; a scan selects a valve and never starts anything by itself."""
    talk = Conversation()
    talk.updated(choosing())
    serials = ["HL-4-0117", "HL-6-0118", "HL-8-0119"]
    for number in range(200):
        wanted = serials[number % 3]
        assert scan(talk, wanted, SUFFIXES[suffix], start=1.0 * number) == []
        assert talk.mode is Mode.VALVE
        assert talk.choosing.choices[talk.choosing.selected].label == wanted
        assert talk.scanned == wanted


@pytest.mark.parametrize("suffix", SUFFIXES)
async def test_scans_through_the_screen_set_off_no_binding(suffix, link, hand):
    """Through the real screen: no focus moves, nothing is asked for, the app goes on."""
    link.inbox = [choosing()]
    app = app_with(link, hand)
    async with app.run_test(size=(120, 36)) as pilot:
        app.tick()
        for number in range(2):
            hand.now += 1.0
            await pilot.press(*"HL-6-0118q", *SUFFIXES[suffix])
            assert app.talk.said.sentence == "HL-6-0118q is on no open order.", number
        hand.now += 1.0
        await pilot.press(*"HL-8-0119", *SUFFIXES[suffix])
        assert app.talk.choosing.selected == 2
        assert app.focused is None
        assert link.asked == []


async def test_two_hundred_scans_arrive_exactly_while_the_screen_draws(link, hand):
    """Keys without any gap, updates in between: none is lost, none is mixed with the next."""
    serials = ["HL-4-0117", "HL-6-0118", "HL-8-0119"]
    app = app_with(link, hand)
    heard = []
    take = app.talk.key

    def listening(*key):
        request = take(*key)
        if key[0] == "enter":
            heard.append(app.talk.scanned)
        return request

    app.talk.key = listening
    async with app.run_test(size=(120, 36)) as pilot:
        for number in range(200):
            hand.now += 1.0
            link.inbox = [choosing().model_copy(update={"sequence": number})]
            app.tick()
            for character in serials[number % 3]:
                app.screen.post_message(Key(character, character))
            app.screen.post_message(Key("enter", "\r"))
            if number % 20 == 19:
                await pilot.pause()
    assert heard == [serials[number % 3] for number in range(200)]
    assert link.asked == []


def test_a_scan_while_a_volume_is_typed_becomes_no_volume():
    """Digits from a scanner are wiped, and the operator is told."""
    talk = Conversation()
    talk.updated(volume_owed())
    talk.key("f2", None, 1.0)
    talk.key("7", "7", 2.0)
    assert scan(talk, "0123456789", ("enter",), start=3.0) == []
    assert talk.mode is Mode.VOLUME
    assert talk.entry.text == ""
    assert talk.said.sentence == "0123456789 was scanned. No valve is being chosen now."


def test_a_scan_during_a_hold_is_told_and_does_nothing():
    """There is no valve to choose while one is under pressure."""
    talk = Conversation()
    talk.updated(holding())
    assert scan(talk, "HL-6-0118", ("enter",), start=1.0) == []
    assert talk.mode is Mode.WATCHING
    assert talk.said.sentence == "HL-6-0118 was scanned. No valve is being chosen now."


def test_a_scan_after_a_finished_run_goes_straight_to_the_list():
    """The next valve is at hand: no key is needed before the scanner."""
    talk = Conversation()
    talk.updated(update(orders=choosing().orders, actions=(START_RUN,), stage=None))
    assert talk.mode is Mode.WATCHING
    scan(talk, "HL-6-0118", ("enter",), start=1.0)
    assert talk.mode is Mode.VALVE
    assert talk.choosing.selected == 1


def test_a_serial_number_on_two_orders_is_left_to_the_operator():
    """The screen does not guess."""
    order = choosing().orders[0]
    twice = choosing().model_copy(update={"orders": (order, order.model_copy(update={"order": "HL-2042"}))})
    talk = Conversation()
    talk.updated(twice)
    scan(talk, "HL-6-0118", ("enter",), start=1.0)
    assert talk.choosing.selected is None
    assert talk.said.sentence == "HL-6-0118 is on 2 orders."
