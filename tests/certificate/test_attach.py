"""The readings of a stage as an attached table: every integer comes back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from testbench.certificate.attach import csv_of, trace_of
from testbench.run.samples import Sample, Scale, Trace

SCALE = Scale(unit="psi", decimals=2, zero_millicounts=8250)


def test_a_reading_is_a_line():
    """Time and corrected pressure for a person, the exact integers for whoever judges again."""
    trace = Trace.of([Sample(10_000, 25_013), Sample(11_002, 25_014)])
    assert csv_of(trace, SCALE).decode() == (
        "time_s,pressure_psi,ticks,counts\n1.0000,250.0475,10000,25013\n1.1002,250.0575,11002,25014\n"
    )


def test_a_reading_that_was_asked_for_has_a_fifth_column():
    """When; the first four are as ever."""
    trace = Trace.of([Sample(10_000, 25_013, 9_800), Sample(11_002, 25_014, 10_810)])
    assert csv_of(trace, SCALE).decode() == (
        "time_s,pressure_psi,ticks,counts,asked_ticks\n"
        "1.0000,250.0475,10000,25013,9800\n1.1002,250.0575,11002,25014,10810\n"
    )


def traces_of(n: int) -> st.SearchStrategy[Trace]:
    column = arrays(np.int64, n, elements=st.integers(-(10**12), 10**12))
    return st.builds(Trace, column, column, asked=st.none() | column)


@given(st.integers(0, 20).flatmap(traces_of))
def test_the_table_gives_back_the_very_trace(trace):
    """The hash is the same, with and without queries, and of none at all."""
    assert trace_of(csv_of(trace, SCALE)).sha256() == trace.sha256()


@pytest.mark.parametrize("line", ["1.0,2.0,3", "1.0,2.0,3,4,5", "1.0,2.0,3,four", ""])
def test_a_table_with_another_line_is_refused(line):
    """A cell too few, too many, or no integer."""
    whole = csv_of(Trace.of([Sample(10_000, 25_013)]), SCALE)
    with pytest.raises(ValueError, match=r"not 4 numbers in each line|invalid literal for int"):
        trace_of(whole + f"{line}\n".encode())
