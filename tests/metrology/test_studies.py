"""The studies of the method itself: noise as it is named, shares that add up, figures that others get too."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter, lfiltic, periodogram
from scipy.stats import linregress
from scipy.stats import t as student

from testbench.metrology.decay import ML_PER_PSI
from testbench.metrology.studies import (
    CASES,
    CELLS,
    HOLDS_S,
    HZ,
    NOISES,
    SHARES,
    coverage,
    flicker,
    lasting,
    method_study,
    outcomes,
    standard_error,
)
from testbench.quantities import Pressure

PSI = float(Pressure.factor("psi"))


def generator(seed: int = 20260101) -> np.random.Generator:
    return np.random.default_rng(seed)


# Noise -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("r", [0.0, 0.5, 0.9, 0.99])
def test_lasting_noise_is_that_of_scipy(r):
    """The same draws through scipy.signal.lfilter, begun at the first of them; SD 1 from the first reading on."""
    noise = lasting(r)(generator(), 400, 300)
    drawn = generator().standard_normal((300, 400)).T
    sd = math.sqrt(1 - r * r)
    for hold, white in zip(noise[:20], drawn[:20], strict=True):
        rest, _ = lfilter([sd], [1, -r], white[1:], zi=lfiltic([sd], [1, -r], [white[0]]))
        assert hold == pytest.approx(np.concatenate([white[:1], rest]), rel=1e-9, abs=1e-12)
    assert noise[:, 0].std() == pytest.approx(1, abs=0.12)
    assert noise[:, -1].std() == pytest.approx(1, abs=0.12)


def test_each_noise_is_what_its_name_says():
    """The correlation of a reading with the one before, and the SD in steps, against the number in the name."""
    for kind in NOISES:
        numbers = [float(word) for word in kind.name.split() if word.replace(".", "").isdigit()]
        if kind.name.startswith("AR(1)"):
            noise = kind.draw(generator(), 300, 1200)
            assert (noise[:, 1:] * noise[:, :-1]).mean() / (noise**2).mean() == pytest.approx(numbers[0], abs=0.003)
        if kind.name.endswith("LSB"):
            assert [1 / kind.step] == numbers
    assert (len(NOISES), HOLDS_S) == (8, (60, 180))


def test_flicker_falls_as_one_over_the_frequency():
    """Slope of the mean periodogram (scipy.signal) of 200 holds on double logarithmic axes: −1, white noise 0.

    Between 4 turns a hold and a fifth of the rate: below, the cut ends of a hold leak into the spectrum.
    """
    frequencies, power = periodogram(flicker(generator(), 200, 600), window="hann")
    inside = (frequencies > 4 / 600) & (frequencies < 0.2)
    found = linregress(np.log(frequencies[inside]), np.log(power.mean(axis=0)[inside]))
    assert found.slope == pytest.approx(-1, abs=0.05)


def test_flicker_wanders_beyond_its_hold():
    """Cut from a stretch sixteen times as long: the means of the holds scatter, within a hold the SD is below 1."""
    noise = flicker(generator(), 200, 600)
    assert noise.mean(axis=1).std() > 0.4
    assert noise.std(axis=1).mean() < 0.9


# Coverage ----------------------------------------------------------------------------------------


def by_scipy(seconds: int, holds: int) -> int:
    """How many 95 % intervals of scipy.stats.linregress hold the slope of straight holds with white noise."""
    rng, t = generator(7), np.arange(seconds * HZ) / HZ
    within = student.ppf(0.975, t.size - 2)
    found = [linregress(t, -0.01 * t + rng.normal(0, 1, t.size)) for _ in range(holds)]
    return sum(abs(one.slope + 0.01) <= within * one.stderr for one in found)


@pytest.mark.parametrize("seconds", HOLDS_S)
def test_white_noise_is_covered_as_named(seconds):
    """500 holds: least squares within four standard errors of 95 %, and of what scipy's intervals give elsewhere.

    Ours is wider: at least as many.
    """
    found = coverage(NOISES[0], seconds, 500, generator())
    error = standard_error(0.95, 500)
    assert found.as_if_white / 500 == pytest.approx(0.95, abs=4 * error)
    assert found.as_if_white / 500 == pytest.approx(by_scipy(seconds, 500) / 500, abs=4 * math.sqrt(2) * error)
    assert found.ours >= found.as_if_white
    assert found.widening == pytest.approx(1.36, rel=0.06)


@pytest.mark.parametrize(
    ("noise", "as_if_white", "ours", "longer"),
    [
        ("AR(1) 0.5", 74.2, 97.3, 97.1),
        ("AR(1) 0.9", 33.9, 96.9, 97.4),
        ("AR(1) 0.99", 9.8, 82.8, 94.0),
        ("1/f", 17.2, 83.2, 83.1),
        ("white, SD 0.5 LSB", 95.3, 98.4, None),
        ("white, SD 0.05 LSB", 4.1, 100, None),
    ],
)
def test_other_noise_is_covered_as_computed_before(noise, as_if_white, ours, longer):
    """Against an earlier simulation of another making (1500 to 4000 holds): within four standard errors of both.

    Of holds of 60 s as if white and by the largest of three, and of 180 s by the latter, in %.
    """
    kind = next(kind for kind in NOISES if kind.name == noise)
    short, long = (coverage(kind, seconds, 300, generator()) for seconds in HOLDS_S)
    for count, expected in ((short.as_if_white, as_if_white), (short.ours, ours), (long.ours, longer)):
        if expected is not None:
            error = 100 * math.hypot(standard_error(expected / 100, 300), standard_error(expected / 100, 1500))
            assert count / 3 == pytest.approx(expected, abs=4 * error)


# Decisions ---------------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(
    st.sampled_from([case for case in CASES if case.seconds <= 60]), st.floats(0, 3), st.integers(0, 10_000),
    st.integers(1, 12),
)  # fmt: skip
def test_outcomes_add_up_and_the_guarded_decision_never_accepts_more(case, share, seed, holds):
    """Every hold ends in one of three ways; a guard band takes away from acceptance and from rejection alike."""
    found = outcomes(case, share, holds, generator(seed))
    assert found.accepted + found.rejected + found.inconclusive == holds == found.holds
    assert found.simply_accepted + found.simply_rejected == holds
    assert min(found.accepted, found.rejected, found.inconclusive) >= 0
    assert found.accepted <= found.simply_accepted
    assert found.rejected <= found.simply_rejected


@pytest.mark.parametrize(
    ("number", "guarded", "simple"),
    [
        (0, (100, 100, 99.9, 26, 4.8, 0.6, 0, 0), (100, 100, 100, 83, 51, 18, 0, 0)),
        (1, (100, 100, 99.6, 19, 3.7, 0.4, 0, 0), None),
        (2, (100, 98.7, 44, 10, 5.4, 2.3, 0.05, 0), None),
        (3, (99.8, 71, 22, 7.8, 4.6, 3.3, 0.2, 0), None),
        (4, (21, 11, 7, 6, 5.1, 4.2, 2.7, 2.1), (81, 67, 58, 52, 51, 49, 41, 34)),
    ],
)
def test_valves_are_accepted_as_computed_before(number, guarded, simple):
    """Accepted holds in % by true leak over limit, against an earlier simulation of 4000 holds a figure.

    Within four standard errors of both, and half a unit of its last digit.
    """
    own = generator().spawn(len(SHARES))
    found = [outcomes(CASES[number], share, 120, rng) for share, rng in zip(SHARES, own, strict=True)]
    for one, expected in zip(found, guarded, strict=True):
        assert one.accepted / 1.2 == pytest.approx(expected, abs=allowed(expected, 120))
    for one, expected in zip(found, simple or [], strict=bool(simple)):
        assert one.simply_accepted / 1.2 == pytest.approx(expected, abs=allowed(expected, 120))


def allowed(percent: float, holds: int) -> float:
    """Four standard errors in %; where the earlier figure is 0 or 100, as if it were 0.2 % off."""
    share = min(max(percent / 100, 0.002), 0.998)
    return 400 * math.hypot(standard_error(share, holds), standard_error(share, 4000)) + 0.5


def test_the_gate_is_right_about_every_case():
    """Where it says yes a tight valve is accepted, where it says no not even that; a leak of half more hardly ever."""
    words = [case.gate.decidable for case in CASES]
    assert words == [True, True, True, True, False]
    for case, can in zip(CASES, words, strict=True):
        tight, leaking = (outcomes(case, share, 40, generator()) for share in (0.0, 1.5))
        assert (tight.accepted >= 36) == can
        assert leaking.accepted <= 4


def test_the_cases_are_those_computed_before():
    """Limit, hold, u of C and of the drift [psi/min], step, r; falls at the limit 30.0, 30.0, 10.5, 1.875, 0.328."""
    told = [(str(c.limit), c.seconds, c.compliance_u, c.drift_u_psi_per_min, c.lsb_psi, c.lasting) for c in CASES]
    assert told == [
        ("60 mL/h", 60, 0.05, 0.4, 0.015, 0.0),
        ("60 mL/h", 15, 0.05, 0.4, 0.244, 0.0),
        ("120 mL/h", 60, 0.10, 1.14, 0.244, 0.0),
        ("3.75 mL/h", 60, 0.05, 0.41, 0.015, 0.9),
        ("3.75 mL/h", 300, 0.10, 0.38, 0.015, 0.9),
    ]
    falls = [case.fall_psi_per_min for case in CASES]
    assert falls == pytest.approx([30.0, 30.0, 10.5, 1.875, 0.328], rel=1.4e-3)


def test_the_recorder_is_told_what_is_true_of_a_case():
    """C and its u, noise of 0.1 psi at 10 Hz with a variance 19 times that of white noise, drift of the temperature."""
    setup = CASES[4].setup
    assert setup.compliance.m3_per_pa / ML_PER_PSI == pytest.approx(0.1903)
    assert setup.compliance.standard_uncertainty / setup.compliance.m3_per_pa == pytest.approx(0.1)
    assert (setup.noise.sd_pa / PSI, setup.noise.resolution_pa / PSI) == pytest.approx((0.1, 0.015))
    assert (setup.noise.readings_per_s, setup.noise.variance_factor) == pytest.approx((10, 19))
    assert setup.warming.pressure_per_kelvin_pa * setup.warming.k_per_s_u * 60 / PSI == pytest.approx(0.38)


# Both --------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_figures():
    """And another seed others; every cell is told of."""
    told = []
    first, again, other = (method_study(2, generator(seed), lambda: told.append(1)) for seed in (1, 1, 2))
    assert first == again != other
    assert len(told) == 3 * CELLS
    assert [(one.noise, one.seconds) for one in first.coverages] == [(n.name, s) for n in NOISES for s in HOLDS_S]
    assert [[one.share for one in decided.outcomes] for decided in first.decided] == [list(SHARES)] * len(CASES)
    assert first.decided[0].at(1.05) is first.decided[0].outcomes[5]


def test_a_cell_of_many_holds_is_drawn_in_heaps():
    """One more than a heap: all are judged."""
    assert coverage(NOISES[7], 60, 101, generator()).ours == 101


def test_the_standard_error_of_a_share():
    """√(p(1 − p)/n): 0.69 % at 95 % of 1000, 5 % at half of 100, none at 0."""
    assert standard_error(0.95, 1000) == pytest.approx(0.0068920, abs=1e-7)
    assert standard_error(0.5, 100) == 0.05
    assert standard_error(0.0, 10) == 0
