"""What a sensor at the collecting vessel says was caught: a scale, a level or burette sensor, or a flow meter.

Only readings and marks are recorded; the volume is worked out from them, live and again years later.
"""

import math
from collections.abc import Callable
from fractions import Fraction
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from testbench.errors import VesselNotReadError
from testbench.metrology.water import water
from testbench.procedure.valve import Value
from testbench.quantities import Pressure, Temperature, Volume
from testbench.run.observations import Collection
from testbench.run.samples import NUMBER, TICKS_PER_S, to_s

FLOW = "mL/min"
LEAST_READINGS = 2
AIR_KG_M3, WEIGHTS_KG_M3 = 1.2, 8000.0
"""Conventional densities of air and of the weights that a scale is set with (OIML D 28, from memory)."""
Ticks = NDArray[np.int64]
Values = NDArray[np.float64]
OF_BOTH = math.sqrt(2)
"""U of a difference of two readings beside that of one, as if they were wrong independently."""


class VesselSensor(Value):
    """A sensor and what it read during a stage."""

    tag: str
    instrument: str
    serial: str
    unit: str
    """g, mL, mm, or mL/min for a flow meter."""
    decimals: Annotated[int, Field(ge=0, le=6)]
    ml_per_unit: Annotated[str, Field(pattern=NUMBER)] = "1"
    """What one unit of it is in millilitres: of water on a scale, or by the cross-section of a vessel."""
    expanded_uncertainty: Annotated[str, Field(pattern=NUMBER)]
    """U of one reading in its unit, k = 2."""
    lowest: Annotated[str, Field(pattern=NUMBER)]
    highest: Annotated[str, Field(pattern=NUMBER)]
    """Its range; outside it a reading is a fault."""
    longest_gap_ms: Annotated[int, Field(gt=0)]
    """How long it may be silent."""
    readings: tuple[tuple[int, int], ...] = ()
    """Ticks since the run began, and what was indicated, as an integer of the last digit."""

    def caught(self, since: int, until: int) -> tuple[Volume, Volume]:
        """The volume from one mark to another [ticks], and its U (k = 2).

        A vessel tells it by the difference of the readings at both marks, a flow meter by their integral, whose U is
        that of a reading the whole time: its zero may be off.

        Raises:
            VesselNotReadError: it was silent, out of its range, or its content fell.
        """
        at, found = self._between(since, until)
        u, per_unit = float(self.expanded_uncertainty), float(self.ml_per_unit)
        if self.unit == FLOW:
            minutes = np.concatenate(([since], at[1:-1], [until])) / (60 * TICKS_PER_S)
            volume, expanded = float(np.trapezoid(found, minutes)), u * float(minutes[-1] - minutes[0])
        else:
            self._check_rising(found, u)
            volume, expanded = per_unit * float(found[-1] - found[0]), per_unit * u * OF_BOTH
        return _ml(max(volume, 0.0)), _ml(expanded, math.ceil)

    def _between(self, since: int, until: int) -> tuple[Ticks, Values]:
        """The readings from the last one before a mark to the last one before the other, in its unit."""
        ticks = np.array([at for at, _ in self.readings], dtype=np.int64)
        counts = np.array([count for _, count in self.readings], dtype=np.float64)
        first, end = (int(np.searchsorted(ticks, mark, "right")) for mark in (since, until))
        used = slice(max(first - 1, 0), end)
        at, found = ticks[used], counts[used] / 10**self.decimals
        if at.size < LEAST_READINGS:
            raise VesselNotReadError(self.tag, f"it gave {at.size} readings in {to_s(until - since):.1f} s")
        silent = max(abs(int(at[0]) - since), int(np.diff(at).max()), until - int(at[-1]))
        if silent * 1000 > self.longest_gap_ms * TICKS_PER_S:
            allowed = f"at most {self.longest_gap_ms / 1000:g} s is allowed"
            raise VesselNotReadError(self.tag, f"it was silent for {to_s(silent):.1f} s, {allowed}")
        outside = found[(found < float(self.lowest)) | (found > float(self.highest))]
        if outside.size:
            shown = f"{outside[0]:.{self.decimals}f} {self.unit}"
            raise VesselNotReadError(self.tag, f"it read {shown}, its range is {self.lowest} to {self.highest}")
        return at, found

    def _check_rising(self, found: Values, u: float) -> None:
        """Refuse a content that fell by more than two readings can differ: moved, knocked or spilled."""
        fallen = float((np.maximum.accumulate(found) - found).max())
        if fallen > u * OF_BOTH:
            shown = f"{fallen:.{self.decimals}f} {self.unit}"
            raise VesselNotReadError(self.tag, f"its content fell by {shown}, so that the vessel was moved or spilled")

    def again(self, caught: Collection) -> Collection:
        """A collection with its volumes worked out again from the readings; one without where they do not tell it."""
        if not caught.instrument:
            return caught
        try:
            volume, u = self.caught(caught.since, caught.until)
            readings = tuple(
                read.model_copy(update={"volume": self.caught(caught.since, read.at)[0]}) for read in caught.readings
            )
        except VesselNotReadError:
            return caught.model_copy(update={"volume": None, "volume_uncertainty": None})
        return caught.model_copy(update={"volume": volume, "volume_uncertainty": u, "readings": readings})


def ml_per_gram(temperature: Temperature) -> Fraction:
    """What a gram on a scale is in water of a temperature [mL], in air: 1.0029 mL at 20 °C (ISO 8655-6, from memory).

    Raises:
        WaterRangeError: outside 0 °C … 60 °C.
    """
    density = water(temperature, Pressure.zero("Pa")).density_kg_m3
    buoyancy = (1 - AIR_KG_M3 / WEIGHTS_KG_M3) / (1 - AIR_KG_M3 / density)
    return Fraction(round(1000 / density * buoyancy * 1_000_000), 1_000_000)


def _ml(volume: float, rounding: Callable[[float], int] = round) -> Volume:
    return Volume.of(Fraction(rounding(round(volume * 1_000_000, 3)), 1_000_000), "mL")
