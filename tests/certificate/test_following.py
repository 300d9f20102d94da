"""Every value of a record that follows from its readings is compared; what rests on its signers alone is not claimed.

Whoever holds the station's key can write any number into a record and draw the page from it: the seal is right, and the
page prints what is attached. Only the readings tell.
"""

import json
from collections.abc import Callable
from datetime import datetime
from types import SimpleNamespace
from typing import Any

import pytest

from testbench import __version__
from testbench.certificate.enclosed import _with_gaps
from testbench.certificate.issue import sealed_document
from testbench.certificate.verify import Verification, in_words, verify
from testbench.run.evaluation import rejudged
from testbench.run.following import differences
from testbench.run.record import RunRecord, canonical, sha256
from testbench.run.samples import Gap, GapReason


@pytest.fixture(scope="module")
def told(bench: SimpleNamespace) -> Any:
    """The accepted NPS 4 valve with a silence of 0.6 s in its hold, recorded by this very version."""
    run = bench.tell(bench.replace(bench.accepted_nps_4, shell=(bench.Attempt(gap=(20, 20.6)),)))
    trace = run.traces[0]
    since, until = (int(trace.at[trace.at <= run.record.stages[0].gaps[0].since][-1]),
                    int(trace.at[trace.at >= run.record.stages[0].gaps[0].until][0]))  # fmt: skip
    gap = Gap(since=since, until=until, reason=GapReason.SILENT)
    stages = (run.record.stages[0].model_copy(update={"gaps": (gap,)}), run.record.stages[1])
    record = run.record.model_copy(update={"stages": stages, "software": __version__})
    return SimpleNamespace(record=record, traces=(trace.with_gaps((gap,)), run.traces[1]))


def put(record: RunRecord, path: str, value: Any) -> RunRecord:
    """The record with another value at one place."""
    changed = json.loads(canonical(record))
    *before, last = [int(one) if one.isdigit() else one for one in path.split("/")]
    place = changed
    for one in before:
        place = place[one]
    place[last] = value
    return RunRecord.model_validate_json(json.dumps(changed))


def found_in(record: RunRecord, told: Any) -> list[str]:
    traces = tuple(_with_gaps(*one) for one in zip(told.traces, record.stages, strict=True))
    return [one.sentence for one in differences(record, rejudged(record, traces), traces)]


def checked(record: RunRecord, told: Any, bench: SimpleNamespace, authority: Any, at: datetime) -> Verification:
    data = sealed_document(
        record, sha256(canonical(record)), told.traces, works=bench.works, paper="A4", key=authority.station, at=at
    )
    return verify(data, authority.anchors)


def test_a_record_as_the_station_writes_it_follows(told: Any) -> None:
    assert found_in(told.record, told) == []


FINDING = "stages/0/finding"


@pytest.mark.parametrize(
    ("path", "value", "where"),
    [
        (f"{FINDING}/lowest", "549 psi", "lowest"),
        (f"{FINDING}/highest", "508 psi", "highest"),
        (f"{FINDING}/held_ms", 6_000_000, "held ms"),
        (f"{FINDING}/decay/slope_per_min", "-0.000001 psi", "decay, slope per min"),
        (f"{FINDING}/decay/half_width_per_min", "0.000001 psi", "decay, half width per min"),
        (f"{FINDING}/decay/curved", True, "decay, curved"),
        (f"{FINDING}/decay/sentence", "The pressure did not change at all.", "decay, sentence"),
        (f"{FINDING}/timing/within_us", 1, "timing, within us"),
        (f"{FINDING}/timing/known_to_us", 1, "timing, known to us"),
        (f"{FINDING}/timing/line/residual_rms_us", 1, "timing, line, residual rms us"),
        (f"{FINDING}/criteria/1/required", "5000 psi", "criteria 2, required"),
        (f"{FINDING}/criteria/1/sentence", "Approved by the purchaser.", "criteria 2, sentence"),
        ("stages/0/trace/samples", 7, "number of readings"),
        ("stages/0/restarts", 3, "the hold began again"),
        ("stages/0/attempt", 2, ""),
        ("stages/0/requirement/safe_below", "6 psi", "requirement safe below"),
        ("reason", "Accepted by the purchaser at 9000 psi.", "reason"),
    ],
)
def test_no_value_that_follows_can_be_another(told: Any, path: str, value: Any, where: str) -> None:
    """The first difference names the value, what is recorded, and what the readings give."""
    first = found_in(put(told.record, path, value), told)[0]
    assert where in first.partition(": recorded ")[0]
    assert f"recorded {value}".rstrip(".") in first or path.endswith("attempt")


def test_the_sentence_says_what_is_recorded_and_what_is_found(told: Any) -> None:
    """On both sides of the comparison with readings, and of that with the record itself."""
    lowest = told.record.stages[0].finding.lowest
    assert found_in(put(told.record, f"{FINDING}/lowest", "549 psi"), told) == [
        f"shell test, attempt 1, lowest: recorded 549 psi, the readings give {lowest}"
    ]
    (said,) = found_in(put(told.record, "stages/0/restarts", 1), told)
    assert said == (
        "shell test, attempt 1, the hold began again: recorded 1 times, but the readings show 0 times at most that "
        "could break a hold off"
    )
    assert found_in(put(told.record, "valve/rated", "2500 psi"), told) == [
        "rated pressure: recorded 2500 psi, but the requirements are for 250 psi"
    ]
    assert found_in(put(told.record, "requirements/stages/0/gauge_range/most", "9 psi"), told) == [
        "shell test, attempt 1, requirement gauge range, most: recorded 2000 psi, but the run demands 9 psi"
    ]


@pytest.mark.parametrize(("by", "wrong"), [(0, False), (1, True), (-1, True)])
@pytest.mark.parametrize("mark", ["hold_since", "hold_until", "gaps/0/since", "gaps/0/until"])
def test_hold_and_gaps_lie_between_readings(told: Any, mark: str, by: int, wrong: bool) -> None:
    """To the tick: the station notes the time of a reading for each."""
    stage = json.loads(canonical(told.record))["stages"][0]
    value = stage["gaps"][0][mark[7:]] if mark.startswith("gaps") else stage[mark]
    assert bool(found_in(put(told.record, f"stages/0/{mark}", value + by), told)) is wrong


def test_no_gap_lies_where_something_was_read(told: Any) -> None:
    """But for a reading that stood still: its first readings came before anybody could know."""
    trace, gap = told.traces[0], told.record.stages[0].gaps[0]
    later = trace.at[trace.at > gap.until]
    wide = {"since": gap.since, "until": int(later[9]), "reason": str(GapReason.SILENT)}
    assert found_in(put(told.record, "stages/0/gaps", [wide]), told)[0] == (
        f"shell test, attempt 1, gap: recorded {gap.since} to {int(later[9])}, but 10 readings lie within it"
    )


def test_another_version_may_word_better_on_the_same_numbers(
    told: Any, bench: SimpleNamespace, authority: Any, at: datetime
) -> None:
    """A document is checked years later; a number that no reading gives is found all the same."""
    old = told.record.model_copy(update={"software": "0.0.9"})
    said = old.stages[0].finding.criteria[3].sentence
    worded = put(old, f"{FINDING}/criteria/3/sentence", said.replace("was seen released", "had been let off"))
    found = checked(worded, told, bench, authority, at)
    assert (found.intact, found.prints, found.follows) == (True, True, True)
    (said,) = found.reasons
    assert said == (
        "Another version wrote its sentences, on the same values: shell test, attempt 1, criteria 4, sentence: "
        "recorded Pressure had been let off below 5 psi, the readings give Pressure was seen released below 5 psi."
    )
    lied = put(old, f"{FINDING}/criteria/3/sentence", said.replace("5 psi", "9000 psi"))
    assert not checked(lied, told, bench, authority, at).follows


@pytest.mark.parametrize(
    "change",
    [lambda record: put(record, f"{FINDING}/held_ms", 6_000_000), lambda record: put(record, "valve/rated", "9 psi")],
    ids=["measured value", "contradiction"],
)
def test_verify_says_that_it_does_not_follow_although_seal_and_page_are_right(
    told: Any, bench: SimpleNamespace, authority: Any, at: datetime, change: Callable[[RunRecord], RunRecord]
) -> None:
    """The same verdict is not enough."""
    record = change(told.record)
    found = checked(record, told, bench, authority, at)
    assert (found.intact, found.prints, found.rejudged, found.follows) == (True, True, "accepted", False)
    (first, *_) = found_in(record, told)
    assert found.reasons == (f"What is recorded does not follow from what is attached: {first}.",)
    assert in_words(found)[0] == (
        "DOES NOT FOLLOW: C-B1-2026-0001 for valve HL-4-0117, verdict accepted. Nothing was changed since it was "
        "sealed, but what it says is not shown to follow."
    )
