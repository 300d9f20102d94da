"""The reviewer's screens against a desk in the test's hands: what is shown, what is asked for, what a key does."""

import pytest
from review_scenes import FakeDesk, Hands, accepted_page, queue, rejected_page
from textual.widgets import Input

from testbench.errors import AlreadySignedError, NotAuthenticatedError
from testbench.station.review_models import OpenNonconformity, Return, Sign
from testbench.tui.review import ReviewApp
from testbench.tui.screens.asking import AskingScreen
from testbench.tui.screens.queue import QueueScreen
from testbench.tui.screens.run_page import RunPageScreen
from testbench.tui.widgets.attempt_trace import AttemptTrace, trace_of
from testbench.tui.widgets.verdict_band import VerdictBand

PASSWORD = "the tide at Port Ellery"


@pytest.fixture
async def hands():
    desk = FakeDesk()
    app = ReviewApp(desk)
    async with app.run_test(size=(132, 44)) as pilot:
        made = Hands(desk, pilot)
        await made.press()
        yield made


# The queue ---------------------------------------------------------------------------------------


async def test_the_queue_shows_what_waits_oldest_first(hands):
    """Run, verdict, what it waits for, what was opened, what was returned."""
    assert isinstance(hands.app.screen, QueueScreen)
    assert hands.cells(2) == ["B1-000001", "B1-000002", "B1-000003", "B1-000004"]
    assert hands.cells(5) == ["accepted", "rejected", "accepted", "accepted"]
    assert hands.cells(1) == ["opened", "", "opened", ""]
    assert hands.cells(9)[3] == "returned by Ines Marlow to Mara Quill: Which vessel?"
    assert "4 runs wait" in hands.text()


async def test_an_order_narrows_the_queue(hands):
    """Typed after O; nothing typed is every order."""
    await hands.press("o")
    assert isinstance(hands.app.screen, AskingScreen)
    await hands.type("HL-2042")
    await hands.press("enter")
    assert hands.desk.asked[-1] == ("queue", "HL-2042", "")
    assert hands.cells(2) == ["B1-000003", "B1-000004"]
    await hands.press("o", "enter")
    assert len(hands.cells(2)) == 4


async def test_the_page_behind_this_one_begins_with_its_last_run(hands):
    """N; where nothing follows the oldest come again."""
    await hands.press("n")
    assert hands.desk.asked[-1] == ("queue", "", "B1-000004")
    await hands.press("n")
    assert hands.desk.asked[-1] == ("queue", "", "")


async def test_marked_runs_are_released_together_with_every_statement_shown(hands):
    """Space marks; R shows what is signed, then takes the password."""
    await hands.press("r")
    assert hands.said == "Mark runs with Space first."
    await hands.press("space", "down", "down", "space")
    assert hands.cells(0) == ["■", "·", "■", "·"]
    await hands.press("r")
    assert "You release 2 runs:" in hands.text()
    assert "release B1-000001" in hands.text()
    assert "release B1-000003" in hands.text()
    await hands.type(PASSWORD)
    await hands.press("enter")
    (act,) = hands.desk.acts
    assert (act.act, act.runs, act.password.get_secret_value()) == ("released", ("B1-000001", "B1-000003"), PASSWORD)
    assert hands.said == "B1-000001 is released. B1-000003 is released."
    assert hands.cells(0) == ["·"] * 4


async def test_a_refused_batch_stays_marked_and_says_why(hands):
    """One sentence and the remedy."""
    hands.desk.refusal = AlreadySignedError("Run B1-000001", "released", "Ines Marlow")
    await hands.press("space", "r")
    await hands.type("x")
    await hands.press("enter")
    assert hands.said.startswith("Run B1-000001 is already signed as released, by Ines Marlow. → ")
    assert hands.cells(0)[0] == "■"


# The page of a run -------------------------------------------------------------------------------


async def test_a_run_is_opened_and_left(hands):
    """Verdict, both traces of each stage, findings, instruments, events."""
    await hands.press("enter")
    screen = hands.app.screen
    assert isinstance(screen, RunPageScreen)
    assert screen.query_one(VerdictBand).value.verdict == "accepted"
    assert len(screen.query(AttemptTrace)) == 4
    assert all(trace.value.columns for trace in screen.query(AttemptTrace))
    for words in ("Every demanded stage was accepted.", "Clean: nothing wants a look of its own.", "Held 61.0 s",
                  "Instruments", "Signed and said", "Events"):  # fmt: skip
        assert words in hands.text()
    await hands.press("escape")
    assert isinstance(hands.app.screen, QueueScreen)


async def test_next_goes_down_the_queue_and_back_to_it_at_the_end(hands):
    """Each is opened at the desk."""
    await hands.press("enter")
    for run in ("B1-000002", "B1-000003", "B1-000004"):
        await hands.press("n")
        assert hands.app.screen.page.run == run
    await hands.press("n")
    assert isinstance(hands.app.screen, QueueScreen)
    assert [one[1] for one in hands.desk.asked if one[0] == "page"] == [f"B1-00000{n}" for n in (1, 2, 3, 4)]


async def test_a_release_shows_its_statement_first_and_the_page_anew_afterwards(hands):
    """The document is named."""
    await hands.press("enter", "r")
    assert "I have reviewed the record of run B1-000001" in hands.text()
    assert hands.desk.acts == []
    await hands.type(PASSWORD)
    await hands.press("enter")
    (act,) = hands.desk.acts
    assert isinstance(act, Sign)
    assert act.runs == ("B1-000001",)
    assert hands.said == "B1-000001 is released. Written: C-B1-000001.pdf."
    assert hands.desk.asked[-1] == ("page", "B1-000001")


async def test_what_may_not_be_done_is_said_without_asking_for_a_password(hands):
    """The reason is the desk's."""
    await hands.press("down", "enter", "r")
    assert isinstance(hands.app.screen, RunPageScreen)
    assert hands.said == "Run B1-000002 cannot be released: its verdict is rejected."
    assert hands.desk.acts == []


async def test_a_return_wants_a_reason_and_the_password(hands):
    """Neither alone is sent."""
    await hands.press("enter", "t")
    assert len(hands.app.screen.query(Input)) == 2
    await hands.press("enter")
    assert isinstance(hands.app.screen, AskingScreen)
    await hands.type("Which vessel?")
    await hands.press("enter", "enter")
    assert hands.desk.acts == []
    await hands.type(PASSWORD)
    await hands.press("enter")
    (act,) = hands.desk.acts
    assert isinstance(act, Return)
    assert (act.run, act.why, act.to) == ("B1-000001", "Which vessel?", "")


async def test_a_nonconformity_is_opened_with_its_reason(hands):
    """Through the same question."""
    await hands.press("down", "enter", "c")
    await hands.type("Seat leaks")
    await hands.press("enter")
    await hands.type(PASSWORD)
    await hands.press("enter")
    (act,) = hands.desk.acts
    assert isinstance(act, OpenNonconformity)
    assert (act.run, act.why) == ("B1-000002", "Seat leaks")


async def test_escape_leaves_everything_as_it_was(hands):
    """Nothing is sent; the typed password is gone."""
    await hands.press("enter", "r")
    await hands.type(PASSWORD)
    await hands.press("escape")
    assert isinstance(hands.app.screen, RunPageScreen)
    assert hands.desk.acts == []
    await hands.press("r")
    assert hands.app.screen.query_one("#password", Input).value == ""


async def test_a_wrong_password_is_said_and_the_page_stays(hands):
    """Typed as dots."""
    hands.desk.refusal = NotAuthenticatedError("ashe")
    await hands.press("enter", "v")
    assert hands.app.screen.query_one("#password", Input).password
    await hands.type("wrong")
    await hands.press("enter")
    assert hands.said.startswith("'ashe' and what was entered do not belong together.")
    assert isinstance(hands.app.screen, RunPageScreen)


async def test_a_run_that_cannot_be_shown_is_said_in_the_queue(hands):
    """Damaged, for example."""
    hands.desk.refusal_of_page = AlreadySignedError("Run B1-000001", "x", "y")
    await hands.press("enter")
    assert isinstance(hands.app.screen, QueueScreen)
    assert hands.said.startswith("Run B1-000001 is already signed")


async def test_a_page_decided_otherwise_says_so_twice():
    """In the band and among the facts; hostile text is text."""
    desk = FakeDesk()
    desk.pages["B1-000001"] = rejected_page("B1-000001", same=False, reason="[bold]Leaked.[/bold]")
    app = ReviewApp(desk)
    async with app.run_test(size=(132, 44)) as pilot:
        hands = Hands(desk, pilot)
        await hands.press("enter")
        assert "Decided now: accepted: Every demanded stage was accepted." in hands.text()
        assert "[bold]Leaked.[/bold]" in hands.text()
        band = "\n".join(app.screen.query_one(VerdictBand).render_line(y).text for y in range(4))
        assert "Decided again: DIFFERS" in band


@pytest.mark.parametrize("size", [(80, 24), (132, 44), (200, 60)])
async def test_the_screens_fit(size):
    """Keys in sight at every size."""
    app = ReviewApp(FakeDesk())
    async with app.run_test(size=size) as pilot:
        hands = Hands(app, pilot)
        for _ in range(2):
            await hands.press("enter")
            hints = app.screen.query_one("#hints")
            assert hints.region.bottom <= size[1]


async def test_a_narrow_terminal_shows_run_serial_and_order_whole():
    """In the queue, and beside the verdict of a run; what is cut there is what matters least."""
    app = ReviewApp(FakeDesk())
    async with app.run_test(size=(80, 24)) as pilot:
        hands = Hands(app, pilot)
        await hands.press()
        assert " ".join(shown(app)[3].split()) == "· B1-000002 HL-6-0118 HL-2041 rejected reviewed 2026-11-22 0"
        await hands.press("down", "enter")
        beside = [row[46:].strip() for row in shown(app)[:4]]
        assert (beside[0].split()[0], beside[1].split()[0]) == ("B1-000002", "HL-6-0118")
        assert beside[2:] == ["order HL-2041", "Decided again: the same"]


def shown(app) -> list[str]:
    return ["".join(piece.text for piece in strip) for strip in app.screen._compositor.render_strips()]


# Traces ------------------------------------------------------------------------------------------


def test_no_peak_of_a_trace_is_lost_and_a_long_silence_stays_one():
    """Every column between its neighbours has what was seen there."""
    drawn = accepted_page("B1-000001").attempts[0].trace
    whole = trace_of(drawn, "whole", 60)
    assert max(high for low, high in filter(None, whole.columns)) == max(p for _, p in drawn.points)
    assert None not in whole.columns
    silent = drawn.model_copy(update={"points": tuple(one for one in drawn.points if not 40 < one[0] < 60)})
    assert None in trace_of(silent, "whole", 60).columns
    assert trace_of(drawn, "hold", 60).caption == "hold of 61 s, psi"


def test_a_stage_without_a_hold_or_readings_says_so():
    """Stopped before its hold; lost at once."""
    drawn = accepted_page("B1-000001").attempts[0].trace
    assert trace_of(drawn.model_copy(update={"hold": None}), "hold", 60).caption == "no hold"
    assert trace_of(drawn.model_copy(update={"points": ()}), "whole", 60).caption == "no readings"


# How they look -----------------------------------------------------------------------------------


def test_the_queue_at_132_by_44(snap_compare):
    """Looked at."""
    assert snap_compare(ReviewApp(FakeDesk()), terminal_size=(132, 44), run_before=_settled())


def test_a_rejected_run_at_132_by_44(snap_compare):
    """Looked at."""
    assert snap_compare(ReviewApp(FakeDesk()), terminal_size=(132, 44), run_before=_settled("down", "enter"))


def test_a_release_is_asked_for_at_132_by_44(snap_compare):
    """Looked at."""
    assert snap_compare(ReviewApp(FakeDesk()), terminal_size=(132, 44), run_before=_settled("enter", "r"))


def _settled(*keys: str):
    async def before(pilot):
        hands = Hands(None, pilot)
        await hands.press()
        for key in keys:
            await hands.press(key)
        pilot.app.screen.query(Input).set(disabled=False)
        for one in pilot.app.screen.query(Input):
            one.cursor_blink = False
        await pilot.pause()

    return before


def test_what_is_asked_is_what_the_desk_is_asked(monkeypatch):
    """The fake desk offers what the real one does."""
    from testbench.station.review_models import ReviewDesk

    asked = {name for name in vars(ReviewDesk) if not name.startswith("_")}
    assert asked == {name for name in asked if callable(getattr(FakeDesk, name, None))}
    assert len(queue().lines) == 4
