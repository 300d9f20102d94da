"""The life of a valve and the order board on the screen: what is shown, what is asked, what is refused."""

import pytest
from review_scenes import BOARD, NUMBER, OPENED, FakeDesk, Hands, entry, life
from textual.app import App
from textual.widgets import Input

from testbench.errors import NotAuthenticatedError
from testbench.station.review_models import BoardPage, EnterNonconformity
from testbench.tui.desk_calls import Calls
from testbench.tui.review import ReviewApp
from testbench.tui.screens.asking import AskingScreen
from testbench.tui.screens.board import BoardScreen
from testbench.tui.screens.life_page import LifeScreen, PartOfLife, Reach
from testbench.tui.screens.queue import QueueScreen
from testbench.tui.screens.run_page import RunPageScreen

PASSWORD = "the tide at Port Ellery"


@pytest.fixture
async def hands():
    desk = FakeDesk()
    app = ReviewApp(desk)
    async with app.run_test(size=(132, 44)) as pilot:
        made = Hands(desk, pilot)
        await made.press()
        yield made


async def fill(hands: Hands, *lines: str) -> None:
    for line in lines:
        await hands.type(line)
        await hands.press("enter")


def focused(hands: Hands) -> str:
    """First line of the part with the keys."""
    found = hands.app.screen.focused
    assert isinstance(found, PartOfLife)
    return found.part.lines[0]


# What is shown -----------------------------------------------------------------------------------


async def test_a_serial_numbers_whole_life_is_one_page(hands):
    """Order, runs with verdicts, signatures, documents with what replaced them, nonconformity, recall."""
    await hands.press("down", "l")
    assert isinstance(hands.app.screen, LifeScreen)
    assert hands.desk.asked[-1] == ("life", "HL-6-0118")
    assert hands.text().splitlines() == [
        "Valve HL-6-0118",
        "Order HL-2041 for Ellery Water Board (theirs: EWB-77), waterworks-swing-check",
        "  swing-check NPS 6 (DN 150), metal seat; SC-6, drawing D-114; body H7781",
        "✗ Run B1-000002  2026-11-20T08:30: rejected. The seat test was rejected.",
        "  shell test accepted, seat test rejected",
        "  performed by Mara Quill at 2026-11-20T08:55",
        "✓ Run B1-000003  2026-11-20T08:30: accepted. The seat test was accepted.  RECALLED by RC-B1-000001",
        "  shell test accepted, seat test accepted",
        "  performed by Mara Quill at 2026-11-20T08:55",
        "  certificate: C-B1-000003_HL-6-0118.pdf",
        ("  WITHDRAWN: C-B1-000003 was replaced by C-B1-000003-2 on 2026-11-21 by Ines Marlow: "
         "The heat number was wrong."),
        "N-B1-000001: no disposition yet",
        "  HL-6-0118: swing-check NPS 6 (DN 150), metal seat; order HL-2041 for Ellery Water Board",
        "  run B1-000002: rejected. The seat test was rejected.",
        "  leaked at seat test: open inlet",
        "  seat test: 6 mL in 31.0 s is 23.56 fl_oz/h; 6 fl_oz/h is allowed: above the limit.",
        "  2026-11-20T08:50  recorder: opened",
        "Recall RC-B1-000001 of B1-000003: Out of tolerance; in force",
        "",
        "Nonconformity: N note   W rework   S scrap   G concession   X close it",
        "Tab next part   Enter open the run   ↑ ↓ scroll   Esc back   Ctrl+Q close",
    ]  # fmt: skip


async def test_the_page_begins_at_what_the_run_opened(hands):
    """Tab and Shift+Tab go from part to part; the one with the keys has a bar, not only a colour."""
    await hands.press("down", "l")
    assert focused(hands) == "N-B1-000001: no disposition yet"
    bar, plain = (part.styles.border_left[0] for part in list(hands.app.screen.query(PartOfLife))[3:1:-1])
    assert (bar, plain) == ("thick", "blank")
    await hands.press("shift+tab")
    assert focused(hands).startswith("Run B1-000003")


async def test_enter_opens_the_page_of_a_run_and_escape_goes_back_the_same_way(hands):
    """Run page, life, queue; the queue is read again, for a run was opened."""
    await hands.press("down", "l", "enter")
    assert hands.said == "Only a run opens; go to one with Tab."
    await hands.press("shift+tab", "enter")
    assert isinstance(hands.app.screen, RunPageScreen)
    assert hands.app.screen.page.run == "B1-000003"
    await hands.press("escape")
    assert isinstance(hands.app.screen, LifeScreen)
    await hands.press("escape")
    assert isinstance(hands.app.screen, QueueScreen)
    assert hands.desk.asked[-1] == ("queue", "", "")


async def test_what_was_entered_is_seen_on_the_page_of_the_run(hands):
    """L from there; read again only where something changed."""
    await hands.press("down", "enter", "l", "escape")
    assert hands.desk.asked[-1] == ("life", "HL-6-0118")
    await hands.press("l", "n")
    await fill(hands, "Seen.")
    await hands.press("escape")
    assert isinstance(hands.app.screen, RunPageScreen)
    assert hands.desk.asked[-1] == ("page", "B1-000002")


# Acting on a nonconformity -----------------------------------------------------------------------


async def test_a_note_decides_nothing_and_wants_no_password(hands):
    """What was entered is shown at once, and the keys stay where they were."""
    await hands.press("down", "l", "n")
    assert len(hands.app.screen.query(Input)) == 1
    await fill(hands, "Scratch at six o'clock")
    (act,) = hands.desk.acts
    assert (act.number, act.step, act.text) == (NUMBER, "noted", "Scratch at six o'clock")
    assert hands.said == "N-B1-000001 is noted."
    assert focused(hands) == "N-B1-000001: no disposition yet"
    assert "Tobin Ashe: note: Scratch at six o'clock" in hands.text()


@pytest.mark.parametrize(
    ("key", "title", "statement", "disposition", "standing"),
    [
        ("w", "You decide on rework of HL-6-0118 (N-B1-000001).", "It is tested again once the rework is entered.",
         "rework", "to be reworked"),
        ("s", "You decide on scrap of HL-6-0118 (N-B1-000001).",
         "Scrap is final: the serial number is tested no more.", "scrap", "scrap"),
    ],
)  # fmt: skip
async def test_a_disposition_says_what_it_means_and_wants_grounds_and_password(
    hands, key, title, statement, disposition, standing
):
    """Neither alone is sent."""
    await hands.press("down", "l", key)
    assert title in hands.text()
    assert statement in hands.text()
    await fill(hands, "The seat is scored")
    assert hands.desk.acts == []
    await fill(hands, PASSWORD)
    (act,) = hands.desk.acts
    assert act.facts == {"step": "disposed", "why": "The seat is scored", "disposition": disposition}
    assert act.password.get_secret_value() == PASSWORD
    assert focused(hands) == f"N-B1-000001: {standing}"


async def test_a_concession_names_who_granted_it_and_under_which_reference(hands):
    """Each line is asked for before it is sent."""
    await hands.press("down", "l", "g")
    assert "A concession does not make the run an accepted one." in hands.text()
    await fill(hands, "Service water only", "Ellery Water Board", "EWB-C-12")
    assert hands.desk.acts == []
    await fill(hands, PASSWORD)
    (act,) = hands.desk.acts
    assert act.facts == {
        "step": "disposed", "why": "Service water only", "disposition": "concession",
        "authority": "Ellery Water Board", "reference": "EWB-C-12",
    }  # fmt: skip
    assert "disposition: concession, granted by Ellery Water Board (EWB-C-12). Service water only" in hands.text()


async def test_it_is_closed_when_it_is_done_with_and_takes_nothing_afterwards(hands):
    """Scrapped, closed; what may not follow is said before anything is asked."""
    hands.desk.entries.append(entry(step="disposed", disposition="scrap", why="Cracked."))
    await hands.press("down", "l", "x")
    await fill(hands, "Cut up", PASSWORD)
    (act,) = hands.desk.acts
    assert act.facts == {"step": "closed", "why": "Cut up"}
    assert focused(hands) == "N-B1-000001: closed"
    await hands.press("n")
    assert isinstance(hands.app.screen, LifeScreen)
    assert hands.said == (
        "Nonconformity N-B1-000001 cannot be noted: it stands as 'closed'; allowed: nothing more."
    )  # fmt: skip


async def test_what_may_not_follow_yet_is_said_before_a_password_is_asked_for(hands):
    """The rule is that of the register."""
    await hands.press("down", "l", "x")
    assert not isinstance(hands.app.screen, AskingScreen)
    assert hands.said == (
        "Nonconformity N-B1-000001 cannot be closed: it stands as 'no disposition yet'; "
        "allowed: attached, disposed, noted."
    )


async def test_the_only_open_one_is_meant_wherever_the_keys_are_and_of_two_none(hands):
    """The question names it."""
    await hands.press("down", "l", "shift+tab", "n")
    assert "You add a note to N-B1-000001." in hands.text()
    await hands.press("escape", "escape")
    hands.desk.entries.append(entry("N-B1-000002", **OPENED | {"run": "B1-000009"}))
    await hands.press("l", "shift+tab", "n")
    assert isinstance(hands.app.screen, LifeScreen)
    assert hands.said == "Go to a nonconformity with Tab first."


async def test_a_refusal_is_one_sentence_and_nothing_is_entered(hands):
    """The page stays as it was."""
    hands.desk.refusal = NotAuthenticatedError("ashe")
    await hands.press("down", "l", "s")
    await fill(hands, "Cracked", "wrong")
    assert hands.said == (
        "'ashe' and what was entered do not belong together. → "
        "Enter both again; an engineer can set a new PIN or password."
    )
    assert focused(hands) == "N-B1-000001: no disposition yet"


async def test_escape_leaves_everything_as_it_was(hands):
    """Nothing is sent."""
    await hands.press("down", "l", "g")
    await hands.type("Service")
    await hands.press("escape")
    assert isinstance(hands.app.screen, LifeScreen)
    assert hands.desk.acts == []


async def test_where_nobody_sits_it_is_only_looked_at():
    """As from the history."""

    class Looking(App[None]):
        def on_mount(self):
            self.push_screen(LifeScreen(Calls(self), Reach(life, lambda _screen, _run: None), life()))

    async with Looking().run_test(size=(132, 44)) as pilot:
        hands = Hands(FakeDesk(), pilot)
        assert "N note" not in hands.text()
        await hands.press("s")
        assert hands.said == "Here it is only looked at; 'testbench review' and 'testbench nonconformity' enter."


# The order board ---------------------------------------------------------------------------------


async def test_the_board_shows_every_order_in_numbers_of_valves(hands):
    """And what stands on it; hostile text is text."""
    await hands.press("b")
    assert isinstance(hands.app.screen, BoardScreen)
    assert [hands.cells(column)[0] for column in range(11)] == [
        "HL-2041", "9", "1", "5", "1", "1", "1", "3", "0", "2", "Ellery Water Board",
    ]  # fmt: skip
    assert "Orders    2 on file, 11 valves, by the newest run of each" in hands.text()


async def test_enter_on_an_order_narrows_the_queue_to_it(hands):
    """Escape leaves the queue as it was."""
    await hands.press("b", "down", "enter")
    assert hands.desk.asked[-1] == ("queue", "HL-2042", "")
    assert hands.cells(2) == ["B1-000003", "B1-000004"]
    await hands.press("b", "escape")
    assert hands.cells(2) == ["B1-000003", "B1-000004"]


async def test_an_order_that_could_not_be_read_is_missing_and_named(hands):
    """Not silently."""
    hands.desk.orders = BoardPage(lines=BOARD.lines, refused=("HL-2043.toml: customer: found nothing.",))
    await hands.press("b")
    assert hands.said == "Missing here: HL-2043.toml: customer: found nothing."
    await hands.press("escape")
    hands.desk.orders = BoardPage(lines=())
    await hands.press("b")
    assert hands.said == "There are no orders yet."


# How they look -----------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(80, 24), (120, 36)])
@pytest.mark.parametrize("keys", [("b",), ("down", "l"), ("down", "l", "g"), ("down", "enter")])
async def test_keys_and_fields_are_in_sight(size, keys):
    """Of the board, the life, a concession, a run."""
    app = ReviewApp(FakeDesk())
    async with app.run_test(size=size) as pilot:
        hands = Hands(None, pilot)
        await hands.press()
        for key in keys:
            await hands.press(key)
        seen = app.screen.query("#hints, #keys, Input, .label")
        assert seen
        assert all(one.region.bottom <= size[1] and one.region.height for one in seen)
        for hints in app.screen.query("#hints, #keys"):
            assert hints.get_content_height(app.size, app.size, hints.content_size.width) <= hints.content_size.height


@pytest.mark.parametrize(
    "keys", [("b",), ("down", "l"), ("down", "l", "g")], ids=["the board", "a life", "a concession"]
)
def test_they_look_like_this_at_120_by_36(snap_compare, keys):
    """Looked at."""

    async def before(pilot):
        hands = Hands(None, pilot)
        await hands.press()
        for key in keys:
            await hands.press(key)
        for one in pilot.app.screen.query(Input):
            one.cursor_blink = False
        await pilot.pause()

    assert snap_compare(ReviewApp(FakeDesk()), terminal_size=(120, 36), run_before=before)


def test_what_is_typed_is_what_is_entered():
    """Text under the name that its entry has; what was left empty is not said."""
    typed = EnterNonconformity(number=NUMBER, step="noted", text="x")
    assert typed.facts == {"step": "noted", "text": "x"}
