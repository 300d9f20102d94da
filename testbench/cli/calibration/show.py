"""``testbench calibration show``."""

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.calibration.told import (
    Register,
    corrected_in_words,
    day,
    facts_of,
    residual_lines,
    serial_option,
    simple_facts,
    simple_lines,
    summary,
    today,
)
from testbench.cli.measure.budget import budget_lines, dof_text
from testbench.cli.measure.calibration import shown
from testbench.cli.output import home_option, json_option, say, say_json
from testbench.errors import CalibrationRefusedError
from testbench.metrology.uncertainty import expanded_text

if TYPE_CHECKING:
    from testbench.station.bench import CalibrationEntry
    from testbench.station.calibrations import CalibratedPoint, CalibrationReport
    from testbench.station.register import Assessment


@click.command()
@click.argument("certificate")
@click.option("--on", type=day, help="Whether it is in date and in force on this day; default: today.")
@click.option("--at", "pressure", help="Only the budget around this pressure, for example '500 psi'.")
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Draw the residuals into an SVG file.")
@click.option("--pdf", type=click.Path(dir_okay=False, path_type=Path), help="Write a calibration sheet of one page.")
@serial_option
@click.option("--entry", type=click.IntRange(min=1), help="Which entry, where it was corrected; default: the newest.")
@home_option
@json_option
def command(
    *,
    certificate: str,
    serial: str | None,
    entry: int | None,
    on: datetime | None,
    pressure: str | None,
    picture: Path | None,
    pdf: Path | None,
    home: Path | None,
    as_json: bool,
) -> None:
    """Show one calibration with its budget; CERTIFICATE is its number.

    Where it was corrected, every entry is named, and --entry shows an earlier one.
    """
    from testbench.quantities import Pressure
    from testbench.station.bench import CalibrationEntry
    from testbench.station.register import entries

    register, when = Register.of(home), on.date() if on else today()
    known = register.find(certificate, serial)
    if isinstance(known, CalibrationEntry):
        if picture is not None or pdf is not None or entry is not None:
            allowed = "--picture, --pdf and --entry need one of the register"
            raise CalibrationRefusedError(certificate, "certificate", "that of bench.toml", allowed)
        _show_simple(known, register, when, as_json=as_json)
        return
    history = entries(register.reports, known)
    report = _chosen(history, entry)
    found = register.assess(report)
    asked = None if pressure is None else Pressure.parse(pressure).to(report.unit)
    in_force = register.in_force(report, when)
    if picture is not None or pdf is not None:
        _draw(register, found, picture, pdf)
    if as_json:
        told = [one.model_dump(mode="json", include={"entered_by", "entered_at", "correction"}) for one in history]
        say_json(facts_of(found, on=when, in_force=in_force) | {"entry": history.index(report) + 1, "entries": told})
        return
    for line in [*summary(found), *_history(history, report)]:
        say(line)
    _tell_state(report, when, in_force=in_force)
    _tell_points(found)
    say("")
    for line in residual_lines(found):
        say(line)
    _tell_budgets(found, asked)


def _chosen(history: "tuple[CalibrationReport, ...]", entry: int | None) -> "CalibrationReport":
    if entry is None:
        return history[-1]
    if entry > len(history):
        allowed = f"1 to {len(history)}"
        raise CalibrationRefusedError(history[-1].certificate_number, "--entry", str(entry), allowed)
    return history[entry - 1]


def _history(history: "tuple[CalibrationReport, ...]", shown: "CalibrationReport") -> list[str]:
    """Every entry, who made it, when and why; the one that is shown is marked."""
    if len(history) == 1:
        return [f"entered     {shown.entered_on} by {shown.entered_by}"]
    return [
        f"entry {number:<5} {corrected_in_words(report)}{' (shown here)' if report is shown else f'; --entry {number}'}"
        for number, report in enumerate(history, start=1)
    ]


def _show_simple(entry: "CalibrationEntry", register: Register, on: date, *, as_json: bool) -> None:
    channel = register.owner_of(entry.certificate_number)
    in_force = register.nothing_else_in_force(channel, on)
    if as_json:
        say_json(simple_facts(entry, channel, on, in_force=in_force))
        return
    for line in simple_lines(entry, channel):
        say(line)
    _tell_state(entry, on, in_force=in_force)


def _tell_state(stated: "CalibrationReport | CalibrationEntry", on: date, *, in_force: bool) -> None:
    state = "in date" if stated.calibrated_on <= on <= stated.due_on else "NOT IN DATE"
    say(f"on {on}  {state}, {'in force' if in_force else 'not in force'}\n")


def _tell_points(found: "Assessment") -> None:
    say("reference   deviation  repeatability  hysteresis  U          k     in a run   U in a run")
    for point in found.calibrated.points:
        result = point.result
        say(
            f"{result.reference:<11g} {point.deviation:<+10.4f} {shown(result.repeatability):<14} "
            f"{shown(result.hysteresis):<11} {expanded_text(result.expanded_uncertainty):<10} "
            f"{result.budget.coverage_factor():<5.2f} {point.deviation_in_run:<+10.4f} "
            f"{expanded_text(point.uncertainty_in_run)}"
        )


def _tell_budgets(found: "Assessment", asked: float | None) -> None:
    points = found.calibrated.points
    if asked is not None:
        points = _around(points, asked)
        u, unit = found.calibrated.uncertainty_in_run_at(asked), found.report.unit
        say(f"\nat {asked:g} {unit}: U in a run {expanded_text(u)} {unit} (95 %), on the line between its neighbours")
    for point in points:
        budget = point.result.budget
        say(
            f"\nbudget at {point.result.reference:g} {found.report.unit}: u {budget.combined:.4g}, "
            f"{dof_text(budget.effective_dof)}, k {budget.coverage_factor():.2f}, U {expanded_text(budget.expanded())}"
        )
        for line in budget_lines(budget):
            say(f"  {line}")


def _around(points: "tuple[CalibratedPoint, ...]", asked: float) -> "tuple[CalibratedPoint, ...]":
    """The calibrated pressure itself, or its neighbours; at most the nearest beyond the ends."""
    low = [point for point in points if point.result.reference <= asked][-1:]
    high = [point for point in points if point.result.reference >= asked][:1]
    return tuple(dict.fromkeys([*low, *high]))


def _draw(register: Register, found: "Assessment", picture: Path | None, pdf: Path | None) -> None:
    from testbench.certificate.calibration_sheet import sheet_pdf
    from testbench.certificate.residual_plot import residual_svg

    if picture is not None:
        picture.write_text(residual_svg(found), encoding="utf-8")
    if pdf is not None:
        pdf.write_bytes(sheet_pdf(found, register.bench.works, register.bench.paper))
