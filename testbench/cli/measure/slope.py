"""``testbench measure slope``."""

from pathlib import Path
from typing import Any

import click

from testbench.cli.output import json_option, say, say_json

NOT_STRAIGHT = "not a straight line: still settling, or a leak that follows the pressure"
PER = {"s": 1.0, "min": 60.0, "h": 3600.0}


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--of", "name", type=click.Choice(["pressure", "temperature"]), default="pressure", show_default=True)
@click.option("--per", type=click.Choice(list(PER)), default="s", show_default=True, help="Time unit of the slope.")
@click.option(
    "--resolution", type=click.FloatRange(min=0), help="Smallest step of a reading; default: seen in the file."
)
@click.option("--noise", type=click.FloatRange(min=0), help="Declared noise (SD); default: taken from the file.")
@click.option("--interval", type=click.FloatRange(min=0, min_open=True), help="Expected seconds between readings.")
@json_option
def command(
    file: Path,
    *,
    name: str,
    per: str,
    resolution: float | None,
    noise: float | None,
    interval: float | None,
    as_json: bool,
) -> None:
    """One straight line through all readings of FILE (time_s,pressure_psi), with its 95 % interval.

    The slope counts as it is; whether it may be concluded from stands beside it: outliers are flagged and left out; too
    many of them, gaps, a bend, too few readings and a reading that did not move speak against it.
    """
    from testbench.cli.measure.holds import against, hold_of, moved, read_hold
    from testbench.metrology.signal import USUAL
    from testbench.metrology.uncertainty import rounded

    column, hold, used = hold_of(read_hold(file, name), name, resolution=resolution, noise=noise, interval_s=interval)
    unit = f"{column.unit}/{per}"
    reasons = [*hold.record.reasons, *([NOT_STRAIGHT] if hold.curved else []), *against(column, hold, resolution)]
    most = {"flagged": USUAL.flagged_share, "missing": USUAL.missing_share, "longest_gap": USUAL.gap_share}
    facts: dict[str, Any] = {
        "slope": hold.per_s * PER[per],
        "unit": unit,
        "half_width": hold.half_width * PER[per],
        "confidence": 0.95,
        "method": hold.method,
        "dof": hold.dof,
        "n": hold.samples,
        "flagged": hold.record.flagged,
        "missing": hold.record.missing,
        "gaps": hold.record.gaps,
        "longest_gap_s": hold.record.longest_gap_s,
        "span_s": hold.record.span_s,
        "curved": hold.curved,
        "curvature_t": hold.curvature_t,
        "residual_sd": hold.residual_sd,
        "resolution": used,
        "half_widths": {of: width * PER[per] for of, width in hold.half_widths},
        "rounding": hold.rounding * PER[per],
        "moved": moved(column),
        "largest_percent": {of: 100 * share for of, share in most.items()},
        "valid": not reasons,
        "reason": "; ".join(reasons),
    }
    if as_json:
        say_json(facts)
        return
    slope, half = rounded(facts["slope"], facts["half_width"])
    say(f"slope       {slope} ± {half} {unit} (95 %, {hold.method}, {hold.dof} dof)")
    say(f"readings    {hold.samples} over {hold.record.span_s:.6g} s, {hold.record.flagged} flagged and left out")
    longest = f"longest {hold.record.longest_gap_s:.3g} s"
    say(f"gaps        {hold.record.gaps}, {hold.record.missing} readings missing, {longest}")
    say("at most     " + _allowed(most))
    say(f"residual    SD {hold.residual_sd:.3g} {column.unit}, resolution {used:.3g} {column.unit}")
    say(f"curvature   {_curvature(hold.curvature_t, curved=hold.curved)}")
    if not facts["moved"]:
        say("still       the reading did not move: frozen, or within its resolution, from which the interval comes")
    say(f"conclusion  {'valid' if facts['valid'] else 'invalid: ' + facts['reason']}")


def _allowed(most: dict[str, float]) -> str:
    flagged, missing, gap = (f"{100 * share:g} %" for share in most.values())
    return f"{flagged} flagged, {missing} missing, a gap of {gap} of the time"


def _curvature(t: float, *, curved: bool) -> str:
    return f"{NOT_STRAIGHT if curved else 'none seen'} (t = {t:.1f})"
