"""``testbench calibration due``."""

from datetime import date, datetime
from pathlib import Path

import click

from testbench.cli.calibration.list import listed
from testbench.cli.calibration.told import Register, day, today
from testbench.cli.output import home_option, json_option, say, say_json


@click.command()
@click.option("--on", type=day, help="The day to look at; default: today.")
@click.option("--within", type=click.IntRange(min=0), default=30, show_default=True, help="What counts as soon [days].")
@home_option
@json_option
def command(on: datetime | None, within: int, home: Path | None, *, as_json: bool) -> None:
    """Say for each instrument when its calibration in force is due.

    The due date itself still counts. Exit code 1 if that of a transmitter of this bench is overdue.
    """
    when = on.date() if on else today()
    facts, register = [], Register.of(home)
    here = {channel.serial for channel in register.bench.pressure_channels}
    for fact in listed(register, when):
        if fact["in_force"]:
            left = (date.fromisoformat(fact["due_on"]) - when).days
            state = "overdue" if left < 0 else "due soon" if left <= within else "in date"
            facts.append(
                fact | {"on": str(when), "days_left": left, "state": state, "on_this_bench": fact["serial"] in here}
            )
    facts.sort(key=lambda fact: fact["days_left"])
    if as_json:
        say_json(facts)
    else:
        for fact in facts:
            left = fact["days_left"]
            days = "1 day" if abs(left) == 1 else f"{abs(left)} days"
            said = f"since {days}" if left < 0 else f"in {days}"
            whose = f"{fact['serial']}, {fact['certificate_number']}"
            whose += "" if fact["on_this_bench"] else "  (not on this bench)"
            say(f"{fact['state'].upper():<9} {fact['due_on']}  {said:<15} {whose}")
        if not facts:
            say(f"Nothing is calibrated on {when}.")
    if any(fact["state"] == "overdue" and fact["on_this_bench"] for fact in facts):
        click.get_current_context().exit(1)
