"""A collected leakage from a CSV file."""

from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import click

from testbench.cli.tables import SECONDS, Table, header_of, read_table
from testbench.errors import DataRefusedError
from testbench.metrology.decision_rule import Conformity, DecisionRule, judge_upper_limit, places_beside
from testbench.metrology.leakage import CollectedSeries, VesselReading, collected_series
from testbench.metrology.uncertainty import at_place, expanded_text
from testbench.quantities import LeakageRate, Quantity, Volume

Q = TypeVar("Q", bound=Quantity)
K = 2
DECISIONS = {
    Conformity.CONFORMS: "accepted",
    Conformity.DOES_NOT_CONFORM: "rejected",
    Conformity.WITHIN_GUARD_BAND: "inconclusive",
}


def collected_facts(file: Path, options: Mapping[str, Any]) -> dict[str, Any]:
    """Read and judge a vessel that fills.

    Raises:
        DataRefusedError: a limit or an uncertainty that is not above 0.
        FileRefusedError: the table, or a content that falls by more than its uncertainty.
        TooFewPointsError: fewer than two readings after the settle period.
    """
    limit = limit_of(options)
    unit = options["unit"] or (limit.unit if limit else "mL/h")
    readings, volume_u = _readings(file, options)
    series = collected_series(readings, volume_u, options["time_u"], settle_s=options["settle"], unit=unit)
    decision, reason = _decide(series, limit)
    rate, u = series.found.rate, series.found.expanded_uncertainty
    return {
        "method": "collection",
        "rate": rate.to(unit),
        "unit": unit,
        "expanded_uncertainty": u.to(unit),
        "k": K,
        "n": series.readings,
        "left_out": series.left_out,
        "since_s": series.since_s,
        "until_s": series.until_s,
        "steady": series.steady,
        "limit": None if limit is None else limit.to(unit),
        "rule": DecisionRule.GUARDED.in_words,
        "decision": decision,
        "reason": reason,
        "told": [f"readings  {series.readings}, {series.left_out} left out while it drained down"],
    }


def limit_of(options: Mapping[str, Any]) -> LeakageRate | None:
    """The limit, if one was told.

    Raises:
        DataRefusedError: it is not above 0.
    """
    if options["limit"] is None:
        return None
    limit = LeakageRate.parse(options["limit"])
    if limit == LeakageRate.zero(limit.unit):
        none = "a rate above 0; a limit of 0 means no visible leakage, which is looked for and is no rate"
        raise DataRefusedError("limit", str(limit), none)
    return above_zero("limit", limit)


def above_zero(what: str, amount: Q) -> Q:
    """The amount itself.

    Raises:
        DataRefusedError: it is not above 0.
    """
    if amount.exact <= 0:
        raise DataRefusedError(what, str(amount), "more than 0")
    return amount


def _readings(file: Path, options: Mapping[str, Any]) -> tuple[list[VesselReading], Volume]:
    if "drops" in header_of(file):
        if options["drops_per_ml"] is None:
            raise click.UsageError("Drops mean nothing without a convention; tell one with --drops-per-ml.")
        table = read_table(file, {"time": tuple(SECONDS), "drops": ()}, least_rows=2)
        one = 1 / options["drops_per_ml"]
        volumes = [Volume.of(count * one, "mL") for count in table["drops"].values.tolist()]
        stated: Volume | None = Volume.of(one, "mL")
    else:
        table = read_table(file, {"time": tuple(SECONDS), "volume": tuple(Volume.UNITS)}, least_rows=2)
        unit = table["volume"].unit
        volumes = [Volume.of(amount, unit) for amount in table["volume"].values.tolist()]
        # Without a stated U only what the last written digit hides is known; that is no ground for a decision.
        stated = None if options["limit"] else Volume.of(table["volume"].last_place / 3**0.5, unit)
    if options["volume_u"] is not None:
        stated = above_zero("U of the volume", Volume.parse(options["volume_u"]))
    if stated is None:
        raise click.UsageError("A volume without its uncertainty decides nothing; tell it with --volume-u.")
    seconds = table.seconds().tolist()
    _check_rising(table, volumes, stated)
    return [VesselReading(at, volume) for at, volume in zip(seconds, volumes, strict=True)], stated


def _check_rising(table: Table, volumes: list[Volume], volume_u: Volume) -> None:
    name = "drops" if "drops" in table else "volume"
    for row, (before, after) in enumerate(pairwise(volumes), 1):
        if before - after > volume_u * 1.5:  # √2 U, and a little
            found = f"{table[name].values[row]:g} after {table[name].values[row - 1]:g}"
            raise table.refuse(row, name, found, "the content of a vessel that fills does not fall")


def _decide(series: CollectedSeries, limit: LeakageRate | None) -> tuple[str | None, str]:
    if limit is None:
        return None, series.reason
    rate, u = series.found.rate, series.found.expanded_uncertainty
    unit = limit.unit
    places = places_beside(rate.to(unit), u.to(unit), u.to(unit), limit.to(unit))
    shown, doubt = at_place(rate.to(unit), places), expanded_text(u.to(unit), places)
    said = f"{shown} {unit} with U = {doubt} {unit}; {limit} is allowed"
    if series.reason:
        return DECISIONS[Conformity.WITHIN_GUARD_BAND], f"{said}, but {series.reason}; collect again."
    conformity = judge_upper_limit(rate, u, limit)
    words = {
        Conformity.CONFORMS: "within the limit",
        Conformity.DOES_NOT_CONFORM: "above the limit",
        Conformity.WITHIN_GUARD_BAND: "too near the limit to tell; collect for longer",
    }
    return DECISIONS[conformity], f"{said}: {words[conformity]}."
