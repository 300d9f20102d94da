"""``testbench measure gauge-study``."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from testbench.cli.measure.budget import number
from testbench.cli.output import json_option, say, say_json
from testbench.cli.tables import ANY_UNIT, read_table
from testbench.metrology.gauge_study import GaugeStudy, Measurement, crossed_anova, gauge_study

POOLING = {"auto": None, "yes": True, "no": False}


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--pooled",
    type=click.Choice(list(POOLING)),
    default="auto",
    show_default=True,
    help="Pool the interaction into repeatability; auto: if its p-value is above 0.05.",
)
@click.option("--tolerance", type=click.FloatRange(min=0, min_open=True), help="Width of the tolerance.")
@json_option
def command(*, file: Path, pooled: str, tolerance: float | None, as_json: bool) -> None:
    """Study a gauge: FILE (part,operator,value_psi) holds every part, by every operator, equally often."""
    table = read_table(file, {"value": ANY_UNIT}, words=("part", "operator"))
    rows = zip(table.words["part"], table.words["operator"], table["value"].values, strict=True)
    found = [Measurement(part, operator, float(value)) for part, operator, value in rows]
    told_study(found, table["value"].unit, pooled, tolerance, as_json=as_json)


def told_study(
    found: Sequence[Measurement], unit: str, pooled: str, tolerance: float | None, *, as_json: bool,
    left_out: Sequence[str] | None = None,
) -> GaugeStudy:  # fmt: skip
    """Work out a study of values, tell it and give it.

    Args:
        found: the values.
        unit: theirs.
        pooled: a key of ``POOLING``.
        tolerance: its width, in the unit.
        as_json: whether facts are printed.
        left_out: parts that were not measured by everybody; None where nothing was chosen.

    Raises:
        DataRefusedError: the values do not make a crossed study.
    """
    anova = crossed_anova(found)
    study = gauge_study(anova, pooled=POOLING[pooled])
    facts: dict[str, Any] = {
        "unit": unit,
        "parts": anova.parts,
        "operators": anova.operators,
        "trials": anova.trials,
        "sums_of_squares": {
            "part": anova.ss_part,
            "operator": anova.ss_operator,
            "interaction": anova.ss_interaction,
            "repeatability": anova.ss_repeatability,
        },
        "interaction_f": number(anova.interaction_f),
        "interaction_p": anova.interaction_p,
        "pooled": study.pooled,
        "sources": _sources(study),
        "categories": number(study.categories),
        "ndc": study.ndc,
        "tolerance_share": None if tolerance is None else 6 * study.gauge / tolerance,
    } | ({} if left_out is None else {"left_out": list(left_out)})
    if as_json:
        say_json(facts)
    else:
        _tell(study, facts)
    return study


def _sources(study: GaugeStudy) -> dict[str, dict[str, float]]:
    deviations = {
        "repeatability": study.repeatability,
        "reproducibility": study.reproducibility,
        "gauge": study.gauge,
        "part": study.part,
        "total": study.total,
    }
    return {
        name: {
            "standard_deviation": deviation,
            "share_of_variation": study.share_of_variation(deviation),
            "contribution": study.contribution(deviation),
        }
        for name, deviation in deviations.items()
    }


def _tell(study: GaugeStudy, facts: dict[str, Any]) -> None:
    anova = study.anova
    say(f"study       {anova.parts} parts × {anova.operators} operators × {anova.trials} trials")
    choice = "pooled into repeatability" if study.pooled else "kept apart"
    say(f"interaction F = {anova.interaction_f:.3f}, p = {anova.interaction_p:.4f}: {choice}")
    say("source           SD          of variation  contribution")
    for name, source in facts["sources"].items():
        share, part = 100 * source["share_of_variation"], 100 * source["contribution"]
        say(f"{name:<16} {source['standard_deviation']:<11.6g} {share:5.1f} %       {part:5.1f} %")
    say(f"categories  {'no limit seen' if study.ndc is None else study.ndc}")
    if facts["tolerance_share"] is not None:
        say(f"tolerance   the gauge takes {100 * facts['tolerance_share']:.1f} % of it (6 SD)")
