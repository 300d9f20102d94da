"""A pressure channel as a run keeps it: instrument, calibration, atmosphere, and what it is compared with."""

import math
from datetime import date
from fractions import Fraction
from typing import Annotated

from pydantic import Field, field_validator

from testbench.metrology.calibration import Calibration
from testbench.procedure.requirements import StageRequirement
from testbench.procedure.valve import Text, Value, later
from testbench.quantities import AbsolutePressure, Pressure
from testbench.run.samples import Scale

LEAST_ATMOSPHERE, MOST_ATMOSPHERE = AbsolutePressure.of(500, "hPa"), AbsolutePressure.of(1100, "hPa")
"""From 5500 m above the sea to the highest ever read there, rounded outwards: from memory, to catch a wrong unit."""


class Atmosphere(Value):
    """The pressure of the atmosphere, as somebody stated it."""

    pressure: AbsolutePressure
    expanded_uncertainty: AbsolutePressure
    """U, k = 2: how well it is known, and how far it may move until it is stated again."""
    stated: Text
    """Who read it, where and when."""

    @field_validator("pressure")
    @classmethod
    def _of_an_atmosphere(cls, found: AbsolutePressure) -> AbsolutePressure:
        if not LEAST_ATMOSPHERE <= found <= MOST_ATMOSPHERE:
            raise ValueError(f"an atmosphere has {LEAST_ATMOSPHERE} to {MOST_ATMOSPHERE}")
        return found


class UncertaintyPoint(Value):
    """What a calibration says at one of its pressures."""

    at: Pressure
    expanded_uncertainty: Pressure
    """U with k = 2, the deviation that no correction takes away included."""


class SecondGaugeCheck(Value):
    """The channel held against a second gauge at one pressure."""

    gauge: str
    at: str
    """UTC, ISO 8601."""
    by: str
    indicated: Pressure
    """What the channel showed, corrected."""
    uncertainty: Pressure
    """Its U, k = 2."""
    gauge_indicated: Pressure
    gauge_uncertainty: Pressure
    """U of the second gauge, k = 2."""

    @property
    def allowed(self) -> Pressure:
        """How far the two may lie apart: the root of the sum of the squares of both U, so that |Eₙ| is at most 1."""
        return Pressure(Fraction(math.sqrt(self._squares)), self.uncertainty.unit)

    @property
    def _squares(self) -> Fraction:
        return self.uncertainty.exact**2 + self.gauge_uncertainty.exact**2

    @property
    def agrees(self) -> bool:
        """Whether both could be right; decided on the squares, which are exact."""
        return (self.indicated - self.gauge_indicated).exact ** 2 <= self._squares

    @property
    def sentence(self) -> str:
        """What was compared, and how far apart they were."""
        apart, beside = abs(self.indicated - self.gauge_indicated), self.gauge_indicated.in_unit(self.indicated.unit)
        return (
            f"{self.indicated.text(2)} beside {beside.text(2)} on {self.gauge} on {self.at[:10]}: "
            f"{apart.text_beside(self.allowed)} apart, {self.allowed.text(2)} is allowed"
        )


def bare_scale(unit: str, decimals: int, atmosphere: Atmosphere | None) -> Scale:
    """What a transmitter indicates, as gauge pressure; an absolute one has the stated atmosphere taken off."""
    scale = Scale(unit=unit, decimals=decimals)
    if atmosphere is None:
        return scale
    of_atmosphere = Pressure(atmosphere.pressure.exact, unit)
    return scale.model_copy(update={"zero_millicounts": round(scale.exact_counts(of_atmosphere) * 1000)})


class ChannelRecord(Value):
    """A pressure channel and its calibration as of the day of the run."""

    tag: str
    port: str = ""
    """Where it was connected."""
    instrument: str
    serial: str
    scale: Scale
    certificate_number: str
    laboratory: str
    calibrated_on: date
    due_on: date
    lowest: Pressure
    highest: Pressure
    expanded_uncertainty: Pressure
    """U with k = 2: the largest in the range."""
    uncertainty_points: tuple[UncertaintyPoint, ...] = later(())
    """U along the range, lowest pressure first; empty where the certificate states one U for all of it."""
    second_gauge: SecondGaugeCheck | None = later(None)
    """The newest check against a second gauge before the run; None where none was made."""
    checked_since: tuple[SecondGaugeCheck, ...] = later(())
    """The checks that were made while the run was open, oldest first."""
    atmosphere: Atmosphere | None = later(None)
    """Of an absolute transmitter: its range and its readings are gauge, this taken off, and its U is in U."""

    @property
    def disproved_by(self) -> SecondGaugeCheck | None:
        """The first check of the open run that disagreed; a later one that agrees does not mend what was read."""
        return next((check for check in self.checked_since if not check.agrees), None)

    @property
    def at_atmosphere(self) -> Scale:
        """The bare scale, on which a sound transmitter at atmosphere shows 0: no zero taken, no curve, no head."""
        return bare_scale(self.scale.unit, self.scale.decimals, self.atmosphere)

    def uncertainty_in(self, stage: StageRequirement) -> Pressure:
        """The largest U between a stage's required pressure and its upper limit.

        Between two calibrated pressures U is as straight as a line from one to the other, so that the largest lies at
        an end or at a calibrated pressure.
        """
        if not self.uncertainty_points:
            return self.expanded_uncertainty
        low, high = stage.required, stage.upper_limit
        inside = [point.expanded_uncertainty for point in self.uncertainty_points if low <= point.at <= high]
        return max([self.uncertainty_at(low), self.uncertainty_at(high), *inside])

    def guard_band(self, stage: StageRequirement) -> Pressure:
        """What a pressure must lie above the required one to count, by the stage's decision rule."""
        return stage.decision_rule.guard_band(self.uncertainty_in(stage))

    def uncertainty_at(self, pressure: Pressure) -> Pressure:
        """U at one pressure; beyond the calibrated ones that of the nearest."""
        points = self.uncertainty_points
        if not points:
            return self.expanded_uncertainty
        if not points[0].at < pressure < points[-1].at:
            return points[0 if pressure <= points[0].at else -1].expanded_uncertainty
        above = next(index for index, point in enumerate(points) if pressure <= point.at)
        low, high = points[above - 1], points[above]
        share = (pressure - low.at).ratio(high.at - low.at)
        grown = high.expanded_uncertainty - low.expanded_uncertainty
        return low.expanded_uncertainty + grown * share

    def with_zero(self, millicounts: int) -> "ChannelRecord":
        """The channel with what it read at atmosphere taken off."""
        return self.model_copy(update={"scale": self.scale.model_copy(update={"zero_millicounts": millicounts})})

    def for_fluid(self, fluid: str) -> "ChannelRecord":
        """The channel as it measures a test with this fluid."""
        return self.model_copy(update={"scale": self.scale.for_fluid(fluid)})

    @property
    def calibration(self) -> Calibration:
        """The calibration as a value of the metrology floor."""
        return Calibration(
            self.certificate_number,
            self.laboratory,
            self.calibrated_on,
            self.due_on,
            self.lowest,
            self.highest,
            self.expanded_uncertainty,
        )


class CrossCheck(Value):
    """Two pressure channels that must agree: each reading of one with what the other read just before."""

    channels: tuple[str, str]
    """Their tags."""
    allowed: Pressure | None = None
    """How far apart they may lie; None: the root of the sum of the squares of both U, so that |Eₙ| is at most 1."""
    lag_ms: Annotated[int, Field(gt=0)] = 1000
    """So long before a reading counts as just before: it takes up what one channel is slower than the other."""
    lasting_ms: Annotated[int, Field(gt=0)] = 2000
    """A disagreement of this length trips the stage."""
