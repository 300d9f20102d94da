"""``testbench calibration impact``."""

from pathlib import Path
from typing import Any

import click

from testbench.cli.calibration.told import Register, as_found_facts, serial_option, summary
from testbench.cli.output import counted, home_option, json_option, say, say_json
from testbench.run.record import Verdict
from testbench.station.bench import CalibrationEntry
from testbench.station.impact import RunImpact, impact_on, questioned
from testbench.station.register import Assessment
from testbench.wiring import read_store

UNTOLD = "Nothing affected that this certificate could tell: it does not say how the instrument came."
LOOKED_AT = (
    "Looked at: the pressures of the holds. Not looked at: leakage by pressure decay, and C, which come from the same "
    "readings; have the reviewer look where a leakage was judged by them."
)


@click.command()
@click.argument("certificate")
@serial_option
@home_option
@json_option
def command(certificate: str, serial: str | None, home: Path | None, *, as_json: bool) -> None:
    """List the runs that a failed as-found result of CERTIFICATE calls into question.

    These are the runs with that instrument since its last good calibration. For every accepted stage the error found
    is taken off its lowest pressure, and the stage's own decision rule asked again. Leakage judged by pressure decay is
    not looked at. Exit code 1 if an acceptance cannot stand.
    """
    register = Register.of(home)
    known = register.find(certificate, serial)
    if isinstance(known, CalibrationEntry):
        _tell_simple(known, register, as_json=as_json)
        return
    found = register.assess(known)
    runs = _runs(register, found)
    affected = [run for run in runs if run.affected]
    if as_json:
        say_json(_facts(found, runs))
    else:
        _tell(found, runs, affected)
    if affected:
        click.get_current_context().exit(1)


def _runs(register: Register, found: Assessment) -> list[RunImpact]:
    """Nothing is called into question where the instrument came in order.

    Where nobody looked, the runs are named if it has drifted; what that makes of them nobody can tell.
    """
    came = found.as_found
    if came.passed is True if came else not found.drifted:
        return []
    with read_store(register.home) as store:
        measured = store.runs_measured_with(found.report.serial)
    return [
        impact_on(record, document, came) if came else RunImpact(record, document, ())
        for record, document in measured
        if questioned(record, found.report, register.reports, found.old)
    ]


def _facts(found: Assessment, runs: list[RunImpact]) -> dict[str, Any]:
    return {
        "certificate_number": found.report.certificate_number,
        "serial": found.report.serial,
        "since": None if found.old is None else str(found.old.calibrated_on),
        "previous": None if found.old is None else found.old.certificate_number,
        "as_found": None if found.as_found is None else as_found_facts(found.as_found),
        "runs": [
            {
                "run": run.record.run,
                "serial": run.record.valve.serial,
                "order": run.record.order,
                "date": run.record.started[:10],
                "verdict": run.record.verdict or "void",
                "document": run.document,
                "affected": run.affected,
                "stages": [
                    {
                        "stage": stage.stage,
                        "attempt": stage.attempt,
                        "required": str(stage.required),
                        "lowest": str(stage.lowest),
                        "lowest_corrected": str(stage.lowest_corrected),
                        "guard_band": str(stage.guard_band),
                        "conformity": stage.conformity,
                        "by_decay": stage.by_decay,
                        "affected": stage.affected,
                        "sentence": stage.sentence,
                    }
                    for stage in run.stages
                ],
            }
            for run in runs
        ],
    }


def _tell(found: Assessment, runs: list[RunImpact], affected: list[RunImpact]) -> None:
    report = found.report
    say(next(line for line in summary(found) if line.startswith("as found")))
    if found.as_found is None and not runs:
        say(UNTOLD)
        return
    if found.as_found is not None and found.as_found.passed:
        say("Nothing affected: the instrument came to its calibration in order.")
        return
    since = "the first run" if found.old is None else f"{found.old.calibrated_on} ({found.old.certificate_number})"
    say(f"Runs with {report.serial} since {since}: {len(runs)}")
    for run in runs:
        record = run.record
        stands = run.stages and record.verdict is Verdict.ACCEPTED
        mark = "AFFECTED" if run.affected else "stands  " if stands else "        "
        say(
            f"{mark}  {record.run}  {record.started[:10]}  {record.valve.serial:<16} {record.order:<10} "
            f"{record.verdict or 'void':<12}  {run.document or 'no document'}"
        )
        for stage in run.stages:
            say(f"            {stage.sentence}")
    if found.as_found is None:
        say("It drifted, and the certificate does not say how it came: ask the laboratory for its readings as found.")
        return
    say(LOOKED_AT)
    if affected:
        say(f"{counted(len(affected), 'run')} affected: what was accepted there has not been shown. Call the reviewer.")
    else:
        say("Nothing affected: every accepted run stands with the error taken off.")


def _tell_simple(entry: CalibrationEntry, register: Register, *, as_json: bool) -> None:
    """bench.toml keeps no readings before adjustment."""
    number = entry.certificate_number
    serial = register.owner_of(number).serial
    if as_json:
        say_json({"certificate_number": number, "serial": serial, "as_found": None, "runs": []})
        return
    say("as found    not stated in bench.toml")
    say(UNTOLD)
