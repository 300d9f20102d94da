"""``testbench calibration add``."""

import sys
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.calibration.told import Register, facts_of, notes, summary, today
from testbench.cli.output import home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option
from testbench.cli.tables import read_table
from testbench.errors import CalibrationRefusedError, FileRefusedError

if TYPE_CHECKING:
    from testbench.station.calibrations import CalibrationReport

STATED = {
    "certificate_number": "Number of the certificate.",
    "laboratory": "Who calibrated it.",
    "calibrated_on": "Day of the calibration, 2026-06-02.",
    "due_on": "Last day on which it counts.",
    "channel": "Tag of the channel; default: that of the bench.",
    "serial": "Serial number of the instrument; default: that of the bench.",
    "reference_instrument": "What it was compared with, and its certificate.",
    "environment": "Temperature and air pressure of the laboratory.",
    "reference_uncertainty": "U (k = 2) of the reference, fixed, '0.05 psi'.",
    "reference_percent": "U (k = 2) of the reference, % of its reading, on top of that.",
    "resolution": "Smallest step of the indication; default: that of the bench's channel.",
    "temperature_uncertainty": "U (k = 2) of temperature effects.",
    "head_uncertainty": "U (k = 2) of the hydrostatic head.",
    "drift_allowance": "How far, either way, it may move until it is due.",
    "tolerance": "Maximum permissible error.",
    "note": "Anything else.",
}
"""What stands on a certificate beside its points: one option each, and one question of the form."""
UNITS = ("psi", "bar", "kPa", "MPa")


def _stated_options(function: Any) -> Any:
    for name, meaning in reversed(STATED.items()):
        option = "--certificate" if name == "certificate_number" else f"--{name.replace('_', '-')}"
        function = click.option(option, name, help=meaning)(function)
    return function


@click.command()
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--points", type=click.Path(path_type=Path), help="CSV: reference_psi,indication_psi[,direction].")
@click.option("--as-found", type=click.Path(path_type=Path), help="CSV of the readings before adjustment.")
@_stated_options
@click.option("--by", help="Who enters it; where people are registered, id of an engineer.")
@click.option("--corrects", default="", help="Why a certificate that was entered already is entered again.")
@secret_option
@home_option
@json_option
def command(
    *,
    file: Path | None,
    points: Path | None,
    as_found: Path | None,
    by: str | None,
    corrects: str,
    from_stdin: bool,
    home: Path | None,
    as_json: bool,
    **stated: str | None,
) -> None:
    """Enter a calibration certificate, and say what follows from it.

    FILE is the whole certificate as TOML. Or name the --points as CSV and the rest as options. With neither, a form
    asks for one thing after the other. Entries are only ever added; --corrects enters a number again.
    """
    from testbench.station.register import check_entry
    from testbench.wiring import check_printable, open_store

    register = Register.of(home)
    given = {name: text for name, text in stated.items() if text is not None}
    form = file is None and points is None
    if file is not None:
        facts = _from_file(file, alone=points is None and as_found is None and not given)
    elif points is not None:
        facts = _from_points(points, as_found, given, register)
    else:
        facts, by = _from_form(given, register), by or str(click.prompt("Entered by"))
    report = _report(facts, _authority(register, by, from_stdin=from_stdin), corrects)
    channel = register.bench.channel_with(report.serial)
    check_entry(report, register.reports, channel)
    for text in (report.certificate_number, report.laboratory):
        check_printable(text)
    found = register.assess(report)
    on = today()
    noted = notes(report, channel.serial, on)
    if form or not as_json:
        for line in [*summary(found), *(f"NOTE        {note}" for note in noted)]:
            say(line)
    if form:
        click.confirm("Keep this calibration?", abort=True)
    with open_store(register.home) as store:
        store.add_calibration(report)
    in_force = Register.of(home).in_force(report, on)
    if as_json:
        say_json(facts_of(found, on=on, in_force=in_force) | {"notes": noted})
    else:
        say(f"Kept. {_holds(report, register, on, in_force=in_force)}")


def _authority(register: Register, by: str | None, *, from_stdin: bool) -> str | None:
    """The printed name of the engineer, who gives the password; whoever is named where nobody is registered."""
    from testbench.identity import engineer_of

    return None if by is None else engineer_of(register.home, by, asking(from_stdin=from_stdin))[0]


def _holds(report: "CalibrationReport", register: Register, on: date, *, in_force: bool) -> str:
    if not in_force:
        return "A newer one stays in force."
    if report.serial != register.bench.channel_with(report.serial).serial:
        return f"It is in force for {report.serial} only; nothing on this bench changes."
    if report.due_on < on:
        return f"It is in force from now on, but overdue since {report.due_on}: no run starts on it."
    return "It is in force from now on."


def _report(facts: Mapping[str, Any], by: str | None, corrects: str) -> "CalibrationReport":
    from pydantic import ValidationError

    from testbench.instruments.clocks import SystemClock
    from testbench.station.calibrations import CalibrationReport

    entry = {"entered_at": SystemClock().utc().isoformat(timespec="seconds"), "correction": corrects}
    entered = {"entered_by": by} if by else {}
    try:
        return CalibrationReport.model_validate({**facts, **entry, **entered})
    except ValidationError as failure:
        first = failure.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        place = {"entered_by": "--by", "certificate_number": "--certificate"}.get(place, place)
        found = "nothing" if first["type"] == "missing" else repr(first["input"])[:60]
        allowed = "this is needed" if first["type"] == "missing" else first["msg"].removeprefix("Value error, ")
        number = str(facts.get("certificate_number", "without a number"))
        raise CalibrationRefusedError(number, place, found, allowed.rstrip(".")) from failure


def _from_file(file: Path, *, alone: bool) -> dict[str, Any]:
    from testbench.procedure_files.loader import load_calibration

    if not alone:
        raise click.UsageError("A FILE holds the whole certificate; give --points and the rest without it.")
    return load_calibration(file).model_dump()


# CSV and options --------------------------------------------------------------------------------


def _from_points(points: Path, as_found: Path | None, given: Mapping[str, str], register: Register) -> dict[str, Any]:
    unit, rows = _read_points(points)
    facts = {**_of_bench(register, unit, given), **given, "unit": unit, "points": rows}
    if as_found is not None:
        other, facts["as_found"] = _read_points(as_found)
        if other != unit:
            raise FileRefusedError(str(as_found), "unit", other, f"{unit} as the points")
    return facts


def _read_points(path: Path) -> tuple[str, list[dict[str, Any]]]:
    table = read_table(path, {"reference": UNITS, "indication": UNITS}, optional_words=("direction",))
    reference, indication = table["reference"], table["indication"]
    if reference.unit != indication.unit:
        found = f"{reference.unit} and {indication.unit}"
        raise FileRefusedError(str(path), "units", found, "both columns need the unit that the channel reads in")
    ways = table.words.get("direction", ("",) * len(table))
    rows = zip(reference.values, indication.values, ways, strict=True)
    return reference.unit, [
        {"reference": float(y), "indication": float(x), "direction": way or None} for y, x, way in rows
    ]


def _of_bench(register: Register, unit: str, given: Mapping[str, str]) -> dict[str, str]:
    """What is as the bench has it, unless somebody says otherwise."""
    channel = register.bench.channel_with(given.get("serial", ""))
    step = f"{10.0**-channel.places:.{channel.places}f} {channel.unit}"
    return {"channel": channel.tag, "serial": channel.serial, "unit": unit, "resolution": step}


# The form ---------------------------------------------------------------------------------------


def _from_form(given: Mapping[str, str], register: Register) -> dict[str, Any]:
    """Ask for one thing after the other; what was given as an option is not asked for.

    A field that cannot be right is asked for again at once; what only the whole can tell is refused at the end.
    """
    if not sys.stdin.isatty():
        raise click.UsageError("Give a FILE or --points; the form needs a terminal.")
    say("Copy from the certificate. Enter alone takes what stands in brackets.\n")
    usual = _of_bench(register, register.bench.channel_with(given.get("serial", "")).unit, given)
    facts: dict[str, Any] = {"unit": usual["unit"], **given}
    for name, meaning in STATED.items():
        if name not in given:
            answer = _ask(name, meaning.partition("; default")[0].rstrip("."), usual.get(name, _EMPTY.get(name)))
            facts |= {name: answer} if answer else {}
    facts["points"] = _ask_points("Points as left")
    if click.confirm("\nDoes it state readings before adjustment (as found)?", default=False):
        facts["as_found"] = _ask_points("Points as found")
    return facts


_EMPTY = dict.fromkeys(
    ("reference_uncertainty", "temperature_uncertainty", "head_uncertainty", "drift_allowance", "tolerance", "note"), ""
) | {"reference_percent": "0", "environment": "not stated"}
"""What may be left open."""


def _ask(name: str, meaning: str, usual: str | None) -> str:
    while True:
        answer = str(click.prompt(meaning, default=usual)).strip()
        wrong = _wrong({name: answer}, name) if answer else ""
        if not wrong:
            return answer
        say(f"  {wrong}")


def _ask_points(heading: str) -> list[dict[str, Any]]:
    say(f"\n{heading}, in the order taken: reference, indication, up or down. An empty line ends them.")
    rows: list[dict[str, Any]] = []
    while True:
        line = str(click.prompt(f"  {len(rows) + 1}", default="", show_default=False)).replace(",", " ").split()
        if not line and rows:
            return rows
        row = dict(zip(("reference", "indication", "direction"), line, strict=False))
        wrong = (
            "a reference and an indication are needed"
            if len(line) not in {2, 3}
            else _wrong({"points": [row]}, "points")
        )
        if wrong:
            say(f"  {wrong}")
        else:
            rows.append(row)


def _wrong(facts: Mapping[str, Any], name: str) -> str:
    """What is wrong with one field by itself; empty where nothing is."""
    from pydantic import ValidationError

    from testbench.station.calibrations import CalibrationSheet

    try:
        CalibrationSheet.model_validate(facts)
    except ValidationError as failure:
        found = [error["msg"] for error in failure.errors() if error["loc"][0] == name]
        return found[0].removeprefix("Value error, ") if found else ""
    return ""
