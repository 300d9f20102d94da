"""What a moment does to the rig."""

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbench.rig.body import ATMOSPHERE_PSI
from testbench.rig.physics import DRIP_ML_S, Leak, MountedValve, RigPhysics, RigSettings, Side
from testbench.rig.valves import ORDERED

QUIET = RigSettings(drift_k_per_min=0.0, heating_k_per_psi=0.0, dissolving_s=math.inf)
TIGHT = MountedValve("X-1", "6", trapped=(0.0,))


def filled(valve: MountedValve, settings: RigSettings = QUIET) -> RigPhysics:
    """Filled, vented, closed."""
    rig = RigPhysics(settings)
    rig.mount(valve)
    rig.release_open = False
    vented(rig)
    return rig


def vented(rig: RigPhysics) -> None:
    rig.supply_on = True
    while rig.look()["vent"] != "solid":
        rig.step(0.1)
    rig.supply_on = False
    rig.set_vent(is_open=False)


def at(psi: float, valve: MountedValve, settings: RigSettings = QUIET) -> RigPhysics:
    """At pressure with the pump isolated."""
    rig = filled(valve, settings)
    rig.pump_psi = psi + 20
    for _ in range(60_000):
        rig.step(0.005)
        if rig.psi >= psi:
            rig.isolated = True
            return rig
    raise AssertionError(f"only {rig.psi} psi were reached")


def minutes(rig: RigPhysics, count: float) -> None:
    for _ in range(round(count * 600)):
        rig.step(0.1)


# Leakage ----------------------------------------------------------------------------------------


def test_a_closed_body_loses_pressure_as_the_derivation_says():
    """NPS 6 at 1 US fl oz/h per inch loses 88.7 psi/min at 250 psi (our derivation, DEC-3); here over one second."""
    rig = at(250.5, MountedValve("X-1", "6", shell_leak=Leak(6 * 29.5735), trapped=(0.0,)))
    before = rig.psi
    for _ in range(10):
        rig.step(0.1)
    assert (before - rig.psi) * 60 == pytest.approx(88.7, rel=0.01)


def test_one_percent_of_air_hides_a_third_of_the_decay():
    """The decay is divided by 1.49 at 250 psi and 1 % free air (our derivation, AIR-4)."""
    rig = at(250.5, MountedValve("X-1", "6", shell_leak=Leak(6 * 29.5735), trapped=(0.01,)))
    before = rig.psi
    for _ in range(10):
        rig.step(0.1)
    assert (before - rig.psi) * 60 == pytest.approx(88.7 / 1.49, rel=0.02)


def test_what_leaks_follows_the_square_root_of_the_pressure():
    """An orifice: a quarter of the pressure gives half the flow (Torricelli, common practice)."""
    leak = Leak(100.0, at_psi=400.0)
    assert leak.strength * math.sqrt(400.0) * 3600 == pytest.approx(100.0)
    assert leak.strength * math.sqrt(100.0) * 3600 == pytest.approx(50.0)


def test_seat_leakage_runs_out_of_the_open_inlet_into_the_vessel():
    """700 mL/h at 250 psi with the pump making up: 11.67 mL in a minute, in the vessel and nowhere else."""
    rig = at(250.0, MountedValve("X-1", "6", seat_leak=Leak(700.0), trapped=(0.0,)))
    minutes(rig, 1)
    assert rig.psi == pytest.approx(250.0, abs=0.1)  # with the disc hanging free its seat cannot leak
    to_seat(rig, 252.4)
    minutes(rig, 1)
    rig.put_vessel()
    minutes(rig, 1)
    assert rig.look()["seat"] == "dripping"
    assert rig.look()["shell"] == "dry"
    expected = 700 / 60 * math.sqrt(rig.psi / 250)
    assert rig.take_vessel() == pytest.approx(expected, rel=0.01)


def to_seat(rig: RigPhysics, psi: float) -> None:
    """Over to the seat test, pump on."""
    rig.pump_psi, rig.isolated, rig.release_open = None, False, True
    while rig.psi > 1:
        rig.step(0.1)
    rig.drain_inlet()
    rig.release_open = False
    rig.set_vent(is_open=True)
    vented(rig)
    rig.pump_psi = psi


def test_what_clings_in_the_inlet_drips_for_a_while_and_then_stops():
    """The settle time of a collection is physics: a tight seat drips first, and is dry after half a minute."""
    rig = at(250.0, TIGHT)
    to_seat(rig, 252.0)
    assert rig.look()["seat"] == "dripping"
    minutes(rig, 1)
    assert rig.dripping_ml_s < DRIP_ML_S
    assert rig.look()["seat"] == "dry"


def test_a_leaking_shell_gets_wet_where_it_leaks_and_stays_wet_until_it_is_dried():
    """What is seen in a shell test."""
    rig = at(500.0, MountedValve("X-1", "6", shell_leak=Leak(60.0), leaks_at="hinge-pin plug"))
    minutes(rig, 0.5)
    assert rig.look() == {"shell": "wet", "where": "hinge-pin plug", "seat": "dry", "vent": "closed"}
    rig.dry_outside()
    assert rig.look()["shell"] == "dry"


# Air --------------------------------------------------------------------------------------------


def test_trapped_air_dissolves_and_takes_the_pressure_with_it():
    """1.2 % of air in an NPS 8 body at 511 psi: between 2.5 and 6 psi/min, so it is never steady."""
    rig = at(511.0, MountedValve("X-1", "8", trapped=(0.012,)), RigSettings(drift_k_per_min=0.0, heating_k_per_psi=0.0))
    before, air = rig.psi, rig.air_ml
    minutes(rig, 1)
    assert 2.5 < before - rig.psi < 6
    assert rig.air_ml < air


def test_all_the_air_gone_takes_about_130_psi_without_any_leak():
    """EFF-4 of our derivation: 1 % of free air in a 6-inch body at 250 psi dissolves: 130 psi are gone."""
    rig = at(250.0, MountedValve("X-1", "6", trapped=(0.01,)))
    gone = rig._chamber.pressure(rig.water_ml, 0.0)
    assert 250 - gone == pytest.approx(130, rel=0.02)


def test_venting_leaves_the_air_that_this_venting_cannot_free():
    """The first venting leaves a pocket, the second one frees it."""
    rig = filled(ORDERED["HL-8-0119"])
    assert rig.air_ml == pytest.approx(0.012 * rig._chamber.volume_ml, rel=1e-6)
    rig.release_open = True
    minutes(rig, 0.1)
    rig.set_vent(is_open=True)
    assert rig.look()["vent"] == "bubbles"
    vented(rig)
    assert rig.air_ml == pytest.approx(0.0005 * rig._chamber.volume_ml, rel=1e-6)


def test_the_vent_bubbles_until_water_has_run_out_of_it_for_a_while():
    """Bubbles first, then solid water; nothing to be seen while it is closed."""
    rig = RigPhysics(QUIET)
    rig.mount(TIGHT)
    rig.supply_on = True
    rig.step(1.0)
    assert rig.look()["vent"] == "bubbles"
    vented(rig)
    assert rig.look()["vent"] == "closed"


def test_a_warming_body_gains_pressure():
    """β = 40.8 psi/K for NPS 6 (our derivation, DEC-3): 0.01 K/min is 0.41 psi/min."""
    rig = at(250.0, TIGHT, RigSettings(drift_k_per_min=0.01, heating_k_per_psi=0.0))
    before = rig.psi
    minutes(rig, 1)
    assert rig.psi - before == pytest.approx(0.408, rel=0.02)


def test_the_warmth_of_compression_fades_and_looks_like_a_loss():
    """EFF-3 of our derivation: 25 mK at 250 psi look like a loss of 1.2 psi; a little is lost while still raising."""
    rig = at(250.0, TIGHT, RigSettings(drift_k_per_min=0.0))
    assert rig.heated_k == pytest.approx(0.025, rel=0.15)
    before = rig.psi
    minutes(rig, 5)
    assert before - rig.psi == pytest.approx(1.2, rel=0.15)


# Pump, relief, release --------------------------------------------------------------------------


@pytest.mark.parametrize("nps", ["3", "12"])
def test_a_late_operator_cannot_run_away(nps):
    """An air-driven pump stalls at its set pressure, in the smallest body and in the largest."""
    rig = filled(MountedValve("X-1", nps, trapped=(0.0,)))
    rig.pump_psi = 511.0
    seen = []
    for _ in range(3000):
        rig.step(0.1)
        seen.append(rig.psi)
    assert max(seen) <= 511.0 + 1e-6
    assert seen[-1] == pytest.approx(511.0, abs=0.01)
    assert all(later >= earlier - 1e-9 for earlier, later in pairwise(seen))


def test_the_relief_valve_caps_what_the_pump_can_do():
    """Set to 545 psi, with the pump set to 900: the pressure stays within the relief valve's own slope."""
    rig = filled(TIGHT)
    rig.pump_psi = 900.0
    minutes(rig, 1)
    assert 545 < rig.psi < 545 + rig.settings.pump_ml_s / rig.settings.relief_ml_s_per_psi + 0.01


def test_the_isolated_pump_does_nothing():
    """Behind the closed valve it may run as it likes."""
    rig = at(250.0, TIGHT)
    rig.pump_psi = 900.0
    before = rig.psi
    minutes(rig, 1)
    assert rig.psi == pytest.approx(before, abs=1e-6)


def test_release_brings_the_pressure_to_nothing_and_never_below():
    """It comes to rest at the atmosphere."""
    rig = at(500.0, MountedValve("X-1", "6", trapped=(0.01,)))
    rig.release_open = True
    seen = []
    for _ in range(600):
        rig.step(0.1)
        seen.append(rig.psi)
    assert min(seen) >= 0
    assert seen[-1] == pytest.approx(0.0, abs=0.01)
    assert rig.water_ml + rig.air_ml == pytest.approx(rig._chamber.volume_ml, rel=1e-6)


def test_the_seat_test_pressurizes_the_outlet_chamber_only():
    """The inlet is open: half of the cavity is left, and it is half as soft."""
    rig = at(250.0, TIGHT)
    whole = rig._chamber.volume_ml
    to_seat(rig, 252.0)
    assert rig.side is Side.SEAT
    assert rig._chamber.volume_ml == pytest.approx(whole / 2)


HANDS = st.lists(
    st.tuples(
        st.booleans(), st.booleans(), st.booleans(), st.booleans(), st.none() | st.floats(1, 1500), st.floats(0.05, 10)
    ),
    max_size=8,
)


@given(hands=HANDS, nps=st.sampled_from(["3", "8"]), leak=st.sampled_from([0.0, 5000.0]))
@settings(max_examples=60)
def test_whatever_hands_do_the_pressure_stays_between_vapour_and_the_strongest_source(hands, nps, leak):
    """No setting of the handles makes the simulation swing or run away."""
    rig = RigPhysics()
    rig.mount(MountedValve("X-1", nps, shell_leak=Leak(leak), trapped=(0.01, 0.0)))
    strongest = rig.settings.supply_psi
    for supply, vent, release, isolated, pump, seconds in hands:
        rig.supply_on, rig.release_open, rig.isolated, rig.pump_psi = supply, release, isolated, pump
        rig.set_vent(is_open=vent)
        strongest = max(strongest, min(pump or 0.0, rig.relief_psi + 6))
        for _ in range(round(seconds * 10)):
            rig.step(0.1)
            assert -ATMOSPHERE_PSI < rig.psi < strongest + 1
            assert rig.air_ml >= 0


def test_the_relief_valve_opens_in_time_for_a_stiff_body():
    """NPS 3 without air, 0.006 mL/psi: one substep of the pump is worth 18 psi, yet the body stays below 551 psi.

    At 551 psi the pump gives at most 4.5 mL/s and the relief valve takes 6.
    """
    rig = at(540.0, MountedValve("X-1", "3", trapped=(0.0,)))
    rig.pump_psi, rig.isolated = 607.0, False
    highest = 0.0
    for _ in range(100):
        rig.step(0.02)
        highest = max(highest, rig.psi)
    assert 545 < highest < 551


def test_a_volume_drawn_off_costs_what_c_says():
    """NPS 6 at 250 psi without air: 1 mL costs about 30 psi (our derivation, CIP-1); drawn at 0.2 mL/s, then closed."""
    rig = at(250.0, TIGHT)
    before, c = rig.psi, rig._chamber.compliance(rig.water_ml, rig.air_ml, rig.psi)
    rig.draw_off(1.0)
    rig.step(4.0)
    assert rig.drawing_ml == pytest.approx(0.2)
    rig.step(2.0)
    lost = before - rig.psi
    assert rig.drawing_ml == 0.0
    assert lost == pytest.approx(1 / c, rel=0.01)
    assert lost == pytest.approx(30, rel=0.03)
    rig.step(10.0)
    assert before - rig.psi == pytest.approx(lost)


def test_nothing_is_drawn_off_an_open_or_empty_body():
    """Without pressure nothing comes."""
    rig = filled(TIGHT)
    rig.release_open = True
    rig.step(1.0)
    water = rig.water_ml
    rig.draw_off(1.0)
    rig.step(10.0)
    assert (rig.water_ml, rig.drawing_ml) == (water, 1.0)


def test_a_finer_step_gives_the_same_curve():
    """What is seen is physics, not the step: ten times finer changes the pressure by less than 0.3 psi."""
    coarse = at(500.0, ORDERED["HL-6-0118"], RigSettings())
    fine = at(500.0, ORDERED["HL-6-0118"], RigSettings(substep_s=0.002))
    for rig in (coarse, fine):
        to_seat(rig, 256.0)
        minutes(rig, 1)
    assert coarse.psi == pytest.approx(fine.psi, abs=0.3)


def test_an_empty_rig_only_lets_time_pass():
    """Nothing mounted: no pressure, whatever the pump does."""
    rig = RigPhysics()
    rig.pump_psi = 500.0
    rig.step(10.0)
    assert (rig.psi, rig.at_s) == (0.0, 10.0)
