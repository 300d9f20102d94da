"""How a pressure becomes a line."""

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.lines import LineFramer, Reading
from testbench.rig.transmitter import Fault, Transmitter, TransmitterSettings

EXACT = TransmitterSettings(noise_psi=0.0, zero_psi=0.0)


@pytest.mark.parametrize(
    ("psi", "line"),
    [
        (250.13, b"+0250.13\r\n"),
        (0.0, b"+0000.00\r\n"),
        (-0.07, b"-0000.07\r\n"),
        (1000.0, b"+1000.00\r\n"),
        (1000.01, b"+9999.99\r\n"),
        (-20_000.0, b"+9999.99\r\n"),
    ],
)
def test_a_line_is_sign_four_digits_point_two_digits(psi, line):
    """Above its range the transmitter says nines."""
    assert Transmitter(EXACT).line(psi) == line


def test_another_unit_and_other_digits_are_written_as_asked():
    """17.24 bar are 250 psi (exact factors)."""
    settings = TransmitterSettings(unit="bar", decimals=3, whole_digits=3, noise_psi=0.0, zero_psi=0.0)
    assert Transmitter(settings).line(250.0) == b"+017.237\r\n"
    assert Transmitter(TransmitterSettings(decimals=0, noise_psi=0.0, zero_psi=0.0)).line(250.4) == b"+0250\r\n"


def test_a_coarse_instrument_shows_its_steps():
    """Resolution 0.5 psi."""
    settings = TransmitterSettings(noise_psi=0.0, zero_psi=0.0, resolution_psi=0.5)
    assert Transmitter(settings).line(250.3) == b"+0250.50\r\n"


@given(psi=st.floats(-50, 999), seed=st.integers())
def test_every_line_of_a_sound_transmitter_is_a_reading(psi, seed):
    """The recorder's framer accepts all of them."""
    framer = LineFramer()
    framer.feed(b"\r\n")
    found = framer.feed(Transmitter(TransmitterSettings(seed=seed)).line(psi))
    assert len(found) == 1
    assert isinstance(found[0], Reading)


def test_noise_and_offset_are_those_of_the_settings():
    """4000 lines at 250 psi: mean 250.12 within 5 standard errors, standard deviation 0.05 within 6 %."""
    transmitter = Transmitter()
    seen = [float(transmitter.line(250.0)) for _ in range(4000)]
    assert statistics.mean(seen) == pytest.approx(250.12, abs=0.004)
    assert statistics.stdev(seen) == pytest.approx(0.05, rel=0.06)


@given(seed=st.integers())
def test_the_same_seed_gives_the_same_lines(seed):
    """A story can be told again."""
    first, second = (Transmitter(TransmitterSettings(seed=seed)) for _ in range(2))
    assert [first.line(100.0) for _ in range(20)] == [second.line(100.0) for _ in range(20)]


def test_a_fault_shows_as_what_it_is():
    """Silent and unplugged say nothing, frozen repeats itself, garbage is no reading, out of range says nines."""
    transmitter = Transmitter()
    before = transmitter.line(250.0)
    transmitter.fault = Fault.FROZEN
    assert {transmitter.line(psi) for psi in (1.0, 2.0, 3.0)} == {before}
    transmitter.fault = Fault.SILENT
    assert transmitter.line(250.0) == b""
    transmitter.fault = Fault.OUT_OF_RANGE
    assert transmitter.line(250.0) == b"+9999.99\r\n"
    transmitter.fault = Fault.GARBAGE
    framer = LineFramer()
    framer.feed(b"\r\n")
    assert not any(isinstance(found, Reading) for _ in range(50) for found in framer.feed(transmitter.line(250.0)))


def test_a_fault_changes_nothing_of_what_comes_after_it():
    """The noise goes on underneath."""
    sound, broken = Transmitter(), Transmitter()
    broken.fault = Fault.SILENT
    for _ in range(7):
        sound.line(250.0)
        broken.line(250.0)
    broken.fault = Fault.NONE
    assert broken.line(250.0) == sound.line(250.0)
