"""``testbench channel watch``."""

import queue
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from testbench.cli.channel.options import channel_of, line_options, refuse_beside
from testbench.cli.output import FiniteRange, home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.instruments.connecting import Reader
    from testbench.instruments.replays import Replay
    from testbench.station.acquisition import PortEvent
    from testbench.station.watching import Watch

SHOWN_EVERY_S = 0.25


@click.command()
@click.option("--seconds", type=FiniteRange(0, min_open=True), help="How long; default: until Ctrl-C, or the end.")
@click.option("--from-capture", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Replay a capture.")
@click.option("--speed", type=FiniteRange(0, min_open=True), help="Of a replay; default: as fast as it goes.")
@click.option("--capture", type=click.Path(path_type=Path), help="Keep every byte with its stamp in this new file.")
@click.option("--channel", "tag", help="Which pressure channel of the home, by its tag; default: the deciding one.")
@line_options
@home_option
@json_option
def command(
    *,
    seconds: float | None,
    from_capture: Path | None,
    speed: float | None,
    capture: Path | None,
    tag: str | None,
    home: Path | None,
    as_json: bool,
    **given: Any,
) -> None:
    """Watch a channel: of this home, on a port given here, or from a capture.

    Values are as the instrument gives them: no calibration, no zero. Nothing is sent but the query of the settings.
    """
    watched = _watched(given, (home, tag), from_capture, speed, capture)
    try:
        _look(watched, seconds, shown=not as_json and sys.stdout.isatty())
    except KeyboardInterrupt:
        watched.reader.stop()
        _look(watched, None, shown=False)  # what it has read until now is in the capture, and counts
    finally:
        watched.closing.close()
    facts = watched.watch.facts() | {"capture": watched.sealed, "hint": watched.hint}
    if as_json:
        say_json(facts)
    else:
        _tell(facts)


@dataclass(frozen=True, slots=True)
class Watched:
    """A line that is being read."""

    watch: "Watch"
    reader: "Reader"
    events: "queue.SimpleQueue[PortEvent]"
    end: str
    """What a replay says at its end; empty where there is none."""
    sealed: dict[str, Any] | None
    """How the capture of a replay was closed; None where there is none."""
    hint: str
    """What is probably meant by what was given; empty where nothing looks out of the way."""
    closing: ExitStack


def _watched(
    given: dict[str, Any],
    place: tuple[Path | None, str | None],
    from_capture: Path | None,
    speed: float | None,
    capture: Path | None,
) -> Watched:
    from testbench.errors import CaptureEndedError
    from testbench.instruments.captures import CaptureFile
    from testbench.instruments.clocks import SystemClock
    from testbench.instruments.connecting import connect
    from testbench.instruments.replays import replay_of
    from testbench.station.watching import Watch
    from testbench.wiring import Home, refuse_if_recorded

    _check_beside(given, place[1], from_capture, speed)
    replay = None if from_capture is None else replay_of(from_capture, speed)
    channel = channel_of(given) if replay is None else replay.channel
    if channel is None:
        bench = Home(home_of(place[0]))
        channel = bench.bench().channel_named(place[1])
        refuse_if_recorded(bench, channel.line.where)
    clock = SystemClock() if replay is None else replay.clock
    events: queue.SimpleQueue[PortEvent] = queue.SimpleQueue()
    with ExitStack() as closing:
        file = None if capture is None else CaptureFile(capture, channel, clock)
        if file is not None:
            closing.callback(file.close)
        line, end = (None, "") if replay is None else (replay.line, str(CaptureEndedError(replay.line.where)))
        reader = connect(channel.line, clock, events.put, None if file is None else file.take, line)
        reader.start()
        closing.callback(reader.stop)
        return Watched(
            Watch(channel), reader, events, end, _sealed(replay), getattr(channel.line, "hint", ""), closing.pop_all()
        )


def _check_beside(given: dict[str, Any], tag: str | None, from_capture: Path | None, speed: float | None) -> None:
    """Refuse what would be left unused.

    Raises:
        OptionUnusedError: a capture says itself what line it is of; only a replay has a speed, only a bench has tags.
    """
    own = ("--seconds", "--capture", "--json")
    if from_capture is not None:
        refuse_beside("--from-capture", {**given, "channel": tag}, ("--speed", *own))
        return
    refuse_beside("a line that is no capture", {"speed": speed}, own)
    if any(given[name] is not None for name in ("port", "host", "settings")):
        refuse_beside("a line given here", {"channel": tag}, own)


def _sealed(replay: "Replay | None") -> dict[str, Any] | None:
    if replay is None:
        return None
    capture, name = replay.capture, replay.line.where
    return {"end_seal": capture.ended, "unsealed_steps": capture.unsealed, "sentence": capture.without_end(name)}


def _look(watched: Watched, seconds: float | None, *, shown: bool) -> None:
    """Take events until the time is up on the line's own clock, or nothing more will come."""
    watch, due_s, said = watched.watch, 0.0, ""
    for event in _events(watched, seconds):
        watch.take(event)
        if watched.reader.refusal is not None and not watch.state:
            raise watched.reader.refusal
        if shown and (event.at_s >= due_s or watch.sentence != said):
            due_s, said = event.at_s + SHOWN_EVERY_S, watch.sentence
            click.echo(f"\r\x1b[K{_line(watch)}", nl=False)


def _events(watched: Watched, seconds: float | None) -> "Iterator[PortEvent]":
    from testbench.station.acquisition import PortLost

    first_s = None
    while True:
        try:
            event = watched.events.get(timeout=0.1)
        except queue.Empty:
            if watched.reader.over and watched.events.empty():
                return
            continue
        first_s = event.at_s if first_s is None else first_s
        if seconds is not None and event.at_s - first_s > seconds:
            if watched.end:
                return
            watched.reader.stop()  # what it has read until now is in the capture, and counts
        if isinstance(event, PortLost) and event.sentence == watched.end:
            return  # the end of a capture is no fault of its line
        yield event


def _line(watch: "Watch") -> str:
    facts = watch.facts()
    if facts["fault"]:
        return str(facts["fault"])[:110]
    return (
        f"{facts['last']} {facts['unit']}   {_figure(facts['rate_hz'])} Hz   noise {_figure(facts['noise'])}   "
        f"{facts['values']} values, {facts['rejected']} rejected, {facts['gaps']} gaps"
    )


def _figure(found: float | None) -> str:
    return "–" if found is None else f"{found:.3g}"


def _tell(facts: dict[str, Any]) -> None:
    unit = facts["unit"]
    if sys.stdout.isatty():
        say("")
    say(f"{facts['values']} values, {_figure(facts['rate_hz'])} a second")
    if facts["values"]:
        say(f"first {facts['first']} {unit}, last {facts['last']} {unit}")
        say(f"least {facts['minimum']} {unit}, most {facts['maximum']} {unit}")
        say(f"noise (standard deviation) {_figure(facts['noise'])} {unit}, resolution {facts['resolution']:g} {unit}")
    say(f"{facts['rejected']} rejected{_counted(facts['rejected_reasons'])}")
    for item in facts["rejected_newest"]:
        say(f"  '{item['bytes']}': {item['reason']}")
    say(f"{facts['gaps']} gaps{_counted(facts['gap_reasons'])}")
    if facts["slowest_answer_s"] is not None:
        say(f"slowest answer {facts['slowest_answer_s'] * 1000:.1f} ms")
    errors = facts["line_errors"]
    say("line errors: " + ("not counted by this driver" if errors is None else _listed(errors)))
    say(f"line: {facts['line'] or 'never opened'}")
    if facts["sample_time"] is not None:
        say(_sample_time(facts["sample_time"]))
    last = (facts["capture"] or {}).get("sentence", ""), facts["fault"], facts["hint"] and f"Hint: {facts['hint']}."
    for sentence in filter(None, last):
        say(sentence)


def _sample_time(found: dict[str, Any]) -> str:
    drift = "" if found["drift_ppm"] is None else f" ({found['drift_ppm']:+.0f} ppm beside {found['nominal_hz']:g} Hz)"
    rms_ms, most_ms = found["residual_rms_s"] * 1000, found["residual_max_s"] * 1000
    return (
        f"sample time, derived by line fit: period {found['period_s'] * 1000:.7g} ms{drift}, residual of the arrivals "
        f"{rms_ms:.1f} ms rms, {most_ms:.1f} ms at most"
    )


def _counted(reasons: dict[str, int]) -> str:
    return f": {_listed(reasons)}" if reasons else ""


def _listed(counts: dict[str, int]) -> str:
    return ", ".join(f"{number} {name.replace('_', ' ')}" for name, number in counts.items())
