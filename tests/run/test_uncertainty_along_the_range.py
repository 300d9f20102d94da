"""U as a function of the reading, a calibration's curve on the readings, and a second gauge beside the channel."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.metrology.decision_rule import DecisionRule
from testbench.quantities import Pressure
from testbench.run.evaluation import evaluate_stage
from testbench.run.record import SecondGaugeCheck, UncertaintyPoint, Verdict, canonical
from testbench.run.samples import Scale, Thresholds


def psi(number: str | float) -> Pressure:
    return Pressure.of(str(number), "psi")


POINTS = tuple(
    UncertaintyPoint(at=psi(at), expanded_uncertainty=psi(u))
    for at, u in (("0", "0.4"), ("200", "0.4"), ("400", "0.8"), ("600", "1.2"), ("1000", "2.0"))
)


def test_u_lies_between_two_calibrated_pressures_as_straight_as_a_line(shop):
    """Seat test, 250 to 275 psi: the largest is at 275 psi, 0.4 + 0.4·75/200 = 0.55 psi."""
    seat = shop.requirements().stages[1]
    assert shop.channel(uncertainty_points=POINTS).uncertainty_in(seat) == psi("0.55")


def test_the_largest_u_between_required_pressure_and_upper_limit_counts(shop):
    """Shell test, 500 to 550 psi: a calibrated pressure with a larger U in between is not passed over."""
    shell = shop.requirements().stages[0]
    bumped = (*POINTS[:3], UncertaintyPoint(at=psi("520"), expanded_uncertainty=psi("1.5")), *POINTS[3:])
    assert shop.channel(uncertainty_points=POINTS).uncertainty_in(shell) == psi("1.1")
    assert shop.channel(uncertainty_points=bumped).uncertainty_in(shell) == psi("1.5")


def test_beyond_the_points_the_last_one_counts(shop):
    """Whether the range covers a stage is asked elsewhere."""
    low = tuple(UncertaintyPoint(at=psi(at), expanded_uncertainty=psi(u)) for at, u in (("0", "0.4"), ("100", "0.9")))
    assert shop.channel(uncertainty_points=low).uncertainty_in(shop.requirements().stages[0]) == psi("0.9")


def test_one_u_for_the_whole_range_stays_as_it_was(shop):
    """A certificate may state one; then the guard band is that, everywhere."""
    channel = shop.channel()
    assert [channel.guard_band(stage) for stage in shop.requirements().stages] == [psi("1.0")] * 2


@pytest.mark.parametrize(
    ("rule", "acceptance"),
    [(DecisionRule.GUARDED, 50110), (DecisionRule.GUARDED_95, 50091), (DecisionRule.SIMPLE, 50000)],
)
def test_the_guard_band_of_a_pressure_follows_the_rule(shop, rule: DecisionRule, acceptance: int):
    """500 psi + 1.1 psi, + 0.8224·1.1 psi = 0.9047 psi, or nothing."""
    shell = shop.requirements().stages[0].model_copy(update={"decision_rule": rule})
    channel = shop.channel(uncertainty_points=POINTS)
    assert Thresholds.of(shell, channel.guard_band(shell), channel.scale).acceptance == acceptance


@given(st.floats(0, 1000), st.floats(0, 1000))
def test_u_never_lies_outside_its_neighbours(low: float, high: float):
    """Whatever stretch of the range is asked for."""
    from tests.run.conftest import Shop

    shop = Shop()
    stage = shop.requirements().stages[0]
    low, high = sorted((low, high))
    asked = stage.model_copy(update={"required": psi(f"{low:.6f}"), "upper_limit": psi(f"{high:.6f}")})
    found = shop.channel(uncertainty_points=POINTS).uncertainty_in(asked)
    assert psi("0.4") <= found <= psi("2.0")


# The calibration's curve ------------------------------------------------------------------------


def test_a_gain_is_applied_to_what_lies_above_the_zero():
    """10.00 psi at atmosphere and a gain of 1.01: 510.00 psi indicated are 505 psi."""
    scale = Scale(unit="psi", decimals=2, zero_millicounts=1_000_000, gain="1.01")
    assert scale.pressure(51_000) == psi("505")
    assert scale.pressure(1000) == psi("0")


def test_a_bend_is_applied_in_both_directions():
    """p = x + 0.0001·x²: 500 psi indicated are 525 psi, and 525 psi need 500.00 indicated."""
    scale = Scale(unit="psi", decimals=2, bend="0.0001")
    assert scale.pressure(50_000) == psi("525")
    assert (scale.least_counts(psi("525")), scale.most_counts(psi("525"))) == (50_000, 50_000)
    assert (scale.least_counts(psi("525.001")), scale.most_counts(psi("524.999"))) == (50_001, 49_999)


curves = st.builds(
    Scale,
    unit=st.sampled_from(["psi", "bar", "kPa"]),
    decimals=st.integers(0, 3),
    zero_millicounts=st.integers(-5000, 5000),
    head_millicounts=st.integers(-5000, 5000),
    gain=st.integers(9500, 10500).map(lambda n: f"{n / 10000:.4f}"),
    bend=st.integers(-50, 50).map(lambda n: f"{n / 10_000_000:.7f}"),
)


@given(curves, st.integers(0, 1_000_000))
def test_limits_in_counts_are_exact_on_any_curve(scale: Scale, thousandths: int):
    """The least reading shows at least the pressure and the one below it does not; likewise the most."""
    pressure = Pressure.of(Fraction(thousandths, 1000), scale.unit)
    least, most = scale.least_counts(pressure), scale.most_counts(pressure)
    assert scale.pressure(least - 1) < pressure <= scale.pressure(least)
    assert scale.pressure(most) <= pressure < scale.pressure(most + 1)


@given(curves, st.lists(st.integers(-1000, 1_000_000), min_size=1, max_size=20))
def test_many_readings_are_what_single_ones_are(scale: Scale, counts: list[int]):
    """The fast way for drawing and slopes agrees with the exact one to fifteen digits."""
    import numpy as np

    fast = scale.pressures(np.array(counts, dtype=np.int64))
    exact = [scale.pressure(one).to(scale.unit) for one in counts]
    assert fast == pytest.approx(exact, rel=1e-12, abs=1e-9)


def test_a_record_without_any_of_this_keeps_its_bytes(shop, accepted_shell, accepted_seat):
    """New fields are left out at their defaults."""
    written = canonical(shop.run(accepted_shell.judged(), accepted_seat.judged()))
    for name in (b"gain", b"bend", b"uncertainty_points", b"second_gauge", b"decision_rule", b"readings"):
        assert b'"' + name + b'"' not in written


# A second gauge ---------------------------------------------------------------------------------


def beside(gauge: str) -> SecondGaugeCheck:
    """250 psi with U = 0.3 psi beside a gauge with U = 0.4 psi: they may lie 0.5 psi apart."""
    return SecondGaugeCheck(
        gauge="DG-7", at="2026-06-01T05:00:00Z", by="Tobin Ashe", indicated=psi("250"), uncertainty=psi("0.3"),
        gauge_indicated=psi(gauge), gauge_uncertainty=psi("0.4"),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("gauge", "agrees"), [("250", True), ("250.5", True), ("249.5", True), ("250.501", False), ("249.499", False)]
)
def test_two_gauges_agree_within_both_uncertainties(gauge: str, agrees: bool):
    """|Eₙ| ≤ 1 with √(0.3² + 0.4²) = 0.5 psi (the number of ISO/IEC 17043, from memory)."""
    assert beside(gauge).agrees is agrees


def test_a_second_gauge_that_disagrees_blocks_acceptance(accepted_shell):
    """With both values, in the sentence of the instrument."""
    from tests.run.conftest import DAY

    channel = accepted_shell.channel.model_copy(update={"second_gauge": beside("251.2")})
    finding = evaluate_stage(accepted_shell.record(), accepted_shell.trace(), channel, accepted_shell.zero_check, DAY)
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert finding.criteria[0].sentence == (
        "Channel PT-101: it disagrees with a second gauge: 250.00 psi beside 251.20 psi on DG-7 on 2026-06-01: "
        "1.20 psi apart, 0.50 psi is allowed."
    )


# Zero -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("millicounts", "verdict"), [(250_000, Verdict.ACCEPTED), (250_001, Verdict.INCONCLUSIVE)])
def test_the_zero_is_judged_again_from_the_record(accepted_shell, millicounts: int, verdict: Verdict):
    """2.50 psi are allowed at atmosphere; a record that says "passed" of more is not believed."""
    from tests.run.conftest import DAY

    zero = accepted_shell.zero_check.model_copy(update={"mean_millicounts": millicounts, "allowed": psi("2.5")})
    finding = evaluate_stage(accepted_shell.record(), accepted_shell.trace(), accepted_shell.channel, zero, DAY)
    assert finding.verdict is verdict
