"""Leakage by pressure decay: C in place, blank runs, the balance, the decision."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from scipy.stats import t as student

from testbench.errors import DataRefusedError, TooFewPointsError
from testbench.metrology.decay import (
    ML_PER_PSI,
    BlankRuns,
    Bleed,
    Compliance,
    DecayRate,
    Dominant,
    NextStep,
    Warming,
    bend_matters,
    blank_runs,
    compliance_from_bleeds,
    decay_rate,
    decide_decay,
    objection,
)
from testbench.metrology.decision_rule import Conformity, DecisionRule
from testbench.metrology.slope_interval import HoldSlope, hold_slope
from testbench.quantities import LeakageRate, Pressure, Volume

PSI = float(Pressure.factor("psi"))
PSI_PER_MIN = PSI / 60
NPS_6 = Compliance(0.0333 * ML_PER_PSI, 0.05 * 0.0333 * ML_PER_PSI)
STILL = Warming(40.8 * PSI, 0.0, 0.0)


def bleed(ml: float, psi: float) -> Bleed:
    return Bleed(Volume.of(ml, "mL"), Pressure.of(psi, "psi"))


def rate(ml_h: float, u_ml_h: float, source: Dominant = Dominant.NOISE) -> DecayRate:
    u = float(LeakageRate.of(u_ml_h, "mL/h").exact)
    return DecayRate(LeakageRate.of(ml_h, "mL/h"), ((source, u),), drift_known=True)


def limit(ml_h: float) -> LeakageRate:
    return LeakageRate.of(ml_h, "mL/h")


# C in place --------------------------------------------------------------------------------------


def test_a_millilitre_let_out_of_a_six_inch_body_costs_about_thirty_psi():
    """Three bleedings by hand: 1/30, 1/29, 1/31 mL/psi; their mean, and t(2)·s/√3 over 1.96."""
    each = np.array([1 / 30, 1 / 29, 1 / 31])
    found = compliance_from_bleeds([bleed(1, 30), bleed(1, 29), bleed(1, 31)], Volume.zero("mL"), Pressure.zero("psi"))
    assert found.m3_per_pa / ML_PER_PSI == pytest.approx(each.mean())
    expected = student.ppf(0.975, 2) * each.std(ddof=1) / math.sqrt(3) / 1.959964
    assert found.standard_uncertainty / ML_PER_PSI == pytest.approx(expected)
    assert found.bleeds == 3
    assert str(found) == "0.03336 mL/psi"


def test_burette_and_transmitter_count_once_for_all_bleedings():
    """Three equal bleedings of 1 mL (u 0.01 mL) for 30 psi (u 0.3 psi): 1 % and 1 %, 1.41 % together."""
    found = compliance_from_bleeds([bleed(1, 30)] * 3, Volume.of("0.01", "mL"), Pressure.of("0.3", "psi"))
    assert found.standard_uncertainty / found.m3_per_pa == pytest.approx(0.01 * math.sqrt(2))


def test_one_bleeding_says_nothing_of_its_scatter():
    """Two are the least; a refusal says three as a rule."""
    with pytest.raises(TooFewPointsError) as refused:
        compliance_from_bleeds([bleed(1, 30)], Volume.zero("mL"), Pressure.zero("psi"))
    assert str(refused.value) == "C in place: found 1 bleedings; needed at least two, three as a rule."
    assert compliance_from_bleeds([bleed(1, 30)] * 2, Volume.zero("mL"), Pressure.zero("psi")).bleeds == 2


@pytest.mark.parametrize(("ml", "psi"), [(0, 30), (1, 0), (1, -2)])
def test_a_bleeding_lets_water_out_and_costs_pressure(ml, psi):
    """Anything else is a slip of the pen, or a pump still running."""
    with pytest.raises(DataRefusedError) as refused:
        compliance_from_bleeds([bleed(1, 30), bleed(ml, psi)], Volume.zero("mL"), Pressure.zero("psi"))
    assert str(refused.value) == (
        f"C in place: found {ml} mL for a loss of {psi} psi; allowed a volume let out and a pressure lost."
    )


@pytest.mark.parametrize(("times", "air"), [(1.0, False), (3.0, False), (3.01, True)])
def test_three_times_the_water_alone_is_air_or_a_flexible_rig(times, air):
    """Body flex makes up to 2.5; beyond 3 it is no body."""
    assert Compliance(times, 0.0).is_air_or_flexible(1.0) == air


# Blank runs --------------------------------------------------------------------------------------


def test_blank_runs_worked_by_hand():
    """Five runs of −2, −1, 0, 1, 2: mean 0, s √2.5, half-width t(4)·s·√1.2."""
    found = blank_runs([-2, -1, 0, 1, 2])
    assert (found.mean_pa_per_s, found.runs) == (0.0, 5)
    assert found.half_width_pa_per_s == pytest.approx(student.ppf(0.975, 4) * math.sqrt(2.5 * 1.2))


@pytest.mark.parametrize("runs", [5, 10, 20])
def test_the_next_blank_run_lies_within_the_half_width(runs):
    """95 % of next runs, within 1.5 %, in 4000 sets; simulated beforehand 94.4 to 95.7 % for four kinds of noise."""
    rng = np.random.default_rng(runs)
    inside = 0
    for _ in range(4000):
        found = blank_runs(rng.normal(-3, 1, runs))
        inside += abs(rng.normal(-3, 1) - found.mean_pa_per_s) <= found.half_width_pa_per_s
    assert inside / 40 == pytest.approx(95, abs=1.5)


@pytest.mark.parametrize(("own", "floor"), [((), False), ((0.1, 0.1), False), ((30.0, 40.0), True)])
def test_blank_runs_know_the_drift_no_better_than_one_of_them(own, floor):
    """Half-width t(1)·s·√1.5 for −1 and 1; root mean square of 30 and 40 is √1250, times 1.96 for 95 %."""
    found = blank_runs([-1, 1], own)
    scatter = student.ppf(0.975, 1) * math.sqrt(2) * math.sqrt(1.5)
    expected = norm.ppf(0.975) * math.sqrt(1250) if floor else scatter
    assert found.half_width_pa_per_s == pytest.approx(expected)


def test_one_blank_run_has_no_spread():
    """Two are the least."""
    with pytest.raises(TooFewPointsError) as refused:
        blank_runs([1.0])
    assert str(refused.value) == "Drift of the bench: found 1 blank runs; needed at least two, five as a rule."


def test_a_tight_body_that_seems_to_leak_is_corrected_by_its_blanks():
    """A tight body loses 14.2, 15.7, 15.0 psi/min for reasons of its own; a valve that does the same is tight."""
    blanks = blank_runs([-14.2 * PSI_PER_MIN, -15.7 * PSI_PER_MIN, -15.0 * PSI_PER_MIN])
    found = decay_rate(-15.0 * PSI_PER_MIN, 0.1 * PSI_PER_MIN, NPS_6, blank=blanks)
    raw = decay_rate(-15.0 * PSI_PER_MIN, 0.1 * PSI_PER_MIN, NPS_6, warming=STILL)
    assert raw.rate > limit(29)
    assert abs(found.rate) < found.expanded_uncertainty
    assert found.dominant is Dominant.BLANK


# The balance -------------------------------------------------------------------------------------


def test_a_fall_worked_by_hand():
    """30 psi/min with C = 0.0333 mL/psi is 0.999 mL/min = 59.94 mL/h; u_C 5 % of it is 2.997 mL/h."""
    found = decay_rate(-30 * PSI_PER_MIN, 0.0, NPS_6, warming=STILL)
    assert found.rate.to("mL/h") == pytest.approx(59.94)
    assert found.standard_uncertainty.to("mL/h") == pytest.approx(2.997)
    assert found.dominant is Dominant.COMPLIANCE


def test_cooling_is_taken_off():
    """0.05 K/min of cooling with β 40.8 psi/K explains a fall of 2.04 psi/min; what is left leaks."""
    cooling = Warming(40.8 * PSI, -0.05 / 60, 0.0)
    assert decay_rate(-2.04 * PSI_PER_MIN, 0.0, NPS_6, warming=cooling).rate.to("mL/h") == pytest.approx(0, abs=1e-9)
    assert decay_rate(-3.04 * PSI_PER_MIN, 0.0, NPS_6, warming=cooling).rate.to("mL/h") == pytest.approx(0.0333 * 60)


def test_the_three_components_add_in_squares():
    """u² = (C·u_b)² + (Q·u_C/C)² + (C·β·u(dT/dt))², worked in mL/h: 0.1998, 2.997, 0.8152."""
    found = decay_rate(-30 * PSI_PER_MIN, 0.1 * PSI_PER_MIN, NPS_6, warming=Warming(40.8 * PSI, 0.0, 0.01 / 60))
    in_ml_h = {source: u * 3600e6 for source, u in found.components}
    assert in_ml_h == pytest.approx(
        {Dominant.NOISE: 0.1998, Dominant.COMPLIANCE: 2.997, Dominant.TEMPERATURE: 0.0333 * 40.8 * 0.6}, rel=1e-9
    )
    assert found.standard_uncertainty.to("mL/h") == pytest.approx(math.hypot(*in_ml_h.values()))
    assert found.expanded_uncertainty.ratio(found.standard_uncertainty) == pytest.approx(1.6449)


@pytest.mark.parametrize(("in_run", "source"), [(0.4, Dominant.BLANK), (0.6, Dominant.NOISE)])
def test_the_larger_of_run_and_blank_counts(in_run, source):
    """A run noisier than the blanks speaks for itself; a quiet run still has the wander that the blanks saw."""
    blank = BlankRuns(0.0, 0.3 * PSI_PER_MIN, 5)
    found = decay_rate(0.0, in_run * PSI_PER_MIN, NPS_6, blank=blank)
    assert found.dominant is source
    expected = max(in_run * PSI_PER_MIN, blank.standard_uncertainty)
    assert float(found.standard_uncertainty.exact) == pytest.approx(NPS_6.m3_per_pa * expected)


def test_a_rate_below_nothing_is_shown_as_nothing_and_decided_as_it_is():
    """The physical bound is for the eye; the decision uses the unclipped number."""
    assert rate(-2, 1).shown == limit(0)
    assert rate(-2, 1).rate == limit(-2)
    assert rate(2, 1).shown == limit(2)


# The decision ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ml_h", "conformity"),
    [
        (58.355, Conformity.CONFORMS),
        (58.356, Conformity.WITHIN_GUARD_BAND),
        (60, Conformity.WITHIN_GUARD_BAND),
        (61.644, Conformity.WITHIN_GUARD_BAND),
        (61.645, Conformity.DOES_NOT_CONFORM),
        (-1, Conformity.CONFORMS),
    ],
)
def test_the_decision_on_both_sides_of_its_limits(ml_h, conformity):
    """60 mL/h allowed, u = 1 mL/h: accepted to 58.3551, rejected beyond 61.6449 mL/h."""
    assert decide_decay(rate(ml_h, 1), limit(60)).conformity is conformity


def test_the_decision_in_words():
    """The numbers, the limit, and what they mean."""
    assert decide_decay(rate(20, 1), limit(60)).reason == (
        "20.0 mL/h with 1.645 u = 1.7 mL/h; 60 mL/h is allowed: within the limit."
    )
    assert decide_decay(rate(70, 1), limit(60)).reason == (
        "70.0 mL/h with 1.645 u = 1.7 mL/h; 60 mL/h is allowed: above the limit."
    )
    near = decide_decay(rate(59, 1, Dominant.TEMPERATURE), limit(60))
    assert near.reason == (
        "59.0 mL/h with 1.645 u = 1.7 mL/h; 60 mL/h is allowed: too near the limit to tell; collect the leakage."
    )


@pytest.mark.parametrize(
    ("source", "step"),
    [
        (Dominant.NOISE, NextStep.EXTEND),
        (Dominant.TEMPERATURE, NextStep.COLLECT),
        (Dominant.COMPLIANCE, NextStep.COLLECT),
    ],
)
def test_only_noise_is_mended_by_a_longer_hold(source, step):
    """Near the limit: extend where the noise keeps from telling, collect where temperature or C does."""
    assert decide_decay(rate(59, 1, source), limit(60)).next_step is step


@given(st.floats(-50, 200), st.floats(0.01, 50), st.floats(0.1, 100))
def test_never_accepted_and_rejected_by_the_same_numbers(ml_h, u, allowed):
    """Accepted below, rejected above, and between them everything else."""
    found = decide_decay(rate(ml_h, u), limit(allowed)).conformity
    if found is Conformity.CONFORMS:
        assert ml_h < allowed
    if found is Conformity.DOES_NOT_CONFORM:
        assert ml_h > allowed


# Objections --------------------------------------------------------------------------------------

TIMES = np.arange(600) * 0.1


def hold(values: np.ndarray | None = None) -> HoldSlope:
    noise = np.random.default_rng(1).normal(0, 0.1, 600)
    return hold_slope(TIMES, (250 - 0.01 * TIMES if values is None else values) + noise)


def psi(number: float) -> Pressure:
    return Pressure.of(number, "psi")


def against(
    found: DecayRate | None = None, slope: HoldSlope | None = None, lowest: float = 249, ratio: float | None = 1.5
):
    return objection(found or rate(20, 1), slope or hold(), psi(lowest), psi(245), ratio)


def test_nothing_speaks_against_a_good_hold():
    """Complete, straight, under pressure, without air."""
    assert against() is None


@pytest.mark.parametrize(("lowest", "objected"), [(245, False), (244.99, True), (0.4, True)])
def test_an_empty_body_looks_tight_and_is_not_accepted(lowest, objected):
    """A body that has lost its pressure loses no more: the level counts before the rate."""
    found = against(lowest=lowest)
    assert (found is not None) == objected
    if found:
        assert found == (f"the pressure was down to {lowest:.2f} psi, at least 245 psi is needed", NextStep.REPEAT)
        decided = decide_decay(rate(0, 1), limit(60), found)
        assert decided.conformity is Conformity.WITHIN_GUARD_BAND
        assert decided.reason == f"Nothing is decided: {found[0]}."


def test_a_body_that_has_not_settled_decides_nothing():
    """Two psi that die away within the hold: neither accepted nor rejected, but held longer."""
    found = against(slope=hold(250 + 2 * np.exp(-TIMES / 20)))
    assert found == (
        "the pressure does not fall in a straight line: still settling, or a leak that follows the pressure",
        NextStep.EXTEND,
    )
    assert decide_decay(rate(500, 1), limit(60), found).conformity is Conformity.WITHIN_GUARD_BAND


def test_samples_that_are_missing_decide_nothing():
    """A gap of 3 s in a minute."""
    kept = np.delete(np.arange(600), slice(200, 230))
    found = against(slope=hold_slope(TIMES[kept], np.full(570, 250.0)))
    assert found is not None
    assert found[0].startswith("the hold is invalid: 30 of 600 expected samples are missing")
    assert found[1] is NextStep.REPEAT


@pytest.mark.parametrize(("ratio", "objected"), [(None, False), (3.0, False), (3.1, True)])
def test_air_is_told_instead_of_a_leak(ratio, objected):
    """C far above the water's own: vent again."""
    found = against(ratio=ratio)
    words = ("C is 3.1 times that of the water alone: air or a flexible rig", NextStep.VENT)
    assert found == (words if objected else None)


@pytest.mark.parametrize(("ml_h", "objected"), [(-3.0, False), (-3.1, True)])
def test_a_pressure_that_rises_hides_a_leak(ml_h, objected):
    """Three standard uncertainties below nothing: something warms or feeds the body."""
    found = against(rate(ml_h, 1))
    words = (
        "the pressure rises by more than its uncertainty: the body is warming, or something feeds it",
        NextStep.REPEAT,
    )
    assert found == (words if objected else None)


def test_without_a_word_on_temperature_nothing_is_decided():
    """Temperature is what limits a decay; a rate that ignores it is no verdict."""
    found = against(decay_rate(-0.1 * PSI_PER_MIN, 0.0, NPS_6))
    assert found == ("neither blank runs nor β and a rate of temperature tell what is drift", NextStep.COLLECT)
    assert against(dataclasses.replace(rate(20, 1), drift_known=False)) is not None


# A bend that does not matter ----------------------------------------------------------------------


def bent(bow: float) -> HoldSlope:
    """A minute in which the slope changes by the bow times the hold, from its mean to either end."""
    middle = TIMES - TIMES.mean()
    return hold(250 - 0.01 * TIMES + bow * middle**2)


@pytest.mark.parametrize(
    ("ml_h", "swing", "matters"), [(20, 30, False), (20, 39, True), (100, 30, False), (100, 39, True)]
)
def test_a_bend_matters_where_the_two_ends_of_a_hold_would_not_be_decided_alike(ml_h, swing, matters):
    """60 mL/h allowed, u = 1 mL/h: 20 ± 30 stays within, 20 ± 39 may not; 100 ± 30 and ± 39 likewise above."""
    assert bend_matters(rate(ml_h, 1), bent(0.01), limit(swing), limit(60)) is matters


def test_a_straight_hold_has_no_bend_that_matters():
    """However far its ends could swing."""
    assert not bend_matters(rate(20, 1), hold(), limit(500), limit(60))
    assert bent(0.01).bow == pytest.approx(0.01, rel=0.05)


def test_an_objection_to_the_bend_can_be_waived_or_raised():
    """By whoever knows the limit."""
    slope = bent(0.01)
    words = "the pressure does not fall in a straight line: still settling, or a leak that follows the pressure"
    assert objection(rate(20, 1), slope, psi(249), psi(245), bent=False) is None
    assert objection(rate(20, 1), slope, psi(249), psi(245)) == (words, NextStep.EXTEND)
    assert objection(rate(20, 1), hold(), psi(249), psi(245), bent=True) == (words, NextStep.EXTEND)


# The rule of a procedure ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "ml_h", "conformity"),
    [
        (DecisionRule.GUARDED, 58.0, Conformity.CONFORMS),
        (DecisionRule.GUARDED, 58.01, Conformity.WITHIN_GUARD_BAND),
        (DecisionRule.GUARDED, 61.99, Conformity.WITHIN_GUARD_BAND),
        (DecisionRule.GUARDED, 62.01, Conformity.DOES_NOT_CONFORM),
        (DecisionRule.GUARDED_95, 58.35, Conformity.CONFORMS),
        (DecisionRule.GUARDED_95, 58.36, Conformity.WITHIN_GUARD_BAND),
        (DecisionRule.SIMPLE, 60.0, Conformity.CONFORMS),
        (DecisionRule.SIMPLE, 60.01, Conformity.DOES_NOT_CONFORM),
    ],
)
def test_a_decay_is_decided_by_the_rule_of_the_procedure(rule, ml_h, conformity):
    """60 mL/h allowed, u = 1 mL/h: guard bands of 2, 1.645 and 0 mL/h, both sides of each."""
    assert decide_decay(rate(ml_h, 1), limit(60), rule=rule).conformity is conformity


def test_the_reason_names_the_uncertainty_of_the_rule():
    """U = 2 u, except where the rule is the 95 % one."""
    assert decide_decay(rate(20, 1), limit(60), rule=DecisionRule.GUARDED).reason == (
        "20.0 mL/h with U = 2.0 mL/h; 60 mL/h is allowed: within the limit."
    )
