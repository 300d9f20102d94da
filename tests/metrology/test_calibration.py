"""When a calibration holds, and for which pressures."""

from datetime import date, timedelta

import pytest

from testbench.metrology.calibration import Calibration
from testbench.quantities import Pressure

CALIBRATION = Calibration(
    certificate_number="CAL-26-0311",
    laboratory="Saltmarsh Calibration Laboratory",
    calibrated_on=date(2026, 3, 11),
    due_on=date(2027, 3, 11),
    lowest=Pressure.of(0, "psi"),
    highest=Pressure.of(1000, "psi"),
    expanded_uncertainty=Pressure.of(1, "psi"),
)
DAY = timedelta(days=1)


@pytest.mark.parametrize(
    ("on", "holds"),
    [
        (date(2026, 3, 11) - DAY, False),
        (date(2026, 3, 11), True),
        (date(2026, 9, 1), True),
        (date(2027, 3, 11), True),
        (date(2027, 3, 11) + DAY, False),
    ],
)
def test_a_calibration_holds_from_its_day_to_its_due_day(on: date, holds: bool):
    """Both days still count; the day before and the day after do not."""
    assert CALIBRATION.in_date(on) is holds


@pytest.mark.parametrize(
    ("pressure", "covered"),
    [("-0.01 psi", False), ("0 psi", True), ("500 psi", True), ("1000 psi", True), ("1000.01 psi", False)],
)
def test_a_calibration_covers_its_range_with_both_ends(pressure: str, covered: bool):
    """Nothing is measured beyond what was calibrated."""
    assert CALIBRATION.covers(Pressure.parse(pressure)) is covered


def test_the_range_is_compared_in_any_unit():
    """68.9 bar lie within 1000 psi, 69 bar do not."""
    assert CALIBRATION.covers(Pressure.parse("68.9 bar"))
    assert not CALIBRATION.covers(Pressure.parse("69 bar"))
