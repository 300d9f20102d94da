"""The temperature of the test water: an optional channel that is recorded, shown, and refused where it cannot be."""

import pytest

from testbench.quantities import Temperature
from testbench.run.evaluation import rejudged
from testbench.run.record import canonical
from testbench.station.acquisition import Arrived, PortLost, PortOpened
from testbench.station.bench import ThermometerEntry
from testbench.station.line_settings import PlainLineSettings
from tests.station.conftest import BenchInHand, OwnThermometer

ENTRY = ThermometerEntry(
    tag="TT-101",
    instrument="resistance thermometer",
    serial="W-0007",
    line=PlainLineSettings(port="/dev/tt"),
    expanded_uncertainty_k="0.5",
)


@pytest.fixture
def warm(bench, order) -> BenchInHand:
    """The bench with a thermometer in its water."""
    at_hand = BenchInHand(bench.model_copy(update={"temperature": ENTRY}), order)
    at_hand.session.take(PortOpened(0.0, ""), 1)
    at_hand.session.take(Arrived(0.0, b"\r\n"), 1)
    return at_hand


def says(at_hand: BenchInHand, line: bytes) -> None:
    at_hand.session.take(Arrived(at_hand.clock.seconds, line), 1)


@pytest.mark.parametrize(("seconds", "known"), [(30.0, True), (30.0001, False)])
def test_a_temperature_is_known_for_half_a_minute(seconds: float, known: bool):
    """stale_after_s = 30 in bench.toml; silence is no temperature."""
    thermometer = OwnThermometer(ENTRY)
    thermometer.take(Arrived(1.0, b"\r\n+018.3\r\n"))
    found = thermometer.reading(round((1.0 + seconds) * 10_000))
    assert (found == Temperature.of("18.3", "degC")) if known else (found is None)


def test_a_pulled_cable_leaves_no_temperature():
    """At once, whatever was read a moment before."""
    thermometer = OwnThermometer(ENTRY)
    thermometer.take(Arrived(1.0, b"\r\n+018.3\r\n"))
    thermometer.take(PortLost(1.1, "Port X is not there.", "Plug it in."))
    assert thermometer.reading(11_000) is None
    assert thermometer.fault(11_000) == "Port X is not there."


def test_a_screen_is_told_why_there_is_no_temperature(warm):
    """Silent from the beginning, then sending, then unplugged."""
    assert warm.see().water_fault == "No reading for more than 30 s."
    says(warm, b"+018.3\r\n")
    assert (warm.see().water_fault, warm.see().water_degc) == ("", pytest.approx(18.3))
    warm.session.meters.thermometer.take(PortLost(warm.clock.seconds, "Port X is not there.", "Plug it in."))
    assert (warm.see().water_fault, warm.see().water_degc) == ("Port X is not there.", None)


@pytest.mark.parametrize(
    ("line", "found"),
    [(b"+000.0\r\n", None), (b"+060.0\r\n", None), (b"-000.1\r\n", "-0.10"), (b"+060.1\r\n", "60.10")],
)
def test_a_stage_is_refused_at_a_temperature_that_liquid_water_has_not(warm, line: bytes, found: str | None):
    """0 to 60 °C, both ends included; nothing has begun after the refusal."""
    warm.start("HL-4-0117")
    says(warm, line)
    answer = warm.ask("start_stage")
    assert answer.done is (found is None)
    if found is not None:
        assert answer.sentence == (f"Water: temperature is {found} °C; its properties are held for 0 °C to 60 °C.")
        assert warm.see().stage is None


def test_the_record_keeps_what_was_read_within_the_stage(warm):
    """At most one reading a second, on the run's own ticks, and the screen shows the newest."""
    warm.start("HL-4-0117")
    says(warm, b"+017.0\r\n")
    began = warm.clock.seconds
    warm.do("start_stage")
    warm.do("vent_closed")
    for tenth in range(170, 210):
        says(warm, f"+{tenth / 10:05.1f}\r\n".encode())
        warm.hold(505, 1)
        says(warm, b"+099.9\r\n")  # too soon after the one before to be kept
    assert warm.see().water_degc == pytest.approx(99.9)
    warm.hold(505, 125)
    warm.do("observe", criterion=0, seen="no leakage")
    warm.hold(0.2, 2)
    (stage,) = warm.session.run.stages
    assert stage.water.at(0) == Temperature.of("17.0", "degC")
    assert stage.water.readings[0][0] == round((began - warm.session.run_since / 10_000) * 10_000)
    steps = [b[0] - a[0] for a, b in zip(stage.water.readings, stage.water.readings[1:], strict=False)]
    assert min(steps) >= 10_000


def test_without_a_channel_nothing_is_said_of_it(at_hand):
    """An optional channel leaves no trace where there is none."""
    at_hand.shell()
    (stage,) = at_hand.session.run.stages
    assert stage.water is None
    assert b'"water":{' not in canonical(at_hand.session.run)
    assert at_hand.see().water_degc is None


def test_a_run_with_temperatures_is_judged_again_the_same(warm):
    """They are part of the record, and decide nothing by themselves."""
    warm.start("HL-4-0117")
    warm.do("start_stage")
    warm.do("vent_closed")
    says(warm, b"+017.0\r\n")
    warm.hold(505, 165)
    warm.do("observe", criterion=0, seen="no leakage")
    warm.hold(0.2, 2)
    says(warm, b"+017.1\r\n")
    warm.seat(volume="0.7 mL")
    record, traces = warm.store.sealed[0]
    assert record.stages[0].water is not None
    assert rejudged(record, traces) == record
