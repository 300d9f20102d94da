"""How long a judgement takes, and what a sample costs while it comes in, beside the plain ways in the same run.

Figures are printed (``pytest tests/benchmarks -m benchmark -s``); no time is asserted. Goals: a stage of 600 s at 100
readings a second judged within 50 ms, 20 µs a sample live.
"""

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.signal import medfilt

from testbench.metrology.decay import ML_PER_PSI, Compliance, Warming, decay_rate, decide_decay, objection
from testbench.metrology.resolvability import Noise, Setup, resolvability
from testbench.metrology.signal import hampel_flags
from testbench.metrology.slope_interval import HoldSlope, hold_slope
from testbench.metrology.trend import SlidingSlope, StabilizationJudge
from testbench.quantities import LeakageRate, Pressure
from testbench.run.evaluation import evaluate_stage
from testbench.run.machine import Phase
from testbench.run.observations import Seen
from testbench.run.progress import Stage, StageState
from testbench.run.samples import Sample, to_ticks
from testbench.station.current_run import StageUnderWay
from tests.run.conftest import DAY, Attempt, Shop

HZ, SECONDS, WINDOW_S = 100, 600, 30
N = HZ * SECONDS
PSI = float(Pressure.factor("psi"))
JUDGED_MS, SAMPLE_US = 50, 20
NEVER_STEADY = 1e9  # counts/s: the phase stays what it is


def say(text: str) -> None:
    print(text)  # noqa: T201 - the figures are what this file is for


def hold() -> tuple[np.ndarray, np.ndarray]:
    """Seconds since 1970 and psi: a slow fall, noise of 0.1 psi, steps of 0.01 psi, one reading in 2000 far off."""
    rng = np.random.default_rng(1)
    t = 1_767_225_600 + np.arange(N) / HZ
    y = np.round(250 - 0.001 * (t - t[0]) + rng.normal(0, 0.1, N), 2)
    y[::2000] += 5
    return t, y


def best_ms(work: Callable[[], object], repeats: int = 7) -> float:
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append((time.perf_counter() - begun) * 1e3)
    return min(times)


# A stage judged ----------------------------------------------------------------------------------


def judged(t: np.ndarray, y: np.ndarray) -> object:
    """All that metrology says of a hold: flags, gaps, slope and interval, curvature, gate, rate and decision."""
    found: HoldSlope = hold_slope(t, y, resolution=0.01)
    c = 0.0333 * ML_PER_PSI
    setup = Setup(Compliance(c, 0.05 * c), Noise(found.residual_sd * PSI, HZ, 0.01 * PSI), Warming(PSI, 0.0, 0.4 / 60))
    limit, required = LeakageRate.parse("60 mL/h"), Pressure.parse("240 psi")
    gate = resolvability(limit, setup, pressure=required, longest_hold_s=SECONDS)
    rate = decay_rate(found.per_s * PSI, found.standard_uncertainty * PSI, setup.compliance, warming=setup.warming)
    against = objection(rate, found, Pressure.of(found.lowest, "psi"), required)
    return gate, decide_decay(rate, limit, against)


def plainly(t: np.ndarray, y: np.ndarray) -> object:
    """The same questions by ready-made parts: centred medians, HAC errors for noise that lasts, a parabola."""
    medians = medfilt(y, 11)
    spread = 1.4826 * medfilt(np.abs(y - medians), 11)
    kept = np.abs(y - medians) <= 5 * np.maximum(spread, 0.1)
    x, kept_y = t[kept] - t[0], y[kept]
    lags = int(4 * (x.size / 100) ** (2 / 9))
    line = sm.OLS(kept_y, sm.add_constant(x)).fit(cov_type="HAC", cov_kwds={"maxlags": lags})
    return line.conf_int(), np.polyfit(x - x.mean(), kept_y, 2, cov=True)


@pytest.mark.benchmark
def test_a_stage_is_judged_while_nobody_waits():
    """60 000 samples: the mathematics beside the plain ways, then the finding of a whole stage."""
    t, y = hold()
    x = t - t.mean()
    stage = whole_stage()
    record, trace = stage.record(), stage.trace()
    ours, plain = best_ms(lambda: judged(t, y)), best_ms(lambda: plainly(t, y), 3)
    finding = best_ms(lambda: evaluate_stage(record, trace, stage.channel, stage.zero_check, DAY))
    of_all = len(trace)
    say(f"\n{N} samples [ms], ratio to ours")
    for name, took in (
        ("flags, gaps, slope, interval, curvature, gate, decision: ours", ours),
        ("of that the outlier filter", best_ms(lambda: hampel_flags(y, noise=0.1))),
        ("the same by scipy.signal.medfilt, statsmodels OLS with HAC, numpy.polyfit", plain),
        ("statsmodels OLS with HAC errors, line alone", best_ms(lambda: hac(x, y), 3)),
        ("numpy.polyfit with covariance, line alone", best_ms(lambda: np.polyfit(x, y, 1, cov=True))),
        ("scipy.signal.medfilt, medians alone", best_ms(lambda: medfilt(y, 11))),
        (f"finding of a whole stage of {of_all} samples, hold read again", finding),
    ):
        say(f"{name:<76}{took:9.2f}{took / ours:8.2f}×")
    say(f"judged with intervals in {ours + finding:.1f} ms; goal {JUDGED_MS} ms")


def hac(x: np.ndarray, y: np.ndarray) -> object:
    return sm.OLS(y, sm.add_constant(x)).fit(cov_type="HAC", cov_kwds={"maxlags": 16})


# A sample live -----------------------------------------------------------------------------------


def rules(shop: Shop) -> Stage:
    """A shell test whose hold fills 600 s."""
    stage = shop.shell_test().stage
    return replace(stage, requirement=stage.requirement.model_copy(update={"hold_s": SECONDS - 20}))


def whole_stage() -> Attempt:
    """A completed shell test at 100 readings a second."""
    shop = Shop()
    rng = np.random.default_rng(2)
    attempt = Attempt(rules(shop), shop.channel(), shop.zero_check).under_pressure()
    counts = (attempt.fine + np.rint(rng.normal(0, 3, N))).astype(int).tolist()
    for count in counts:
        attempt.read(count, after_s=1 / HZ)
    assert attempt.state.phase is Phase.OBSERVING
    return attempt.see(Seen.NO_LEAKAGE).released()


def per_sample_us(work: Callable[[Sample], object], samples: list[Sample]) -> float:
    begun = time.perf_counter()
    for sample in samples:
        work(sample)
    return (time.perf_counter() - begun) / len(samples) * 1e6


@pytest.mark.benchmark
def test_a_sample_costs_little_while_it_comes_in():
    """Sliding slope over 30 s and steadiness; the rules of the stage; both as the station calls them."""
    shop = Shop()
    rng = np.random.default_rng(3)
    fine = rules(shop).thresholds.acceptance + 200
    counts = (fine + np.rint(rng.normal(0, 3, N))).astype(int).tolist()
    samples = [Sample(to_ticks(i / HZ), count) for i, count in enumerate(counts)]
    metrology = per_sample_us(watching(), samples)
    plain = per_sample_us(refitting(samples), samples[: 4 * WINDOW_S * HZ])
    rows = [("sliding slope and steadiness: ours", metrology), ("numpy.polyfit over the window, each sample", plain)]
    for phase in (Phase.STABILIZING, Phase.HOLDING):
        rows.append((f"rules of the stage, {phase}", per_sample_us(ruled(shop, phase), samples)))
        rows.append((
            f"sliding slope and rules, as the station calls them, {phase}",
            per_sample_us(station(shop, phase), samples),
        ))
    say(f"\nlive, each of {N} samples at {HZ} a second [µs], ratio to ours")
    for name, took in rows:
        say(f"{name:<76}{took:9.2f}{took / metrology:8.2f}×")
    say(f"goal {SAMPLE_US} µs")


def watching() -> Callable[[Sample], object]:
    sliding, judge = SlidingSlope(WINDOW_S), StabilizationJudge(1e-9, 10, 1e9, "psi")

    def take(sample: Sample) -> object:
        at_s = sample.at / 10_000
        sliding.add(at_s, sample.counts)
        return judge.judge(at_s, sliding.estimate())

    return take


def refitting(samples: list[Sample]) -> Callable[[Sample], object]:
    """The newest 30 s fitted anew at each sample, from arrays that are filled beforehand."""
    t, y = np.array([(one.at / 10_000, one.counts) for one in samples]).T
    newest = iter(range(1, len(samples) + 1))

    def take(_sample: Sample) -> object:
        last = next(newest)
        first = max(0, last - WINDOW_S * HZ)
        return np.polyfit(t[first:last] - t[first], y[first:last], 1, cov=True) if last > 10 else None

    return take


def ruled(shop: Shop, phase: Phase) -> Callable[[Sample], object]:
    of, state = rules(shop), begun(phase)

    def take(sample: Sample) -> object:
        nonlocal state
        state, happened = of.sample(state, sample, NEVER_STEADY)
        return happened

    return take


def station(shop: Shop, phase: Phase) -> Callable[[Sample], object]:
    of = rules(shop)
    under_way = StageUnderWay(of, 1, 0, 0, begun(phase), SlidingSlope(WINDOW_S))

    def take(sample: Sample) -> object:
        under_way.note(sample)
        state, happened = of.sample(under_way.state, sample, NEVER_STEADY)
        under_way.became(state)
        return happened

    return take


def begun(phase: Phase) -> StageState:
    return StageState(phase=phase, hold_since=0 if phase is Phase.HOLDING else None)
