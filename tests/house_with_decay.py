"""A house procedure that lets a pressure decay stand for the collecting: one seat test, its pump isolated.

Made from the template: 250 psi, 60 s, 10 mL/h per inch of nominal size; the hold may last 240 s at most; blank runs
count for 30 days, at 1/1.5 to 1.5 times the pressure; a pressure is steady at 5 % a minute.
"""

import tomllib
from pathlib import Path
from typing import Any

from testbench.procedure.stages import Procedure
from testbench.quantities import Pressure
from testbench.run.bleeding import Burette
from testbench.run.record import BlankRun

TEMPLATE = Path(__file__).parents[1] / "procedures" / "house-template.toml"
BURETTE = Burette.model_validate({"name": "burette", "volume": "1 mL", "volume_uncertainty": "0.02 mL"})
DECAY: dict[str, Any] = {
    "longest_hold": {"s": 240, "source": "house"},
    "blank_days": 30,
    "blank_pressure_factor": "1.5",
    "source": "house",
}


def house(*, decay: dict[str, Any] | None = DECAY, pump: str = "isolated", per_inch: str = "10 mL/h") -> Procedure:
    """The procedure; without ``decay`` it asks for collecting."""
    facts = tomllib.loads(TEMPLATE.read_text(encoding="utf-8"))
    facts["id"] = "our-seat"
    facts["stabilization"]["largest_change_percent_per_min"]["factor"] = "5"
    seat = facts["stages"][1]
    seat["pump_during_hold"] = pump
    seat["hold"] = [{"nps": ["2 to 24"], "s": 60, "source": "hold"}]
    collected = seat["criteria"][1]
    collected["limits"] = [{"per_inch": per_inch, "source": "limits"}]
    if decay is not None:
        collected["decay"] = decay
    facts["stages"] = [seat]
    return Procedure.model_validate(facts)


def blank(number: int, psi_per_min: str, **changes: Any) -> BlankRun:
    """A blank run of the invented bench."""
    facts: dict[str, Any] = {
        "run": f"B1-{number:06d}",
        "stage": "seat test",
        "attempt": 1,
        "bench": "B1",
        "origin": "simulated",
        "at": "2026-11-20T08:00:00.000Z",
        "fluid": "water",
        "pressure": Pressure.of(250, "psi"),
        "slope_per_min": Pressure.of(psi_per_min, "psi"),
        "half_width_per_min": Pressure.of("0.05", "psi"),
        "declared_by": "Tobin Ashe",
        "why": "blind flange",
    }
    return BlankRun.model_validate(facts | changes)
