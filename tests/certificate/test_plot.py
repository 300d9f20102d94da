"""Thinning for drawing keeps what matters."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from testbench.certificate.axes import figures, ticks
from testbench.certificate.plot import Panel, _within, thinned


@given(seed=st.integers(0, 10_000), count=st.integers(2, 4000), columns=st.integers(10, 400))
def test_thinning_keeps_ends_lowest_and_highest(seed: int, count: int, columns: int) -> None:
    """A dip of one sample must not vanish from the curve."""
    random = np.random.default_rng(seed)
    times = np.cumsum(random.uniform(0.05, 0.15, count))
    pressures = random.normal(500, 1, count)
    kept_times, kept = thinned(times, pressures, columns)
    assert (kept.min(), kept.max()) == (pressures.min(), pressures.max())
    assert (kept_times[0], kept_times[-1]) == (times[0], times[-1])
    assert len(kept) <= max(2 * columns + 2, count if count <= 2 * columns else 0)
    assert (np.diff(kept_times) > 0).all()


@given(since=st.floats(-5, 30), lasting=st.floats(0.5, 40), count=st.integers(1, 300))
def test_a_panel_is_given_what_it_shows_and_one_sample_on_either_side(since: float, lasting: float, count: int) -> None:
    """What lies further away would be clipped; the line still comes in and goes out where it did."""
    times = 0.1 * np.arange(count)
    panel = Panel(0, 0, 100, 50, since, since + lasting, 0, 1)
    kept, _ = _within(panel, times, times)
    shown = times[(times >= panel.t0) & (times <= panel.t1)]
    assert set(shown) <= set(kept)
    assert 1 <= len(kept) <= len(shown) + 2
    assert kept[0] == times[0] or kept[0] < panel.t0 or len(shown) == 0
    assert kept[-1] == times[-1] or kept[-1] > panel.t1 or len(shown) == 0


def test_an_axis_has_round_numbers() -> None:
    """Steps of 1, 2 or 5 times a power of ten."""
    assert ticks(0, 627, 4) == [0, 200, 400, 600]
    assert ticks(499.2, 511.7, 4) == [500, 505, 510]
    assert ticks(-0.4, 1.2, 4) == [0.0, 0.5, 1.0]


def test_the_figures_of_an_axis_share_their_decimals() -> None:
    """Half steps: 35.0 beside 34.5, never 35; a true minus."""
    assert figures([34.5, 35.0, 35.5]) == ["34.5", "35.0", "35.5"]
    assert figures([0.0, 200.0, 400.0]) == ["0", "200", "400"]
    assert figures([-0.25, 0.0]) == ["−0.25", "0.00"]
    assert figures([]) == []
