"""How well the method keeps its word. Figures are printed (``pytest tests/benchmarks -m benchmark -s``).

Two studies with fixed seeds, at reduced size: how often the 95 % interval of a slope holds the true slope, beside the
way that calls all noise white; and what the decision by pressure decay does with valves that leak a known share of the
limit. Then how long a judgement takes.
"""

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import linregress

from testbench.metrology.decay import ML_PER_PSI, Compliance, Warming, decay_rate, decide_decay
from testbench.metrology.decision_rule import Conformity
from testbench.metrology.resolvability import Noise, Setup, resolvability
from testbench.metrology.signal import hampel_flags
from testbench.metrology.slope_interval import hold_slope
from testbench.metrology.trend import SlidingSlope, StabilizationJudge
from testbench.quantities import LeakageRate, Pressure

PSI = float(Pressure.factor("psi"))
HZ = 10
RUNS = 1000
DECISIONS = 400
SHARES = (0.0, 0.5, 0.8, 0.95, 1.0, 1.05, 1.25, 1.5)

Draw = Callable[[np.random.Generator, int], np.ndarray]


def say(text: str) -> None:
    print(text)  # noqa: T201 - the figures are what this file is for


def white(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.normal(0, 1, n)


def ar1(r: float) -> Draw:
    """Noise of SD 1 in which each sample keeps r of the one before."""
    return lambda rng, n: lfilter([1], [1, -r], rng.normal(0, math.sqrt(1 - r * r), n + 2000))[2000:]


def pink(rng: np.random.Generator, n: int) -> np.ndarray:
    """1/f noise of SD 1, cut from a stretch sixteen times as long."""
    f = np.fft.rfftfreq(16 * n)[1:]
    spectrum = np.concatenate([[0], (rng.normal(size=f.size) + 1j * rng.normal(size=f.size)) / np.sqrt(f)])
    noise = np.fft.irfft(spectrum, 16 * n)
    return noise[:n] / noise.std()


@pytest.mark.benchmark
def test_the_interval_keeps_95_per_cent_where_it_can():
    """60 and 180 s at 10 Hz; steps of the reading in units of the noise. Slow noise is beyond any single hold."""
    rows: list[tuple[str, Draw, float, float]] = [
        ("white", white, 0, 97),
        ("AR(1) 0.5", ar1(0.5), 0, 95),
        ("AR(1) 0.9", ar1(0.9), 0, 95),
        ("AR(1) 0.99", ar1(0.99), 0, 75),
        ("1/f", pink, 0, 75),
        ("white, SD 0.5 LSB", white, 2, 97),
        ("white, SD 0.2 LSB", white, 5, 99),
        ("white, SD 0.05 LSB", white, 20, 99),
    ]
    say(f"\n{RUNS} holds a row; % that hold the true slope, nominal 95; as if white | largest of three; half-width/OLS")
    for name, draw, lsb, least in rows:
        line = f"{name:<20}"
        for seconds in (60, 180):
            naive, ours, wider, curved = coverage(draw, lsb, seconds)
            line += f" {seconds:>4} s {naive:5.1f} | {ours:5.1f} ×{wider:4.2f} curved {curved:4.1f}"
            assert ours >= least
        say(line)


def coverage(draw: Draw, lsb: float, seconds: int) -> tuple[float, float, float, float]:
    """Share of true slopes within OLS and within our interval, median ratio of widths, share called curved [%]."""
    rng, n = np.random.default_rng(20260101), seconds * HZ
    t, naive, ours, wider, curved = np.arange(n) / HZ, 0, 0, [], 0
    for _ in range(RUNS):
        true = rng.uniform(-0.5, 0.5) * max(lsb, 1) / seconds
        y = true * t + draw(rng, n) + rng.uniform(0, max(lsb, 1))
        y = np.round(y / lsb) * lsb if lsb else y
        found = hold_slope(t, y, resolution=lsb, noise=1.0)
        ols = dict(found.half_widths)["OLS"]
        naive += abs(found.per_s - true) <= ols
        ours += abs(found.per_s - true) <= found.half_width
        wider.append(found.half_width / ols if ols > 0 else math.inf)
        curved += found.curved
    return naive / RUNS * 100, ours / RUNS * 100, float(np.median(wider)), curved / RUNS * 100


@dataclass(frozen=True)
class Case:
    """A body, its limit and what is not known of it; rates in psi/min."""

    name: str
    limit: float
    draw: Draw
    lsb: float
    seconds: int
    u_c: float
    thermal_u: float
    variance_factor: float = 1.0
    c_ml_psi: float = 0.0333


CASES = (
    Case("NPS 6, 10 mL/h/in, 60 s", 30.0, white, 0.015, 60, 0.05, 0.4),
    Case("NPS 6, 10 mL/h/in, 15 s, 12 bits", 30.0, white, 0.244, 15, 0.05, 0.4),
    Case("NPS 12, 10 mL/h/in, 60 s, 12 bits", 10.5, white, 0.244, 60, 0.10, 1.14, c_ml_psi=0.19),
    Case("NPS 6, 1 drop/min, 60 s", 1.875, ar1(0.9), 0.015, 60, 0.05, 0.41, 19),
    Case("NPS 12, 1 drop/min, 300 s", 0.328, ar1(0.9), 0.015, 300, 0.10, 0.38, 19, 0.19),
)


@pytest.mark.benchmark
def test_a_leaking_valve_is_seldom_accepted():
    """Noise of 0.1 psi at 10 Hz; C and the drift of the temperature are drawn from what is stated of them."""
    say(
        f"\n{DECISIONS} holds a cell; % accepted / rejected by true leak over limit; the gate left out, its word beside"
    )
    say(f"{'':<36}" + "".join(f"{share:>12}" for share in SHARES) + f"{'gate':>8}")
    for case in CASES:
        cells = [decisions(case, share) for share in SHARES]
        gate = word_of_the_gate(case)
        say(
            f"{case.name:<36}" + "".join(f"{a:>6.1f}/{r:<5.1f}" for a, r in cells) + f"{'can' if gate else 'cannot':>8}"
        )
        at_the_limit, at_half_more = cells[SHARES.index(1.0)], cells[SHARES.index(1.5)]
        assert at_the_limit[0] <= 8
        assert cells[SHARES.index(0.8)][1] <= 6
        if gate:
            assert at_half_more[0] <= 1


def decisions(case: Case, share: float) -> tuple[float, float]:
    rng, n = np.random.default_rng(int(1000 * share) + 7), case.seconds * HZ
    t = np.arange(n) / HZ
    limit, known, warming = limit_of(case), compliance(case), Warming(PSI, 0.0, case.thermal_u / 60)
    accepted = rejected = 0
    for _ in range(DECISIONS):
        true_c = 1 + rng.normal(0, case.u_c)  # the body's C over the one that was measured
        fall = share * case.limit / true_c - rng.normal(0, case.thermal_u)
        y = 250 - fall / 60 * t + 0.1 * case.draw(rng, n)
        found = hold_slope(t, np.round(y / case.lsb) * case.lsb, resolution=case.lsb, noise=0.1)
        rate = decay_rate(found.per_s * PSI, found.standard_uncertainty * PSI, known, warming=warming)
        conformity = decide_decay(rate, limit).conformity
        accepted += conformity is Conformity.CONFORMS
        rejected += conformity is Conformity.DOES_NOT_CONFORM
    return accepted / DECISIONS * 100, rejected / DECISIONS * 100


def limit_of(case: Case) -> LeakageRate:
    return LeakageRate.of(case.limit * 60 * case.c_ml_psi, "mL/h")


def compliance(case: Case) -> Compliance:
    c = case.c_ml_psi * ML_PER_PSI
    return Compliance(c, case.u_c * c)


def word_of_the_gate(case: Case) -> bool:
    noise = Noise(0.1 * PSI, HZ, case.lsb * PSI, case.variance_factor)
    setup = Setup(compliance(case), noise, Warming(PSI, 0.0, case.thermal_u / 60))
    found = resolvability(limit_of(case), setup, pressure=Pressure.of(250, "psi"), longest_hold_s=case.seconds)
    return found.decidable


@pytest.mark.benchmark
def test_how_long_a_judgement_takes():
    """600 s at 100 Hz, seconds since 1970; best of 7, beside the plain ways in the same run."""
    rng = np.random.default_rng(1)
    t = 1_767_225_600 + np.arange(60_000) / 100
    y = np.round(250 - 0.001 * (t - t[0]) + rng.normal(0, 0.1, t.size), 2)
    say("\n60 000 samples [ms]")
    say(f"slope with intervals, flags, gaps, curvature  {best(lambda: hold_slope(t, y, resolution=0.01)):7.2f}")
    say(f"of that the outlier filter                    {best(lambda: hampel_flags(y, noise=0.1)):7.2f}")
    say(f"numpy.polyfit, line alone                     {best(lambda: np.polyfit(t - t.mean(), y, 1, cov=True)):7.2f}")
    say(f"scipy.stats.linregress, line alone            {best(lambda: linregress(t - t.mean(), y)):7.2f}")
    plain = np.lib.stride_tricks.sliding_window_view(y, 11)
    say(f"numpy.median over windows, without MAD        {best(lambda: np.median(plain, axis=1)):7.2f}")
    sliding, judge = SlidingSlope(30), StabilizationJudge(1 / 60, 10, 600, "psi")
    begun = time.perf_counter()
    for at_s, value in zip(t.tolist(), y.tolist(), strict=True):
        sliding.add(at_s, value)
        judge.judge(at_s, sliding.estimate())
    say(f"live, a sample: sliding slope and steadiness  {(time.perf_counter() - begun) / t.size * 1e6:7.2f} µs")


def best(work: Callable[[], object]) -> float:
    times = []
    for _ in range(7):
        begun = time.perf_counter()
        work()
        times.append((time.perf_counter() - begun) * 1e3)
    return min(times)
