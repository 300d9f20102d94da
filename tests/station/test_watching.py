"""What is told of the line of a channel that is watched."""

import pytest

from testbench.framing.readings import Reading
from testbench.station.acquisition import Arrived, Polled, PortOpened
from testbench.station.watching import Watch


def watched(bench, arrivals: list[float]) -> Watch:
    watch = Watch(bench.channel)
    watch.take(PortOpened(0.0, ""))
    watch.take(Arrived(0.0, b"\r\n"))
    for number, at_s in enumerate(arrivals):
        watch.take(Arrived(at_s, f"{250 + number % 7 / 100:+08.2f}\r\n".encode()))
    return watch


def test_the_derived_line_of_the_arrivals_is_told(bench):
    """Ten a second by a clock that is 100 ppm slow, every fourth 6 ms late."""
    watch = watched(bench, [1 + 0.10001 * n + (0.006 if n % 4 == 0 else 0) for n in range(1_000)])
    found = watch.facts()["sample_time"]
    assert found["derived"] == "by line fit"
    assert found["period_s"] == pytest.approx(0.10001, abs=2e-7)
    assert (found["samples"], found["missing"], found["nominal_hz"]) == (1_000, 0, 10.0)
    assert found["drift_ppm"] == pytest.approx(100, abs=2)
    assert found["residual_rms_s"] == pytest.approx(0.003, abs=1e-4)
    assert found["residual_max_s"] == pytest.approx(0.006, abs=2e-4)


def test_an_unusual_rate_has_no_drift(bench):
    """Eleven a second: against what?"""
    found = watched(bench, [1 + n / 11 for n in range(100)]).facts()["sample_time"]
    assert (found["nominal_hz"], found["drift_ppm"]) == (None, None)


@pytest.mark.parametrize("arrivals", [[], [1.0], [1 + n / 10 for n in range(19)]])
def test_of_few_arrivals_no_line_is_told(bench, arrivals):
    """The other figures are."""
    facts = watched(bench, arrivals).facts()
    assert (facts["values"], facts["sample_time"]) == (len(arrivals), None)


def test_of_a_polled_channel_no_line_is_told(bench):
    """It has no clock of its own; what answers take is told instead."""
    watch = Watch(bench.channel)
    for number in range(100):
        watch.take(Polled(1 + number / 10, 1 + number / 10 - 0.02, Reading(25_000 + number % 7)))
    assert watch.facts()["sample_time"] is None
    assert watch.facts()["slowest_answer_s"] == pytest.approx(0.02)
