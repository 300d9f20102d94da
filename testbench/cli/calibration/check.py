"""``testbench calibration check``."""

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json
from testbench.cli.secrets import asking, secret_option

if TYPE_CHECKING:
    from testbench.quantities import Pressure
    from testbench.run.record import SecondGaugeCheck
    from testbench.station.gauge_checks import GaugeCheck
    from testbench.wiring import Home

LOOK_S = 2.0


@click.command()
@click.option("--gauge", required=True, help="Which gauge: its name and number.")
@click.option("--gauge-reading", required=True, help="What it shows, for example '250 psi'.")
@click.option("--gauge-uncertainty", required=True, help="Its U (k = 2), for example '1.5 psi'.")
@click.option("--by", required=True, help="Who compared them; where people are registered, id of an engineer.")
@click.option("--channel", "tag", help="Which pressure channel, by its tag; default: the deciding one.")
@click.option("--reading", help="What the channel shows; default: the running recorder is asked for 2 s.")
@click.option(
    "--zero", help="What the channel showed at atmosphere just before; taken off. In a run that is done already."
)
@secret_option
@home_option
@json_option
def command(
    *,
    gauge: str,
    gauge_reading: str,
    gauge_uncertainty: str,
    by: str,
    tag: str | None,
    reading: str | None,
    zero: str | None,
    from_stdin: bool,
    home: Path | None,
    as_json: bool,
) -> None:
    """Record a check of the channel against a second gauge at one pressure.

    They agree where they are no further apart than the root of the sum of the squares of both U. A check that
    disagrees is recorded too: a run that is open accepts nothing any more, and no other starts until a check agrees at
    no less than 3/4 of that pressure. Exit code 1 while a disagreement is in force.

    CAUTION: both stand under pressure. Stand clear of fittings and hoses, and never tighten one under pressure.
    """
    from testbench.errors import CalibrationMissingError
    from testbench.identity import engineer_of
    from testbench.instruments.clocks import SystemClock
    from testbench.quantities import Pressure
    from testbench.run.record import SecondGaugeCheck
    from testbench.station.gauge_checks import GaugeCheck, check_sense
    from testbench.wiring import Home, channel_now, check_printable, open_store

    bench, at = Home(home_of(home)), SystemClock().utc()
    channel = channel_now(bench, tag)
    if channel is None:
        entry = bench.bench().channel_named(tag)
        raise CalibrationMissingError(entry.tag, entry.serial, str(at.date()))
    check_printable(gauge)
    by, _ = engineer_of(bench, by, asking(from_stdin=from_stdin))
    indicated = _asked(bench, channel.tag) if reading is None else Pressure.parse(reading)
    if zero is not None:
        indicated -= Pressure.parse(zero)
    check = SecondGaugeCheck(
        gauge=gauge,
        at=at.isoformat(timespec="seconds"),
        by=by,
        indicated=indicated,
        uncertainty=channel.uncertainty_at(indicated),
        gauge_indicated=Pressure.parse(gauge_reading),
        gauge_uncertainty=Pressure.parse(gauge_uncertainty),
    )
    check_sense(check, channel)
    kept = GaugeCheck(
        channel=channel.tag, serial=channel.serial, certificate_number=channel.certificate_number, check=check
    )
    with open_store(bench) as store:
        store.add_gauge_check(kept)
    now = channel_now(bench, tag)
    standing = check if now is None or now.second_gauge is None else now.second_gauge
    _tell(kept, standing, as_json=as_json)
    if not standing.agrees:
        click.get_current_context().exit(1)


def _tell(kept: "GaugeCheck", standing: "SecondGaugeCheck", *, as_json: bool) -> None:
    from testbench.metrology.uncertainty import expanded_text
    from testbench.station.gauge_checks import not_cleared

    check = kept.check
    ours, theirs = (f"{expanded_text(u.to(u.unit))} {u.unit}" for u in (check.uncertainty, check.gauge_uncertainty))
    ratio = math.hypot(float(check.uncertainty.exact), float(check.gauge_uncertainty.exact))
    apart = float((check.indicated - check.gauge_indicated).exact)
    normalized = apart / ratio if ratio else math.copysign(math.inf, apart) if apart else 0.0
    if as_json:
        facts = kept.model_dump(mode="json")
        found = {"agrees": check.agrees, "normalized_error": normalized, "allowed": check.allowed.text(4)}
        say_json(facts | found | {"disagreement_in_force": not standing.agrees})
        return
    say(f"{'AGREES' if check.agrees else 'DISAGREES'}: {check.sentence}.")
    say(
        f"U of {kept.channel} {ours}, of the gauge {theirs} (k = 2); "
        f"normalized error {normalized:+.2f}, at most 1 either way"
    )
    if check.agrees and not standing.agrees:
        say(f"The disagreement stays in force: {standing.sentence}; {not_cleared(standing, check)}.")
    if not standing.agrees:
        say("No run starts until a check there agrees or the instrument is calibrated again.")
    if not check.agrees:
        say("A run that is open now accepts nothing any more.")


def _asked(home: "Home", tag: str) -> "Pressure":
    """The mean of what the recorder shows for a while.

    Raises:
        NoReadingError: it shows nothing, or not all the time.
    """
    import time

    from testbench.errors import NoReadingError
    from testbench.quantities import Pressure
    from testbench.station import messages as m
    from testbench.wiring import attach

    link = attach(home)
    seen: list[m.Signal] = []
    until = time.monotonic() + LOOK_S  # noqa: TID251 - how long a person waits, not a time of a test
    try:
        while time.monotonic() < until and link.connected:  # noqa: TID251
            seen += [said.signal_of(tag) for said in link.receive(0.1) if isinstance(said, m.Update)]
    finally:
        link.close()
    pressures = [signal.pressure for signal in seen if signal.pressure is not None]
    if not seen or len(pressures) < len(seen):
        lost = next((signal.sentence for signal in seen if signal.pressure is None), "the recorder said nothing")
        raise NoReadingError(tag, lost.rstrip("."))
    return Pressure.of(f"{math.fsum(pressures) / len(pressures):.6f}", seen[-1].unit)
