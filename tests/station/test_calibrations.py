"""From a calibration certificate to what a run measures with, and what is refused on the way."""

import math
from datetime import date
from fractions import Fraction

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from testbench.errors import CalibrationRefusedError
from testbench.quantities import Pressure
from testbench.run.record import canonical
from testbench.run.samples import Scale
from testbench.station.calibrations import Calibrated, CalibrationReport, check_sheet
from testbench.station.register import channel_of, check_entry, current, find, in_force
from tests.station.certificates import readings, report, up_and_down, worked_example

NUMBERS = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


# The published examples through the register ----------------------------------------------------


def test_the_worked_transmitter_through_the_register():
    """CAL-1 (own, computed): Δp 0.166, b′ 0.050, h 0.300, U 0.184, error span 0.350 psi at 500 psi; s 0.1804 psi."""
    found = Calibrated.of(report(points=worked_example(), resolution="0.025 psi"))
    assert found.fit.line.residual_sd == pytest.approx(0.1804, abs=0.00005)
    assert found.fit.line.slope == pytest.approx(250.000491 * 0.004, abs=1e-8)
    at_500 = found.points[5]
    assert at_500.deviation == pytest.approx(0.166, abs=0.0005)
    assert at_500.result.repeatability == pytest.approx(0.050, abs=0.0005)
    assert at_500.result.hysteresis == pytest.approx(0.300, abs=0.0005)
    assert at_500.result.expanded_uncertainty == pytest.approx(0.184, abs=0.0005)
    assert at_500.error_span == pytest.approx(0.350, abs=0.0005)


def test_a_run_takes_the_zero_off_so_that_the_deviation_counts_from_zero():
    """CAL-1: the line is 0.235 psi low at zero; a run that takes the zero off reads 0.401 psi high at 500 psi.

    So the U of a run is 0.401 + 0.184 = 0.585 psi there, not 0.350; seen with the scale that a run applies.
    """
    sheet = report(points=worked_example(), resolution="0.025 psi")
    found = Calibrated.of(sheet)
    assert found.points[0].deviation == pytest.approx(-0.235, abs=0.0005)
    assert found.points[5].uncertainty_in_run == pytest.approx(0.585, abs=0.001)
    assert found.points[0].deviation_in_run == 0
    calibration = found.for_channel
    by_level = {
        level: [float(one.indication) for one in sheet.points if float(one.reference) == level] for level in (0, 500)
    }
    zero, at_500 = (sum(values) / len(values) for values in by_level.values())
    scale = Scale(unit="psi", decimals=2, zero_millicounts=round(zero * 1e5), gain=calibration.gain)
    read = scale.pressure(Fraction(at_500 * 100))
    assert read.to("psi") - 500 == pytest.approx(found.points[5].deviation_in_run, abs=1e-4)


def test_the_thermometer_of_the_gum_through_the_register():
    """GUM H.3: slope 0.00218 (0.00067), s 0.0035, at 30 °C u 0.0041 with ν 9; moved to begin at 0, as pressures."""
    first = NUMBERS[0]
    rows = [
        (f"{t - first + c - CORRECTIONS[0]:.3f}", f"{t - first:.3f}") for t, c in zip(NUMBERS, CORRECTIONS, strict=True)
    ]
    found = Calibrated.of(report(points=readings(*rows), reference_uncertainty="0.001 psi", resolution="0.001 psi"))
    assert found.fit.line.slope == pytest.approx(1.00218, abs=0.000005)
    assert found.fit.line.u_slope == pytest.approx(0.00067, abs=0.000005)
    assert found.fit.line.residual_sd == pytest.approx(0.0035, abs=0.00005)
    assert found.fit.line.u_at(30 - first) == pytest.approx(0.0041, abs=0.00005)
    assert found.fit.line.dof == 9
    assert "line" in [component.name for component in found.points[5].result.budget.components]


SENSOR = [0, 0.2039, 0.4080, 0.6120, 0.8160, 1.0201, 1.2242, 1.4283, 1.6325, 1.8367, 2.0410]


@pytest.mark.parametrize(("tolerance", "bent"), [(None, False), ("0.0093 bar", False), ("0.0092 bar", True)])
def test_the_published_pressure_sensor_through_the_register(tolerance, bent):
    """Kessel, Kacker, Sommer, Measurement 45 (2012) 1661: slope 9.799, off by 0.0039 at most from its two-point line.

    Through the register 0.0037 at most, since a run begins at zero as that line does. A parabola changes 0.00231 at
    most (computed): earned where a quarter of the tolerance is less. Oracle for the line: GTC.
    """
    sheet = report(
        points=readings(*((2 * i, x) for i, x in enumerate(SENSOR))), unit="bar", resolution="0.0001 bar",
        reference_uncertainty=None, reference_percent="0.0115", tolerance=tolerance,
    )  # fmt: skip
    found = Calibrated.of(sheet)
    oracle = GTC.type_a.line_fit(SENSOR, [2 * i for i in range(11)])
    assert found.fit.line.slope == pytest.approx(oracle.a_b[1].x, rel=1e-12)
    assert found.fit.line.slope == pytest.approx(9.799118, rel=2e-4)
    assert found.bent is bent
    worst = max(abs(point.deviation_in_run) for point in found.points)
    assert worst == pytest.approx(0.0006 if bent else 0.0037, abs=0.0001)


# What a run gets --------------------------------------------------------------------------------


def test_a_steeper_instrument_is_corrected_by_the_gain():
    """It indicates 1 % too much: 505 indicated is 500, and the range is that of the reference."""
    found = Calibrated.of(report(points=up_and_down(gain=1.01))).for_channel
    assert float(found.gain) == pytest.approx(1 / 1.01, rel=1e-9)
    assert found.bend == "0"
    assert (found.lowest, found.highest) == (Pressure.of(0, "psi"), Pressure.of(1000, "psi"))
    assert found.expanded_uncertainty == max(point.expanded_uncertainty for point in found.uncertainty_points)


@pytest.mark.parametrize(("tolerance", "bent"), [(None, False), ("7.3 psi", False), ("7.2 psi", True)])
def test_a_bend_is_taken_only_where_it_is_earned(tolerance, bent):
    """A bow of 3 psi changes the best line by 1.80 psi at most: earned where the tolerance is below four times that."""
    found = Calibrated.of(report(points=up_and_down(bow=3.0), tolerance=tolerance))
    largest = found.fit.quadratic.largest
    assert largest == pytest.approx(1.80, abs=0.01)
    assert found.bent is bent
    worst = max(point.uncertainty_in_run for point in found.points)
    assert worst < 0.2 if bent else worst > 2


@given(st.floats(0.9, 1.1), st.floats(-3, 3), st.floats(0, 2), st.floats(0, 1), st.floats(min_value=0, max_value=1000))
def test_between_two_pressures_u_lies_between_its_neighbours(gain, bow, lag, zero, psi):
    """And at a calibrated pressure it is what the certificate gives there."""
    entry = _entry()
    found = Calibrated.of(report(points=up_and_down(gain, zero, bow, lag)))
    channel = entry.record(found.for_channel)
    points = channel.uncertainty_points
    u = channel.uncertainty_at(Pressure.of(f"{psi:.6f}", "psi"))
    low = max((point for point in points if point.at.to("psi") <= psi), key=lambda point: point.at.to("psi"))
    high = min((point for point in points if point.at.to("psi") >= psi), key=lambda point: point.at.to("psi"))
    ends = sorted([low.expanded_uncertainty, high.expanded_uncertainty], key=lambda value: value.exact)
    assert ends[0] <= u <= ends[1]
    for point in points:
        assert channel.uncertainty_at(point.at) == point.expanded_uncertainty
    assert math.isclose(found.uncertainty_in_run_at(psi), u.to("psi"), rel_tol=1e-6)


def _entry():
    from testbench.station.bench import ChannelEntry

    return ChannelEntry.model_validate({
        "tag": "PT-101", "instrument": "pressure transmitter", "serial": "T-0042", "line": {"port": "/dev/null"},
        "unit": "psi", "decimals": 2,
    })  # fmt: skip


# Which one holds --------------------------------------------------------------------------------

FIRST = report(certificate_number="SCL-25-0388", calibrated_on="2025-06-01", due_on="2026-05-31",
               entered_at="2025-06-04T09:00:00+00:00")  # fmt: skip
SECOND = report()
OTHER = report(serial="T-0043", certificate_number="SCL-26-0500", calibrated_on="2026-08-01")


@pytest.mark.parametrize(
    ("on", "certificate"),
    [
        (date(2025, 5, 31), None),
        (date(2025, 6, 1), "SCL-25-0388"),
        (date(2026, 6, 1), "SCL-25-0388"),  # overdue, and still the one that holds: a start is refused for it
        (date(2026, 6, 2), "SCL-26-0411"),
        (date(2030, 1, 1), "SCL-26-0411"),
    ],
)
def test_the_newest_calibration_made_by_a_day_holds(on, certificate):
    """Never one from the future, never another instrument's, whatever the order of entry."""
    for reports in ([FIRST, SECOND, OTHER], [OTHER, SECOND, FIRST]):
        found = in_force(reports, "T-0042", on)
        assert (found and found.certificate_number) == certificate


def test_a_corrected_entry_takes_the_place_of_the_first():
    """Both stay in the register; the newest entry of a number counts, also where it says an earlier day."""
    corrected = report(calibrated_on="2026-06-01", correction="the day was misread")
    assert current([SECOND, corrected, OTHER]) == (corrected, OTHER)
    assert in_force([SECOND, corrected], "T-0042", date(2026, 6, 1)) is corrected
    assert find([SECOND, corrected], "SCL-26-0411") is corrected


def test_bench_toml_serves_where_the_register_has_nothing(bench):
    """The register first, then the simple entry, then none."""
    from datetime import UTC, datetime

    at = datetime(2026, 11, 25, tzinfo=UTC)
    assert channel_of(bench.channel, (), (), at).certificate_number == "CAL-26-0311"
    assert channel_of(bench.channel, (SECOND,), (), at).certificate_number == "SCL-26-0411"
    bare = bench.channel.model_copy(update={"calibration": None})
    assert channel_of(bare, (), (), at) is None
    assert channel_of(bare, (OTHER,), (), at) is None


def test_a_channel_from_bench_toml_is_recorded_as_before(bench):
    """Nothing of the register stands in such a record, so that its bytes are those of earlier versions."""
    from datetime import UTC, datetime

    text = canonical(channel_of(bench.channel, (), (), datetime(2026, 11, 25, tzinfo=UTC))).decode()
    assert not any(name in text for name in ("gain", "bend", "uncertainty_points", "second_gauge"))


# What is refused --------------------------------------------------------------------------------

ELEVEN = up_and_down()
SATURATING = [(0, 0), (36, 2), (64, 4), (84, 6), (96, 8), (100, 10), (100.5, 12), (101, 14)]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"due_on": "2026-06-01"},
         "due_on: found 2026-06-01; it cannot lie before calibrated_on 2026-06-02."),
        ({"points": readings((0, 0), (500, 500))}, "points: found 2 pressures; at least 3 are needed."),
        ({"points": readings((100, 100), (500, 500), (1000, 1000))},
         "points: found 100, 500, 1000; one at 0 is needed, because every run takes its zero at atmosphere."),
        ({"points": readings((0, 0), (500, 501), (600, 501), (1000, 1000))},
         "points: found 501 at 500 and 501 at 600; the indication must rise with the reference."),
        ({"points": readings((0, 0), (500, 1), (1000, -1))},
         "points: found 1 at 500 and -1 at 1000; the indication must rise with the reference."),
        ({"points": readings((0, 0, "up"), (500, 500), (1000, 1000, "up"))},
         "points: found a direction for some points only; one for all or for none."),
        ({"points": [row for row in ELEVEN if row["reference"] != 400 or row["direction"] == "up"]},
         "points: found no reading down at 400; every series must be finished."),
        ({"reference_uncertainty": None},
         "reference_uncertainty: found nothing; U of the reference, fixed or in %, is needed."),
        ({"resolution": "-0.01 psi"}, "resolution: found -0.01 psi; it cannot be negative."),
        ({"tolerance": "0 psi"}, "tolerance: found 0 psi; it must be above 0."),
        ({"as_found": readings((0, 0), (250, 250), (500, 500))},
         "as_found: found 0 to 500; 0 to 1000 is needed, as points."),
        ({"tolerance": "1 psi", "points": readings(*SATURATING)},
         "points: found a curve that turns within its range; it must rise from end to end."),
    ],
)  # fmt: skip
def test_what_cannot_be_right_is_refused(changes, sentence):
    """One sentence: which certificate, which field, what was found, what is allowed."""
    with pytest.raises(CalibrationRefusedError) as refusal:
        check_sheet(report(**changes))
    assert str(refusal.value) == f"Calibration SCL-26-0411: {sentence}"
    assert refusal.value.remedy == "Compare it with the certificate and enter it again; nothing was kept."


@pytest.mark.parametrize("changes", [
    {"due_on": "2026-06-02"},
    {"points": readings((0, 0.1), (500, 500), (1000, 1000))},
    {"points": ELEVEN[:22]},
    {"points": [row for row in ELEVEN[:22] if row != ELEVEN[11]]},  # the top taken once
    {"as_found": readings((0, 1), (500, 502), (1000, 1003))},
    {"reference_uncertainty": None, "reference_percent": "0.01"},
])  # fmt: skip
def test_what_is_unusual_but_right_is_taken(changes):
    """The near side of each limit."""
    check_sheet(report(**changes))


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"calibrated_on": "2026-06-06", "certificate_number": "N"},
         "N: calibrated_on: found 2026-06-06, after the day of entry; it is 2026-06-05 today."),
        ({"unit": "bar", "certificate_number": "N"},
         "N: unit: found bar; channel PT-101 of this bench reads in psi."),
        ({}, ("SCL-26-0411: certificate_number: found SCL-26-0411, which the register holds for T-0042; "
              "a number is entered once; say what an entry corrects (--corrects).")),
        ({"certificate_number": "N", "correction": "typing error"},
         "N: correction: found a correction; the register holds no N of T-0042 to correct."),
    ],
)  # fmt: skip
def test_what_does_not_fit_this_register_is_refused(bench, changes, sentence):
    """The day of entry, the unit of the channel, the number."""
    with pytest.raises(CalibrationRefusedError) as refusal:
        check_entry(report(**changes), (SECOND,), bench.channel)
    assert str(refusal.value) == f"Calibration {sentence}"


@pytest.mark.parametrize(
    "changes",
    [
        {"calibrated_on": "2026-06-05", "certificate_number": "N"},
        {"serial": "T-0099", "unit": "bar"},  # a spare for another bench
        {"correction": "the day was misread"},
    ],
)
def test_what_fits_is_taken(bench, changes):
    """The day of entry itself, another instrument, a correction."""
    check_entry(report(**changes), (SECOND,), bench.channel)


@pytest.mark.parametrize("text", ["1e3", "nan", "1_000", "", "12 psi", "٣"])
def test_a_point_is_a_plain_number(text):
    """No exponents, no units, no other digits."""
    with pytest.raises(ValidationError):
        report(points=readings((0, 0), (500, text), (1000, 1000)))


def test_a_number_of_a_file_is_kept_as_it_was_written():
    """0.1 stays 0.1, and comes back from the register as it went in."""
    made = report(points=readings((0, 0), (500, 500.1), (1000.25, 1000)))
    assert [point.indication for point in made.points] == ["0", "500.1", "1000"]
    assert CalibrationReport.model_validate_json(canonical(made)) == made
