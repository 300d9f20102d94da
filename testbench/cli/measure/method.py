"""``testbench measure method``: evidence of the method itself, by simulation."""

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.output import json_option, say, say_json

if TYPE_CHECKING:
    from testbench.metrology.studies import Coverage, Decided, MethodStudy


def _existing_folder(_context: click.Context, _option: click.Parameter, out: Path | None) -> Path | None:
    """Refuse before the work, not after it."""
    if out is not None and not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {out.parent}")
    return out


@click.command()
@click.option(
    "--runs",
    "holds",
    type=click.IntRange(min=1),
    default=1000,
    show_default=True,
    help="Simulated holds for each figure.",
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Seed of the simulation.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), callback=_existing_folder,
              help="Write the page of plots to this PDF; a file of that name is replaced.")  # fmt: skip
@json_option
def command(*, holds: int, seed: int, out: Path | None, as_json: bool) -> None:
    """How well the method keeps its word: simulated holds, judged by the functions that judge a test.

    How often the 95 % interval of a slope holds the true slope, under noise of several kinds; and how often the
    decision by pressure decay accepts and rejects valves that leak a known share of their limit. With 1000 holds for
    each figure it takes about half a minute.
    """
    import numpy as np

    from testbench.metrology.studies import CELLS, method_study

    with click.progressbar(length=CELLS, label="Simulating holds", file=sys.stderr) as bar:
        study = method_study(holds, np.random.default_rng(seed), lambda: bar.update(1))
    if out is not None:
        _write_page(out, study, seed)
    if as_json:
        say_json(_facts(study, seed) | {"page": None if out is None else str(out)})
        return
    tell(study, seed)
    if out is not None:
        say(f"\nThe page of plots is {out}.")


def _write_page(out: Path, study: "MethodStudy", seed: int) -> None:
    """Put a whole page in place, or none."""
    from testbench import __version__
    from testbench.certificate.data import layout
    from testbench.certificate.languages import words
    from testbench.certificate.method_page import Study, draw_method_page
    from testbench.instruments.clocks import SystemClock

    page = draw_method_page(Study(study, seed, __version__, SystemClock().utc()), layout(), words())
    unfinished = out.with_name(f".{out.name}.part")
    try:
        unfinished.write_bytes(page)
        unfinished.replace(out)
    except OSError as failure:
        unfinished.unlink(missing_ok=True)
        raise click.ClickException(f"The page {out} was not written: {failure.strerror}.") from failure


def _facts(study: "MethodStudy", seed: int) -> dict[str, Any]:
    """All figures; shares of the holds, from 0 to 1, each with its Monte-Carlo standard error."""
    from testbench import __version__
    from testbench.metrology.studies import HZ

    return {
        "version": __version__,
        "seed": seed,
        "holds": study.holds,
        "readings_per_s": HZ,
        "coverage": [_coverage(found) for found in study.coverages],
        "decisions": [_decided(found) for found in study.decided],
    }


def _share(count: int, holds: int) -> dict[str, float]:
    from testbench.metrology.studies import standard_error

    return {"share": count / holds, "standard_error": standard_error(count / holds, holds)}


def _coverage(found: "Coverage") -> dict[str, Any]:
    return {
        "noise": found.noise,
        "seconds": found.seconds,
        "nominal": 0.95,
        "as_if_white": _share(found.as_if_white, found.holds),
        "ours": _share(found.ours, found.holds),
        "curved": _share(found.curved, found.holds),
        "median_width_ratio": found.widening if math.isfinite(found.widening) else None,
    }


def _decided(found: "Decided") -> dict[str, Any]:
    from testbench.metrology.studies import NOISE_PSI

    case, gate = found.case, found.case.gate
    return {
        "case": case.name,
        "limit": case.limit.to(case.limit.unit),
        "limit_unit": case.limit.unit,
        "fall_at_limit_psi_per_min": case.fall_psi_per_min,
        "seconds": case.seconds,
        "compliance_mL_per_psi": case.compliance_ml_per_psi,
        "compliance_relative_u": case.compliance_u,
        "drift_u_psi_per_min": case.drift_u_psi_per_min,
        "noise_psi": NOISE_PSI,
        "noise_ar1": case.lasting,
        "resolution_psi": case.lsb_psi,
        "gate": {
            "decidable": gate.decidable,
            "seconds": gate.seconds,
            "dominant": str(gate.dominant),
            "sentence": gate.sentence,
        },
        "outcomes": [
            {
                "leak_over_limit": each.share,
                "guarded": {
                    "accepted": _share(each.accepted, each.holds),
                    "rejected": _share(each.rejected, each.holds),
                    "inconclusive": _share(each.inconclusive, each.holds),
                },
                "simple": {
                    "accepted": _share(each.simply_accepted, each.holds),
                    "rejected": _share(each.simply_rejected, each.holds),
                },
            }
            for each in found.outcomes
        ],
    }


def tell(study: "MethodStudy", seed: int) -> None:
    """Print both studies as tables."""
    from testbench.metrology.studies import HOLDS_S, NOISES, standard_error

    error = 100 * standard_error(0.95, study.holds)
    say(f"{study.holds} simulated holds for each figure, seed {seed}; standard error at 95 %: {error:.2g} %")
    say("\nHow many 95 % intervals hold the true slope [%]: as if white | ours, and how many holds are called curved")
    for noise in NOISES:
        row = [found for found in study.coverages if found.noise == noise.name]
        parts = [
            f"{seconds:>5} s {_percent(of.as_if_white, of.holds)} | {_percent(of.ours, of.holds)}, "
            f"curved {_percent(of.curved, of.holds)}"
            for seconds, of in zip(HOLDS_S, row, strict=True)
        ]
        say(f"{noise.name:<18}" + "".join(parts))
    say("\nWhat becomes of a valve by its leak over the limit [%]: accepted / rejected guarded, and accepted simply")
    for decided in study.decided:
        say(f"\n{decided.case.name}\n    {decided.case.gate.sentence}")
        for of in decided.outcomes:
            guarded = f"{_percent(of.accepted, of.holds)} / {_percent(of.rejected, of.holds)}"
            say(f"    {of.share:>4.2f} × L  {guarded}   {_percent(of.simply_accepted, of.holds)}")


def _percent(count: int, holds: int) -> str:
    return f"{100 * count / holds:5.1f}"
