"""Checks of the channel against a second gauge: which one holds, what clears a disagreement, what binds an open run."""

from collections.abc import Sequence
from datetime import date
from fractions import Fraction
from typing import Protocol

from testbench.errors import DataRefusedError, RangeExceededError
from testbench.procedure.valve import Value
from testbench.quantities import Pressure
from testbench.run.evaluation import rejudged
from testbench.run.machine import Ending
from testbench.run.record import ChannelRecord, RunRecord, SecondGaugeCheck, StageRecord
from testbench.run.samples import Trace, to_ticks

MOST_TIMES_U = 4
"""A gauge whose U is more than this many times that of the channel shows gross faults only, and is refused. Our own
choice; common practice is a gauge as good as the channel, or better."""
CLEARS_FROM = Fraction(3, 4)
"""A disagreement is cleared at no less than this share of the pressure at which it was found, because most faults of a
gauge grow with the pressure. Our own choice."""


class GaugeCheck(Value):
    """A check against a second gauge as it is kept."""

    channel: str
    serial: str
    certificate_number: str
    """The calibration that was in force."""
    check: SecondGaugeCheck


CHECKED_OVER_S = 5.0
LEAST_CHECKED = 5
"""The end of a hold, and readings of each channel in it, from whose means a check is made. Our own choice."""


class Calibrated(Protocol):
    """The part of a calibration that tells whether a check is from before it."""

    @property
    def certificate_number(self) -> str:
        """Its number."""

    @property
    def calibrated_on(self) -> date:
        """Its day."""


def check_in_force(checks: Sequence[GaugeCheck], calibration: Calibrated) -> SecondGaugeCheck | None:
    """The newest disagreement that no later check has cleared, else the newest check.

    A check from before the calibration says nothing.
    """
    told = _that_count(checks, calibration)
    standing: list[SecondGaugeCheck] = []
    for check in told:
        standing = [found for found in standing if not check.agrees or not_cleared(found, check)]
        standing += [] if check.agrees else [check]
    found = standing or told
    return found[-1] if found else None


def not_cleared(found: SecondGaugeCheck, again: SecondGaugeCheck) -> str | None:
    """Why a later check that agrees leaves a disagreement in force, without a stop; None where it clears it."""
    least = found.indicated * CLEARS_FROM
    if again.indicated < least:
        return f"a check at {least.text(2)} or more clears it, this one was made at {again.indicated.text(2)}"
    apart = abs(found.indicated - found.gauge_indicated)
    if again.gauge_uncertainty > found.gauge_uncertainty and again.allowed >= apart:
        return f"a better gauge clears it, with this one {again.allowed.text(2)} apart is allowed"
    return None


def check_sense(check: SecondGaugeCheck, channel: ChannelRecord) -> None:
    """Refuse a check that could not find anything.

    Raises:
        DataRefusedError: a name is empty, the gauge is too coarse, or the pressure too low.
        RangeExceededError: the channel is not calibrated there.
    """
    what = "check against a second gauge"
    if not (check.gauge.strip() and check.by.strip()):
        raise DataRefusedError(what, "an empty name", "the name of the gauge and of whoever compared them")
    if check.gauge_uncertainty <= Pressure.zero("psi"):
        raise DataRefusedError(what, f"U of the gauge {check.gauge_uncertainty}", "more than 0")
    if not channel.calibration.covers(check.indicated):
        calibrated = f"{channel.lowest} to {channel.highest}"
        raise RangeExceededError(channel.tag, f"{check.indicated.text(2)} for the check", calibrated)
    if check.gauge_uncertainty > check.uncertainty * MOST_TIMES_U:
        found = f"U of the gauge {check.gauge_uncertainty}"
        most = (check.uncertainty * MOST_TIMES_U).text(2)
        raise DataRefusedError(what, found, f"{most}, {MOST_TIMES_U} times U of the channel there")
    if check.gauge_indicated <= check.allowed:
        found = f"{check.gauge_indicated} where {check.allowed.text(2)} apart is allowed"
        raise DataRefusedError(what, found, "a pressure at which a wrong gauge would show")


def check_of_hold(
    stage: StageRecord, channels: tuple[ChannelRecord, ChannelRecord], traces: tuple[Trace, Trace], at: str, by: str
) -> GaugeCheck | None:
    """What a channel that serves as second gauge says of the deciding one, from the end of a completed hold.

    Args:
        stage: the attempt.
        channels: the deciding one, then the second gauge, both with their zeros.
        traces: the samples of both.
        at: UTC, ISO 8601.
        by: whoever carried the stage out.

    Returns:
        None where there was no hold, too few readings, or the check could not have found anything.
    """
    if stage.ended is not Ending.COMPLETED or stage.hold_until is None:
        return None
    end = (stage.hold_until - to_ticks(CHECKED_OVER_S), stage.hold_until)
    parts = [part.between(*end).counts for part in traces]
    if min(part.size for part in parts) < LEAST_CHECKED:
        return None
    fluid = stage.requirement.fluid
    channel, gauge = (one.for_fluid(fluid) for one in channels)
    means = [Fraction(int(part.sum()), part.size) for part in parts]
    indicated, shown = channel.scale.pressure(means[0]), gauge.scale.pressure(means[1])
    check = SecondGaugeCheck(
        gauge=f"{gauge.tag}, {gauge.serial}", at=at, by=by, indicated=_short(indicated),
        uncertainty=channel.uncertainty_at(indicated), gauge_indicated=_short(shown),
        gauge_uncertainty=gauge.uncertainty_at(shown),
    )  # fmt: skip
    try:
        check_sense(check, channel)
    except (DataRefusedError, RangeExceededError):
        return None
    number = channel.certificate_number
    return GaugeCheck(channel=channel.tag, serial=channel.serial, certificate_number=number, check=check)


def _short(pressure: Pressure) -> Pressure:
    """To a millionth of its unit: a mean never ends."""
    return Pressure.of(Fraction(round(pressure.value * 1_000_000), 1_000_000), pressure.unit)


# An open run ------------------------------------------------------------------------------------


def checks_since(checks: Sequence[GaugeCheck], channel: ChannelRecord) -> tuple[SecondGaugeCheck, ...]:
    """The checks that were made since a run took its channel, told by their order: no two clocks are compared."""
    told = _that_count(checks, channel)
    if channel.second_gauge not in told:
        return tuple(told)
    return tuple(told[len(told) - told[::-1].index(channel.second_gauge) :])


def with_checks(record: RunRecord, checks: Sequence[GaugeCheck]) -> RunRecord:
    """The run with the checks that were made since it began."""
    since = checks_since(checks, record.channel)
    return record.model_copy(update={"channel": record.channel.model_copy(update={"checked_since": since})})


def judged_with_checks(record: RunRecord, traces: Sequence[Trace], checks: Sequence[GaugeCheck]) -> RunRecord:
    """A closed run, not sealed yet, judged again where a check since its beginning disagreed."""
    checked = with_checks(record, checks)
    return rejudged(checked, traces) if checked.channel.disproved_by is not None else checked


def _that_count(checks: Sequence[GaugeCheck], calibration: Calibrated) -> list[SecondGaugeCheck]:
    """Those that were not made before the calibration."""

    def counts(kept: GaugeCheck) -> bool:
        made = date.fromisoformat(kept.check.at[:10])
        same = made == calibration.calibrated_on and kept.certificate_number == calibration.certificate_number
        return made > calibration.calibrated_on or same

    return [kept.check for kept in checks if counts(kept)]
