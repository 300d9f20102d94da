"""What a screen is told of a trace: few points, every peak."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from testbench.run.samples import Trace
from testbench.station.view import thinned


@given(st.lists(st.integers(-9, 9), min_size=1, max_size=300), st.integers(2, 40))
def test_a_thinned_trace_keeps_order_and_peaks(counts, most):
    """Smallest and largest stay; it is as short as was asked for, but for the last portion."""
    trace = Trace(np.arange(len(counts)), np.array(counts))
    kept = thinned(trace, most)
    assert len(kept) <= most + 2
    assert np.all(np.diff(kept.at) > 0)
    assert np.array_equal(kept.counts, trace.counts[kept.at])
    assert (kept.counts.min(), kept.counts.max()) == (min(counts), max(counts))
