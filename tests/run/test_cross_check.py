"""Two pressure channels held against each other: worked limits, and the same answer live and from sealed samples."""

from datetime import date

import numpy as np
import pytest
from hypothesis import assume, given
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
    """The first sentence of a comparison that takes both in the order of their ticks, and one reading behind them."""
    comparison = Comparison(found)
    every = [(int(t.at[n]), which, int(t.counts[n])) for which, t in enumerate((one, other)) for n in range(len(t))]
    for at, which, counts in [*sorted(every), (max(every)[0] + 1, 0, 0)]:
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
    """The second value of a line is taken first while the pressure rises by 60 psi a reading: 20 psi apart, not 40.

    The lag is so short that it does not take this up: with 1 s it would be a channel that is 0.03 s slower.
    """
    comparison = Comparison(pair(lag_ms=50))
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


def slower(period_s: float, counts: int, seconds: int = 60) -> Trace:
    return trace(*((int(n * period_s * S) + 500, counts) for n in range(int(seconds / period_s))))


@pytest.mark.parametrize(("lag_ms", "period_s"), [(1000, 0.9), (1000, 1.1), (1000, 1.9), (50, 0.1), (500, 0.6)])
@pytest.mark.parametrize(("apart", "disagree"), [(70, False), (71, True)])
def test_a_channel_slower_than_the_lag_is_compared_by_its_newest_reading(lag_ms, period_s, apart, disagree):
    """However old it is: at rest nothing is forgiven."""
    found, one, other = pair(lag_ms=lag_ms), steady(45_000, 60), slower(period_s, 45_000 - apart)
    sentence = "PT-101 reads 450.0 psi and PT-102 449.3 psi: 0.71 psi apart, at most 0.7 psi is allowed" * disagree
    assert live(found, one, other) == compare(found, one, other, 0, 59 * S).disagreed == sentence
    (judged,) = judge_cross_checks((found,), {"PT-101": one, "PT-102": other}, (0, 59 * S), 2.0, DAY)
    agree = "PT-101 and PT-102 agree: at most 0.70 psi apart, 0.70 psi is allowed."
    assert judged.sentence == (f"{sentence}." if disagree else agree)


def test_before_the_other_has_read_there_is_neither_agreement_nor_disagreement():
    """Ten seconds of the first alone; the disagreement begins with the second's first reading and takes its 2 s."""
    one, other = steady(45_000, 20), steady(43_000, 10, first=10 * S)
    comparison = Comparison(pair())
    for tenth in range(120):
        comparison.take(0, Sample(tenth * S // 10, 45_000))
        if tenth >= 100:
            comparison.take(1, Sample(tenth * S // 10, 43_000))
    assert comparison.sentence == ""
    assert live(pair(), one, other) == compare(pair(), one, other, 0, 20 * S).disagreed != ""


@pytest.mark.parametrize("first", [0, 1])
def test_readings_of_one_tick_are_compared_with_each_other_whichever_is_taken_first(first):
    """Two values of one line while the pressure rises by 60 psi a reading."""
    comparison = Comparison(pair())
    for tenth in range(60):
        for which in (first, 1 - first):
            comparison.take(which, Sample(tenth * S // 10, 6_000 * tenth))
            assert comparison.sentence == ""


def test_a_disagreement_too_short_to_count_is_not_called_agreement():
    """One second of 5 psi where 2 s count."""
    one = steady(45_000)
    other = trace(*((tenth * S // 10 + 500, 45_000 + 500 * (30 <= tenth < 40)) for tenth in range(100)))
    traces = {"PT-101": one, "PT-102": other}
    (found,) = judge_cross_checks((pair(lag_ms=100),), traces, (0, 99_000), 2, DAY)
    assert found.conformity is Conformity.CONFORMS
    assert found.sentence == (
        "PT-101 and PT-102 disagree for less than 2 s at a time: at most 5.00 psi apart, 0.70 psi is allowed."
    )


seconds = st.lists(st.integers(0, 60), max_size=40).map(lambda found: [second * S for second in found])
ticks = st.tuples(seconds, st.lists(st.integers(0, 60 * S), max_size=80)).map(lambda both: sorted(both[0] + both[1]))
levels = st.lists(st.integers(-90, 90), min_size=1, max_size=6)


@st.composite
def two_traces(draw):
    """Two channels, each at a few levels, slow or fast; some moments are odd, some are both channels' or doubled."""
    found = []
    for at in (draw(ticks), draw(ticks)):
        steps = draw(levels)
        found.append(trace(*((tick, 45_000 + steps[tick * len(steps) // (60 * S + 1)]) for tick in at)))
    assume(len(found[0]) + len(found[1]))
    return tuple(found)


@given(traces=two_traces(), lag_ms=st.integers(50, 30_000), lasting_ms=st.integers(100, 20_000))
def test_live_and_sealed_readings_are_compared_alike(traces, lag_ms, lasting_ms):
    """One by one as they came, or all at once from the record: the same first sentence."""
    found = pair(lag_ms=lag_ms, lasting_ms=lasting_ms)
    assert live(found, *traces) == compare(found, *traces, 0, 60 * S).disagreed


@given(traces=two_traces(), lag_ms=st.integers(50, 30_000), lasting_ms=st.integers(100, 20_000))
def test_agreement_is_never_said_of_a_difference_that_lasted(traces, lag_ms, lasting_ms):
    """By the rule written out plainly: every moment by itself, and every stretch of moments."""
    found = pair(lag_ms=lag_ms, lasting_ms=lasting_ms)
    lag, lasting = found.lag, found.lasting
    read = [list(zip(one.at.tolist(), one.counts.tolist(), strict=True)) for one in traces]
    disagree, longest, since = False, -1, None
    for now in sorted({at for one in read for at, _ in one}):
        agreed = []
        for one, other in (read, read[::-1]):
            before = [(at, counts) for at, counts in other if at <= now]
            beside = [counts for at, counts in before if at >= now - lag] or [counts for _, counts in before[-1:]]
            mine = [counts for at, counts in one if at == now] if beside else []
            agreed += [min(beside) - 70 <= counts <= max(beside) + 70 for counts in mine]
        disagree = not any(agreed) if agreed else disagree
        since = None if not disagree else now if since is None else since
        longest = max(longest, -1 if since is None else now - since)
    assert (compare(found, *traces, 0, 60 * S).disagreed != "") is (longest >= lasting)


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
