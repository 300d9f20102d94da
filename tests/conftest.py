"""Hypothesis profiles, and the bench and order of the invented works that many tests use."""

import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

import testbench
from testbench.procedure.valve import Order
from testbench.station.bench import Bench

SCENARIO = Path(testbench.__file__).parent / "rig" / "scenario"

# A quick profile for every run, a long one for the night (--hypothesis-profile=long).
settings.register_profile("quick", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("long", deadline=None, max_examples=2000, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("quick")


@pytest.fixture
def bench() -> Bench:
    text = (SCENARIO / "bench.toml").read_text()
    filled = text.replace("@PORT@", "/dev/null").replace("@CLOCK@", "")
    filled = filled.replace("@CALIBRATED@", str(date(2026, 3, 11))).replace("@DUE@", str(date(2027, 3, 10)))
    return Bench.model_validate(tomllib.loads(filled))


@pytest.fixture
def order() -> Order:
    text = (SCENARIO / "HL-2041.toml").read_text()
    return Order.model_validate(tomllib.loads(text))
