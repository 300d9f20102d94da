"""``testbench order show``."""

from pathlib import Path

import click

from testbench.cli.order.on_file import on_file
from testbench.cli.output import home_option, json_option, say, say_json


@click.command()
@click.argument("number")
@home_option
@json_option
def command(number: str, home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Show the order NUMBER with its valves and how each stands."""
    from testbench.station.board import state_of

    found = on_file(home)
    order = found.order(number)
    if as_json:
        facts = order.model_dump(mode="json")
        for valve in facts["valves"]:
            valve["state"] = state_of(order, valve["serial"], found.states)
            valve["recalled"] = (order.number, valve["serial"]) in found.recalled
            valve["without_certificate"] = (order.number, valve["serial"]) in found.without_certificate
        say_json(facts)
        return
    say(f"Order {order.number} for {order.customer} (theirs: {order.customer_order}), {order.procedure}")
    if order.certificate_type is not None:
        say(f"Document wanted: {order.certificate_type.in_words} (EN 10204:2004)")
    if order.language is not None:
        say(f"Language of its documents: {order.language}")
    if order.look_alikes_accepted is not None:
        say(f"Serial numbers in doubt are meant: {order.look_alikes_accepted}")
    for point in order.witness_points:
        given = f"given on {point.notice_given_on}" if point.notice_given_on else "not yet given"
        say(f"{point.stage}: {point.point} of {point.party}; notice to {point.notify} {given} ({point.notice_days} d)")
    for valve in order.valves:
        state = state_of(order, valve.serial, found.states)
        state += " RECALLED" if (order.number, valve.serial) in found.recalled else ""
        state += " without a certificate" if (order.number, valve.serial) in found.without_certificate else ""
        say(f"  {valve.serial:<20} {state:<13} {valve.in_one_line}; {valve.product}, drawing {valve.drawing}")
