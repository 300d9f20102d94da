"""What was seen and what was caught, judged against its criterion."""

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import assert_never

from testbench.metrology.decay import DecayDecision
from testbench.metrology.decision_rule import Conformity, places_beside
from testbench.metrology.leakage import CollectedRate
from testbench.metrology.uncertainty import at_place, expanded_text, rounded
from testbench.procedure.criteria import (
    Criterion,
    CriterionName,
    LargestLeakageRate,
    NoVisibleLeakage,
    StemWeep,
    StemWeepRule,
    VisualCriterion,
)
from testbench.quantities import LeakageRate, Volume
from testbench.run.caught import Together, deciding, weigh
from testbench.run.decay import Decayed, expanded, rate_text
from testbench.run.observations import Collection, Seen
from testbench.run.record import CriterionFinding, StageRecord
from testbench.run.samples import TICKS_PER_S, to_s

BY_DECAY = "leakage by pressure decay"
"""How a finding says that nothing was collected for it."""
NOTHING = "nothing"
"""How it says that nothing was measured either."""


def judge_leakage(
    index: int, criterion: Criterion, stage: StageRecord, until: int, decayed: Decayed | None = None
) -> CriterionFinding:
    """Judge one criterion of a stage.

    Args:
        index: which criterion of the stage.
        criterion: what it asks.
        stage: with what was seen and caught.
        until: until when an observation counts [ticks].
        decayed: what the pressure of the hold did by itself.
    """
    match criterion:
        case NoVisibleLeakage():
            return _judge_visual(criterion, stage, index, until)
        case StemWeep():
            return _judge_weep(criterion, stage, index, until)
        case LargestLeakageRate():
            return _judge_rate(criterion, stage, decayed)
        case other:
            assert_never(other)


# Seen -------------------------------------------------------------------------------------------


def _judge_visual(criterion: NoVisibleLeakage, stage: StageRecord, index: int, until: int) -> CriterionFinding:
    leaks, looked = _seen(stage, index, until)
    if leaks:
        sentence = f"Leakage was seen at {' and '.join(leaks)}; none is allowed."
        return _visual(criterion, f"leakage at {' and '.join(leaks)}", Conformity.DOES_NOT_CONFORM, sentence)
    if looked:
        sentence = f"No leakage was seen ({', '.join(criterion.look_at)})."
        return _visual(criterion, "none seen", Conformity.CONFORMS, sentence)
    return _not_observed(criterion)


def _judge_weep(criterion: StemWeep, stage: StageRecord, index: int, until: int) -> CriterionFinding:
    """A weep at the stem is judged by the standard's own rule; it is never shell leakage."""
    weeps, looked = _seen(stage, index, until)
    if not weeps:
        return (
            _visual(criterion, "none seen", Conformity.CONFORMS, "No weep was seen at the stem.")
            if looked
            else _not_observed(criterion)
        )
    conformity, words = {
        StemWeepRule.ALLOWED: (Conformity.CONFORMS, "the standard allows it"),
        StemWeepRule.NOT_ALLOWED: (Conformity.DOES_NOT_CONFORM, "none is allowed"),
        StemWeepRule.ALLOWED_IF_TIGHT_AT_RATING: (
            Conformity.WITHIN_GUARD_BAND,
            "it is allowed only if the seal is tight at the rating; adjust it and repeat the stage, or show that it is",
        ),
    }[criterion.rule]
    places = " and ".join(weeps)
    return _visual(criterion, f"weep at {places}", conformity, f"A weep was seen at {places}: {words}.")


def _seen(stage: StageRecord, index: int, until: int) -> tuple[list[str], bool]:
    """Where leakage was seen, and whether anybody looked after the hold while the valve still stood at pressure."""
    answers = [answer for answer in stage.observations if answer.criterion == index]
    looked = stage.hold_until is not None and any(stage.hold_until <= answer.at <= until for answer in answers)
    return [answer.where for answer in answers if answer.seen is Seen.LEAKAGE], looked


def _not_observed(criterion: VisualCriterion) -> CriterionFinding:
    sentence = "The operator gave no observation after the hold at pressure."
    return _visual(criterion, "not observed", Conformity.WITHIN_GUARD_BAND, sentence)


def _visual(criterion: VisualCriterion, measured: str, conformity: Conformity, sentence: str) -> CriterionFinding:
    name, limit = CriterionName.NO_VISIBLE_LEAKAGE, "none"
    if isinstance(criterion, StemWeep):
        name, limit = criterion.criterion, str(criterion.rule)
    return CriterionFinding(
        criterion=name,
        required=f"no visible leakage: {', '.join(criterion.look_at)}",
        measured=measured,
        limit=limit,
        conformity=conformity,
        sentence=sentence,
    )


# Caught -----------------------------------------------------------------------------------------


def _judge_rate(criterion: LargestLeakageRate, stage: StageRecord, decayed: Decayed | None) -> CriterionFinding:
    """What was caught decides; where nothing was, the decay, if the procedure allows it and the gate said it can.

    All collections count together, unless one has shown that the limit is not met: that stays.
    """
    found = deciding_collections(criterion, stage)
    if found is None and decayed is not None and decayed.decision is not None:
        return _judge_decay(criterion, decayed, decayed.decision)
    if found is None:
        return CriterionFinding(
            criterion=criterion.criterion,
            required="collected leakage",
            measured=NOTHING,
            limit=str(criterion.limit),
            conformity=Conformity.WITHIN_GUARD_BAND,
            sentence="Nothing was collected within the hold for long enough.",
        )
    sentence = caught_in_words(found, stage.collections)
    if found.contradicting is not None:
        return CriterionFinding(
            criterion=criterion.criterion,
            required="collected leakage",
            measured=" and ".join(str(rate.rate) for _, rate in found.contradicting),
            limit=str(criterion.limit),
            conformity=found.conformity,
            sentence=sentence,
        )
    return CriterionFinding(
        criterion=criterion.criterion,
        required="collected leakage",
        measured=str(found.decision.measured),
        limit=str(criterion.limit),
        uncertainty=str(found.decision.expanded_uncertainty),
        conformity=found.conformity,
        sentence=sentence,
    )


def _judge_decay(criterion: LargestLeakageRate, decayed: Decayed, decision: DecayDecision) -> CriterionFinding:
    assert decayed.rate is not None
    return CriterionFinding(
        criterion=criterion.criterion,
        required=BY_DECAY,
        measured=rate_text(decayed.rate.rate),
        limit=str(criterion.limit),
        uncertainty=rate_text(expanded(decayed.rate)),
        conformity=decision.conformity,
        sentence=f"By pressure decay: {decision.reason}",
    )


def deciding_collections(criterion: LargestLeakageRate, stage: StageRecord) -> Together | None:
    """What the verdict rests on; None where nothing counts."""
    rule = stage.requirement.decision_rule
    weighed = [weigh(one, criterion, rule) for one in stage.collections if _counts(one, criterion, stage)]
    counted = [found for found in weighed if found is not None]
    return deciding(counted, criterion, rule) if counted else None


def caught_in_words(found: Together, beside: Sequence[Collection] = ()) -> str:
    """Volume, time, rate, uncertainty, limit and what follows: sentences.

    Args:
        found: what decides, or contradicts itself.
        beside: everything that was collected; what does not decide is told as well.
    """
    caught = found.caught if found.contradicting is None else [one for one, _ in found.contradicting]
    told = {one.collection.since for one in caught}
    others = [volume_in_words(one, found.criterion) for one in beside if one.since not in told]
    said = contradiction_in_words(found) if found.contradicting is not None else _rate_in_words(found)
    return f"{said} Collected beside that: {', '.join(others)}." if others else said


def contradiction_in_words(found: Together) -> str:
    """Both rates with their U, how far apart they lie, and what to do."""
    assert found.contradicting is not None
    criterion, ((_, first), (_, second)) = found.criterion, found.contradicting
    said = " but ".join(
        f"{volume_in_words(one.collection, criterion)} is {'' if rate is one.series.found else 'at its end '}"
        f"{_with_u(rate, criterion)}"
        for one, rate in found.contradicting
    )
    squares = first.expanded_uncertainty.exact**2 + second.expanded_uncertainty.exact**2
    both = (abs(first.rate - second.rate), LeakageRate(Fraction(math.sqrt(squares)), criterion.limit.unit))
    told = [[criterion.in_words(rate, decimals) for rate in both] for decimals in range(2, 10)]
    apart, allowed = next((texts for texts in told if texts[0] != texts[1]), told[-1])
    return (
        f"{said}: they contradict each other, {apart} apart where {allowed} is allowed. "
        "Find out what changed, then repeat the stage."
    )


def _with_u(found: CollectedRate, criterion: LargestLeakageRate) -> str:
    value, u = rounded(criterion.number(found.rate), criterion.number(found.expanded_uncertainty))
    return f"{value} {criterion.unit} with U = {u} {criterion.unit}"


def _rate_in_words(found: Together) -> str:
    criterion, decision = found.criterion, found.decision
    alone = found.caught[0] if len(found.caught) == 1 else None
    words = {
        Conformity.CONFORMS: "within the limit",
        Conformity.DOES_NOT_CONFORM: "above the limit",
        Conformity.WITHIN_GUARD_BAND: found.advice if alone is None else alone.advice,
    }[found.conformity]
    caught = " and ".join(volume_in_words(one.collection, criterion) for one in found.caught)
    if alone is None:
        drops = [one.collection.drops for one in found.caught if one.collection.drops is not None]
        counted = sum(drops) if len(drops) == len(found.caught) else None
        amount = _amount(found.all_of_it.volume, counted, criterion)
        caught = f"{caught}, together {amount} in {found.all_of_it.seconds:.1f} s,"
    limit = str(criterion.limit) if criterion.counted is None else criterion.in_words(criterion.limit, 2)
    amounts = (decision.measured, decision.expanded_uncertainty, decision.guard_band, criterion.limit)
    y, u, w, most = (criterion.number(amount) for amount in amounts)
    places, unit = places_beside(y, u, w, most), criterion.unit
    shown = f"{at_place(y, places)} {unit} with U = {expanded_text(u, places)} {unit}"
    return f"{caught} is {shown}; {limit} is allowed: {words}."


def volume_in_words(found: Collection, criterion: LargestLeakageRate) -> str:
    """What one collection caught, and in which time."""
    return f"{_amount(found.volume, found.drops, criterion)} in {to_s(found.until - found.since):.1f} s"


def _amount(volume: Volume | None, drops: int | None, criterion: LargestLeakageRate) -> str:
    if criterion.counted is not None and drops is not None:
        return f"{drops} {criterion.counted.what}"
    return "a volume not read" if volume is None else str(volume)


def _counts(found: Collection, criterion: LargestLeakageRate, stage: StageRecord) -> bool:
    """Whether a collection may decide: long enough, within the hold and after the drain-down."""
    if stage.hold_since is None or stage.hold_until is None:
        return False
    return (
        stage.hold_since + criterion.settle_s * TICKS_PER_S <= found.since
        and found.until <= stage.hold_until
        and found.until - found.since >= criterion.collect_s * TICKS_PER_S
    )
