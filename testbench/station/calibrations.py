"""A calibration as its certificate reports it, and what a channel makes of it.

A run takes the curve through the calibration points, but not its zero: that is taken at atmosphere before every run.
What a calibrated reading is off by therefore counts from the calibration's own zero point, and the uncertainty of a
reading in a run is that deviation and U together, pressure by pressure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from pydantic import BeforeValidator, Field

from testbench.errors import CalibrationRefusedError
from testbench.metrology.calibration_fit import (
    CalibrationFit,
    Curve,
    KnownUncertainties,
    PointResult,
    fit_calibration,
)
from testbench.metrology.calibration_series import CalibrationPoint, Direction
from testbench.procedure.adoption import Named
from testbench.procedure.valve import Value
from testbench.quantities import Pressure
from testbench.run.record import UncertaintyPoint
from testbench.run.samples import NUMBER
from testbench.station.bench import ChannelCalibration

LEAST_LEVELS = 3
"""A line, and one pressure more to see whether it is one."""


def _as_text(found: object) -> object:
    """A number of a file as the text it was written as."""
    return f"{Decimal(repr(found)):f}" if isinstance(found, (int, float)) and not isinstance(found, bool) else found


Number = Annotated[str, BeforeValidator(_as_text), Field(pattern=NUMBER, max_length=40)]
Said = Annotated[str, Field(max_length=400)]


class CalibrationReading(Value):
    """What the reference showed and what the instrument indicated, in the unit of the report."""

    reference: Number
    indication: Number
    direction: Direction | None = None

    @property
    def point(self) -> CalibrationPoint:
        """As the metrology floor takes it."""
        return CalibrationPoint(float(self.reference), float(self.indication), self.direction)


class CalibrationSheet(Value):
    """What stands on a calibration certificate. Uncertainties are expanded, k = 2, where nothing else is said."""

    format: Literal[1] = 1
    channel: Named
    """Tag of the channel that it was calibrated for."""
    serial: Named
    certificate_number: Named
    laboratory: Named
    calibrated_on: date
    due_on: date
    environment: Said = "not stated"
    """Temperature and air pressure of the laboratory, in its own words."""
    reference_instrument: Named
    unit: Literal["psi", "bar", "kPa", "MPa"]
    points: Annotated[tuple[CalibrationReading, ...], Field(min_length=1, max_length=2000)]
    """As left: these make the curve."""
    as_found: Annotated[tuple[CalibrationReading, ...], Field(max_length=2000)] = ()
    """Before anything was adjusted; empty where the certificate does not say."""
    reference_uncertainty: Pressure | None = None
    reference_percent: Number = "0"
    """What the reference has on top of that [% of its reading]."""
    resolution: Pressure
    """Smallest step of the indication."""
    temperature_uncertainty: Pressure | None = None
    head_uncertainty: Pressure | None = None
    drift_allowance: Pressure | None = None
    """How far, either way, the instrument may move until it is due."""
    tolerance: Pressure | None = None
    """Maximum permissible error."""
    note: Said = ""

    @property
    def known(self) -> KnownUncertainties:
        """What the points cannot show, in the unit of the report."""

        def amount(stated: Pressure | None) -> float:
            return 0.0 if stated is None else stated.to(self.unit)

        return KnownUncertainties(
            reference=amount(self.reference_uncertainty),
            reference_of_reading=float(self.reference_percent) / 100,
            resolution=amount(self.resolution),
            temperature=amount(self.temperature_uncertainty),
            head=amount(self.head_uncertainty),
            drift=amount(self.drift_allowance),
        )

    @property
    def permissible(self) -> float | None:
        """The tolerance in the unit of the report."""
        return None if self.tolerance is None else self.tolerance.to(self.unit)


class CalibrationReport(CalibrationSheet):
    """A certificate as it was entered into the register."""

    entered_by: Named
    entered_at: Named
    """UTC, ISO 8601."""
    correction: Said = ""
    """Why it was entered again; the newest entry of a certificate number counts."""

    @property
    def entered_on(self) -> date:
        """The day of the entry."""
        return datetime.fromisoformat(self.entered_at).date()


@dataclass(frozen=True, slots=True)
class CalibratedPoint:
    """One calibrated pressure, in the unit of the report."""

    result: PointResult
    deviation: float
    """Mean of the readings through the curve less the reference."""
    deviation_in_run: float
    """The same once the zero is taken off at atmosphere, as every run does."""

    @property
    def uncertainty_in_run(self) -> float:
        """How far a reading of a run may be off: the deviation that stays, and U (k = 2)."""
        return abs(self.deviation_in_run) + self.result.expanded_uncertainty

    @property
    def error_span(self) -> float:
        """|Δp| + U of the reading through the whole curve."""
        return abs(self.deviation) + self.result.expanded_uncertainty


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A certificate with everything that follows from it."""

    sheet: CalibrationSheet
    fit: CalibrationFit
    curve: Curve
    points: tuple[CalibratedPoint, ...]

    @classmethod
    def of(cls, sheet: CalibrationSheet) -> "Calibrated":
        """Fit a certificate's points; it must have passed ``check_sheet``."""
        fit = fit_calibration([reading.point for reading in sheet.points], sheet.known)
        curve = fit.curve(sheet.permissible)
        off = {result.reference: curve.at(result.indication) - result.reference for result in fit.results}
        points = tuple(
            CalibratedPoint(result, off[result.reference], off[result.reference] - off[0.0]) for result in fit.results
        )
        return cls(sheet, fit, curve, points)

    @property
    def bent(self) -> bool:
        """Whether the points earned a parabola."""
        return self.curve.square != 0.0

    def uncertainty_in_run_at(self, pressure: float) -> float:
        """U of a reading in a run; beyond the calibrated pressures that of the nearest."""
        return self._between(pressure, [point.uncertainty_in_run for point in self.points])

    def error_span_at(self, pressure: float) -> float:
        """|Δp| + U through the whole curve; beyond the calibrated pressures that of the nearest."""
        return self._between(pressure, [point.error_span for point in self.points])

    def _between(self, pressure: float, values: list[float]) -> float:
        return float(np.interp(pressure, [point.result.reference for point in self.points], values))

    @property
    def for_channel(self) -> ChannelCalibration:
        """What a run record keeps of it."""
        sheet = self.sheet

        def pressure(value: float) -> Pressure:
            return Pressure.of(f"{value:.9f}", sheet.unit)

        along = tuple(
            UncertaintyPoint(
                at=pressure(point.result.reference), expanded_uncertainty=pressure(point.uncertainty_in_run)
            )
            for point in self.points
        )
        return ChannelCalibration(
            certificate_number=sheet.certificate_number,
            laboratory=sheet.laboratory,
            calibrated_on=sheet.calibrated_on,
            due_on=sheet.due_on,
            lowest=along[0].at,
            highest=along[-1].at,
            expanded_uncertainty=max(point.expanded_uncertainty for point in along),
            gain=_decimal(self.curve.linear),
            bend=_decimal(self.curve.square),
            uncertainty_points=along,
        )


def _decimal(number: float) -> str:
    """A number as a plain decimal text of twelve significant digits."""
    text = f"{Decimal(f'{number:.12g}'):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


# What is refused --------------------------------------------------------------------------------


def check_sheet(sheet: CalibrationSheet) -> None:
    """Refuse what cannot be right in itself.

    Raises:
        CalibrationRefusedError: names the field.
    """
    if sheet.due_on < sheet.calibrated_on:
        raise _refusal(sheet, "due_on", str(sheet.due_on), f"it cannot lie before calibrated_on {sheet.calibrated_on}")
    _check_uncertainties(sheet)
    _check_points(sheet, "points", sheet.points)
    if sheet.as_found:
        _check_points(sheet, "as_found", sheet.as_found)
        ends, found = _ends(sheet.points), _ends(sheet.as_found)
        if ends != found:
            raise _refusal(
                sheet, "as_found", f"{found[0]:g} to {found[1]:g}", f"{ends[0]:g} to {ends[1]:g} is needed, as points"
            )
    fit = Calibrated.of(sheet)
    indications = [result.indication for result in fit.fit.results]
    if not fit.curve.rises_between(indications[0], indications[-1]):
        raise _refusal(sheet, "points", "a curve that turns within its range", "it must rise from end to end")


def _check_uncertainties(sheet: CalibrationSheet) -> None:
    known = sheet.known
    amounts = {
        "reference_uncertainty": known.reference,
        "reference_percent": known.reference_of_reading,
        "resolution": known.resolution,
        "temperature_uncertainty": known.temperature,
        "head_uncertainty": known.head,
        "drift_allowance": known.drift,
    }
    for name, amount in amounts.items():
        if amount < 0:
            raise _refusal(sheet, name, str(getattr(sheet, name)), "it cannot be negative")
    if not known.reference and not known.reference_of_reading:
        raise _refusal(sheet, "reference_uncertainty", "nothing", "U of the reference, fixed or in %, is needed")
    if sheet.tolerance is not None and sheet.tolerance <= Pressure.zero(sheet.unit):
        raise _refusal(sheet, "tolerance", str(sheet.tolerance), "it must be above 0")


def _check_points(sheet: CalibrationSheet, field: str, readings: Sequence[CalibrationReading]) -> None:
    levels: dict[float, list[CalibrationReading]] = {}
    for reading in readings:
        levels.setdefault(float(reading.reference), []).append(reading)
    if len(levels) < LEAST_LEVELS:
        raise _refusal(sheet, field, f"{len(levels)} pressures", f"at least {LEAST_LEVELS} are needed")
    if 0.0 not in levels:
        found = ", ".join(f"{level:g}" for level in sorted(levels))
        raise _refusal(sheet, field, found, "one at 0 is needed, because every run takes its zero at atmosphere")
    _check_directions(sheet, field, levels)
    means = {level: sum(float(one.indication) for one in found) / len(found) for level, found in levels.items()}
    for low, high in pairwise(sorted(means)):
        if means[high] <= means[low]:
            found = f"{means[low]:g} at {low:g} and {means[high]:g} at {high:g}"
            raise _refusal(sheet, field, found, "the indication must rise with the reference")


def _check_directions(sheet: CalibrationSheet, field: str, levels: dict[float, list[CalibrationReading]]) -> None:
    """Directions for all or for none; where both ways were gone, no pressure between the ends is left out of one."""
    noted = {reading.direction for found in levels.values() for reading in found}
    if len(noted) > 1 and None in noted:
        raise _refusal(sheet, field, "a direction for some points only", "one for all or for none")
    for level in sorted(levels)[1:-1]:
        missing = noted - {reading.direction for reading in levels[level]}
        if missing:
            raise _refusal(sheet, field, f"no reading {missing.pop()} at {level:g}", "every series must be finished")


def _ends(readings: Sequence[CalibrationReading]) -> tuple[float, float]:
    levels = [float(reading.reference) for reading in readings]
    return min(levels), max(levels)


def _refusal(sheet: CalibrationSheet, field: str, found: str, allowed: str) -> CalibrationRefusedError:
    return CalibrationRefusedError(sheet.certificate_number, field, found, allowed)
