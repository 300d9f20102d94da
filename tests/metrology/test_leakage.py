"""A timed collection and its uncertainty."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.leakage import DropConvention, collected_rate
from testbench.quantities import LeakageRate, Volume


def ml(number: float | str | Fraction) -> Volume:
    return Volume.of(number, "mL")


def test_a_collection_worked_by_hand():
    """60 mL (U = 1 mL) in 30 s (U = 1 s), by Q = V/t and u²(Q) = (u_V/t)² + (Q·u_t/t)².

    Q = 2 mL/s = 7200 mL/h. U = √((1/30)² + (2 × 1/30)²) = √5/30 mL/s = 0.0745356 mL/s = 268.328 mL/h.
    """
    found = collected_rate(ml(60), ml(1), 30, 1)
    assert found.rate == LeakageRate.of(7200, "mL/h")
    assert found.expanded_uncertainty.to("mL/h") == pytest.approx(268.32815729997, rel=1e-12)
    assert found.rate.text(0) == "7200 mL/h"
    assert found.expanded_uncertainty.unit == "mL/h"


def test_with_an_exact_clock_only_the_vessel_counts():
    """U_t = 0: U = U_V / t."""
    assert collected_rate(ml(60), ml(1), 30, 0).expanded_uncertainty.to("mL/h") == pytest.approx(120)


def test_with_an_exact_vessel_only_the_clock_counts():
    """U_V = 0: U/Q = U_t/t."""
    found = collected_rate(ml(60), ml(0), 30, 1)
    assert found.expanded_uncertainty.ratio(found.rate) == pytest.approx(1 / 30)


def test_nothing_collected_still_has_the_uncertainty_of_the_vessel():
    """An empty vessel is a rate of zero, known as well as the vessel can be read."""
    found = collected_rate(ml(0), ml("0.5"), 60, 1)
    assert found.rate == LeakageRate.zero("mL/h")
    assert found.expanded_uncertainty.to("mL/h") == pytest.approx(30)


def test_a_simulation_of_the_collection_spreads_as_the_budget_says():
    """100 000 simulated collections (NumPy, fixed seed) scatter by U/2, to within 2 %."""
    rng = np.random.default_rng(20250117)
    rates = rng.normal(60, 0.5, 100_000) / rng.normal(30, 0.5, 100_000) * 3600
    assert np.std(rates) == pytest.approx(
        collected_rate(ml(60), ml(1), 30, 1).expanded_uncertainty.to("mL/h") / 2, rel=0.02
    )


volumes = st.fractions(Fraction(1, 10), 1000, max_denominator=100)
uncertainties = st.fractions(Fraction(1, 100), 10, max_denominator=100)
seconds = st.integers(10, 600)


@given(volume=volumes, of_volume=uncertainties, time=seconds, of_time=st.integers(0, 5))
def test_relative_uncertainties_add_in_squares(volume: Fraction, of_volume: Fraction, time: int, of_time: int):
    """For a quotient of uncorrelated inputs (U/Q)² = (U_V/V)² + (U_t/t)²: the GUM's rule in its other form."""
    found = collected_rate(ml(volume), ml(of_volume), time, of_time)
    relative = float(found.expanded_uncertainty.ratio(found.rate))
    assert relative**2 == pytest.approx(float((of_volume / volume) ** 2 + Fraction(of_time, time) ** 2))


@given(volume=volumes, of_volume=uncertainties, time=seconds, longer=st.integers(1, 600))
def test_collecting_longer_measures_better(volume: Fraction, of_volume: Fraction, time: int, longer: int):
    """The same leak caught for longer has a smaller uncertainty."""
    caught_longer = volume * (time + longer) / time
    short = collected_rate(ml(volume), ml(of_volume), time, 1)
    long = collected_rate(ml(caught_longer), ml(of_volume), time + longer, 1)
    assert long.rate == short.rate
    assert long.expanded_uncertainty < short.expanded_uncertainty


@pytest.mark.parametrize(("drops", "per_ml", "volume"), [(16, 16, "1"), (8, 16, "0.5"), (0, 16, "0"), (20, 20, "1")])
def test_drops_mean_nothing_without_their_convention(drops: int, per_ml: int, volume: str):
    """16 drops are 1 mL by the convention of API 598; by the 20 drops of a pharmacy they would be 0.8 mL."""
    assert DropConvention(per_ml).volume(drops) == ml(volume)
