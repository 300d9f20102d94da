"""How the screen looks, frozen. After an intended change: pytest tests/tui --snapshot-update, then look at them."""

import shutil

import pytest
import tui_scenes as scenes
from tui_scenes import FakeLink, Hand, app_with

from testbench.tui.keys import offered
from testbench.tui.widgets.key_bar import SMALLEST, KeyBar


def looked_at(snap_compare, scene, size=(120, 36), keys=()):
    app = app_with(FakeLink(scene), Hand())

    async def before(pilot):
        await pilot.pause()
        app.tick()
        await pilot.press(*keys)
        await pilot.pause()
        app.tick()
        await pilot.pause()

    return snap_compare(app, terminal_size=size, run_before=before)


@pytest.mark.parametrize("name", list(scenes.SCENES))
def test_each_state_at_120_by_36(snap_compare, name):
    """The size for 3 m."""
    assert looked_at(snap_compare, scenes.SCENES[name]())


@pytest.mark.parametrize("name", ["choosing", "filling", "holding", "lost", "lost_stage", "rejected"])
def test_each_state_at_80_by_24(snap_compare, name):
    """Smaller type, nothing left out that counts."""
    assert looked_at(snap_compare, scenes.SCENES[name](), size=(80, 24))


@pytest.mark.parametrize(
    ("name", "keys"),
    [
        ("observing", ("f4", "down", "down")),
        ("volume_owed", ("f2", "1", "2", ".", "5")),
        ("holding", ("f10",)),
        ("choosing", (*"HL-6-0118", "enter")),
    ],
    ids=["place of a leak", "volume", "first press of stop", "scanned"],
)
def test_what_the_keys_open(snap_compare, name, keys):
    """Lists, entries and questions."""
    assert looked_at(snap_compare, scenes.SCENES[name](), keys=keys)


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 36), (160, 45), (60, 20)])
@pytest.mark.parametrize("name", ["choosing", "filling", "holding", "observing", "rejected"])
async def test_the_keys_and_the_pressure_are_on_the_screen_at_every_size(size, name):
    """Whatever the recorder has to say, it pushes neither off."""
    app = app_with(FakeLink(scenes.SCENES[name]()), Hand())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.pause()
        for part in ("#band", "#pressure", "#keys", "#status"):
            region = app.screen.query_one(part).region
            assert region.height > 0, part
            assert region.bottom <= size[1], part
        assert not app.screen.query_one("#guidance").region.overlaps(app.screen.query_one("#foot").region)


@pytest.mark.parametrize("columns", [80, 100, 110, 120, 160])
def test_the_two_answers_to_an_observation_are_equally_large(columns):
    """A larger key would suggest an answer."""
    keys = offered(scenes.observing())
    small = [at <= SMALLEST for at in KeyBar(keys, id="keys")._widths(columns)]
    assert [key.key for key in keys] == ["f3", "f4", "f10"]
    assert small[0] == small[1]


@pytest.mark.skipif(shutil.which("chromium") is None, reason="Chromium is not installed")
def test_the_picture_of_the_readme_can_be_drawn(tmp_path):
    """As the comment at the head of tui_scenes.py says."""
    scenes.picture(scenes.holding(), tmp_path / "screen.png")
    assert (tmp_path / "screen.png").read_bytes().startswith(b"\x89PNG")


def test_the_pin_under_its_statement(snap_compare):
    """Dots and the statement that is signed with them."""
    from test_pin import UNSIGNED, to_sign

    assert looked_at(snap_compare, to_sign(UNSIGNED[0]), keys=("f7",))
