"""``testbench calibration show``."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.calibration.told import Register, day, facts_of, residual_lines, summary, today
from testbench.cli.measure.budget import budget_lines, dof_text
from testbench.cli.measure.calibration import shown
from testbench.cli.output import home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.station.calibrations import CalibratedPoint
    from testbench.station.register import Assessment


@click.command()
@click.argument("certificate")
@click.option("--on", type=day, help="Whether it is in date and in force on this day; default: today.")
@click.option("--at", "pressure", help="Only the budget around this pressure, for example '500 psi'.")
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Draw the residuals into an SVG file.")
@click.option("--pdf", type=click.Path(dir_okay=False, path_type=Path), help="Write a calibration sheet of one page.")
@home_option
@json_option
def command(
    *,
    certificate: str,
    on: datetime | None,
    pressure: str | None,
    picture: Path | None,
    pdf: Path | None,
    home: Path | None,
    as_json: bool,
) -> None:
    """Show one calibration with its budget; CERTIFICATE is its number."""
    from testbench.quantities import Pressure
    from testbench.station.register import find

    register = Register.of(home)
    found = register.assess(find(register.reports, certificate))
    asked = None if pressure is None else Pressure.parse(pressure).to(found.report.unit)
    when = on.date() if on else today()
    in_force = register.in_force(found.report, when)
    if picture is not None or pdf is not None:
        _draw(register, found, picture, pdf)
    if as_json:
        say_json(facts_of(found, on=when, in_force=in_force))
        return
    for line in summary(found):
        say(line)
    state = "in date" if found.report.calibrated_on <= when <= found.report.due_on else "NOT IN DATE"
    say(f"on {when}  {state}, {'in force' if in_force else 'not in force'}\n")
    _tell_points(found)
    say("")
    for line in residual_lines(found):
        say(line)
    _tell_budgets(found, asked)


def _tell_points(found: "Assessment") -> None:
    say("reference   deviation  repeatability  hysteresis  U          k     in a run   U in a run")
    for point in found.calibrated.points:
        result = point.result
        say(
            f"{result.reference:<11g} {point.deviation:<+10.4f} {shown(result.repeatability):<14} "
            f"{shown(result.hysteresis):<11} {result.expanded_uncertainty:<10.4g} "
            f"{result.budget.coverage_factor():<5.2f} {point.deviation_in_run:<+10.4f} {point.uncertainty_in_run:.4g}"
        )


def _tell_budgets(found: "Assessment", asked: float | None) -> None:
    points = found.calibrated.points
    if asked is not None:
        points = _around(points, asked)
        u, unit = found.calibrated.uncertainty_in_run_at(asked), found.report.unit
        say(f"\nat {asked:g} {unit}: U in a run {u:.4g} {unit} (95 %), on the line between its neighbours")
    for point in points:
        budget = point.result.budget
        say(
            f"\nbudget at {point.result.reference:g} {found.report.unit}: u {budget.combined:.4g}, "
            f"{dof_text(budget.effective_dof)}, k {budget.coverage_factor():.2f}, U {budget.expanded():.4g}"
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
