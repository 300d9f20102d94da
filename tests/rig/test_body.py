"""How stiff the simulated bodies are, against the worked tables of the measurement derivation."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import SizeUnknownError
from testbench.rig.body import ATMOSPHERE_PSI, IRON_PER_K, WATER_PER_K, Body

# Our derivation: closed volume, C = V [(1-φ) κ + 1/K_shell + φ/P]; bodies of the same assumed proportions, IF97 water
# at 20 °C. Columns: volume L, C mL/psi at 250 psi without air, decay psi/min at 1 US fl oz/h/in, β psi/K.
DECAY = {
    "3": (1.48, 0.0056, 262, 45.9),
    "4": (2.97, 0.0117, 168, 44.1),
    "6": (7.78, 0.0333, 88.7, 40.8),
    "8": (15.2, 0.0674, 58.5, 39.3),
    "10": (26.8, 0.1188, 41.5, 39.4),
    "12": (41.5, 0.1903, 31.1, 38.1),
}
# C(φ0)/C(0) for NPS 6 with 0.1, 0.5, 1, 2 and 5 % free air, by gauge pressure.
AIR = {
    50: (1.82, 5.09, 9.18, 17.4, 41.9),
    100: (1.26, 2.30, 3.60, 6.20, 14.0),
    150: (1.13, 1.63, 2.26, 3.53, 7.31),
    250: (1.05, 1.24, 1.49, 1.98, 3.45),
    500: (1.01, 1.06, 1.13, 1.26, 1.65),
}
FL_OZ_ML = 29.5735


@pytest.mark.parametrize("nps", DECAY)
def test_a_bigger_body_takes_more_water_for_the_same_pressure(nps):
    """Volume, compliance, decay rate and thermal pressure agree with the table to its last digit."""
    litres, compliance, decay, per_kelvin = DECAY[nps]
    body = Body.of(nps)
    found = body.compliance(body.volume_ml, 0.0, 250.0)
    assert body.volume_ml / 1000 == pytest.approx(litres, rel=0.005)
    assert found == pytest.approx(compliance, rel=0.01)
    assert FL_OZ_ML * float(nps) / 60 / found == pytest.approx(decay, rel=0.005)
    assert (WATER_PER_K - IRON_PER_K) * body.volume_ml / found == pytest.approx(per_kelvin, rel=0.005)


@pytest.mark.parametrize("psi", AIR)
def test_trapped_air_makes_a_body_soft_and_most_so_at_low_pressure(psi):
    """The ratio to an air-free body agrees with the table within 1 %; the cavity is topped up at pressure."""
    body = Body.of("6")
    without = body.compliance(body.volume_ml, 0.0, psi)
    for share, ratio in zip((0.001, 0.005, 0.01, 0.02, 0.05), AIR[psi], strict=True):
        air_ml = share * body.volume_ml
        water_ml = body.volume_ml - air_ml * ATMOSPHERE_PSI / (ATMOSPHERE_PSI + psi)
        assert body.compliance(water_ml, air_ml, psi) / without == pytest.approx(ratio, rel=0.01)


@given(
    nps=st.sampled_from(sorted(DECAY)),
    share=st.floats(0, 0.1),
    psi=st.floats(0, 2000),
    body_k=st.floats(-5, 5),
    heated_k=st.floats(0, 0.2),
)
def test_the_pressure_found_is_the_one_at_which_water_and_air_fill_the_cavity(nps, share, psi, body_k, heated_k):
    """Compliance is the slope of the law that gives the pressure (2 %: the added water is itself compressed)."""
    body = Body.of(nps)
    air_ml = share * body.volume_ml
    warm = {"body_k": body_k, "water_k": body_k + heated_k}
    start = body.water_beside(air_ml, **warm)
    assert body.pressure(start, air_ml, **warm) == pytest.approx(0.0, abs=1e-6)
    added = start + psi * body.volume_ml * 4e-6
    found = body.pressure(added, air_ml, **warm)
    step = body.compliance(added, air_ml, found) * 1e-3
    assert body.pressure(added + step, air_ml, **warm) - found == pytest.approx(1e-3, rel=0.02)


@given(nps=st.sampled_from(sorted(DECAY)), water=st.floats(0, 1), body_k=st.floats(-5, 5))
def test_air_and_water_beside_each_other_are_the_same_rule_read_both_ways(nps, water, body_k):
    """The air that fits beside some water leaves room for just that water."""
    body = Body.of(nps)
    warm = {"body_k": body_k, "water_k": body_k}
    water_ml = 0.99 * water * body.volume_ml
    assert body.water_beside(body.air_beside(water_ml, **warm), **warm) == pytest.approx(water_ml, abs=1e-6)


def test_a_size_without_a_body_is_refused():
    """Sizes are looked up, never extrapolated."""
    with pytest.raises(SizeUnknownError) as refusal:
        Body.of("5")
    assert str(refusal.value) == "Size NPS 5 is not in the rig's table of bodies; it holds 3, 4, 6, 8, 10, 12."
