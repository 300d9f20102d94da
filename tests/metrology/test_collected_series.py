"""Several readings of one vessel that fills: the rate after the drain-down, and whether it was steady."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import TooFewPointsError
from testbench.metrology.leakage import (
    CollectedRate,
    CollectedSeries,
    TimedVolume,
    VesselReading,
    agree,
    collected_rate,
    collected_series,
    pooled_rate,
)
from testbench.quantities import LeakageRate, Volume


def ml(number: float | str | Fraction) -> Volume:
    return Volume.of(number, "mL")


def series(*pairs: tuple[float, float], settle_s: float = 0, u: str = "0.2", u_s: float = 1.0) -> CollectedSeries:
    return collected_series([VesselReading(at, ml(amount)) for at, amount in pairs], ml(u), u_s, settle_s=settle_s)


def test_an_empty_vessel_filled_once_is_the_plain_collection():
    """0 mL at 0 s, 60 mL at 30 s: the rate and U of one timed collection, since an empty vessel is known exactly."""
    found = series((0, 0), (30, 60), u="1")
    assert found.found == collected_rate(ml(60), ml(1), 30, 1)
    assert found.steady
    assert found.halves is None


def test_between_two_contents_both_readings_count():
    """From 7 to 22 mL in 180 s: 300 mL/h, U_V is √2 × 0.2 mL."""
    found = series((60, 7), (240, 22))
    assert found.found.rate == LeakageRate.of(300, "mL/h")
    of_volume, of_time = math.sqrt(2) * 0.2 / 180 * 3600, 300 / 180
    assert found.found.expanded_uncertainty.to("mL/h") == pytest.approx(math.hypot(of_volume, of_time))


DRAINING = ((0, 0), (60, 7), (120, 12), (180, 17), (240, 22))


@pytest.mark.parametrize(("settle_s", "left_out", "rate"), [(0, 0, 330), (60, 1, 300), (60.1, 2, 300), (180, 3, 300)])
def test_what_drains_down_is_left_out(settle_s, left_out, rate):
    """7 mL in the first minute, then 5 mL a minute; a reading at the very end of the settle period counts."""
    found = series(*DRAINING, settle_s=settle_s)
    assert (found.left_out, found.readings) == (left_out, 5 - left_out)
    assert found.found.rate == LeakageRate.of(rate, "mL/h")


def test_a_rate_that_still_falls_is_told():
    """360 mL/h in the first half, 300 in the second, each known to a few mL/h: still draining down."""
    found = series(*DRAINING)
    assert not found.steady
    assert found.reason == "the rate went from 360.00 mL/h to 300.00 mL/h: still draining down"
    assert series(*DRAINING, settle_s=60).reason == ""


def test_a_rate_that_rises_is_told():
    """A leak that opens."""
    assert series((0, 0), (60, 5), (120, 15)).reason == "the rate went from 300.00 mL/h to 600.00 mL/h: the leak grows"


@pytest.mark.parametrize(("second", "steady"), [("10.6", True), ("11.0", False)])
def test_halves_agree_within_both_uncertainties(second, steady):
    """5 mL, then 5.6 or 6.0 mL in a minute each; U 12 and 17 mL/h of volume, 5 and 5.6 to 6 of time: 22 mL/h together
    allow 5.36 mL at the most, so a rougher vessel (0.5 mL) is used: 54 mL/h allow 5.9 mL.
    """
    assert series((0, 0), (60, 5), (120, float(second)), u="0.5").steady == steady


def test_readings_within_the_settle_period_alone_say_nothing():
    """Two readings after it are the least."""
    with pytest.raises(TooFewPointsError) as refused:
        series(*DRAINING, settle_s=200)
    assert str(refused.value) == "Collected leakage: found 1 readings after 200 s; needed at least two."


@given(st.integers(1, 500), st.lists(st.integers(1, 120), min_size=2, max_size=12), st.sampled_from([0, 1_700_000_000]))
def test_a_steady_leak_is_found_on_any_clock(ml_per_h, waits, start_s):
    """A constant rate read at irregular times is that rate, and steady."""
    at_s = [start_s]
    for wait in waits:
        at_s.append(at_s[-1] + wait)
    readings = [VesselReading(at, ml(Fraction(ml_per_h * (at - start_s), 3600))) for at in at_s]
    found = collected_series(readings, ml("0.01"), 0.0)
    assert found.found.rate == LeakageRate.of(ml_per_h, "mL/h")
    assert found.steady


# Several collections ------------------------------------------------------------------------------


@pytest.mark.parametrize(("second", "agrees"), [("15", True), ("15.000001", False), ("5", True), ("4.999999", False)])
def test_two_results_agree_up_to_the_root_of_the_sum_of_the_squares(second, agrees):
    """U = 3 and 4 mL/h: 5 mL/h apart at the most, either way (En score of ISO 13528, from memory)."""
    first = CollectedRate(LeakageRate.of(10, "mL/h"), LeakageRate.of(3, "mL/h"))
    other = CollectedRate(LeakageRate.of(second, "mL/h"), LeakageRate.of(4, "mL/h"))
    assert agree(first, other) is agree(other, first) is agrees


def test_collections_are_pooled_as_volumes_and_times():
    """3 mL in 100 s and 6 mL in 200 s: 9 mL in 300 s; U of the volumes adds up, that of the times by its squares."""
    caught = [TimedVolume(ml(3), ml("0.1"), 100), TimedVolume(ml(6), ml("0.2"), 200)]
    found = pooled_rate(caught, 1.0)
    assert found.rate == LeakageRate.of(108, "mL/h")
    of_volume, of_time = 0.3 / 300 * 3600, 108 * math.sqrt(2) / 300
    assert found.expanded_uncertainty.to("mL/h") == pytest.approx(math.hypot(of_volume, of_time))


def test_one_collection_pooled_is_that_one():
    """To the last digit."""
    assert pooled_rate([TimedVolume(ml("1.3"), ml("0.1"), 40.0)], 1.0) == collected_rate(
        ml("1.3"), ml("0.1"), 40.0, 1.0
    )
