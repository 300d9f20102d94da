"""How well the method keeps its word, at a size that shows it: the studies of ``testbench measure method``.

Figures are printed (``pytest tests/benchmarks -m benchmark -s``); the bounds are far enough off for chance.
"""

import numpy as np
import pytest

from testbench.cli.measure.method import tell
from testbench.metrology.studies import MethodStudy, method_study

HOLDS, SEED = 1000, 20260101
LEAST = {
    "white": 97,
    "AR(1) 0.5": 95,
    "AR(1) 0.9": 94,
    "AR(1) 0.99": 75,
    "1/f": 75,
    "white, SD 0.5 LSB": 96,
    "white, SD 0.2 LSB": 99,
    "white, SD 0.05 LSB": 99,
}


@pytest.fixture(scope="module")
def study() -> MethodStudy:
    found = method_study(HOLDS, np.random.default_rng(SEED))
    tell(found, SEED)
    return found


@pytest.mark.benchmark
def test_the_interval_keeps_95_per_cent_where_it_can(study):
    """Slow noise is beyond any single hold."""
    for found in study.coverages:
        assert 100 * found.ours / HOLDS >= LEAST[found.noise]


@pytest.mark.benchmark
def test_a_leaking_valve_is_seldom_accepted(study):
    """At the limit 5 %, give or take; well above it not at all where the gate says that decay can decide."""
    for decided in study.decided:
        assert 100 * decided.at(1.0).accepted / HOLDS <= 8
        assert 100 * decided.at(0.8).rejected / HOLDS <= 6
        if decided.case.gate.decidable:
            assert 100 * decided.at(1.5).accepted / HOLDS <= 1
