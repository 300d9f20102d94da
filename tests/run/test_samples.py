"""Counts, limits in counts, and traces."""

import hashlib
import struct
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.quantities import Pressure
from testbench.run.samples import Gap, GapReason, Sample, Samples, Scale, Thresholds, Trace, to_s, to_ticks


def psi(number: str) -> Pressure:
    return Pressure.of(number, "psi")


def test_the_limits_of_a_shell_test_in_counts(shop):
    """500 psi + 1 psi, 500 psi × 1.1 and 1 % of 500 psi, in hundredths of a psi; 0.5 % a minute is 250 counts."""
    limits = Thresholds.of(shop.requirements().stages[0], psi("1.0"), Scale(unit="psi", decimals=2))
    assert (limits.acceptance, limits.upper, limits.safe, limits.change_per_min) == (50100, 55000, 500, 250)


@pytest.mark.parametrize(
    ("guard_band", "acceptance"), [("1.0", 50100), ("1.001", 50101), ("1.01", 50101), ("0.999", 50100)]
)
def test_a_limit_between_two_counts_goes_to_the_stricter_side(shop, guard_band: str, acceptance: int):
    """A reading that shows less than required plus guard band never counts, however little is missing."""
    limits = Thresholds.of(shop.requirements().stages[0], psi(guard_band), Scale(unit="psi", decimals=2))
    assert limits.acceptance == acceptance


@pytest.mark.parametrize(
    ("zero", "acceptance", "upper", "safe"),
    [(0, 50100, 55000, 500), (500, 50101, 55000, 500), (3000, 50103, 55003, 503), (-500, 50100, 54999, 499)],
)
def test_the_zero_correction_moves_every_limit_to_the_stricter_side(
    shop, zero: int, acceptance: int, upper: int, safe: int
):
    """A channel that reads 0.03 psi at atmosphere must read 501.03 psi; half a count goes against the valve."""
    scale = Scale(unit="psi", decimals=2, zero_millicounts=zero)
    limits = Thresholds.of(shop.requirements().stages[0], psi("1.0"), scale)
    assert (limits.acceptance, limits.upper, limits.safe) == (acceptance, upper, safe)
    assert limits.change_per_min == 250


def test_a_channel_in_bar_gets_its_own_counts(shop):
    """501 psi are 34.5427… bar: with two decimals 3455 counts; 550 psi are 37.92… bar: 3792 counts."""
    limits = Thresholds.of(shop.requirements().stages[0], psi("1.0"), Scale(unit="bar", decimals=2))
    assert (limits.acceptance, limits.upper, limits.safe) == (3455, 3792, 34)


scales = st.builds(
    Scale,
    unit=st.sampled_from(["psi", "bar", "kPa", "MPa"]),
    decimals=st.integers(0, 4),
    zero_millicounts=st.integers(-5000, 5000),
)


@given(scale=scales, pressure=st.decimals(0, 1000, places=3).map(lambda number: psi(str(number))))
def test_limits_in_counts_decide_as_the_pressures_themselves(scale: Scale, pressure: Pressure):
    """The smallest reading at or above a pressure is at or above it, and the one before is not; likewise below."""
    least, most = scale.least_counts(pressure), scale.most_counts(pressure)
    assert scale.pressure(least) >= pressure > scale.pressure(least - 1)
    assert scale.pressure(most) <= pressure < scale.pressure(most + 1)


@given(scale=scales, counts=st.integers(-100_000, 100_000))
def test_a_reading_and_its_pressure_are_one_thing(scale: Scale, counts: int):
    """Nothing is lost on the way from counts to pressure and back."""
    assert scale.exact_counts(scale.pressure(counts)) == counts


def test_a_reading_is_corrected_by_the_zero():
    """250.13 psi read, 0.0125 psi at atmosphere: 250.1175 psi."""
    assert str(Scale(unit="psi", decimals=2, zero_millicounts=1250).pressure(25013)) == "250.1175 psi"
    assert Scale(unit="psi", decimals=2).per_count == Fraction(1, 100)


def test_a_tick_is_a_tenth_of_a_millisecond():
    """Seconds and ticks go both ways."""
    assert to_ticks(1.0) == 10_000
    assert to_ticks(1.00004) == 10_000
    assert to_ticks(1.00006) == 10_001
    assert to_s(15_000) == 1.5


def trace() -> Trace:
    gap = Gap(since=200, until=300, reason=GapReason.SILENT)
    return Trace.of([Sample(at, 50000 + at) for at in (0, 100, 200, 300, 400)], (gap,))


@pytest.mark.parametrize(
    ("since", "until", "stamps"), [(100, 300, [100, 200, 300]), (101, 299, [200]), (0, -1, []), (350, 390, [])]
)
def test_a_part_of_a_trace_has_both_its_ends(since: int, until: int, stamps: list[int]):
    """From tick to tick, both included."""
    part = trace().between(since, until)
    assert part.at.tolist() == stamps
    assert part.counts.tolist() == [50000 + at for at in stamps]


@pytest.mark.parametrize(
    ("since", "until", "touched"),
    [(0, 199, False), (0, 200, True), (250, 260, True), (300, 400, True), (301, 400, False)],
)
def test_a_part_of_a_trace_keeps_the_gaps_that_touch_it(since: int, until: int, touched: bool):
    """A gap is not lost because it begins before or ends after."""
    assert bool(trace().between(since, until).gaps) is touched


def test_the_hash_of_a_trace_is_that_of_its_numbers():
    """All ticks, then all counts, as 64-bit little-endian integers: anybody can compute it again."""
    ticks, counts = (0, 100, 200, 300, 400), (50000, 50100, 50200, 50300, 50400)
    expected = hashlib.sha256(struct.pack("<5q", *ticks) + struct.pack("<5q", *counts)).hexdigest()
    assert trace().sha256() == expected
    assert len(trace()) == 5


def test_the_hash_of_a_polled_trace_is_also_that_of_its_queries():
    """All ticks of the queries after the counts; where nothing was asked for, the hash is what it always was."""
    ticks, counts, asked = (0, 100, 200), (7, 8, 9), (-20, 85, 199)
    polled = Trace.of([Sample(*sample) for sample in zip(ticks, counts, asked, strict=True)])
    packed = b"".join(struct.pack("<3q", *column) for column in (ticks, counts, asked))
    assert polled.sha256() == hashlib.sha256(packed).hexdigest()


def test_a_sample_that_nobody_asked_for_has_both_ends_at_its_arrival():
    """Beside others that were asked for, as where a line's protocol was changed."""
    assert Trace.of([Sample(100, 7), Sample(200, 8, 170)]).asked.tolist() == [100, 170]
    assert Trace.of([Sample(100, 7), Sample(200, 8)]).asked is None


def test_a_part_of_a_polled_trace_keeps_both_ends():
    """Each sample with its own query."""
    polled = Trace.of([Sample(100, 7, 80), Sample(200, 8, 170), Sample(300, 9, 285)])
    assert polled.asked.tolist() == [80, 170, 285]
    assert polled.between(150, 300).asked.tolist() == [170, 285]
    assert polled.between(0, 50).asked.tolist() == []


def test_a_sample_was_measured_between_its_query_and_its_arrival():
    """Both ends move together when the clock's origin does; what was not asked for has one stamp."""
    assert (Sample(300, 9, 285).earliest, Sample(300, 9).earliest) == (285, 300)
    assert Sample(300, 9, 285).on(100) == Sample(200, 9, 185)
    assert Sample(300, 9).on(100) == Sample(200, 9)


def test_an_empty_trace_is_a_trace():
    """A stage that was lost before its first reading has one too."""
    empty = Trace.of([])
    assert len(empty) == 0
    assert empty.sha256() == hashlib.sha256().hexdigest()


@given(st.lists(st.tuples(st.integers(0, 2**40), st.integers(-(10**10), 10**10))), st.integers(0, 9))
def test_samples_kept_as_they_come_in_are_the_trace_of_them(pairs, first):
    """From any of them on."""
    kept = Samples()
    for at, counts in pairs:
        kept.append(Sample(at, counts))
    expected = Trace.of([Sample(at, counts) for at, counts in pairs[first:]])
    assert len(kept) == len(pairs)
    assert kept.trace(first).sha256() == expected.sha256()
