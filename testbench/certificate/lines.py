"""One completed stage as a table: required, met at, measured, uncertainty, judged. Every number from full data."""

from dataclasses import dataclass, replace
from fractions import Fraction

from testbench.certificate.figures import decimals_of, fewest_decimals, rounded, written, written_up
from testbench.certificate.languages import Words
from testbench.metrology.decision_rule import Conformity, in_percent, places_beside
from testbench.metrology.uncertainty import expanded_text
from testbench.procedure.criteria import LargestLeakageRate, StemWeep, VisualCriterion
from testbench.quantities import LeakageRate, Pressure
from testbench.run.caught import Together
from testbench.run.decisions import decision_of
from testbench.run.leakage import BY_DECAY, NOTHING, deciding_collections
from testbench.run.record import ChannelRecord, CriterionFinding, Finding, StageRecord
from testbench.run.samples import TICKS_PER_S, Trace


@dataclass(frozen=True, slots=True)
class TableLine:
    """One criterion as it is printed. All cells are texts; numbers of one line share their decimals."""

    criterion: str
    unit: str
    required: str
    met_at: str
    measured: str
    uncertainty: str
    conformity: Conformity
    judged: str
    detail: str = ""
    """What stands below the criterion, for example where was looked."""
    risk: str = ""
    """Probability that the decision is wrong; empty where nothing was compared with a limit."""
    others: tuple["TableLine", ...] = ()
    """The same in other units."""


@dataclass(frozen=True, slots=True)
class StageTable:
    """The lines of a stage and, where it was rejected, why: each failed criterion with value and limit."""

    lines: tuple[TableLine, ...]
    failed: tuple[str, ...]


def table_of(stage: StageRecord, trace: Trace, channel: ChannelRecord, words: Words) -> StageTable:
    """Write one completed stage down as lines.

    Args:
        stage: an attempt with a finding.
        trace: its samples.
        channel: the deciding channel.
        words: the wording.
    """
    assert stage.finding is not None
    channel = channel.for_fluid(stage.requirement.fluid)
    units = words.pressures or (stage.requirement.required.unit,)
    lines = _in_units([_hold_lines(stage, stage.finding, channel, words, unit) for unit in units], words)
    judged_lines = _criteria(stage, stage.finding, words)
    lines += [line for line, _ in judged_lines]
    lines += _in_units([[_release_line(stage, trace, channel, words, unit)] for unit in units], words)
    failed = tuple(said for line, said in judged_lines if line.conformity is Conformity.DOES_NOT_CONFORM)
    return StageTable(tuple(lines), failed)


def _criteria(stage: StageRecord, found: Finding, words: Words) -> list[tuple[TableLine, str]]:
    """A line for each criterion, and the sentence that is said where it is not met."""
    told: list[tuple[TableLine, str]] = []
    title = words(f"stage.{stage.stage.replace(' ', '_')}")
    # The finding lists instrument and hold first, then one entry a criterion, then the release and cross-checks.
    criteria = found.criteria[2 : 2 + len(stage.requirement.criteria)]
    for criterion, finding in zip(stage.requirement.criteria, criteria, strict=True):
        if isinstance(criterion, VisualCriterion):
            line = _visual_line(criterion, finding, stage, words)
            sentence = words("failed.visual", stage=title, where=_where(stage, words))
        else:
            line = _localized(_rate_line(criterion, finding, stage, words), words)
            sentence = words(
                "failed.rate", stage=title, measured=line.measured, unit=line.unit,
                uncertainty=line.uncertainty, limit=line.required.removeprefix("≤ "),
            )  # fmt: skip
        told.append((line, sentence))
    return told


def brief_of(stage: StageRecord, channel: ChannelRecord, words: Words) -> tuple[TableLine, tuple[TableLine, ...]]:
    """The lowest pressure of the hold (or the hold that is missing) and the criteria, without samples: for a row."""
    assert stage.finding is not None
    channel = channel.for_fluid(stage.requirement.fluid)
    unit = (words.pressures or (stage.requirement.required.unit,))[0]
    hold = _localized(_hold_lines(stage, stage.finding, channel, words, unit)[0], words)
    return hold, tuple(line for line, _ in _criteria(stage, stage.finding, words))


def unit_in_words(unit: str, words: Words) -> str:
    """A unit as it is printed: gauge said for pressures, customary names for volumes and rates."""
    volume, _, time = unit.partition("/")
    shown = words.get(f"unit.{volume}", volume)
    return f"{shown}/{time}" if time and unit not in Pressure.UNITS else words.get(f"unit.{unit}", shown)


def pressure_text(pressure: Pressure, decimals: int, unit: str) -> str:
    """A pressure in a unit, rounded, for example ``503.4``."""
    return written(pressure.in_unit(unit).value, decimals)


def _found(finding: Finding, name: str) -> CriterionFinding:
    return next(found for found in finding.criteria if found.criterion == name)


def judged(conformity: Conformity, words: Words) -> str:
    """A conformity as it is printed."""
    key = {
        Conformity.CONFORMS: "met",
        Conformity.DOES_NOT_CONFORM: "not_met",
        Conformity.WITHIN_GUARD_BAND: "undecided",
    }[conformity]
    return words(f"table.{key}")


def _risk(finding: CriterionFinding, stage: StageRecord, words: Words) -> str:
    """Probability that this very decision is wrong; nothing where none was taken."""
    decision = decision_of(finding, stage.requirement)
    if decision is None or decision.specific_risk is None:
        return ""
    return in_percent(decision.specific_risk).replace("below ", words("table.below"))


def _in_units(found: list[list[TableLine]], words: Words) -> list[TableLine]:
    """The lines in the first unit; those of pressures with the same in the others."""
    first, *others = ([_localized(line, words) for line in lines] for lines in found)
    seconds = unit_in_words("s", words)
    return [
        line if line.unit == seconds else replace(line, others=tuple(lines[n] for lines in others))
        for n, line in enumerate(first)
    ]


def _localized(line: TableLine, words: Words) -> TableLine:
    """A line with its figures as the language writes them."""
    say = words.decimal
    return replace(
        line, required=say(line.required), met_at=say(line.met_at), measured=say(line.measured),
        uncertainty=say(line.uncertainty), risk=say(line.risk),
    )  # fmt: skip


def as_recorded(sentence: str, words: Words) -> str:
    """Words of the record, which are English: quoted where the page is in another language."""
    return words("recorded.words", sentence=sentence) if sentence else ""


def undecided_of(stage: StageRecord, words: Words) -> tuple[str, ...]:
    """What was left undecided: each finding as a sentence of the language where its facts suffice, else as recorded."""
    assert stage.finding is not None
    return tuple(
        _undecided(finding, stage, words)
        for finding in stage.finding.criteria
        if finding.conformity is Conformity.WITHIN_GUARD_BAND
    )


def _undecided(finding: CriterionFinding, stage: StageRecord, words: Words) -> str:
    if finding.criterion == "hold" and stage.hold_since is None:
        return words("undecided.no_hold")
    if finding.measured == NOTHING:
        return words("undecided.nothing_collected")
    if finding.criterion == "pressure released":
        return words.figures("undecided.not_released", pressure=stage.requirement.safe_below)
    if finding.measured == "not observed":
        return words("undecided.not_observed")
    return as_recorded(finding.sentence, words)


# The hold ---------------------------------------------------------------------------------------


def _hold_lines(
    stage: StageRecord, finding: Finding, channel: ChannelRecord, words: Words, unit: str
) -> list[TableLine]:
    """Lowest and highest pressure and the hold time, each against its own limit."""
    required = stage.requirement
    least, guard = required.required.in_unit(unit).value, channel.guard_band(required).in_unit(unit).value
    uncertainty = channel.uncertainty_in(required).in_unit(unit).value
    if stage.hold_since is None or stage.hold_until is None:
        return [_line_without_hold(stage, words)]
    lowest, highest = finding.lowest.in_unit(unit).value, finding.highest.in_unit(unit).value
    most = required.upper_limit.in_unit(unit).value
    start = decimals_of(uncertainty)
    digits = fewest_decimals(start, lambda d: _same_side(lowest, least + guard, d) and _same_side(most, highest, d))
    shown = unit_in_words(unit, words)
    blank = words("identity.not_applicable")
    held, hold = Fraction(finding.held_ms, 1000), Fraction(required.hold_s)
    time_digits = fewest_decimals(1, lambda d: _same_side(held, hold, d))
    low, high, time = _conforms(lowest >= least + guard), _conforms(highest <= most), _conforms(held >= hold)

    def at_least(value: Fraction, decimals: int) -> str:
        return words("table.at_least", number=written(value, decimals))

    upper = words("table.at_most", number=written(most, digits))
    return [
        TableLine(
            words("table.lowest"), shown, at_least(least, digits), at_least(least + guard, digits),
            written(lowest, digits), written_up(uncertainty, digits), low, judged(low, words),
            risk=_risk(_found(finding, "hold"), stage, words),
        ),
        TableLine(
            words("table.highest"), shown, upper, upper, written(highest, digits), blank, high, judged(high, words),
        ),
        TableLine(
            words("table.held"), unit_in_words("s", words), at_least(hold, time_digits), at_least(hold, time_digits),
            written(held, time_digits), blank, time, judged(time, words),
        ),
    ]  # fmt: skip


def _line_without_hold(stage: StageRecord, words: Words) -> TableLine:
    blank = words("identity.not_applicable")
    conformity = Conformity.WITHIN_GUARD_BAND
    at_least = words("table.at_least", number=stage.requirement.hold_s)
    return TableLine(
        words("table.held"), unit_in_words("s", words), at_least, at_least,
        words("table.not_completed"), blank, conformity, judged(conformity, words),
    )  # fmt: skip


def _same_side(value: Fraction, limit: Fraction, decimals: int) -> bool:
    """Whether ``value >= limit`` is told alike by the printed and by the exact numbers."""
    return (rounded(value, decimals) >= rounded(limit, decimals)) == (value >= limit)


def _conforms(fulfilled: bool) -> Conformity:  # noqa: FBT001 - the one place where a yes becomes a conformity
    return Conformity.CONFORMS if fulfilled else Conformity.WITHIN_GUARD_BAND


# Leakage ----------------------------------------------------------------------------------------


def _where(stage: StageRecord, words: Words) -> str:
    places = [words.term(answer.where) for answer in stage.observations if answer.where]
    return ", ".join(dict.fromkeys(places))


def _visual_line(criterion: VisualCriterion, finding: CriterionFinding, stage: StageRecord, words: Words) -> TableLine:
    measured = {
        Conformity.CONFORMS: words("table.none_seen"),
        Conformity.DOES_NOT_CONFORM: words("table.leakage_seen"),
        Conformity.WITHIN_GUARD_BAND: words("table.not_observed"),
    }[finding.conformity]
    none, blank = words("table.none"), words("identity.not_applicable")
    detail = words("table.looked_at", places=", ".join(map(words.term, criterion.look_at)))
    if where := _where(stage, words):
        detail = f"{words('table.leakage_at', where=where)} {detail}"
    name, limit = words("table.visual"), none
    if isinstance(criterion, StemWeep):
        name, limit = words("table.weep"), words(f"weep.{criterion.rule.replace(' ', '_')}")
    return TableLine(
        name, blank, limit, none, measured, blank,
        finding.conformity, judged(finding.conformity, words),
        detail,
    )  # fmt: skip


def _rate_line(criterion: LargestLeakageRate, finding: CriterionFinding, stage: StageRecord, words: Words) -> TableLine:
    by_decay = finding.required == BY_DECAY
    name = words("table.rate_by_decay") if by_decay else words("table.rate", where=words.term(criterion.collect_at))
    unit = criterion.limit.unit
    blank = words("identity.not_applicable")
    limit = criterion.limit.value
    if not finding.uncertainty:
        at_most = words("table.at_most", number=written(limit, 2))
        caught = words("table.nothing_collected" if finding.measured == NOTHING else "table.contradicting")
        return TableLine(
            name, unit_in_words(unit, words), at_most, blank, caught, blank,
            finding.conformity, judged(finding.conformity, words),
        )  # fmt: skip
    u = LeakageRate.parse(finding.uncertainty)
    measured, uncertainty = LeakageRate.parse(finding.measured).in_unit(unit).value, u.in_unit(unit).value
    guard = stage.requirement.decision_rule.guard_band(u).in_unit(unit).value
    # The numbers tell this; what was not steady is undecided all the same, and says so below.
    conforms, fails = measured + guard <= limit, measured - guard > limit

    def consistent(decimals: int) -> bool:
        y, most, w = rounded(measured, decimals), rounded(limit, decimals), Fraction(written_up(guard, decimals))
        met = y <= rounded(limit - guard, decimals) and y + w <= most
        return (met, y - w > most) == (conforms, fails)

    fewest = max(0, places_beside(*(float(number) for number in (measured, uncertainty, guard, limit))))
    digits = fewest_decimals(fewest if uncertainty else 1, consistent)
    return TableLine(
        name, unit_in_words(unit, words), words("table.at_most", number=written(limit, digits)),
        words("table.at_most", number=written(limit - guard, digits)), written(measured, digits),
        written_up(uncertainty, digits), finding.conformity, judged(finding.conformity, words),
        as_recorded(_gate(stage), words) if by_decay else _collected_in_words(collected_of(stage), words),
        _risk(finding, stage, words),
    )  # fmt: skip


def _gate(stage: StageRecord) -> str:
    assert stage.finding is not None
    return "" if stage.finding.decay is None else stage.finding.decay.gate


def collected_of(stage: StageRecord) -> Together | None:
    """The collections that the leakage rate was taken from."""
    for criterion in stage.requirement.criteria:
        if isinstance(criterion, LargestLeakageRate):
            return deciding_collections(criterion, stage)
    return None


def _collected_in_words(found: Together | None, words: Words) -> str:
    """What was caught in all; each collection by itself is told in the course of the run."""
    if found is None:
        return ""
    collections = [one.collection for one in found.caught]
    seconds = Fraction(sum(one.until - one.since for one in collections), TICKS_PER_S)
    volume, u = found.all_of_it.volume, found.all_of_it.volume_uncertainty
    caught = f"{volume.digits} {unit_in_words(volume.unit, words)}"
    rounded_up = min(u.digits, expanded_text(float(u.value)), key=len)  # as stated, where that is short
    uncertainty = f"{rounded_up} {unit_in_words(u.unit, words)}"
    text = words.figures("table.collected", volume=caught, uncertainty=uncertainty, seconds=written(seconds, 1))
    if len(collections) > 1:
        text = f"{text} {words('table.together', times=len(collections))}"
    if readings := sum(len(one.readings) for one in collections):
        text = f"{text} {words('table.read_between', times=readings)}"
    for tag in dict.fromkeys(one.instrument for one in collections if one.instrument):
        text = f"{text} {words('table.by_sensor', instrument=tag)}"
    drops = [one.drops for one in collections if one.drops is not None]
    if len(drops) < len(collections):
        return text
    return f"{text} {words('table.drops', drops=sum(drops), per_ml=collections[-1].drops_per_ml)}"


# The end ----------------------------------------------------------------------------------------


def _release_line(stage: StageRecord, trace: Trace, channel: ChannelRecord, words: Words, unit: str) -> TableLine:
    assert stage.finding is not None
    finding = _found(stage.finding, "pressure released")
    safe = stage.requirement.safe_below.in_unit(unit).value
    blank = words("identity.not_applicable")
    after = trace.between(stage.hold_until or 0, stage.until)
    at_most, measured = words("table.at_most", number=written(safe, 1)), words("table.not_observed")
    if len(after):
        last = channel.scale.pressure(int(after.counts[-1])).in_unit(unit).value
        converted = unit != stage.requirement.safe_below.unit
        fewest = decimals_of(channel.expanded_uncertainty.in_unit(unit).value) if converted else 1
        digits = fewest_decimals(fewest, lambda d: _same_side(safe, last, d))
        at_most = words("table.at_most", number=written(safe, digits))
        measured = written(last, digits)
    return TableLine(
        words("table.released"), unit_in_words(unit, words), at_most, at_most, measured, blank,
        finding.conformity, judged(finding.conformity, words),
    )  # fmt: skip
