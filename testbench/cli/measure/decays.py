"""A leakage by pressure decay from a CSV file."""

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import click

from testbench.cli.measure.collected import DECISIONS, limit_of
from testbench.cli.measure.holds import against, hold_of, read_hold, same_readings
from testbench.cli.tables import Table, read_table
from testbench.errors import DataRefusedError
from testbench.metrology.decay import (
    ML_PER_PSI,
    BlankRuns,
    Bleed,
    Compliance,
    DecayRate,
    NextStep,
    Warming,
    bend_matters,
    blank_runs,
    compliance_from_bleeds,
    decay_rate,
    decide_decay,
    objection,
)
from testbench.metrology.resolvability import Noise, Resolvability, Setup, resolvability
from testbench.metrology.slope_interval import HoldSlope
from testbench.metrology.trend import ONE_SIDED_95
from testbench.metrology.uncertainty import rounded
from testbench.quantities import LeakageRate, Pressure, Quantity, Temperature, Volume

RULE_IN_WORDS = (
    "Guarded decision: accepted if Q + 1.645 u is within the limit, rejected if Q − 1.645 u is above it; anything "
    "between is inconclusive."
)


def decay_facts(file: Path, options: Mapping[str, Any]) -> dict[str, Any]:
    """Read and judge a pressure decay.

    Raises:
        DataRefusedError: a limit, C, β or an uncertainty of them that is not above 0; a hold as its own blank.
        FileRefusedError: a table.
        TooFewPointsError: too few readings, bleedings or blank runs.
    """
    limit = limit_of(options)
    if limit is not None and options["required"] is None:
        raise click.UsageError("Tell with --required the least pressure of the hold: an empty body looks tight.")
    unit = options["unit"] or (limit.unit if limit else "mL/h")
    table = read_hold(file)
    column, hold, step = hold_of(table, "pressure", resolution=options["resolution"], noise=options["noise"])
    pa = float(Pressure.factor(column.unit))
    warming = _warming(table, options)
    setup = Setup(
        _compliance(options),
        Noise(hold.residual_sd * pa, (hold.samples - 1) / hold.record.span_s, step * pa),
        warming or Warming(0.0),
        _blank(table, options),
        None
        if options["water_only"] is None
        else _per("C of the water alone", options["water_only"], Volume, Pressure),
    )
    rate = decay_rate(
        hold.per_s * pa, hold.standard_uncertainty * pa, setup.compliance, warming=warming, blank=setup.blank, unit=unit
    )
    lowest = Pressure.of(hold.lowest, column.unit)
    doubts = against(column, hold, options["resolution"])
    decided = _decision(rate, hold, setup, doubts, limit=limit, lowest=lowest, required=options["required"])
    return _facts(rate, hold, setup, column.unit) | decided | {"valid": hold.valid and not doubts}


def _facts(rate: DecayRate, hold: HoldSlope, setup: Setup, pressure_unit: str) -> dict[str, Any]:
    unit, c = rate.rate.unit, setup.compliance
    per_unit = float(LeakageRate.factor(unit))
    water_only = setup.water_only_m3_per_pa
    per_min, half = rounded(hold.per_s * 60, hold.half_width * 60)
    slope = f"{per_min} ± {half} {pressure_unit}/min (95 %, {hold.method})"
    return {
        "method": "pressure decay",
        "rate": rate.rate.to(unit),
        "unit": unit,
        "standard_uncertainty": rate.standard_uncertainty.to(unit),
        "expanded_uncertainty": rate.expanded_uncertainty.to(unit),
        "k": ONE_SIDED_95,
        "components": {str(source): u / per_unit for source, u in rate.components},
        "dominant": str(rate.dominant),
        "compliance_mL_per_psi": c.m3_per_pa / ML_PER_PSI,
        "compliance_u_mL_per_psi": c.standard_uncertainty / ML_PER_PSI,
        "water_only_ratio": None if water_only is None else c.ratio(water_only),
        "slope_per_min": hold.per_s * 60,
        "slope_unit": f"{pressure_unit}/min",
        "half_width_per_min": hold.half_width * 60,
        "n": hold.samples,
        "flagged": hold.record.flagged,
        "gaps": hold.record.gaps,
        "curved": hold.curved,
        "told": [f"slope     {slope}", f"C         {c}, largest uncertainty from {rate.dominant}"],
    }


def _decision(
    rate: DecayRate,
    hold: HoldSlope,
    setup: Setup,
    doubts: Sequence[str],
    *,
    limit: LeakageRate | None,
    lowest: Pressure,
    required: str | None,
) -> dict[str, Any]:
    """The decision and the word of the gate; without a limit only what speaks against the rate."""
    least = lowest if required is None else Pressure.parse(required)
    objected = objection(rate, hold, lowest, least, setup.air_ratio, bent=_bent(rate, hold, setup, lowest.unit, limit))
    if objected is None and doubts:
        objected = f"the hold is invalid: {'; '.join(doubts)}", NextStep.REPEAT
    if limit is None:
        return {"limit": None, "decision": None, "reason": "" if objected is None else objected[0]}
    gate = resolvability(limit, setup, pressure=least, longest_hold_s=hold.record.span_s)
    decided = decide_decay(rate, limit, objected or _unresolved(gate, hold))
    return {
        "limit": limit.to(limit.unit),
        "limit_unit": limit.unit,
        "rule": RULE_IN_WORDS,
        "resolvable": gate.decidable,
        "resolvability": gate.sentence,
        "decision": DECISIONS[decided.conformity],
        "reason": decided.reason,
        "next_step": str(decided.next_step),
    }


def _bent(rate: DecayRate, hold: HoldSlope, setup: Setup, unit: str, limit: LeakageRate | None) -> bool:
    if limit is None:
        return hold.curved
    pa_per_s = abs(hold.bow) * hold.record.span_s * float(Pressure.factor(unit))
    swing = LeakageRate(Fraction(setup.compliance.m3_per_pa * pa_per_s), limit.unit)
    return bend_matters(rate, hold, swing, limit)


def _unresolved(gate: Resolvability, hold: HoldSlope) -> tuple[str, NextStep] | None:
    if gate.decidable:
        return None
    longer = gate.seconds is not None and gate.seconds > hold.record.span_s
    return gate.sentence.rstrip("."), NextStep.EXTEND if longer else NextStep.COLLECT


def _compliance(options: Mapping[str, Any]) -> Compliance:
    if options["bleeds"] is not None:
        table = read_table(
            options["bleeds"], {"volume": tuple(Volume.UNITS), "loss": tuple(Pressure.UNITS)}, least_rows=2
        )
        volume, loss = table["volume"], table["loss"]
        bleeds = [
            Bleed(Volume.of(let_out, volume.unit), Pressure.of(lost, loss.unit))
            for let_out, lost in zip(volume.values.tolist(), loss.values.tolist(), strict=True)
        ]
        volume_u, loss_u = Volume.parse(options["bleed_volume_u"]), Pressure.parse(options["bleed_loss_u"])
        return compliance_from_bleeds(bleeds, volume_u, loss_u)
    if options["compliance"] is None or options["compliance_u"] is None:
        raise click.UsageError("A decay needs C: --bleeds FILE, or --compliance with its --compliance-u.")
    c, u = options["compliance"], options["compliance_u"]
    return Compliance(_per("C", c, Volume, Pressure), _per("u of C", u, Volume, Pressure))


def _blank(measured: Table, options: Mapping[str, Any]) -> BlankRuns | None:
    """The drift of the bench; a hold is no blank of itself, whatever its file is called, and a blank counts once."""
    if not options["blank"]:
        return None
    rates, own, seen = [], [], [measured]
    for file in options["blank"]:
        table = read_hold(file)
        same = next((other.file for other in seen if same_readings(table, other)), None)
        if same is not None:
            found = f"{file} has the very readings of {same}"
            raise DataRefusedError("blank runs", found, "other holds, on a body known to be tight")
        seen.append(table)
        column, hold, _ = hold_of(table, "pressure", resolution=options["resolution"], noise=options["noise"])
        pa = float(Pressure.factor(column.unit))
        rates.append(hold.per_s * pa)
        own.append(hold.standard_uncertainty * pa)
    return blank_runs(rates, own)


def _warming(table: Table, options: Mapping[str, Any]) -> Warming | None:
    """What is known of temperature; None unless β is told and the rate is measured or its uncertainty stated."""
    if options["beta"] is None:
        return None
    beta = _per("β", options["beta"], Pressure, Temperature)
    unseen = None if options["drift_u"] is None else options["drift_u"] / 60
    if "temperature" not in table:
        return None if unseen is None else Warming(beta, 0.0, unseen)
    column, hold, _ = hold_of(table, "temperature")
    kelvin = float(Temperature.factor(column.unit))
    return Warming(beta, hold.per_s * kelvin, math.hypot(hold.standard_uncertainty * kelvin, unseen or 0.0))


def _per(what: str, text: str, above: type[Quantity], below: type[Quantity]) -> float:
    """A quotient above 0 such as "0.0333 mL/psi", in SI units."""
    number, _, unit = text.strip().rpartition("/")
    amount = float(above.parse(number).exact / below.factor(unit.strip()))
    if amount <= 0:
        raise DataRefusedError(what, text, "more than 0")
    return amount
