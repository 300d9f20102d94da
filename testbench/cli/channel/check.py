"""``testbench channel check``."""

import math
import queue
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.link.client import LinkClient
    from testbench.procedure.requirements import Requirements
    from testbench.station import messages as m
    from testbench.station.acquisition import PortEvent
    from testbench.station.bench import Bench, ChannelEntry
    from testbench.station.channel_check import Seen
    from testbench.wiring import Home

LOOK_S = 2.0


@click.command()
@home_option
@json_option
def command(home: Path | None, *, as_json: bool) -> None:
    """Say for each channel whether it is ready, and why, in one line. Exit code 1 if one is not.

    A running recorder is asked for what it reads; without one the port is opened and read for 2 s. What is checked is
    what a run would ask: readings, calibration in date, second gauge, range and zero for the valves on order.
    """
    from testbench.instruments.clocks import SystemClock
    from testbench.station.channel_check import check_channel
    from testbench.wiring import Home, attach_if_running, channel_now

    bench = Home(home_of(home))
    entry, channel = bench.bench().channel, channel_now(bench)
    link = attach_if_running(bench)
    updates = None if link is None else _heard(link)
    seen = _read(entry) if updates is None else _asked(updates)
    check = check_channel(entry, channel, seen, _demanded(bench), SystemClock().utc())
    others = _thermometer(bench.bench(), updates)
    if as_json:
        facts = [
            asdict(check),
            *({"tag": tag, "ready": not why, "reasons": [why or "readings come"]} for tag, why in others),
        ]
        say_json(facts)
    else:
        say(check.sentence)
        for tag, why in others:
            say(f"{tag}: {'NOT ready: ' + why if why else 'ready: readings come'}")
    if not check.ready or any(why for _, why in others):
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


def _read(entry: "ChannelEntry") -> "Seen":
    """Read the port ourselves for a while."""
    from testbench.instruments.clocks import SystemClock
    from testbench.instruments.connecting import connect
    from testbench.quantities import Pressure
    from testbench.station.channel_check import Seen
    from testbench.station.watching import Watch

    events: queue.SimpleQueue[PortEvent] = queue.SimpleQueue()
    reader, watch = connect(entry.line, SystemClock(), events.put), Watch(entry)
    reader.start()
    until = time.monotonic() + LOOK_S  # noqa: TID251 - how long a person waits, not a time of a test
    try:
        while (left := until - time.monotonic()) > 0:  # noqa: TID251
            try:
                watch.take(events.get(timeout=left))
            except queue.Empty:
                break
    finally:
        reader.stop()
    mean = watch.mean
    shown = None if mean is None else Pressure.of(mean, entry.unit)
    return Seen(watch.values, shown, watch.sentence, held_by_recorder=False)


def _heard(link: "LinkClient") -> "list[m.Update]":
    """Listen for a while to the recorder, which holds the ports."""
    from testbench.station import messages as m

    heard: list[m.Update] = []
    until = time.monotonic() + LOOK_S  # noqa: TID251
    while time.monotonic() < until and link.connected:  # noqa: TID251
        heard += [said for said in link.receive(0.1) if isinstance(said, m.Update)]
    link.close()
    return heard


def _asked(seen: "list[m.Update]") -> "Seen":
    """What the recorder says of the deciding channel."""
    from testbench.quantities import Pressure
    from testbench.station.channel_check import Seen

    shown = [update.signal.pressure for update in seen if update.signal.pressure is not None]
    if not shown or seen[-1].signal.pressure is None:
        fault = seen[-1].signal.sentence if seen else "the recorder said nothing"
        return Seen(0, None, fault, held_by_recorder=True)
    mean = Pressure.of(f"{math.fsum(shown) / len(shown):.6f}", seen[-1].signal.unit)
    run = seen[-1].run
    return Seen(len(shown), mean, "", held_by_recorder=True, in_run=run is not None and run.open)


def _thermometer(bench: "Bench", updates: "list[m.Update] | None") -> list[tuple[str, str]]:
    """The temperature channel, where there is one: its tag, and why it is not ready.

    Args:
        bench: with the channel or without.
        updates: of the recorder that holds its port; None where the port is free.
    """
    from testbench.instruments.clocks import SystemClock
    from testbench.instruments.connecting import connect
    from testbench.run.samples import to_ticks
    from testbench.station.thermometer import Thermometer

    if bench.temperature is None:
        return []
    if updates is not None:
        why = updates[-1].water_fault if updates else "the recorder said nothing"
        return [(bench.temperature.tag, why)]
    events: queue.SimpleQueue[PortEvent] = queue.SimpleQueue()
    clock = SystemClock()
    reader, thermometer = connect(bench.temperature.line, clock, events.put), Thermometer(bench.temperature)
    reader.start()
    time.sleep(LOOK_S)
    reader.stop()
    while not events.empty():
        thermometer.take(events.get())
    silent = thermometer.reading(to_ticks(clock.elapsed_s())) is None
    why = str(reader.refusal) if reader.refusal else f"no reading within {LOOK_S:.0f} s"
    return [(bench.temperature.tag, why if silent else "")]
