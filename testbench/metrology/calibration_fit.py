"""From calibration points to a line, its residuals, and the expanded uncertainty at every point.

The line gives the reference from the indication: reference = intercept + slope·indication, by least squares about the
centre (sums by ``fsum``). Indications may be in another unit than references (volts, counts); everything else is in
the reference's unit.

At each point the quantities of EURAMET cg-17 and DKD-R 6-1 are taken over the series up and down (their definitions
from memory, held against a worked example): mean deviation Δp, repeatability b′ of like series after their zeros are
subtracted, hysteresis h between neighbouring series up and down, and for the whole calibration the zero deviation f0.
Where there are no series up and down, nothing of this is known; the uncertainty of the line stands in its place.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from testbench.errors import DataRefusedError
from testbench.metrology.calibration_series import CalibrationPoint, SeriesUpAndDown, cut_into_series, with_directions
from testbench.metrology.line_fit import Line, Quadratic, fit_line, fit_quadratic
from testbench.metrology.uncertainty import Budget, Component, Distribution


@dataclass(frozen=True, slots=True)
class KnownUncertainties:
    """What the points themselves cannot show, in the unit of the reference.

    ``reference``, ``temperature`` and ``head`` are expanded uncertainties (k = 2); ``reference_of_reading`` is what the
    reference has on top of that, as a share of its value (dead-weight testers); ``resolution`` is the smallest step;
    ``drift`` is how far, either way, the instrument may move until the next calibration.
    """

    reference: float = 0.0
    resolution: float = 0.0
    temperature: float = 0.0
    head: float = 0.0
    reference_of_reading: float = 0.0
    drift: float = 0.0

    def components(self, reference: float) -> list[Component]:
        """The components of the budget that they make at one point."""
        return [
            Component.stated("reference", math.hypot(self.reference, self.reference_of_reading * reference)),
            full_width("resolution", self.resolution),
            Component.stated("temperature", self.temperature),
            Component.stated("head", self.head),
            *([Component.within("drift allowance", self.drift)] if self.drift else []),
        ]


def full_width(name: str, width: float) -> Component:
    """A rectangular component known by its full width: u = width/√12."""
    return Component.within(name, width / 2, Distribution.RECTANGULAR)


@dataclass(frozen=True, slots=True)
class Curve:
    """Constant + linear·x + square·x²: what turns an indication into a pressure; a line where ``square`` is 0."""

    constant: float
    linear: float
    square: float = 0.0

    def at(self, x: float) -> float:
        """What an indication stands for."""
        return self.constant + self.linear * x + self.square * x * x

    def rises_between(self, low: float, high: float) -> bool:
        """Whether more indication is more pressure all the way from one indication to another."""
        return all(self.linear + 2 * self.square * x > 0 for x in (low, high))


@dataclass(frozen=True, slots=True)
class PointResult:
    """One calibrated value: what its readings amount to."""

    reference: float
    indication: float
    """Mean indication."""
    deviation: float
    """Mean of the calibrated readings less the reference, Δp."""
    repeatability: float | None
    hysteresis: float | None
    budget: Budget
    u_line: float

    @property
    def expanded_uncertainty(self) -> float:
        """U of the calibrated reading at this point (95.45 %, k = 2 where nothing limits the degrees of freedom)."""
        return self.budget.expanded()

    @property
    def error_span(self) -> float:
        """|Δp| + U: how far the calibrated reading may be off if the deviation is left as it is."""
        return abs(self.deviation) + self.expanded_uncertainty


@dataclass(frozen=True, slots=True)
class CalibrationFit:
    """Everything that one set of calibration points says."""

    points: tuple[CalibrationPoint, ...]
    line: Line
    quadratic: Quadratic | None
    zero_deviation: float | None
    known: KnownUncertainties
    results: tuple[PointResult, ...]

    @property
    def residuals(self) -> tuple[float, ...]:
        """Reference less line, point by point as taken."""
        return tuple(point.reference - self.line.at(point.indication) for point in self.points)

    def curve(self, tolerance: float | None) -> Curve:
        """The line, or the parabola where the points earn it against a tolerance; without one, the line."""
        bend = self.quadratic
        if bend is not None and tolerance is not None and bend.earned(tolerance):
            return Curve(*bend.coefficients)
        return Curve(self.line.intercept, self.line.slope)

    def expanded_uncertainty_at(self, reading: float) -> float:
        """U at a calibrated reading: between two points as straight as a line from one to the other.

        Args:
            reading: in the unit of the reference.

        Raises:
            DataRefusedError: the reading is outside the calibrated range.
        """
        return self._between(reading, [result.expanded_uncertainty for result in self.results])

    def error_span_at(self, reading: float) -> float:
        """|Δp| + U at a calibrated reading; see ``expanded_uncertainty_at``."""
        return self._between(reading, [result.error_span for result in self.results])

    def _between(self, reading: float, values: list[float]) -> float:
        references = [result.reference for result in self.results]
        if not references[0] <= reading <= references[-1]:
            raise DataRefusedError("reading", f"{reading:g}", f"{references[0]:g} to {references[-1]:g} as calibrated")
        return float(np.interp(reading, references, values))


def fit_calibration(points: Sequence[CalibrationPoint], known: KnownUncertainties | None = None) -> CalibrationFit:
    """Fit the line and state the uncertainty at every point.

    Raises:
        TooFewPointsError: fewer than three points, or all at one indication.
        DataRefusedError: directions noted for some points only, or a number that is not finite.
    """
    taken = with_directions(tuple(points))
    indications, references = [point.indication for point in taken], [point.reference for point in taken]
    line = fit_line(indications, references)
    directed = taken[0].direction is not None
    series = SeriesUpAndDown(cut_into_series(taken) if directed else (), line.at)
    known = known or KnownUncertainties()
    return CalibrationFit(
        points=taken,
        line=line,
        quadratic=fit_quadratic(indications, references),
        zero_deviation=series.zero_deviation,
        known=known,
        results=tuple(_result(reference, taken, series, line, known) for reference in sorted(set(references))),
    )


def drift(previous: Line | Curve, now: Line | Curve, indications: Sequence[float]) -> tuple[float, ...]:
    """How much the same indications mean more now than by the previous calibration, in the unit of the reference."""
    return tuple(now.at(indication) - previous.at(indication) for indication in indications)


def as_found(previous: Line | Curve, points: Sequence[CalibrationPoint]) -> tuple[float, ...]:
    """How far the instrument as it came, read through its previous line, was from the reference at each point."""
    return tuple(previous.at(point.indication) - point.reference for point in points)


def _result(
    reference: float,
    points: Sequence[CalibrationPoint],
    series: SeriesUpAndDown,
    line: Line,
    known: KnownUncertainties,
) -> PointResult:
    indications = [point.indication for point in points if point.reference == reference]
    indication = math.fsum(indications) / len(indications)
    repeatability, hysteresis = series.repeatability(reference), series.hysteresis(reference)
    observed = {"zero deviation": series.zero_deviation, "repeatability": repeatability, "hysteresis": hysteresis}
    components = known.components(reference) + [
        full_width(name, width) for name, width in observed.items() if width is not None
    ]
    u_line = line.u_at(indication)
    if all(width is None for width in observed.values()):
        components.append(Component("line", u_line, dof=line.dof))
    return PointResult(
        reference=reference,
        indication=indication,
        deviation=line.at(indication) - reference,
        repeatability=repeatability,
        hysteresis=hysteresis,
        budget=Budget(tuple(components)),
        u_line=u_line,
    )
