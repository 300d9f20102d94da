"""``testbench calibration check``."""

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.quantities import Pressure
    from testbench.run.record import ChannelRecord, SecondGaugeCheck
    from testbench.station.register import GaugeCheck
    from testbench.wiring import Home

LOOK_S = 2.0


@click.command()
@click.option("--gauge", required=True, help="Which gauge: its name and number.")
@click.option("--gauge-reading", required=True, help="What it shows, for example '250 psi'.")
@click.option("--gauge-uncertainty", required=True, help="Its U (k = 2), for example '1.5 psi'.")
@click.option("--by", required=True, help="Who compared them.")
@click.option("--reading", help="What the channel shows; default: the running recorder is asked for 2 s.")
@click.option(
    "--zero", help="What the channel showed at atmosphere just before; taken off. In a run that is done already."
)
@home_option
@json_option
def command(
    *,
    gauge: str,
    gauge_reading: str,
    gauge_uncertainty: str,
    by: str,
    reading: str | None,
    zero: str | None,
    home: Path | None,
    as_json: bool,
) -> None:
    """Record a check of the channel against a second gauge at one pressure.

    They agree where they are no further apart than the root of the sum of the squares of both U. A check that
    disagrees is recorded too, and no run starts until one agrees. Exit code 1 where they disagree.

    CAUTION: both stand under pressure. Stand clear of fittings and hoses, and never tighten one under pressure.
    """
    from testbench.errors import CalibrationMissingError
    from testbench.instruments.clocks import SystemClock
    from testbench.quantities import Pressure
    from testbench.run.record import SecondGaugeCheck
    from testbench.station.register import GaugeCheck
    from testbench.wiring import Home, channel_now, check_printable, open_store

    bench, at = Home(home_of(home)), SystemClock().utc()
    channel = channel_now(bench)
    if channel is None:
        entry = bench.bench().channel
        raise CalibrationMissingError(entry.tag, entry.serial, str(at.date()))
    check_printable(gauge)
    indicated = _asked(bench) if reading is None else Pressure.parse(reading)
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
    _check_sense(check, channel)
    kept = GaugeCheck(
        channel=channel.tag, serial=channel.serial, certificate_number=channel.certificate_number, check=check
    )
    with open_store(bench) as store:
        store.add_gauge_check(kept)
    _tell(kept, as_json=as_json)
    if not check.agrees:
        click.get_current_context().exit(1)


def _check_sense(check: "SecondGaugeCheck", channel: "ChannelRecord") -> None:
    """Refuse a check that could not find anything."""
    from testbench.errors import DataRefusedError, RangeExceededError
    from testbench.quantities import Pressure

    what = "check against a second gauge"
    if not (check.gauge.strip() and check.by.strip()):
        raise DataRefusedError(what, "an empty name", "the name of the gauge and of whoever compared them")
    if check.gauge_uncertainty <= Pressure.zero("psi"):
        raise DataRefusedError(what, f"U of the gauge {check.gauge_uncertainty}", "more than 0")
    if not channel.calibration.covers(check.indicated):
        calibrated = f"{channel.lowest} to {channel.highest}"
        raise RangeExceededError(channel.tag, f"{check.indicated.text(2)} for the check", calibrated)
    if check.gauge_indicated <= check.allowed:
        found = f"{check.gauge_indicated} where {check.allowed.text(2)} apart is allowed"
        raise DataRefusedError(what, found, "a pressure at which a wrong gauge would show")


def _tell(kept: "GaugeCheck", *, as_json: bool) -> None:
    check = kept.check
    ratio = math.hypot(float(check.uncertainty.exact), float(check.gauge_uncertainty.exact))
    apart = float((check.indicated - check.gauge_indicated).exact)
    normalized = apart / ratio if ratio else math.copysign(math.inf, apart) if apart else 0.0
    if as_json:
        facts = kept.model_dump(mode="json")
        say_json(facts | {"agrees": check.agrees, "normalized_error": normalized, "allowed": check.allowed.text(4)})
        return
    say(f"{'AGREES' if check.agrees else 'DISAGREES'}: {check.sentence}.")
    say(
        f"U of {kept.channel} {check.uncertainty.text(2)}, of the gauge {check.gauge_uncertainty.text(2)} (k = 2); "
        f"normalized error {normalized:+.2f}, at most 1 either way"
    )
    if not check.agrees:
        say("No run starts until a check agrees or the instrument is calibrated again.")


def _asked(home: "Home") -> "Pressure":
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
            seen += [said.signal for said in link.receive(0.1) if isinstance(said, m.Update)]
    finally:
        link.close()
    pressures = [signal.pressure for signal in seen if signal.pressure is not None]
    if not seen or len(pressures) < len(seen):
        lost = next((signal.sentence for signal in seen if signal.pressure is None), "the recorder said nothing")
        raise NoReadingError(home.bench().channel.tag, lost.rstrip("."))
    return Pressure.of(f"{math.fsum(pressures) / len(pressures):.6f}", seen[-1].unit)
