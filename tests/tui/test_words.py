"""What the large type says in each state, and how numbers are cut down to size."""

import pytest
import tui_scenes as scenes
from tui_scenes import stage_view, update

from testbench.run.machine import Phase
from testbench.station import messages as m
from testbench.tui import picture
from testbench.tui.conversation import Mode
from testbench.tui.glyphs import BIG, WORD
from testbench.tui.widgets.pressure import fitted
from testbench.tui.words import Heard, band, beside, clock, reading, short

HEARD = Heard(connected=True, silent_s=0.1)


@pytest.mark.parametrize("phase", [phase for phase in Phase if phase is not Phase.CLOSED])
def test_every_phase_has_a_word_and_a_shape(phase):
    """No phase is told by colour alone."""
    found = band(update(stage=stage_view(phase=phase)), HEARD, Mode.WATCHING)
    assert found.word
    assert found.shape
    assert found.beside == ("shell", "test")


def test_no_two_phases_under_way_look_alike():
    """Word, shape and fill together; releasing to vent and depressurizing share the shape, not the word."""
    seen = [band(update(stage=stage_view(phase=phase)), HEARD, Mode.WATCHING).word for phase in list(Phase)[:-1]]
    assert len(set(seen)) == len(seen)


@pytest.mark.parametrize(
    ("scene", "word", "shape"),
    [
        (scenes.rejected, "Rejected", "rejected"),
        (scenes.accepted_run, "Accepted", "accepted"),
        (scenes.choosing, "Ready", "choose"),
        (scenes.lost, "No signal", "warning"),
    ],
)
def test_a_verdict_is_the_word_of_the_band(scene, word, shape):
    """Accepted and rejected differ in word, shape and lightness."""
    found = band(scene(), HEARD, Mode.WATCHING)
    assert (found.word, found.shape) == (word, shape)


def test_a_closed_stage_without_a_finding_is_void():
    """Void is no verdict and does not look like one."""
    assert band(update(stage=stage_view(phase=Phase.CLOSED, ended="stopped")), HEARD, Mode.WATCHING).word == "Void"


def test_a_tripped_stage_says_so_while_its_pressure_is_released():
    """Not the calm word of an ordinary release."""
    tripped = stage_view(phase=Phase.DEPRESSURIZING, ended="tripped")
    assert band(update(stage=tripped), HEARD, Mode.WATCHING).word == "Tripped"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0:00"), (0.01, "0:01"), (59.2, "1:00"), (60.0, "1:00"), (61.0, "1:01"), (600.0, "10:00")],
)
def test_time_left_is_rounded_up(seconds, text):
    """0:00 is shown only when nothing is left."""
    assert clock(seconds) == text


@pytest.mark.parametrize(
    ("number", "text"), [(501.0, "501"), (501.25, "501.25"), (500.1, "500.1"), (5.0, "5"), (0.0, "0")]
)
def test_a_limit_loses_only_the_zeros_at_its_end(number, text):
    """Fewer signs, the same limit."""
    assert short(number, 2) == text


@pytest.mark.parametrize(
    ("number", "text", "size"),
    [
        ("507.34", "507.34", BIG),
        ("1007.34", "1007.3", BIG),
        ("1000.96", "1000.9", BIG),
        ("10007.34", "10007.34", WORD),
    ],
)
def test_a_number_gives_up_a_decimal_before_its_size(number, text, size):
    """The decimal is cut off, never rounded up over a limit."""
    assert fitted(number, 72, 8) == (text, size)


def test_while_collecting_the_collection_is_timed_and_the_hold_is_said_beside_it():
    """Two times run; the one that the operator acts on is large."""
    found = beside(scenes.collecting(), HEARD, Mode.WATCHING)
    assert (found.caption, found.number, found.detail) == ("collect", "0:42", "hold 0:37 left of 1:00")


def test_before_collecting_the_draining_is_timed():
    """Until the vessel may be put under."""
    draining = stage_view(collect_left_s=12.0)
    assert beside(update(stage=draining), HEARD, Mode.WATCHING).caption == "drain"


def test_steadiness_is_shown_against_its_limit_and_rounded_up():
    """3.11 is not shown as 3.1: the number never claims to be steadier than it is."""
    found = beside(scenes.stabilizing(), HEARD, Mode.WATCHING)
    assert (found.caption, found.number) == ("change ≤2.5", "3.2")


def test_an_unknown_rate_is_no_zero():
    """Until the window is full there is no rate."""
    unknown = stage_view(phase=Phase.STABILIZING, change_per_min=None, change_bound_per_min=None)
    assert beside(update(stage=unknown), HEARD, Mode.WATCHING).number == "––"


def test_while_pressure_is_released_the_safe_limit_is_the_caption():
    """What the operator waits for."""
    assert reading(scenes.depressurizing(), HEARD).caption == "psi  safe below 5"


@pytest.mark.parametrize(("pressure", "said"), [(504.8, "PT-102 504.80 psi"), (None, "PT-102 no reading")])
def test_other_channels_stand_small_at_the_foot(pressure, said):
    """They decide nothing: no large type, and a blank where there is no reading."""
    signal = m.Signal(state="good" if pressure else "stale", pressure=pressure, unit="psi", decimals=2)
    told = update(beside=(m.ChannelBeside(tag="PT-102", signal=signal),))
    assert picture.status(told).where.startswith(f"bench B1   {said}   ")
