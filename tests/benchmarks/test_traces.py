"""How much room a trace takes. Figures are printed (``pytest tests/benchmarks -s``); no time is asserted.

The signal: 600 s at 100 Hz, a ramp with pump ripple, settling, slow drift and a dump, over 0 to 1500 psi in counts
of 0.01 psi, with white noise; stamps jitter by one tick of 100 µs.
"""

import time

import numpy as np
import pytest

from testbench.run.record import sha256
from testbench.run.samples import Trace
from testbench.store.codec import decode, encode

SAMPLES = 60_000


def signal(noise_counts: float) -> Trace:
    """A whole stage as a transmitter would tell it."""
    chance = np.random.default_rng(1)
    s = np.arange(SAMPLES) / 100
    rising = s < 60
    after = np.maximum(s - 60, 0)
    pressure = np.where(rising, 150_000 * s / 60 + 300 * np.sin(2 * np.pi * 1.5 * s), 150_000)
    pressure += np.where(rising, 0, 1_500 * np.exp(-after / 30) - after / 30)
    pressure *= np.exp(-np.maximum(s - 560, 0) / 6)
    counts = np.rint(pressure + chance.normal(0, noise_counts, SAMPLES))
    at = np.rint(s * 10_000 + chance.normal(0, 1, SAMPLES))
    return Trace(at.astype(np.int64), counts.astype(np.int64))


@pytest.mark.benchmark
@pytest.mark.parametrize("noise_counts", [1, 2, 3])
def test_a_trace_takes_less_than_a_byte_a_sample(noise_counts):
    """Ticks and counts together, at most 1.0 B a sample at a noise of up to 3 counts."""
    trace = signal(noise_counts)
    begun = time.perf_counter()
    stored = encode(trace)
    packed = time.perf_counter()
    back = decode(stored)
    unpacked = time.perf_counter()
    print(  # noqa: T201 - the figures are what this file is for
        f"\nnoise {noise_counts} counts: {len(stored) / SAMPLES:.3f} B/sample, {len(stored) / 1000:.0f} kB a stage, "
        f"packed in {(packed - begun) * 1e3:.0f} ms, unpacked in {(unpacked - packed) * 1e3:.1f} ms, "
        f"hash of the file {sha256(stored)[:8]}"
    )
    assert back.sha256() == trace.sha256()
    assert len(stored) <= 1.0 * SAMPLES
