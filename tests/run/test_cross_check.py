"""Two pressure channels held against each other: worked limits, and the same answer live and from sealed samples."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.decision_rule import Conformity
from testbench.quantities import Pressure
from testbench.run.channels import ChannelRecord, CrossCheck, UncertaintyPoint
from testbench.run.cross_check import Comparison, Pair, compare, judge_cross_checks, longest_silence
from testbench.run.samples import Gap, GapReason, Sample, Scale, Trace

DAY = date(2026, 6, 1)
S = 10_000
"""Ticks of a second."""


def channel(tag: str, u: str = "0.5 psi", **changes) -> ChannelRecord:
    facts = {
        "tag": tag, "instrument": "pressure transmitter", "serial": f"T-{tag}", "scale": Scale(unit="psi", decimals=2),
        "certificate_number": "CAL-26-0311", "laboratory": "Saltmarsh Calibration Laboratory",
        "calibrated_on": date(2026, 3, 11), "due_on": date(2027, 3, 11), "lowest": Pressure.of(0, "psi"),
        "highest": Pressure.of(1000, "psi"), "expanded_uncertainty": Pressure.parse(u),
    }  # fmt: skip
    return ChannelRecord.model_validate(facts | changes)


def pair(allowed: str | None = "0.7 psi", lag_ms: int = 1000, lasting_ms: int = 2000) -> Pair:
    stated = None if allowed is None else Pressure.parse(allowed)
    check = CrossCheck(channels=("PT-101", "PT-102"), allowed=stated, lag_ms=lag_ms, lasting_ms=lasting_ms)
    return Pair(check, (channel("PT-101"), channel("PT-102", "1.2 psi")))


def trace(*samples: tuple[int, int]) -> Trace:
    return Trace.of([Sample(at, counts) for at, counts in samples])


def live(found: Pair, one: Trace, other: Trace) -> str:
    """The first sentence of a comparison that takes both in the order of their ticks."""
    comparison = Comparison(found)
    every = [(int(t.at[n]), which, int(t.counts[n])) for which, t in enumerate((one, other)) for n in range(len(t))]
    for at, which, counts in sorted(every):
        comparison.take(which, Sample(at, counts))
        if comparison.sentence:
            return comparison.sentence
    return ""


def steady(counts: int, seconds: int = 10, first: int = 0) -> Trace:
    return trace(*((first + tenth * S // 10, counts) for tenth in range(10 * seconds)))


@pytest.mark.parametrize(("apart", "disagree"), [(70, False), (71, True), (-70, False), (-71, True)])
def test_the_difference_that_is_allowed_is_allowed(apart, disagree):
    """0.70 psi to the last digit, either way."""
    one, other = steady(45_000), steady(45_000 + apart, first=500)
    assert (live(pair(), one, other) != "") is disagree
    assert (compare(pair(), one, other, 0, 10 * S).disagreed != "") is disagree


def test_both_values_stand_in_the_sentence():
    """Both readings, the distance, and what is allowed."""
    one, other = steady(45_030), steady(43_100, first=500)
    sentence = "PT-101 reads 450.3 psi and PT-102 431.0 psi: 19.3 psi apart, at most 0.7 psi is allowed"
    assert live(pair(), one, other) == compare(pair(), one, other, 0, 10 * S).disagreed == sentence


def test_the_sentence_names_readings_of_one_moment():
    """The second value of a line is taken first while the pressure rises by 60 psi a reading: 20 psi apart, not 40."""
    comparison = Comparison(pair())
    for tenth in range(40):
        rising = 6_000 * tenth
        comparison.take(1, Sample(tenth * S // 10, rising - 2_000))
        if tenth == 39:
            break
        comparison.take(0, Sample(tenth * S // 10, rising))
    assert comparison.sentence == (
        "PT-101 reads 2280.0 psi and PT-102 2260.0 psi: 20.0 psi apart, at most 0.7 psi is allowed"
    )


@pytest.mark.parametrize(("apart", "disagree"), [(130, False), (131, True)])
def test_without_a_stated_difference_both_uncertainties_count(apart, disagree):
    """U = 0.5 psi and 1.2 psi: the root of the sum of squares is 1.3 psi, |Eₙ| = 1 (ISO/IEC 17043, from memory)."""
    one, other = steady(45_000), steady(45_000 + apart, first=500)
    assert (live(pair(None), one, other) != "") is disagree
    assert (compare(pair(None), one, other, 0, 10 * S).disagreed != "") is disagree


def test_uncertainties_along_the_range_count_at_the_pressure():
    """0.3 psi at 0 and 0.9 psi at 600: 0.6 psi at 300; with 0.8 psi of the other that is 1.0 psi."""
    points = tuple(
        UncertaintyPoint(at=Pressure.of(at, "psi"), expanded_uncertainty=Pressure.of(u, "psi"))
        for at, u in ((0, "0.3"), (600, "0.9"))
    )
    both = Pair(pair(None).check, (channel("PT-101", uncertainty_points=points), channel("PT-102", "0.8 psi")))
    found = compare(both, steady(30_000), steady(30_000, first=500), 0, 10 * S)
    assert both.pressure(found.allowed).to("psi") == pytest.approx(1.0, abs=2e-6)


@pytest.mark.parametrize(("tenths", "disagree"), [(20, False), (21, True)])
def test_a_disagreement_of_two_seconds_counts(tenths, disagree):
    """lasting 2 s from its first reading to its last, with a lag so short that it forgives nothing."""
    quick = pair(lag_ms=100)
    one = steady(45_000)
    other = trace(*((tenth * S // 10 + 500, 45_000 + 500 * (30 <= tenth < 30 + tenths)) for tenth in range(100)))
    assert (live(quick, one, other) != "") is disagree
    assert (compare(quick, one, other, 0, 10 * S).disagreed != "") is disagree


def test_units_and_zeros_of_each_channel_are_its_own():
    """31.03 bar is 450.05 psi; a zero of 0.20 bar is taken off."""
    bar = channel("PT-102", scale=Scale(unit="bar", decimals=2, zero_millicounts=20_000))
    both = Pair(pair("0.1 psi").check, (channel("PT-101"), bar))
    found = compare(both, steady(45_005), steady(3_123, first=500), 0, 10 * S)
    assert (found.disagreed, both.pressure(found.largest).text(2)) == ("", "0.00 psi")


def test_nothing_to_compare_is_no_agreement():
    """An empty trace, and one that was silent for longer than allowed."""
    one, none = steady(45_000), trace()
    assert not compare(pair(), one, none, 0, 10 * S).compared
    (found,) = judge_cross_checks((pair(),), {"PT-101": one, "PT-102": none}, (0, 99_000), 2, DAY)
    assert found.conformity is Conformity.WITHIN_GUARD_BAND
    assert found.sentence == (
        "PT-101 gave nothing to compare for 0.1 s of the hold, at most 2 s is allowed; "
        "PT-102 gave nothing to compare for 9.9 s of the hold, at most 2 s is allowed."
    )
    (found,) = judge_cross_checks((pair(),), {"PT-101": one, "PT-102": one}, None, 2, DAY)
    assert found.sentence == "PT-101 and PT-102 were not compared: there is no hold."


@pytest.mark.parametrize(("on", "fine"), [(date(2027, 3, 11), True), (date(2027, 3, 12), False)])
def test_a_channel_out_of_calibration_compares_nothing(on, fine):
    """The due date itself still counts."""
    one, other = steady(45_000), steady(45_000, first=500)
    (found,) = judge_cross_checks((pair(),), {"PT-101": one, "PT-102": other}, (1_000, 99_000), 2, on)
    assert (found.conformity is Conformity.CONFORMS) is fine
    overdue = "the calibration of {} holds from 2026-03-11 to 2027-03-11, not on 2027-03-12"
    if not fine:
        assert found.sentence == f"{overdue.format('PT-101')}; {overdue.format('PT-102')}."


@pytest.mark.parametrize(("since", "silent"), [(20_000, 20_000), (20_001, 20_001)])
def test_a_silence_is_measured_from_reading_to_reading(since, silent):
    """At its ends the hold bounds it; a gap that the channel reported counts as well."""
    read = trace((0, 1), (10_000, 1), (10_000 + since, 1), (45_000, 1))
    assert longest_silence(read, 5_000, 50_000) == max(silent, 45_000 - 10_000 - since)
    frozen = Trace(read.at, read.counts, (Gap(since=6_000, until=49_000, reason=GapReason.FROZEN),))
    assert longest_silence(frozen, 5_000, 50_000) == 43_000


ticks = st.lists(st.integers(0, 60 * S), min_size=1, max_size=120, unique=True).map(sorted)
levels = st.lists(st.integers(-90, 90), min_size=1, max_size=6)


@st.composite
def two_traces(draw):
    """Two channels at odd moments, each at a few levels; no two readings at one tick."""
    at = draw(ticks)
    mine = draw(st.lists(st.booleans(), min_size=len(at), max_size=len(at)))
    found = []
    for which in (True, False):
        own = [tick for tick, whose in zip(at, mine, strict=True) if whose is which]
        steps = draw(levels)
        found.append(trace(*((tick, 45_000 + steps[tick * len(steps) // (60 * S + 1)]) for tick in own)))
    return tuple(found)


@given(traces=two_traces(), lag_ms=st.integers(100, 30_000), lasting_ms=st.integers(100, 20_000))
def test_live_and_sealed_readings_are_compared_alike(traces, lag_ms, lasting_ms):
    """One by one as they came, or all at once from the record."""
    found = pair(lag_ms=lag_ms, lasting_ms=lasting_ms)
    assert (live(found, *traces) != "") == (compare(found, *traces, 0, 60 * S).disagreed != "")


@given(traces=two_traces())
def test_it_does_not_matter_which_channel_is_named_first(traces):
    """The rule looks at the readings of either."""
    found = pair()
    turned = Pair(found.check, found.channels[::-1])
    one, other = compare(found, *traces, 0, 60 * S), compare(turned, *traces[::-1], 0, 60 * S)
    assert (one.largest, one.allowed, one.disagreed == "") == (other.largest, other.allowed, other.disagreed == "")


@given(rate=st.integers(-3_000, 3_000), late=st.integers(0, 9))
def test_a_slower_channel_agrees_while_the_pressure_moves(rate, late):
    """Up to lag_s behind, whatever the rate [counts a tenth of a second]."""
    at = np.arange(100, dtype=np.int64) * (S // 10)
    counts = 45_000 + rate * np.arange(100, dtype=np.int64)
    behind = counts[np.maximum(np.arange(100) - late, 0)]
    assert compare(pair(), Trace(at, counts), Trace(at + 100, behind), 0, 10 * S).disagreed == ""
