"""Holds from CSV files, for the commands that need a slope."""

from pathlib import Path

import numpy as np

from testbench.cli.tables import SECONDS, Column, Table, read_table
from testbench.metrology.signal import resolution_of
from testbench.metrology.slope_interval import BLOCK_COUNTS, HoldSlope, hold_slope
from testbench.quantities import Pressure, Temperature

LEAST_READINGS = 2 * max(BLOCK_COUNTS)  # below, nothing sees noise that lasts from reading to reading
HOLD = {"pressure": tuple(Pressure.UNITS), "temperature": tuple(Temperature.UNITS)}


def read_hold(file: Path, name: str = "pressure") -> Table:
    """Read a hold: rising times and a pressure, as a rule, or a temperature; the other one if it is there."""
    others = {other: units for other, units in HOLD.items() if other != name}
    return read_table(file, {"time": tuple(SECONDS), name: HOLD[name]}, others)


def same_readings(one: Table, other: Table) -> bool:
    """Whether two holds are one record: every pressure alike, as long after the first."""
    if len(one) != len(other):
        return False
    (times, values), (other_times, other_values) = (
        (table.seconds(), table["pressure"].values * float(Pressure.factor(table["pressure"].unit)))
        for table in (one, other)
    )
    return np.array_equal(values, other_values) and np.allclose(times - times[0], other_times - other_times[0])


def against(column: Column, hold: HoldSlope, resolution: float | None) -> list[str]:
    """What speaks against a slope beside gaps and outliers: too few readings, or none that moved.

    Args:
        column: the readings.
        hold: their slope.
        resolution: their smallest step where somebody told it; what rounding hides is then in the interval.
    """
    if hold.samples < LEAST_READINGS:
        return [
            f"{hold.samples} readings are too few to tell noise from a change, at least {LEAST_READINGS} are needed"
        ]
    if moved(column) or resolution:
        return []
    return ["the reading did not move: frozen, or its steps hide the change; tell their size with --resolution"]


def moved(column: Column) -> bool:
    """Whether any two readings differ."""
    return float(np.ptp(column.values)) > 0


def hold_of(
    table: Table,
    name: str,
    *,
    resolution: float | None = None,
    noise: float | None = None,
    interval_s: float | None = None,
) -> tuple[Column, HoldSlope, float]:
    """The column, its slope per second in its own unit, and the resolution that was used."""
    column = table[name]
    step = resolution_of(column.values, column.last_place) if resolution is None else resolution
    hold = hold_slope(table.seconds(), column.values, resolution=step, noise=noise, interval_s=interval_s)
    return column, hold, step
