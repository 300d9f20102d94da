"""A valve that the list does not hold is found by a scan, or by typing a part of its number."""

from test_scanner import scan
from tui_scenes import choosing

from testbench.station import messages as m
from testbench.tui.conversation import Conversation, Mode


def line(*serials: str, in_all: int, order: str = "HL-2050") -> m.OrderLine:
    valves = tuple(m.ValveLine(serial=serial, valve="swing-check NPS 8", state="to do") for serial in serials)
    return m.OrderLine(order=order, customer="Ellery Water Board", valves=valves, in_all=in_all)


def talking(in_all: int = 10_000) -> Conversation:
    """Three valves listed of many."""
    talk = Conversation()
    listed = line("HL-8-00001", "HL-8-00002", "HL-8-00003", in_all=in_all)
    talk.updated(choosing().model_copy(update={"orders": (listed,)}))
    return talk


def found(talk: Conversation, *orders: m.OrderLine) -> None:
    talk.answered(m.Answer(id=1, done=True, found=orders))


def typed(talk: Conversation, text: str, at: float = 50.0) -> m.FindValve | None:
    for number, character in enumerate(text):
        talk.key(character, character, at + number)
    return talk.key("enter", None, at + len(text))


def test_a_scan_that_is_not_listed_asks_the_recorder_and_selects_what_it_finds():
    """It takes a key to go on with it, as with any scan."""
    talk = talking()
    assert scan(talk, "HL-8-09999", ("enter",), 1.0) == [m.FindValve(request="find_valve", text="HL-8-09999")]
    assert talk.choosing.selected is None
    found(talk, line("HL-8-09999", in_all=1))
    assert (talk.mode, talk.scanned) == (Mode.VALVE, "HL-8-09999")
    assert talk.choosing.choices[talk.choosing.selected].label == "HL-8-09999"
    talk.key("enter", None, 9.0)
    assert (talk.mode, talk.choosing.title) == (Mode.OPERATOR, "Who tests HL-8-09999?")
    talk.key("down", None, 10.0)
    asked = talk.key("enter", None, 11.0)
    assert (asked.request, asked.order, asked.serial) == ("start_run", "HL-2050", "HL-8-09999")


def test_a_scan_that_nothing_fits_is_said():
    """As where the whole list is there."""
    talk = talking()
    scan(talk, "HL-9-00001", ("enter",), 1.0)
    found(talk)
    assert (talk.said.sentence, talk.said.grave) == ("HL-9-00001 is on no open order.", True)
    assert len(talk.choosing.choices) == 3


def test_where_everything_is_listed_nobody_is_asked():
    """Nothing can be typed there either."""
    talk = talking(in_all=3)
    assert scan(talk, "HL-8-09999", ("enter",), 1.0) == []
    assert talk.said.sentence == "HL-8-09999 is on no open order."
    assert talk.choosing.typed is None


def test_a_part_of_the_number_can_be_typed():
    """A worn label is read by eye; several fit, one is chosen."""
    talk = talking()
    assert typed(talk, "099") == m.FindValve(request="find_valve", text="099")
    found(talk, line("HL-8-00990", "HL-8-09900", in_all=70))
    assert talk.said.sentence == "099: 2 valves. 68 more are not listed."
    assert talk.said.remedy == "Choose one with the arrow keys, or type more of the number."
    assert talk.choosing.selected is None
    assert talk.key("enter", None, 60.0) is None  # nothing is chosen yet
    talk.key("down", None, 61.0)
    talk.key("enter", None, 62.0)
    assert talk.choosing.title == "Who tests HL-8-00990?"


def test_what_was_typed_is_shown_and_taken_back():
    """Backspace, an arrow, Esc: back to the list."""
    talk = talking()
    for character in "09x":
        talk.key(character, character, 50.0 + ord(character))
    assert talk.choosing.typed == "09x"
    talk.key("backspace", None, 300.0)
    assert talk.choosing.typed == "09"
    talk.key("down", None, 301.0)
    assert (talk.choosing.typed, talk.choosing.selected) == ("", 0)
    typed(talk, "9999", at=310.0)
    found(talk, line("HL-8-09999", in_all=1))
    assert len(talk.choosing.choices) == 1
    talk.key("escape", None, 330.0)
    assert [choice.label for choice in talk.choosing.choices] == ["HL-8-00001", "HL-8-00002", "HL-8-00003"]


def test_an_answer_that_comes_too_late_changes_nothing():
    """The operator has chosen meanwhile, or asked for something else."""
    talk = talking()
    scan(talk, "HL-8-00002", ("enter",), 1.0)
    talk.key("enter", None, 5.0)
    assert talk.mode is Mode.OPERATOR
    found(talk, line("HL-8-09999", in_all=1))
    assert talk.choosing.title == "Who tests HL-8-00002?"
    talk.key("escape", None, 6.0)
    found(talk, line("HL-8-09999", in_all=1))
    assert len(talk.choosing.choices) == 3


def test_a_number_that_is_listed_may_stand_on_another_order_too():
    """So the recorder is asked even then, and the operator chooses."""
    talk = talking()
    assert len(scan(talk, "HL-8-00002", ("enter",), 1.0)) == 1
    assert talk.choosing.selected == 1
    found(talk, line("HL-8-00002", in_all=1), line("HL-8-00002", in_all=1, order="HL-2051"))
    assert talk.choosing.selected is None
    assert [choice.value[0] for choice in talk.choosing.choices] == ["HL-2050", "HL-2051"]
