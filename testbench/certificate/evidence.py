"""What stands behind the verdict: the course of the run, the instrument, the sources of the figures, the cautions."""

from collections.abc import Iterable
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from typing import NamedTuple

from testbench.certificate.figures import decimals_of, written, written_up
from testbench.certificate.languages import Words
from testbench.certificate.lines import as_recorded, collected_of, judged, pressure_text, unit_in_words
from testbench.procedure.requirements import StageRequirement
from testbench.quantities import Pressure
from testbench.run.cross_check import CRITERION
from testbench.run.machine import Ending
from testbench.run.mentioned import Mentioned
from testbench.run.record import Atmosphere, ChannelRecord, RunRecord, SecondGaugeCheck, StageRecord
from testbench.run.samples import TICKS_PER_S


class Fact(NamedTuple):
    """A label and its value; the value is never empty."""

    label: str
    value: str


class RunClock:
    """Ticks of a run as local times of day."""

    def __init__(self, record: RunRecord) -> None:
        self._zone = timezone(timedelta(minutes=record.utc_offset_minutes))
        self._started = datetime.fromisoformat(record.started)

    def at(self, ticks: int) -> datetime:
        """Local time of a tick."""
        return (self._started + timedelta(seconds=ticks / TICKS_PER_S)).astimezone(self._zone)

    def time(self, ticks: int) -> str:
        """Time of day of a tick."""
        return f"{self.at(ticks):%H:%M:%S}"

    def local(self, utc: str) -> datetime:
        """A UTC text in local time."""
        return datetime.fromisoformat(utc).astimezone(self._zone)


def stamp(moment: datetime) -> str:
    """Date, time and offset, for example ``2026-11-25 09:14:02 +01:00``."""
    return moment.isoformat(sep=" ", timespec="seconds").replace("+", " +").replace(" -", " −")


def title_of(stage: str, words: Words) -> str:
    """A stage's name as a heading."""
    return words(f"stage.{stage.replace(' ', '_')}")


def named(stage: str, words: Words) -> str:
    """A stage's name within a sentence."""
    return words(f"stage_named.{stage.replace(' ', '_')}")


# Course of the run ------------------------------------------------------------------------------


def course_of(record: RunRecord, clock: RunClock, words: Words) -> tuple[str, ...]:
    """Void attempts, broken holds, gaps: what a reader must know beside the findings."""
    lines = [
        words(
            "course.earlier",
            run=run.run,
            verdict=words(f"stage.{run.verdict}" if run.verdict else "course.earlier_void"),
            hash=run.record_sha256[:12],
            reason=as_recorded(run.reason, words),
        )
        for run in record.earlier
    ]
    lines += [line for stage in record.stages for line in _course_lines(stage, clock, words)]
    if left_out := record.requirements.left_out:
        lines.append(words("course.left_out", stages=", ".join(named(stage, words) for stage in left_out)))
    done = {stage.stage for stage in record.stages}
    lines.extend(
        words("verdict.not_carried_out", stage=named(demanded.stage, words))
        for demanded in record.requirements.stages
        if demanded.stage not in done
    )
    return tuple(lines) or (words("course.nothing"),)


def mention(told: Mentioned, words: Words) -> str:
    """A nonconformity of the serial number, as it stood when the page was issued."""
    more = []
    if told.disposition is not None:
        more.append(words("nonconformity.disposition", disposition=words(f"nonconformity.{told.disposition}")))
    if told.worked_on:
        parts = (words(f"nonconformity.{part.replace(' ', '_')}") for part in told.worked_on)
        more.append(words("nonconformity.worked_on", parts=", ".join(parts)))
    if told.retest:
        verdict = words(f"stage.{told.retest_verdict}")
        more.append(words("nonconformity.retest", run=told.retest, verdict=verdict))
    standing = words(f"nonconformity.{told.standing.name.lower()}")
    first = words("nonconformity.told", number=told.number, run=told.run, standing=standing)
    return " ".join((first, *more))


def _course_lines(stage: StageRecord, clock: RunClock, words: Words) -> list[str]:
    which = {"stage": title_of(stage.stage, words), "number": stage.attempt}
    lines = []
    if stage.ended is not Ending.COMPLETED:
        since, until = clock.time(stage.since), clock.time(stage.until)
        lines.append(
            words(
                "course.void",
                **which,
                since=since,
                until=until,
                ended=words(f"ending.{stage.ended}"),
                reason=as_recorded(stage.reason, words),
            ).strip()
        )
    if stage.restarts:
        times = words("course.times_1") if stage.restarts == 1 else words("course.times_n", n=stage.restarts)
        lines.append(words("course.broken_off", **which, times=times))
    if stage.gaps:
        longest = Fraction(max(gap.until - gap.since for gap in stage.gaps), TICKS_PER_S)
        number = words("course.gap_1") if len(stage.gaps) == 1 else words("course.gap_n", n=len(stage.gaps))
        allowed = stage.requirement.longest_gap_s
        lines.append(
            words("course.gaps", **which, n=number, longest=words.decimal(written(longest, 1)), allowed=allowed)
        )
    if stage.rejected_lines:
        one = stage.rejected_lines == 1
        number = words("course.line_1") if one else words("course.line_n", n=stage.rejected_lines)
        count = words("course.was") if one else words("course.were")
        lines.append(words("course.rejected_lines", **which, n=number, count=count))
    if len(stage.collections) > 1:
        lines.append(words("course.collected", **which, caught="; ".join(_caught(stage, words))))
    return lines


def _caught(stage: StageRecord, words: Words) -> list[str]:
    """Each collection, and how the leakage stood after all but the last."""
    told = []
    for number, one in enumerate(stage.collections, start=1):
        volume = words("course.unread")
        if one.volume is not None:
            volume = f"{one.volume.digits} {unit_in_words(one.volume.unit, words)}"
        seconds = written(Fraction(one.until - one.since, TICKS_PER_S), 1)
        caught = words.figures("course.caught", volume=volume, seconds=seconds)
        if number < len(stage.collections):
            so_far = collected_of(stage.model_copy(update={"collections": stage.collections[:number]}))
            stood = words("course.uncounted") if so_far is None else judged(so_far.conformity, words)
            caught = words("course.stood", caught=caught, stood=stood)
        told.append(caught)
    return told


# Evidence ---------------------------------------------------------------------------------------


def instrument_of(record: RunRecord, words: Words) -> tuple[Fact, ...]:
    """The deciding channel, its calibration and its zero check."""
    channel, gauge = record.channel, record.channel.disproved_by or record.channel.second_gauge
    unit = record.requirements.zero_tolerance.unit
    decimals = decimals_of(channel.expanded_uncertainty.in_unit(unit).value) + 1
    zero = channel.at_atmosphere.pressure(Fraction(record.zero_check.mean_millicounts, 1000))
    mean = pressure_text(zero, decimals, unit)
    passed = words("instrument.passed" if record.zero_check.passed else "instrument.not_passed")
    zero_text = words.figures("instrument.zero_value", mean=f"{mean} {unit_in_words(unit, words)}", passed=passed)
    values = {
        "instrument": words(
            "instrument.serial", channel=channel.tag, instrument=channel.instrument, serial=channel.serial
        ),
        "certificate": words(
            "instrument.laboratory", certificate=channel.certificate_number, laboratory=channel.laboratory
        ),
        "due": _dates(channel, words),
        **({} if channel.atmosphere is None else {"absolute": _absolute(channel.atmosphere, words)}),
        **({} if gauge is None else {"second_gauge": _second_gauge(gauge, words)}),
        "range": words.figures("instrument.range_value", lowest=channel.lowest.digits, highest=channel.highest),
        "uncertainty": _uncertainty(record, words),
        "zero": zero_text,
    }
    return tuple(Fact(words(f"instrument.{key}"), value) for key, value in values.items())


def _absolute(atmosphere: Atmosphere, words: Words) -> str:
    return words(
        "instrument.absolute_value",
        pressure=words.decimal(str(atmosphere.pressure)), u=words.decimal(str(atmosphere.expanded_uncertainty)),
        stated=atmosphere.stated,
    )  # fmt: skip


def compared_of(record: RunRecord, words: Words) -> tuple[str, ...]:
    """Each two channels that were compared, and how far apart they were in a hold at the most."""
    return tuple(_compared(record, index, words) for index in range(len(record.cross_checks)))


def _compared(record: RunRecord, index: int, words: Words) -> str:
    channels = words("compared.and").join(_named(record, tag, words) for tag in record.cross_checks[index].channels)
    told = [stage.finding.criteria for stage in record.stages if stage.finding is not None]
    found = [[one for one in criteria if one.criterion == CRITERION][index] for criteria in told]
    apart = [(Pressure.parse(one.measured), Pressure.parse(one.limit)) for one in found if one.measured]
    if not apart:
        return words("compared.not", channels=channels)
    worst, allowed = max(apart, key=lambda pair: (pair[0] - pair[1]).exact)
    return words(
        "compared.line", channels=channels, apart=words.decimal(worst.text_beside(allowed)),
        allowed=words.decimal(allowed.text(2)),
    )  # fmt: skip


def _named(record: RunRecord, tag: str, words: Words) -> str:
    """A channel with its calibration; that of the deciding one stands above."""
    channel = next((beside.channel for beside in record.beside if beside.channel.tag == tag), None)
    if channel is None:
        return tag
    return words(
        "compared.channel", tag=tag, instrument=channel.instrument, serial=channel.serial,
        certificate=channel.certificate_number, due=channel.due_on,
    )  # fmt: skip


def _dates(channel: ChannelRecord, words: Words) -> str:
    """Both dates, and how the calibration corrects a reading where it does."""
    dates = words("instrument.dates", calibrated=channel.calibrated_on, due=channel.due_on)
    if not channel.uncertainty_points:
        return dates
    bent = Fraction(channel.scale.bend) != 0
    gain = f"{float(channel.scale.gain):.7g}"
    return f"{dates}; {words.figures('instrument.curve' if bent else 'instrument.line', gain=gain)}"


def _second_gauge(check: SecondGaugeCheck, words: Words) -> str:
    agrees = words("instrument.agrees" if check.agrees else "instrument.disagrees")
    return words(
        "instrument.second_gauge_value", indicated=words.decimal(check.indicated.text(2)),
        shown=words.decimal(str(check.gauge_indicated)),
        gauge=check.gauge, on=check.at[:10], agrees=agrees,
    )  # fmt: skip


def _uncertainty(record: RunRecord, words: Words) -> str:
    """One U for the whole range, or what counted at each required pressure."""
    channel, unit = record.channel, record.channel.expanded_uncertainty.unit
    if not channel.uncertainty_points:
        return f"{words.decimal(channel.expanded_uncertainty.digits)} {unit_in_words(unit, words)}"
    told = []
    for stage in record.requirements.stages:
        u = channel.uncertainty_in(stage).in_unit(unit)
        at = stage.required.in_unit(unit)
        told.append(words.figures("instrument.at", u=written_up(u.value, 0), pressure=f"{at.to(unit):.6g}"))
    return f"{'; '.join(dict.fromkeys(told))} {unit_in_words(unit, words)}"


def _named_sources(stage: StageRequirement) -> list[str]:
    of_criteria = [f"leakage: {criterion.source}" for criterion in stage.criteria]
    return [*stage.sources, *of_criteria]


def sources_of(record: RunRecord, words: Words) -> tuple[str, ...]:
    """Each source once, led by the stages that use it."""
    users: dict[str, list[str]] = {}
    for stage in record.requirements.stages:
        for source in dict.fromkeys(_named_sources(stage)):
            if source.startswith("steadiness"):  # how the recorder waits is in the record; no room for it here
                continue
            users.setdefault(source, []).append(title_of(stage.stage, words))
    everywhere = len(record.requirements.stages)
    return tuple(
        words.source(source) if len(stages) == everywhere else f"{', '.join(stages)}, {words.source(source)}"
        for source, stages in users.items()
    )


def cautions_of(record: RunRecord, told: Iterable[str], words: Words) -> tuple[str, ...]:
    """What a reader must bear in mind; whose words are quoted only where some of what is told are the record's own."""
    keys = ["cautions.first", "cautions.second", "cautions.third"]
    if any("[memory" in source for stage in record.requirements.stages for source in _named_sources(stage)):
        keys.append("cautions.memory")
    quoted = any(as_recorded("…", words)[0] in text for text in told)
    return (*(words(key) for key in keys), *([note] if quoted and (note := words("recorded.note")) else []))
