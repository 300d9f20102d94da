"""``testbench people list``."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.station.lockout import LockOut
    from testbench.station.people import Person
    from testbench.store.reading import RunReader


@click.command()
@home_option
@json_option
def command(*, home: Path | None, as_json: bool) -> None:
    """List everybody, the disabled as well, with roles, secrets and locks."""
    from testbench.station.people import people_of
    from testbench.wiring import Home, read_store

    bench = Home(home_of(home))
    rule = bench.bench().people
    with read_store(bench) as store:
        facts = [_fact(person, store, rule) for person in people_of(store.people()).values()]
    if as_json:
        say_json(facts)
        return
    for fact in facts:
        wrong = f"  {fact['wrong_tries']} wrong tries" if fact["wrong_tries"] else ""
        locked = f"  locked until {fact['locked_until']}" if fact["locked_until"] else ""
        state = "" if fact["enabled"] else "  DISABLED"
        say(f"{fact['person']:<20} {fact['name']:<28} {', '.join(fact['roles'])}{state}{wrong}{locked}")
    if not facts:
        say("Nobody is registered: operators are named in bench.toml, not authenticated.")


def _fact(person: "Person", store: "RunReader", rule: "LockOut") -> dict[str, Any]:
    from testbench.station.current_run import iso
    from testbench.station.lockout import locked_until, wrong_in_a_row

    tries = [store.tries_of(person.id, method) for method in person.secrets]
    ends = [until for one in tries if (until := locked_until(one, rule)) is not None]
    return {
        "person": person.id,
        "name": person.name,
        "roles": list(person.roles),
        "enabled": person.enabled,
        "secrets": list(person.secrets),
        "wrong_tries": sum(len(wrong_in_a_row(one)) for one in tries),
        "locked_until": iso(max(ends)) if ends else "",
    }
