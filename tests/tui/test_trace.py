"""The trace on the screen: bounded, with every peak, and silence drawn as silence."""

import tui_scenes as scenes
from hypothesis import given
from hypothesis import strategies as st
from tui_scenes import app_with, update

from testbench.tui import picture
from testbench.tui.trace_memory import MOST_POINTS, TraceMemory, joined, thinned
from testbench.tui.widgets.trace import Line, Trace, scale_for

PRESSURES = st.lists(st.floats(0, 1000, allow_nan=False), min_size=1, max_size=200)


def memory(points):
    kept = TraceMemory()
    kept.take(points, complete=True)
    return kept


@given(PRESSURES)
def test_no_peak_is_lost_in_columns(pressures):
    """The highest and the lowest of all samples are on the screen."""
    points = [(100 + at / 10, value) for at, value in enumerate(pressures)]
    columns = [one for one in memory(points).columns(100.0, 121.0, 30) if one]
    assert min(low for low, _ in columns) == min(pressures)
    assert max(high for _, high in columns) == max(pressures)


@given(PRESSURES)
def test_thinning_keeps_every_peak_and_the_order(pressures):
    """Lowest and highest of each four."""
    points = [(float(at), value) for at, value in enumerate(pressures)]
    kept = thinned(points)
    assert {min(pressures), max(pressures)} <= {value for _, value in kept}
    assert kept == sorted(kept)


def test_the_memory_is_bounded_and_a_spike_survives():
    """A whole shift leaves the screen no larger."""
    kept = TraceMemory()
    for second in range(2000):
        value = 900.0 if second == 3 else 500.0
        kept.take([(second + tenth / 20, value if tenth == 7 else 500.0) for tenth in range(20)], complete=False)
        assert len(kept.points) <= MOST_POINTS
    assert max(value for _, value in kept.points) == 900.0


def test_a_whole_trace_replaces_what_was_kept():
    """After attaching, the recorder's trace counts."""
    kept = memory([(1.0, 1.0), (2.0, 2.0)])
    kept.take([(1.5, 7.0)], complete=True)
    assert kept.points == [(1.5, 7.0)]


def test_time_that_goes_back_is_another_run():
    """The clock begins at the run; the last run's trace goes."""
    kept = memory([(500.0, 1.0)])
    kept.take([(0.1, 2.0)], complete=False)
    assert kept.points == [(0.1, 2.0)]


def test_columns_keep_their_raster_while_the_window_moves():
    """Otherwise a peak would flicker."""
    points = [(at / 10, float(at % 7)) for at in range(1000)]
    whole = memory(points)
    first = whole.columns(0.0, 60.0, 60)
    moved = whole.columns(1.0, 61.0, 60)
    assert moved[:59] == first[1:]


def test_a_short_pause_is_bridged_and_a_long_one_stays_empty():
    """Silence is drawn as silence."""
    columns = [(5.0, 5.0), None, (7.0, 7.0), None, None, None, (6.0, 6.0)]
    assert joined(columns, bridge=1) == [(5.0, 5.0), (5.0, 5.0), (5.0, 7.0), None, None, None, (6.0, 6.0)]


@given(rows=st.integers(3, 40), limit=st.floats(10, 1000), above=st.floats(0, 50), zoomed=st.booleans())
def test_the_limit_lies_in_the_middle_of_a_row_where_its_line_is_drawn(rows, limit, above, zoomed):
    """What is above the line on the screen was above the limit."""
    trace = Trace(((limit, limit + above),), (Line(limit, "", "limit"),), zoomed=zoomed, caption="")
    scale = scale_for(trace, rows)
    assert round(scale.eighths(limit), 6) % 8 == 4
    assert scale.eighths(limit + 0.001) > scale.eighths(limit)
    if zoomed:
        assert scale.eighths(limit + above) <= 8 * rows


def test_the_whole_hold_is_in_sight_while_it_runs():
    """It fills from the left; the right edge is the end of the hold."""
    scene = scenes.holding()
    kept = memory(scene.trace)
    drawn = picture.trace(scene, kept, 60)
    filled = [at for at, column in enumerate(drawn.columns) if column]
    assert (min(filled), max(filled)) == (0, 23)
    assert drawn.zoomed
    assert [(line.label, line.name) for line in drawn.lines] == [("501", "limit"), ("550", "upper")]


async def test_a_stage_that_is_attached_to_late_is_drawn_whole(link, hand):
    """The screen may be started in the middle of a hold."""
    link.inbox = [scenes.holding()]
    app = app_with(link, hand)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.pause()
        link.inbox = [update(trace=((214.1, 507.4),), trace_complete=False)]
        app.tick()
        assert len(app.memory.points) == len(scenes.trace()) + 1
        assert any(app.screen.query_one("#trace").value.columns)
