"""``testbench judge``."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.run.record import StageRecord


@click.command()
@click.argument("run")
@home_option
@json_option
def command(run: str, home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Decide a stored RUN again, from its record and its samples alone.

    Exits with 1 where the decision differs from the recorded one.
    """
    from testbench.run.evaluation import rejudged, same_decision
    from testbench.wiring import Home, load_run

    record, traces = load_run(Home(home_of(home)), run)
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
