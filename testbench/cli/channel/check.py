"""``testbench channel check``."""

import contextlib
import math
import queue
import time
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.link.client import LinkClient
    from testbench.procedure.requirements import Requirements
    from testbench.station.acquisition import PortEvent
    from testbench.station.bench import Bench, Instrument
    from testbench.station.channel_check import Looking, Seen
    from testbench.station.messages import Signal
    from testbench.station.ports import Clock
    from testbench.wiring import Home

LOOK_S = 2.0


@click.command()
@home_option
@json_option
def command(home: Path | None, *, as_json: bool) -> None:
    """Say for each channel whether it is ready, and why, in one line. Exit code 1 if one is not.

    A running recorder is asked for what it reads; without one the ports are opened and read for 2 s. What is checked is
    what a run would ask: readings, calibration in date, second gauge, range and zero for the valves on order.
    """
    from testbench.instruments.clocks import SystemClock
    from testbench.station.channel_check import Check, check_channel
    from testbench.wiring import Home, attach_if_running, channel_now

    place = Home(home_of(home))
    bench, orders, at = place.bench(), _demanded(place), SystemClock().utc()
    link = attach_if_running(place)
    seen = _read(bench) if link is None else _asked(link, bench)
    compared = {bench.channel.tag}.union(*(check.channels for check in bench.cross_check))
    checks = [
        check_channel(entry, channel_now(place, entry.tag), seen[entry.tag], orders, at, covers=entry.tag in compared)
        for entry in bench.pressure_channels
    ]
    meters = [one.tag for one in bench.instruments[len(checks) :] if one.tag in seen]
    checks += [Check(tag, not seen[tag].fault, (seen[tag].fault.rstrip(".") or "readings come",)) for tag in meters]
    if as_json:
        say_json([asdict(check) for check in checks])
    else:
        for check in checks:
            say(check.sentence)
    if not all(check.ready for check in checks):
        click.get_current_context().exit(1)


def _demanded(home: "Home") -> "list[Requirements]":
    """What the valves on order demand; an order or valve that is refused is for 'run' to say."""
    from testbench.errors import BenchError
    from testbench.procedure.requirements import requirements_for
    from testbench.procedure_files.loader import find_procedure, load_orders

    found = []
    for order in load_orders(home.folder)[0]:
        for valve in order.valves:
            try:
                found.append(requirements_for(find_procedure(order.procedure, home.folder)[0], valve))
            except BenchError:
                continue
    return found


def _read(bench: "Bench") -> "dict[str, Seen]":
    """Read every line ourselves for a while; what was seen, by tag."""
    from testbench.instruments.clocks import SystemClock
    from testbench.instruments.connecting import connect

    clock: Clock = SystemClock()
    events: queue.SimpleQueue[tuple[int, PortEvent]] = queue.SimpleQueue()

    def deliver(number: int, event: "PortEvent") -> None:
        events.put((number, event))

    looks = {one.tag: _look_at(one) for one in bench.instruments}
    readers = [connect(line[0].line, clock, partial(deliver, number)) for number, line in enumerate(bench.lines)]
    for reader in readers:
        reader.start()
    until = time.monotonic() + LOOK_S  # noqa: TID251 - how long a person waits, not a time of a test
    while (left := until - time.monotonic()) > 0:  # noqa: TID251
        with contextlib.suppress(queue.Empty):
            number, event = events.get(timeout=left)
            for one in bench.lines[number]:
                looks[one.tag].take(event)
    for reader in readers:
        reader.stop()
    return {tag: look.seen() for tag, look in looks.items()}


def _look_at(one: "Instrument") -> "Looking":
    from testbench.station.bench import ChannelEntry
    from testbench.station.channel_check import LookAtChannel, LookAtMeter

    return LookAtChannel(one) if isinstance(one, ChannelEntry) else LookAtMeter(one)


def _asked(link: "LinkClient", bench: "Bench") -> "dict[str, Seen]":
    """Ask the recorder, which holds the ports."""
    from testbench.station import messages as m
    from testbench.station.channel_check import Seen

    told: list[m.Update] = []
    until = time.monotonic() + LOOK_S  # noqa: TID251
    while time.monotonic() < until and link.connected:  # noqa: TID251
        told += [said for said in link.receive(0.1) if isinstance(said, m.Update)]
    link.close()
    if not told:
        nothing = Seen(0, None, "the recorder said nothing", held_by_recorder=True)
        return {entry.tag: nothing for entry in bench.pressure_channels}
    run = told[-1].run
    in_run = run is not None and run.open
    seen = {
        entry.tag: _told([update.signal_of(entry.tag) for update in told], in_run=in_run)
        for entry in bench.pressure_channels
    }
    if bench.temperature is not None:
        seen[bench.temperature.tag] = Seen(len(told), None, told[-1].water_fault, held_by_recorder=True)
    return seen


def _told(signals: "list[Signal]", *, in_run: bool) -> "Seen":
    from testbench.quantities import Pressure
    from testbench.station.channel_check import Seen

    shown = [signal.pressure for signal in signals if signal.pressure is not None]
    if not shown or signals[-1].pressure is None:
        return Seen(0, None, signals[-1].sentence, held_by_recorder=True)
    mean = Pressure.of(f"{math.fsum(shown) / len(shown):.6f}", signals[-1].unit)
    return Seen(len(shown), mean, "", held_by_recorder=True, in_run=in_run)
