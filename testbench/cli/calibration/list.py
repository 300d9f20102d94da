"""``testbench calibration list``."""

from datetime import date
from pathlib import Path
from typing import Any

import click

from testbench.cli.calibration.told import Register, corrected_in_words, today
from testbench.cli.output import home_option, json_option, say, say_json


@click.command()
@home_option
@json_option
def command(home: Path | None, *, as_json: bool) -> None:
    """List every calibration, newest first, and which one is in force today."""
    facts = listed(Register.of(home), today())
    if as_json:
        say_json(facts)
        return
    for fact in facts:
        state = "IN FORCE" if fact["in_force"] else "        "
        overdue = "" if fact["in_date"] else "  OVERDUE" if fact["in_force"] else ""
        say(
            f"{state}  {fact['calibrated_on']}  {fact['serial']:<14} {fact['certificate_number']:<16} "
            f"due {fact['due_on']}  U {fact['expanded_uncertainty']}{overdue}  {fact['laboratory']}{fact['remark']}"
        )
    if not facts:
        say("The register is empty. Enter a certificate with 'testbench calibration add'.")


def listed(register: Register, on: date) -> list[dict[str, Any]]:
    """Each current entry, newest calibration first; that of bench.toml where it is in force."""
    from testbench.station.calibrations import Calibrated
    from testbench.station.register import calibration_of, current, entries

    facts = []
    for report in sorted(current(register.reports), key=lambda one: one.calibrated_on, reverse=True):
        corrected = f"  (entry {len(entries(register.reports, report))}: {corrected_in_words(report)})"
        corrected = corrected if report.correction else ""
        uncertainty = Calibrated.of(report).for_channel.expanded_uncertainty.text(3)
        said = {"remark": corrected, "entered_by": report.entered_by, "entered_at": report.entered_at}
        said["correction"] = report.correction
        facts.append(_fact(report, uncertainty, on, in_force=register.in_force(report, on)) | said)
    for entry in register.bench.pressure_channels:
        simple = calibration_of(entry, register.reports, on)
        if simple is not None and register.nothing_else_in_force(entry, on):
            known = {"channel": entry.tag, "serial": entry.serial, "remark": " (bench.toml)"}
            facts.append(_fact(simple, str(simple.expanded_uncertainty), on, in_force=True) | known)
    return facts


def _fact(stated: Any, uncertainty: str, on: date, *, in_force: bool) -> dict[str, Any]:
    names = ("channel", "serial", "certificate_number", "laboratory", "calibrated_on", "due_on")
    return {name: str(getattr(stated, name, "")) for name in names} | {
        "expanded_uncertainty": uncertainty,
        "in_force": in_force,
        "in_date": stated.calibrated_on <= on <= stated.due_on,
    }
