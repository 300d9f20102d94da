"""A channel's calibration: what it covers, until when, and how well it measures."""

from dataclasses import dataclass
from datetime import date

from testbench.quantities import Pressure


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration of one channel, as its certificate states it.

    ``expanded_uncertainty`` is U with coverage factor k = 2, valid over the whole range.
    """

    certificate_number: str
    laboratory: str
    calibrated_on: date
    due_on: date
    lowest: Pressure
    highest: Pressure
    expanded_uncertainty: Pressure

    def in_date(self, on: date) -> bool:
        """Whether the calibration holds on a given date; the due date itself still counts."""
        return self.calibrated_on <= on <= self.due_on

    def covers(self, pressure: Pressure) -> bool:
        """Whether a pressure lies in the calibrated range, its ends included."""
        return self.lowest <= pressure <= self.highest
