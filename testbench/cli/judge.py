"""``testbench judge``."""

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.run.record import StageRecord
    from testbench.run.rejudging import Tally


@click.command()
@click.argument("run", required=False)
@click.option("--all", "every", is_flag=True, help="Every closed run, specimens as well, by program version.")
@click.option("--workers", type=click.IntRange(1, 64), help="Processes for --all; default: one for each core, up to 8.")
@home_option
@json_option
def command(*, run: str | None, every: bool, workers: int | None, home: Path | None, as_json: bool) -> None:
    """Decide a stored RUN again, or all of them, from records and samples alone.

    Exits with 1 where a decision differs from the recorded one, or a record is damaged.
    """
    if every is (run is not None):
        raise click.UsageError("Name a run, or say --all.")
    if run is None:
        _all(home_of(home), workers, as_json=as_json)
    else:
        _one(run, home_of(home), as_json=as_json)


def _one(run: str, home: Path, *, as_json: bool) -> None:
    from testbench.run.evaluation import rejudged, same_decision
    from testbench.wiring import Home, load_run

    record, traces = load_run(Home(home), run)
    again = rejudged(record, traces)
    facts: dict[str, object] = {
        "run": record.run,
        "verdict": again.verdict or "void",
        "recorded": record.verdict or "void",
        "same": same_decision(again, record),
        "same_words": again == record,
        "reason": again.reason,
        "stages": [
            {
                "stage": stage.stage,
                "attempt": stage.attempt,
                "ended": stage.ended,
                "verdict": stage.finding.verdict if stage.finding else "void",
                "sentences": [found.sentence for found in stage.finding.criteria] if stage.finding else [stage.reason],
                "decisions": _decisions(stage),
                "decay": stage.finding.decay.sentence if stage.finding and stage.finding.decay else "",
                "timing": stage.finding.timing.sentence if stage.finding and stage.finding.timing else "",
            }
            for stage in again.stages
        ],
    }
    if as_json:
        say_json(facts)
    else:
        _print(facts)
    if not facts["same"]:
        click.get_current_context().exit(1)


def _all(home: Path, workers: int | None, *, as_json: bool) -> None:
    from testbench.rejudging import rejudge_all
    from testbench.wiring import Home

    tally = rejudge_all(Home(home), workers, _progress)
    if as_json:
        say_json({
            "runs": tally.runs,
            "same": tally.all_same,
            "versions": {
                version: {"counts": dict(found.counts), "named": [asdict(one) for one in found.named]}
                for version, found in sorted(tally.versions.items())
            },
        })
    else:
        _print_all(tally)
    if not tally.all_same:
        click.get_current_context().exit(1)


def _progress(done: int, total: int) -> None:
    """One line that is written over on a terminal; a log gets the last one only."""
    last, terminal = done == total, sys.stderr.isatty()
    if terminal or last:
        again = "\r" if terminal else ""
        click.echo(f"{again}{done} of {total} runs decided again", nl=last, err=True)


def _print_all(tally: "Tally") -> None:
    from testbench.run.rejudging import Outcome

    for version, found in sorted(tally.versions.items()):
        counts = ", ".join(f"{count} {outcome}" for outcome, count in sorted(found.counts.items()))
        say(f"recorded by testbench {version}: {counts}" if version else f"version unknown: {counts}")
        for one in found.named:
            say(f"  {one.run} {one.outcome}: {one.sentence}")
        if (more := found.counts.total() - found.counts[Outcome.SAME] - len(found.named)) > 0:
            say(f"  and {more} more")
    say("All are decided as they are recorded." if tally.all_same else "Not all are decided as they are recorded.")


def _decisions(stage: "StageRecord") -> list[str]:
    """Each comparison with a limit in words: U, k, rule, guard band, risk."""
    from testbench.run.decisions import decision_of

    criteria = stage.finding.criteria if stage.finding else ()
    found = (decision_of(criterion, stage.requirement) for criterion in criteria)
    return [decision.words for decision in found if decision is not None]


def _print(facts: dict[str, object]) -> None:
    say(f"{facts['run']}: {facts['verdict']} (recorded: {facts['recorded']}). {facts['reason']}")
    stages = facts["stages"]
    assert isinstance(stages, list)
    for stage in stages:
        say(f"  {stage['stage']}, attempt {stage['attempt']}: {stage['ended']}, {stage['verdict']}")
        for sentence in (*stage["sentences"], *stage["decisions"], stage["decay"], stage["timing"]):
            if sentence:
                say(f"    {sentence}")
    if not facts["same"]:
        say("The decision DIFFERS from the record.")
    elif not facts["same_words"]:
        say("The decision is the same; this version words it otherwise than the record.")
    else:
        say("The decision is the same.")
