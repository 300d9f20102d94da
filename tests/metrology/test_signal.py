"""Outliers, noise, gaps and block means: what a record is worth before anything is concluded from it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.signal import (
    block_means,
    completeness,
    equal_blocks,
    hampel_flags,
    mean_and_sd,
    noise_of,
    resolution_of,
)

EVERY_S = 0.1


def times(n: int) -> np.ndarray:
    return np.arange(n) * EVERY_S


def none(n: int) -> np.ndarray:
    return np.zeros(n, dtype=bool)


# Mean and standard deviation ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "pair", "mean", "sd", "digits"),
    [
        (1.2, (1.1, 1.3), 1.2, 0.1, 14),
        (1000000.2, (1000000.1, 1000000.3), 1000000.2, 0.1, 9),
        (10000000.2, (10000000.1, 10000000.3), 10000000.2, 0.1, 8),
    ],
)
def test_the_spread_of_readings_that_differ_in_the_last_digit(first, pair, mean, sd, digits):
    """NIST StRD univariate sets NumAcc2, NumAcc3, NumAcc4: n = 1001, by their rule; certified mean and SD 0.1.

    NumAcc4 to eight digits is as far as doubles carry, since 10000000.2 is no double.
    """
    found_mean, found_sd = mean_and_sd(np.array([first, *pair * 500]))
    assert found_mean == pytest.approx(mean, rel=1e-14)
    assert found_sd == pytest.approx(sd, rel=10.0**-digits)


def test_three_whole_numbers_spread_exactly():
    """NIST StRD NumAcc1: 10000001, 10000003, 10000002; mean 10000002, SD 1."""
    assert mean_and_sd(np.array([10000001.0, 10000003.0, 10000002.0])) == (10000002.0, 1.0)


# Noise and resolution ----------------------------------------------------------------------------


def test_noise_is_seen_through_a_slope_and_outliers():
    """White noise of 0.1 psi on a fall of 60 psi/min with 1 % outliers of 20 psi: 0.1 psi within 5 %. Seed fixed."""
    rng = np.random.default_rng(11)
    values = 250 - 0.1 * np.arange(6000) + rng.normal(0, 0.1, 6000)
    values[::100] += 20
    assert noise_of(values) == pytest.approx(0.1, rel=0.05)


def test_a_reading_that_stands_still_has_no_noise():
    """All the same, or too few to tell: 0."""
    assert noise_of(np.full(100, 250.0)) == 0.0
    assert noise_of(np.array([1.0, 2.0])) == 0.0


def test_the_step_of_a_coarse_transmitter_is_seen_in_its_readings():
    """12 bits over 1000 psi, written with two decimals: 0.24 psi, not 0.01 psi."""
    codes = np.random.default_rng(1).integers(1020, 1026, 500)
    assert resolution_of(np.round(codes * 1000 / 4095, 2), 0.01) == pytest.approx(0.24, abs=0.011)


def test_readings_that_never_repeat_have_the_resolution_they_are_written_with():
    """Five different readings say nothing of a step; a single reading repeated says nothing either."""
    assert resolution_of(np.array([250.0, 249.0, 248.0, 247.0, 246.0]), 0.01) == 0.01
    assert resolution_of(np.full(100, 250.0), 0.01) == 0.01


# Outliers ----------------------------------------------------------------------------------------


def share_flagged(sd_lsb: float | None, *, floor: bool, scales: float = 5.0) -> tuple[float, float]:
    """False and found outliers [%]; noise SD in LSB, None for a fine reading; outliers of ±10 SD or ±10 LSB."""
    rng = np.random.default_rng(7)
    n, lsb = 40_000, 0.0 if sd_lsb is None else 1.0
    values = rng.normal(0, 1 if sd_lsb is None else sd_lsb, n)
    struck = np.zeros(n, dtype=bool)
    struck[50::97] = True
    values[struck] += 10 * rng.choice([-1, 1], struck.sum())
    if lsb:
        values = np.round(values)
    # A resolution of next to nothing stands for a filter without a floor that never flags on a MAD of 0.
    flags = hampel_flags(values, resolution=lsb if floor else 0.0, scales=scales)
    if not floor:
        windows = np.lib.stride_tricks.sliding_window_view(values, 11)
        mad = np.median(np.abs(windows - np.median(windows, axis=1)[:, None]), axis=1)
        flags[10:] &= mad > 0
    return 100 * flags[~struck].mean(), 100 * flags[struck].mean()


@pytest.mark.parametrize(
    ("sd_lsb", "most_false", "least_found"),
    [(None, 0.7, 97.0), (0.67, 0.2, 99.5), (0.3, 0.05, 99.5), (0.1, 0.05, 99.5)],
)
def test_the_filter_finds_outliers_on_fine_and_coarse_readings(sd_lsb, most_false, least_found):
    """Trailing Hampel filter, 11 samples, k = 5, scale floored at LSB/2.

    Bands around a simulation done beforehand: false 0.44, 0.03, 0, 0 %; found 98.3, 100, 100, 100 %. Seed fixed.
    """
    false, found = share_flagged(sd_lsb, floor=True)
    assert false <= most_false
    assert found >= least_found


def test_without_a_floor_a_coarse_reading_hides_its_outliers():
    """On a quantised reading the MAD is 0 and says nothing: at an SD of 0.3 LSB fewer than 2 % are found."""
    assert share_flagged(0.3, floor=False, scales=3.0)[1] < 2
    assert share_flagged(0.3, floor=True, scales=3.0)[1] > 99.5


@pytest.mark.parametrize(("outlier", "flagged"), [(252.49, False), (252.5, False), (252.51, True), (247.49, True)])
def test_five_scales_are_allowed_and_not_a_hair_more(outlier, flagged):
    """A declared noise of 0.5 psi on a still reading: up to 2.5 psi from the median a reading counts."""
    values = np.full(30, 250.0)
    values[20] = outlier
    assert hampel_flags(values, noise=0.5)[20] == flagged


@pytest.mark.parametrize(("outlier", "flagged"), [(250.025, False), (250.026, True)])
def test_half_a_step_is_the_least_scale(outlier, flagged):
    """A resolution of 0.01 psi: five times 0.005 psi."""
    values = np.full(30, 250.0)
    values[20] = outlier
    assert hampel_flags(values, resolution=0.01000001)[20] == flagged


def test_an_outlier_among_the_first_samples_is_found():
    """Before a window is full, samples are held against the first full one."""
    values = 250 + 0.01 * np.arange(50) % 0.03
    values[2] = 300
    assert np.flatnonzero(hampel_flags(values, resolution=0.01)).tolist() == [2]


def test_a_ramp_is_no_outlier():
    """A steady rise of 1 psi/s with noise of 0.1 psi at 10 Hz: fewer than 0.1 % flagged (simulated: 0.01 %)."""
    values = 0.1 * np.arange(20_000) + np.random.default_rng(5).normal(0, 0.1, 20_000)
    assert hampel_flags(values, noise=0.1).mean() < 0.001


@given(st.lists(st.floats(-1e6, 1e6), min_size=0, max_size=60))
def test_flags_never_delete(readings):
    """There is a flag for every sample, the samples stay as they were, and most are unflagged."""
    values = np.array(readings)
    before = values.copy()
    flags = hampel_flags(values, resolution=0.01)
    assert flags.shape == values.shape
    assert (values == before).all()
    assert not flags.all() or not flags.size


@given(st.lists(st.floats(-100, 100), min_size=11, max_size=60), st.floats(0.001, 1))
def test_the_filter_does_what_its_plain_form_does(readings, noise):
    """Against a plain loop: median and MAD of the newest eleven, one sample at a time."""
    values = np.array(readings)
    flags = hampel_flags(values, noise=noise)
    for i in range(values.size):
        window = values[max(i - 10, 0) : max(i + 1, 11)]
        median = np.median(window)
        scale = max(1.4826 * np.median(np.abs(window - median)), noise)
        assert flags[i] == (abs(values[i] - median) > 5 * scale)


# Flagged, missing, gaps --------------------------------------------------------------------------


@pytest.mark.parametrize(("flagged", "valid"), [(0, True), (6, True), (7, False)])
def test_more_than_one_per_cent_flagged_is_invalid(flagged, valid):
    """Of 600 samples 6 may be flagged."""
    flags = none(600)
    flags[: 10 * flagged : 10] = True
    found = completeness(times(600), flags)
    assert found.flagged == flagged
    assert found.valid == valid
    assert found.reasons == (() if valid else ("7 of 600 samples are flagged, at most 1 % may be",))


@pytest.mark.parametrize(("missing", "valid"), [(0, True), (12, True), (13, False)])
def test_more_than_two_per_cent_missing_is_invalid(missing, valid):
    """Of 600 expected samples 12 may be missing, each in a gap of its own."""
    at_s = np.delete(times(600), np.arange(10, 10 + 20 * missing, 20))
    found = completeness(at_s, none(at_s.size))
    assert (found.missing, found.gaps) == (missing, missing)
    assert found.valid == valid
    assert found.reasons == (() if valid else ("13 of 600 expected samples are missing, at most 2 % may be",))


@pytest.mark.parametrize(("lost", "gap_s", "too_long"), [(14, 1.875, False), (15, 2.0, False), (16, 2.125, True)])
def test_a_gap_of_more_than_two_per_cent_is_invalid(lost, gap_s, too_long):
    """In a hold of 100 s (8 readings a second) a gap of 2.0 s is just allowed."""
    at_s = np.delete(np.arange(801) / 8, np.arange(100, 100 + lost))
    found = completeness(at_s, none(at_s.size))
    assert (found.gaps, found.missing, found.longest_gap_s) == (1, lost, gap_s)
    assert ("a gap of 2.12 s is longer than 2 % of 100 s" in found.reasons) == too_long


def test_jitter_is_no_gap():
    """Steps of up to one and a half intervals have lost nothing."""
    at_s = times(600) + np.random.default_rng(3).uniform(-0.02, 0.02, 600)
    assert completeness(at_s, none(600)) == completeness(at_s, none(600), interval_s=0.1)
    assert completeness(at_s, none(600)).gaps == 0


@pytest.mark.parametrize(("lost", "valid"), [(0, True), (6, True), (7, False)])
def test_samples_that_come_in_a_heap_are_not_missing(lost, valid):
    """A reader held up for 0.8 s, five times in a minute, stamps the eight readings of each wait as they come."""
    at_s = times(600)
    for start in range(100, 600, 100):
        at_s[start : start + 8] = at_s[start + 8] - 0.001 * np.arange(8, 0, -1)
    at_s = np.delete(at_s, np.arange(20, 20 + 2 * lost, 2))
    found = completeness(at_s, none(at_s.size))
    assert (found.missing, found.valid) == (lost, valid)
    assert found.longest_gap_s == pytest.approx(0.892)


def test_a_single_sample_has_no_gap():
    """One sample spans nothing."""
    assert completeness(times(1), none(1)).valid


# Block means -------------------------------------------------------------------------------------


def test_block_means_are_the_means_of_their_second():
    """10 Hz, blocks of 1 s: ten samples each, the last one short."""
    found = block_means(times(25), np.arange(25.0), 1.0)
    assert found.means.tolist() == pytest.approx([4.5, 14.5, 22.0])
    assert found.samples.tolist() == [10, 10, 5]
    assert found.at_s.tolist() == pytest.approx([0.45, 1.45, 2.2])


def test_a_block_without_a_sample_is_left_out():
    """Missing is not zero and not the last value again."""
    found = block_means(np.array([0.0, 0.5, 3.0]), np.array([250.0, 252.0, 240.0]), 1.0)
    assert found.means.tolist() == [251.0, 240.0]
    assert found.samples.tolist() == [2, 1]


@given(st.lists(st.floats(-1e5, 1e5), min_size=1, max_size=80), st.sampled_from([0.0, 1.7e9]))
def test_block_means_weigh_to_the_mean_of_all(readings, start_s):
    """Weighted by their samples the block means have the mean of the record, on any clock."""
    values = np.array(readings)
    for found in (
        block_means(start_s + times(values.size), values, 0.35),
        equal_blocks(start_s + times(values.size), values, min(6, values.size)),
    ):
        assert found.samples.sum() == values.size
        assert (found.means * found.samples).sum() / values.size == pytest.approx(values.mean(), abs=1e-6)
