"""What must be true before a run or a stage may begin. Each refusal names what was found and what is allowed."""

import math
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from fractions import Fraction
from statistics import mean

import numpy as np

from testbench.errors import (
    CalibrationMissingError,
    CalibrationOverdueError,
    ChannelDisprovedError,
    GaugeCheckDueError,
    GaugesDisagreeError,
    NoReadingError,
    OperatorUnknownError,
    OrderUnknownError,
    RangeExceededError,
    SerialUnknownError,
    UncertaintyTooLargeError,
    WitnessPointRefusedError,
    ZeroCheckFailedError,
    ZeroMovesError,
)
from testbench.metrology.signal import noise_of
from testbench.procedure.requirements import Requirements
from testbench.procedure.valve import Order, Valve
from testbench.procedure.witness_points import unfit
from testbench.quantities import Pressure
from testbench.run.observations import ZeroCheck
from testbench.run.record import ChannelRecord, RunRecord
from testbench.run.samples import Sample, Scale, to_ticks
from testbench.station.bench import Bench, ChannelEntry

ZERO_CHECK_S = 2.0
LEAST_ZERO_SAMPLES = 5


def find_valve(orders: Sequence[Order], number: str, serial: str) -> tuple[Order, Valve]:
    """The order and the valve.

    Raises:
        OrderUnknownError: no such order.
        SerialUnknownError: the serial number is not on it.
    """
    for order in orders:
        if order.number == number:
            for valve in order.valves:
                if valve.serial == serial:
                    return order, valve
            raise SerialUnknownError(serial, number)
    raise OrderUnknownError(number, tuple(order.number for order in orders))


def check_witness_points(order: Order, requirements: Requirements) -> None:
    """Refuse an order whose witness point names no stage of the valve's, or a stage twice.

    Raises:
        WitnessPointRefusedError: names it.
    """
    stages = tuple(str(stage.stage) for stage in requirements.stages)
    if (stage := unfit(order.witness_points, stages)) is not None:
        raise WitnessPointRefusedError(order.number, stage, stages)


def check_operator(bench: Bench, name: str) -> None:
    """Refuse a name that is not an operator's."""
    if name not in bench.operators:
        raise OperatorUnknownError(name, bench.operators)


def calibrated(entry: ChannelEntry, channel: ChannelRecord | None, on: date) -> ChannelRecord:
    """The channel, or a refusal where it has no calibration.

    Raises:
        CalibrationMissingError: neither the register nor bench.toml has one.
    """
    if channel is None:
        raise CalibrationMissingError(entry.tag, entry.serial, str(on))
    return channel


def check_channel(channel: ChannelRecord, requirements: Requirements, on: date) -> None:
    """Refuse a channel that is out of calibration, too small, or too coarse for one of the stages."""
    check_in_date(channel, on)
    check_covers(channel, requirements)
    for stage in requirements.stages:
        acceptance = stage.required + channel.guard_band(stage)
        if acceptance >= stage.upper_limit:
            raise UncertaintyTooLargeError(channel.tag, stage.stage, acceptance.text(1), stage.upper_limit.text(1))


def check_in_date(channel: ChannelRecord, on: date) -> None:
    """Refuse a channel that is out of calibration."""
    if not channel.calibration.in_date(on):
        raise CalibrationOverdueError(channel.tag, str(channel.due_on), str(on))


def check_covers(channel: ChannelRecord, requirements: Requirements) -> None:
    """Refuse a channel that is not calibrated up to the upper limit of every stage."""
    for stage in requirements.stages:
        if not channel.calibration.covers(stage.upper_limit):
            found = f"{channel.lowest} to {channel.highest}"
            raise RangeExceededError(channel.tag, f"{stage.upper_limit} for the {stage.stage}", found)


def check_second_gauge(channel: ChannelRecord, every_h: int | None, at: datetime) -> None:
    """Refuse a channel that a second gauge contradicts, or whose check is older than this bench wants it.

    Raises:
        GaugesDisagreeError: the newest check found them apart.
        GaugeCheckDueError: there is none, or it is too old.
    """
    check = channel.second_gauge
    if check is not None and not check.agrees:
        raise GaugesDisagreeError(channel.tag, check.sentence)
    if every_h is None:
        return
    if check is None:
        raise GaugeCheckDueError(channel.tag, "is from before its calibration, or there is none", every_h)
    if at - datetime.fromisoformat(check.at) > timedelta(hours=every_h):
        raise GaugeCheckDueError(channel.tag, f"is of {check.at}", every_h)


def check_not_disproved(record: RunRecord) -> None:
    """Refuse another stage in a run whose channel a second gauge has contradicted.

    Raises:
        ChannelDisprovedError: names the check.
    """
    if (check := record.channel.disproved_by) is not None:
        raise ChannelDisprovedError(record.run, record.channel.tag, check.sentence)


def unsuited_ranges(channel: ChannelRecord, requirements: Requirements) -> list[str]:
    """One sentence for each stage whose gauge rule the channel's range does not keep; advice, not a refusal."""
    return [
        f"{channel.tag} ranges to {channel.highest}; for the {stage.stage} a range of {stage.gauge_range.least} to "
        f"{stage.gauge_range.most} is asked for ({stage.gauge_range.source})."
        for stage in requirements.stages
        if stage.gauge_range is not None and not stage.gauge_range.least <= channel.highest <= stage.gauge_range.most
    ]


def zero_check(recent: Sequence[Sample], now: int, channel: ChannelRecord, requirements: Requirements) -> ZeroCheck:
    """Judge the readings of the last seconds as the zero of the channel at atmosphere.

    Args:
        recent: the newest samples, on the station's ticks.
        now: the present tick.
        channel: its zero and head are left out of account.
        requirements: they hold the tolerance.

    Raises:
        NoReadingError: there are too few readings.
        ZeroCheckFailedError: the mean is too far from zero.
        ZeroMovesError: the pressure is still falling.
    """
    used = [sample.counts for sample in recent if sample.at >= now - to_ticks(ZERO_CHECK_S)]
    if len(used) < LEAST_ZERO_SAMPLES:
        raise NoReadingError(
            channel.tag, f"{len(used)} readings in {ZERO_CHECK_S:.0f} s, {LEAST_ZERO_SAMPLES} are needed"
        )
    mean = Fraction(sum(used), len(used))
    bare = channel.at_atmosphere
    found = bare.pressure(mean)
    if abs(found) > requirements.zero_tolerance:
        raise ZeroCheckFailedError(channel.tag, found.text(2), requirements.zero_tolerance.text(2))
    _check_still(used, bare, channel)
    return ZeroCheck(
        at=now,
        samples=len(used),
        mean_millicounts=round(mean * 1000),
        passed=True,
        allowed=requirements.zero_tolerance,
    )


def _check_still(used: Sequence[int], bare: Scale, channel: ChannelRecord) -> None:
    """Refuse a zero whose later half has moved from the earlier one by more than U at zero and the noise explain.

    A line that still empties would lend its last pressure to every reading of the run.
    """
    half = len(used) // 2
    first, last = used[:half], used[-half:]
    noise = 3 * noise_of(np.array(used, dtype=np.float64)) * math.sqrt(2 / half)
    moved = abs(bare.pressure(Fraction(mean(last))) - bare.pressure(Fraction(mean(first))))
    allowed = channel.uncertainty_at(Pressure.zero(bare.unit)) + Pressure.of(
        Fraction(noise) * bare.per_count, bare.unit
    )
    if moved > allowed:
        raise ZeroMovesError(channel.tag, moved.text_beside(allowed), allowed.text(2))
