"""How well the method keeps its word: simulated holds, judged by the very functions that judge a test.

Two studies. How often the 95 % interval of a slope holds the true slope, beside the interval that takes the noise for
white. And what the decision by pressure decay does with valves that leak a known share of their limit, beside simple
acceptance; the gate before the hold is asked, but not obeyed. Randomness is an argument; the same generator gives the
same figures.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from testbench.metrology.decay import ML_PER_PSI, Compliance, Warming, decay_rate, decide_decay
from testbench.metrology.decision_rule import Conformity, judge_upper_limit
from testbench.metrology.resolvability import Noise, Resolvability, Setup, resolvability
from testbench.metrology.slope_interval import hold_slope
from testbench.quantities import LeakageRate, Pressure

Holds = NDArray[np.float64]
"""One simulated record a row."""
Draw = Callable[[Generator, int, int], Holds]
"""Noise of SD 1: generator, holds, readings in each."""

Cell = TypeVar("Cell")

HZ = 10
PRESSURE_PSI, NOISE_PSI = 250.0, 0.1
"""Where a hold begins, and the standard deviation of its noise, in the study of decisions."""
SHARES = (0.0, 0.5, 0.8, 0.95, 1.0, 1.05, 1.25, 1.5)
"""True leak over limit."""
_AT_ONCE = 100  # holds drawn together: enough to be quick, few enough to fit any memory
_LONGER = 16  # 1/f noise is cut from a stretch so many times as long, so that it wanders beyond the hold
_PSI = float(Pressure.factor("psi"))


# Noise -------------------------------------------------------------------------------------------


def lasting(r: float) -> Draw:
    """AR(1) noise: each reading keeps r of the one before, 0 ≤ r < 1, from a steady state on; with 0 it is white."""

    def draw(rng: Generator, holds: int, readings: int) -> Holds:
        noise = rng.standard_normal((readings, holds))
        noise[1:] *= math.sqrt(1 - r * r)
        for i in range(1, readings):
            noise[i] += r * noise[i - 1]
        return noise.T

    return draw


def flicker(rng: Generator, holds: int, readings: int) -> Holds:
    """1/f noise: its power falls as one over the frequency, down to one turn in sixteen holds."""
    whole = _LONGER * readings
    frequencies = np.arange(1, whole // 2 + 1)
    parts = rng.standard_normal((2, holds, frequencies.size))
    spectrum = np.zeros((holds, frequencies.size + 1), dtype=np.complex128)
    spectrum[:, 1:] = (parts[0] + 1j * parts[1]) / np.sqrt(frequencies)
    noise = np.fft.irfft(spectrum, whole)
    return np.asarray(noise[:, :readings] / noise.std(axis=1, keepdims=True))


def _drawn(draw: Draw, rng: Generator, holds: int, readings: int) -> Iterator[Holds]:
    """Records one by one, drawn in heaps."""
    for first in range(0, holds, _AT_ONCE):
        yield from draw(rng, min(_AT_ONCE, holds - first), readings)


# Coverage of the slope interval ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NoiseKind:
    """A kind of noise, and the step of the reading in its standard deviations (0: far below it)."""

    name: str
    draw: Draw
    step: float = 0.0


NOISES = (
    NoiseKind("white", lasting(0.0)),
    NoiseKind("AR(1) 0.5", lasting(0.5)),
    NoiseKind("AR(1) 0.9", lasting(0.9)),
    NoiseKind("AR(1) 0.99", lasting(0.99)),
    NoiseKind("1/f", flicker),
    NoiseKind("white, SD 0.5 LSB", lasting(0.0), 2.0),
    NoiseKind("white, SD 0.2 LSB", lasting(0.0), 5.0),
    NoiseKind("white, SD 0.05 LSB", lasting(0.0), 20.0),
)
HOLDS_S = (60, 180)


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many of so many 95 % intervals held the true slope, under one noise and over one length of hold."""

    noise: str
    seconds: int
    holds: int
    as_if_white: int
    """Least squares alone, as if no reading knew of another."""
    ours: int
    """``hold_slope``."""
    widening: float
    """Median of our half-width over that of least squares; infinite where rounding leaves no residuals."""
    curved: int
    """How many were called curved; of such a hold nothing would be concluded."""


def coverage(noise: NoiseKind, seconds: int, holds: int, rng: Generator) -> Coverage:
    """Simulate straight holds with one kind of noise and count the intervals that hold the true slope.

    Args:
        noise: its kind; the unit of the values is its standard deviation.
        seconds: length of a hold, at 10 readings a second.
        holds: how many, at least one.
        rng: where chance comes from.
    """
    t = np.arange(seconds * HZ) / HZ
    span = max(noise.step, 1.0)  # the true slope is up to half a step, or half an SD, over the hold
    as_if_white = ours = curved = 0
    widenings = []
    for drawn in _drawn(noise.draw, rng, holds, t.size):
        true = rng.uniform(-0.5, 0.5) * span / seconds
        values = true * t + drawn + rng.uniform(0, span)
        if noise.step:
            values = np.round(values / noise.step) * noise.step
        found = hold_slope(t, values, resolution=noise.step, noise=1.0)
        alone = dict(found.half_widths)["OLS"]
        as_if_white += abs(found.per_s - true) <= alone
        ours += abs(found.per_s - true) <= found.half_width
        widenings.append(found.half_width / alone if alone > 0 else math.inf)
        curved += found.curved
    return Coverage(noise.name, seconds, holds, as_if_white, ours, float(np.median(widenings)), curved)


# Decisions ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Case:
    """A body, its limit, its transmitter, and what is not known of it; the defaults are those of a fine reading."""

    name: str
    limit: LeakageRate
    seconds: int
    compliance_ml_per_psi: float
    compliance_u: float
    """Relative standard uncertainty of C."""
    drift_u_psi_per_min: float
    """Standard uncertainty of the fall that an unseen drift of the temperature brings."""
    lsb_psi: float = 0.015
    lasting: float = 0.0
    """r of the AR(1) noise; 0 is white."""

    @property
    def fall_psi_per_min(self) -> float:
        """What a leak at the limit takes from the pressure."""
        return self.limit.to("mL/min") / self.compliance_ml_per_psi

    @property
    def setup(self) -> Setup:
        """What the recorder is told of it."""
        c, r = self.compliance_ml_per_psi * ML_PER_PSI, self.lasting
        noise = Noise(NOISE_PSI * _PSI, HZ, self.lsb_psi * _PSI, (1 + r) / (1 - r))
        return Setup(Compliance(c, self.compliance_u * c), noise, Warming(_PSI, 0.0, self.drift_u_psi_per_min / 60))

    @property
    def gate(self) -> Resolvability:
        """What the gate before the hold says of it."""
        return resolvability(
            self.limit, self.setup, pressure=Pressure.of(PRESSURE_PSI, "psi"), longest_hold_s=self.seconds
        )


CASES = (
    Case("NPS 6, 10 mL/h per inch, 60 s", LeakageRate.parse("60 mL/h"), 60, 0.03333, 0.05, 0.4),
    Case("NPS 6, 10 mL/h per inch, 15 s, 12 bits", LeakageRate.parse("60 mL/h"), 15, 0.03333, 0.05, 0.4, lsb_psi=0.244),
    Case(
        "NPS 12, 10 mL/h per inch, 60 s, 12 bits", LeakageRate.parse("120 mL/h"), 60, 0.1903, 0.10, 1.14, lsb_psi=0.244
    ),
    Case("NPS 6, 1 drop/min, 60 s", LeakageRate.parse("3.75 mL/h"), 60, 0.03333, 0.05, 0.41, lasting=0.9),
    Case("NPS 12, 1 drop/min, 300 s", LeakageRate.parse("3.75 mL/h"), 300, 0.1903, 0.10, 0.38, lasting=0.9),
)


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What became of valves that leak one share of their limit."""

    share: float
    """True leak over limit."""
    holds: int
    accepted: int
    rejected: int
    simply_accepted: int
    """With no guard band, by the same holds."""

    @property
    def simply_rejected(self) -> int:
        """Simple acceptance leaves nothing open."""
        return self.holds - self.simply_accepted

    @property
    def inconclusive(self) -> int:
        """Neither: extend the hold, or collect."""
        return self.holds - self.accepted - self.rejected


def outcomes(case: Case, share: float, holds: int, rng: Generator) -> Outcomes:
    """Simulate holds of valves with a known leak, and decide each by ``decide_decay`` and by simple acceptance.

    The body's true C and the drift of its temperature are drawn from what is stated of them.

    Args:
        case: body, limit and transmitter.
        share: true leak over limit.
        holds: how many, at least one.
        rng: where chance comes from.
    """
    t = np.arange(case.seconds * HZ) / HZ
    limit, setup = case.limit, case.setup
    accepted = rejected = simply_accepted = 0
    for drawn in _drawn(lasting(case.lasting), rng, holds, t.size):
        true_c = 1 + case.compliance_u * rng.standard_normal()  # over the C that was measured
        fall = share * case.fall_psi_per_min / true_c + case.drift_u_psi_per_min * rng.standard_normal()
        values = PRESSURE_PSI - fall / 60 * t + NOISE_PSI * drawn
        values = np.round(values / case.lsb_psi) * case.lsb_psi
        found = hold_slope(t, values, resolution=case.lsb_psi, noise=NOISE_PSI)
        rate = decay_rate(
            found.per_s * _PSI, found.standard_uncertainty * _PSI, setup.compliance, warming=setup.warming
        )
        conformity = decide_decay(rate, limit).conformity
        accepted += conformity is Conformity.CONFORMS
        rejected += conformity is Conformity.DOES_NOT_CONFORM
        simply = judge_upper_limit(rate.rate, LeakageRate.zero(limit.unit), limit)
        simply_accepted += simply is Conformity.CONFORMS
    return Outcomes(share, holds, accepted, rejected, simply_accepted)


@dataclass(frozen=True, slots=True)
class Decided:
    """One case at every share of its limit."""

    case: Case
    outcomes: tuple[Outcomes, ...]

    def at(self, share: float) -> Outcomes:
        """The outcomes of valves that leak this share of their limit."""
        return next(found for found in self.outcomes if found.share == share)


@dataclass(frozen=True, slots=True)
class MethodStudy:
    """Both studies."""

    holds: int
    """How many each figure rests on."""
    coverages: tuple[Coverage, ...]
    decided: tuple[Decided, ...]


CELLS = len(NOISES) * len(HOLDS_S) + len(CASES) * len(SHARES)


def method_study(holds: int, rng: Generator, told: Callable[[], None] = lambda: None) -> MethodStudy:
    """Run both studies.

    Args:
        holds: how many for each figure, at least one.
        rng: where chance comes from; every cell gets a generator of its own from it.
        told: called after each of ``CELLS`` cells.
    """
    generators = iter(rng.spawn(CELLS))

    def cell(study: Callable[..., Cell], *of: object) -> Cell:
        found = study(*of, holds, next(generators))
        told()
        return found

    return MethodStudy(
        holds,
        tuple(cell(coverage, noise, seconds) for noise in NOISES for seconds in HOLDS_S),
        tuple(Decided(case, tuple(cell(outcomes, case, share) for share in SHARES)) for case in CASES),
    )


def standard_error(share: float, holds: int) -> float:
    """Monte-Carlo standard error of a share that so many holds gave."""
    return math.sqrt(share * (1 - share) / holds)
