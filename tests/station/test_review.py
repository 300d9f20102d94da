"""What waits, and what a reviewer may do with a run: each rule on both sides.

That whoever tested never releases is the trade's four-eyes rule (common practice; 21 CFR 11 asks who signed, not that
they be two). That several are released together only after each was opened is a decision of our own.
"""

import runpy
from itertools import chain, combinations
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import (
    AlreadySignedError,
    AnswerRefusedError,
    BatchRefusedError,
    DecidedOtherwiseError,
    NotReadyToReleaseError,
    OwnRunError,
    ReturnRefusedError,
    RoleMissingError,
    RunReturnedError,
    SealBrokenError,
)
from testbench.run.machine import Ending
from testbench.run.record import EarlierRun, Verdict, canonical, sha256
from testbench.run.signature import Meaning, Method, Role, Signature, uuid7
from testbench.station.people import Person
from testbench.station.review import (
    Borne,
    Case,
    ReviewEntry,
    Step,
    check_answer,
    check_batch,
    check_decides,
    check_release,
    check_return,
    remarks_of,
    waits_for,
)

ASHE = Person("ashe", "Tobin Ashe", (Role.ENGINEER, Role.REVIEWER))
MARLOW = Person("marlow", "Ines Marlow", (Role.REVIEWER,))
QUILL = Person("quill", "Mara Quill", (Role.OPERATOR,))
VENN = Person("venn", "Orla Venn", (Role.OPERATOR, Role.REVIEWER))
THORNE = Person("thorne", "Ivo Thorne", (Role.ENGINEER,))
AT = "2026-11-26T09:00:00.000Z"


@pytest.fixture(scope="module")
def examples() -> SimpleNamespace:
    """What ``tests/records/make.py`` offers."""
    return SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "records" / "make.py")))


@pytest.fixture(scope="module")
def accepted(examples):
    """An accepted run of Mara Quill."""
    record, _ = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    return record.model_copy(update={"operator_id": "quill"})


def signature(record, person: Person, meaning: Meaning) -> Signature:
    return Signature(
        id=uuid7(1, 1), person=person.id, printed_name=person.name, role=person.roles[-1], meaning=meaning,
        statement="I did.", signed_at=AT, utc_offset_minutes=0, clock_status="test", bench="B1", method=Method.PASSWORD,
        subject="run", subject_id=record.run, record_sha256=sha256(canonical(record)),
    )  # fmt: skip


def entry(record, person: Person, step: Step, **said) -> ReviewEntry:
    return ReviewEntry(
        step=step, run=record.run, record_sha256=sha256(canonical(record)), person=person.id, printed_name=person.name,
        method=Method.PASSWORD, at=AT, bench="B1", **said,
    )  # fmt: skip


def performed(record, *entries: ReviewEntry, by: Person = QUILL, **other) -> Borne:
    return Borne((signature(record, by, Meaning.PERFORMED),), entries, **other)


def case_of(record, *entries: ReviewEntry, **other) -> Case:
    return Case(record, performed(record, *entries), record, **other)


# What waits --------------------------------------------------------------------------------------

DONE, RELEASED, REVIEWED = Meaning.PERFORMED, Meaning.RELEASED, Meaning.REVIEWED


@pytest.mark.parametrize(
    ("verdict", "signed", "waits"),
    [(Verdict.ACCEPTED, (), DONE), (Verdict.ACCEPTED, (DONE,), RELEASED),
     (Verdict.ACCEPTED, (DONE, REVIEWED), RELEASED),
     (Verdict.ACCEPTED, (DONE, RELEASED), None), (Verdict.ACCEPTED, (REVIEWED,), DONE),
     (Verdict.REJECTED, (), DONE), (Verdict.REJECTED, (DONE,), REVIEWED), (Verdict.REJECTED, (DONE, REVIEWED), None),
     (Verdict.INCONCLUSIVE, (DONE,), REVIEWED), (Verdict.INCONCLUSIVE, (REVIEWED, DONE), None),
     (None, (), DONE), (None, (DONE,), None)],
)  # fmt: skip
def test_a_run_waits_until_its_signatures_are_complete(verdict, signed, waits):
    """Its operator's first; then a release of what was accepted, a review of what was not; a void run shows nothing."""
    assert waits_for(verdict, signed) is waits


@given(st.sampled_from([None, *Verdict]), st.lists(st.sampled_from([DONE, REVIEWED, RELEASED, Meaning.WITNESSED])))
def test_signing_what_a_run_waits_for_ends_its_waiting(verdict, signed):
    """In two signatures at most, and what is signed already is never waited for again."""
    for _ in range(2):
        following = waits_for(verdict, signed)
        assert following not in signed
        signed = [*signed, *((following,) if following else ())]
    assert waits_for(verdict, signed) is None


# Release -----------------------------------------------------------------------------------------


def test_another_reviewer_releases_an_accepted_run_that_was_signed(accepted):
    """The ordinary case, nothing said."""
    check_release(case_of(accepted), ASHE)


@pytest.mark.parametrize(
    ("person", "error", "sentence"),
    [(QUILL, RoleMissingError, "'quill' is operator; this needs the role reviewer."),
     (Person("quill", "Mara Quill", (Role.OPERATOR, Role.REVIEWER)), OwnRunError,
      "'quill' performed run B1-000001 and cannot sign it as released.")],
)  # fmt: skip
def test_nobody_releases_the_own_run_or_without_the_role(accepted, person, error, sentence):
    """Four eyes."""
    with pytest.raises(error) as refusal:
        check_release(case_of(accepted), person)
    assert str(refusal.value) == sentence


def test_a_run_that_is_not_whole_is_signed_by_no_reviewer(accepted):
    """Neither reviewed nor released; its operator may still say who performed it."""
    borne = performed(accepted, seal_fault="what entry 7 (run sealed B1-000001) stands for was changed")
    for meaning in (REVIEWED, RELEASED):
        with pytest.raises(SealBrokenError) as refusal:
            check_decides(accepted, borne, ASHE, meaning)
        assert str(refusal.value) == (
            "Run B1-000001 is not as it was sealed: what entry 7 (run sealed B1-000001) stands for was changed."
        )
    check_decides(accepted, Borne(seal_fault=borne.seal_fault), QUILL, DONE)


def test_a_recalled_run_is_not_released(accepted):
    """Whoever recalled it must lift that first."""
    with pytest.raises(NotReadyToReleaseError) as refusal:
        check_release(case_of(accepted, against="it is recalled by RC-B1-000001"), ASHE)
    assert str(refusal.value) == ("Run B1-000001 cannot be released: it is recalled by RC-B1-000001.")


def test_a_record_that_does_not_follow_from_its_samples_is_not_released(accepted):
    """A customer who checks the page would find the same."""
    again = accepted.model_copy(update={"verdict": Verdict.INCONCLUSIVE})
    with pytest.raises(DecidedOtherwiseError) as refusal:
        check_release(Case(accepted, performed(accepted), again), ASHE)
    assert str(refusal.value) == (
        "Run B1-000001 is recorded as accepted; decided again from its samples it is inconclusive."
    )


def test_the_second_release_is_refused_and_names_the_first(accepted):
    """Two reviewers on one run: who comes second is told."""
    borne = Borne((*performed(accepted).signed, signature(accepted, ASHE, RELEASED)))
    with pytest.raises(AlreadySignedError) as refusal:
        check_release(Case(accepted, borne, accepted), MARLOW)
    assert str(refusal.value) == "Run B1-000001 is already signed as released, by Tobin Ashe."


# Return and answer -------------------------------------------------------------------------------


def test_a_returned_run_is_released_only_after_its_answer(accepted):
    """And a second return begins anew."""
    back = entry(accepted, ASHE, Step.RETURNED, to="Mara Quill", note="Which vessel was read?")
    answer = entry(accepted, QUILL, Step.ANSWERED, note="The 50 mL cylinder.")
    for entries, free in (((back,), False), ((back, answer), True), ((back, answer, back), False)):
        case = case_of(accepted, *entries)
        if free:
            check_release(case, MARLOW)
            continue
        with pytest.raises(RunReturnedError) as refusal:
            check_release(case, MARLOW)
        assert str(refusal.value) == (
            "Run B1-000001 was returned by Tobin Ashe and is not answered yet: Which vessel was read?"
        )


def test_opening_a_returned_run_answers_nothing(accepted):
    """Looking is not answering."""
    back = entry(accepted, ASHE, Step.RETURNED, note="Why?")
    assert performed(accepted, back, entry(accepted, MARLOW, Step.OPENED)).returned == back


@pytest.mark.parametrize(
    ("person", "what", "sentence"),
    [(VENN, "free", None), (ASHE, "free", None),
     (VENN, "own", "Run B1-000001 cannot be returned: 'venn' performed it."),
     (ASHE, "released", f"Run B1-000001 cannot be returned: it was released by Ines Marlow at {AT}."),
     (MARLOW, "returned", f"Run B1-000001 cannot be returned: Tobin Ashe returned it at {AT}, not answered yet.")],
)  # fmt: skip
def test_a_run_is_returned_once_at_a_time_by_another_and_before_its_release(accepted, person, what, sentence):
    """After a release only a recall helps."""
    record, borne = accepted, performed(accepted)
    if what == "own":
        record = accepted.model_copy(update={"operator_id": "venn", "operator": "Orla Venn"})
    if what == "released":
        borne = Borne((*borne.signed, signature(record, MARLOW, RELEASED)))
    if what == "returned":
        borne = performed(record, entry(record, ASHE, Step.RETURNED, note="Why?"))
    if sentence is None:
        check_return(record, borne, person)
        return
    with pytest.raises(ReturnRefusedError) as refusal:
        check_return(record, borne, person)
    assert str(refusal.value) == sentence


def test_only_a_reviewer_returns(accepted):
    """An operator has another word for it: the signature is not given."""
    with pytest.raises(RoleMissingError) as refusal:
        check_return(accepted, performed(accepted), QUILL)
    assert str(refusal.value) == "'quill' is operator; this needs the role reviewer."


@pytest.mark.parametrize(
    ("person", "sentence"),
    [(QUILL, None), (THORNE, None),
     (ASHE, "Run B1-000001 cannot be answered: 'ashe' returned it."),
     (MARLOW, "Run B1-000001 cannot be answered: 'marlow' neither performed it nor is an engineer."),
     (VENN, "Run B1-000001 cannot be answered: 'venn' neither performed it nor is an engineer.")],
)  # fmt: skip
def test_a_return_is_answered_by_the_operator_or_an_engineer_but_not_by_who_returned_it(accepted, person, sentence):
    """Tobin Ashe is an engineer, too, and would answer himself."""
    borne = performed(accepted, entry(accepted, ASHE, Step.RETURNED, note="Why?"))
    if sentence is None:
        check_answer(accepted, borne, person)
        return
    with pytest.raises(AnswerRefusedError) as refusal:
        check_answer(accepted, borne, person)
    assert str(refusal.value) == sentence


def test_what_nobody_returned_is_not_answered(accepted):
    """Nor answered twice."""
    back, answer = entry(accepted, ASHE, Step.RETURNED, note="Why?"), entry(accepted, QUILL, Step.ANSWERED, note="So.")
    for entries in ((), (back, answer)):
        with pytest.raises(AnswerRefusedError) as refusal:
            check_answer(accepted, performed(accepted, *entries), QUILL)
        assert str(refusal.value) == "Run B1-000001 cannot be answered: nobody waits for an answer."


# Several at once ---------------------------------------------------------------------------------


def opened(record, person=ASHE) -> ReviewEntry:
    return entry(record, person, Step.OPENED)


def numbered(record, number: int):
    return record.model_copy(update={"run": f"B1-{number:06d}"})


def test_clean_runs_that_this_reviewer_has_opened_are_released_together(accepted):
    """Each of them."""
    both = [numbered(accepted, 1), numbered(accepted, 2)]
    check_batch([case_of(one, opened(one)) for one in both], ASHE)


def test_one_run_in_the_way_stops_the_batch_and_every_such_run_is_named(accepted):
    """Not opened, opened by somebody else, opened as another record, not clean, not releasable."""
    first, second, third, fourth, fifth = (numbered(accepted, number) for number in range(1, 6))
    other = opened(second).model_copy(update={"record_sha256": "0" * 64})
    rejected = fifth.model_copy(update={"verdict": Verdict.REJECTED})
    repeated = fourth.model_copy(update={
        "stages": (fourth.stages[0].model_copy(update={"attempt": 2}), *fourth.stages[1:])
    })  # fmt: skip
    cases = [
        case_of(numbered(accepted, 9), opened(numbered(accepted, 9))),
        case_of(first, opened(first, MARLOW)), case_of(second, other), case_of(third),
        case_of(repeated, opened(repeated)), case_of(rejected, opened(rejected)),
    ]  # fmt: skip
    with pytest.raises(BatchRefusedError) as refusal:
        check_batch(cases, ASHE)
    assert str(refusal.value) == (
        "None of these 6 runs was released. "
        "Run B1-000001 was not opened by 'ashe' since it was sealed. "
        "Run B1-000002 was not opened by 'ashe' since it was sealed. "
        "Run B1-000003 was not opened by 'ashe' since it was sealed. "
        "Run B1-000004 is not clean: the shell test took attempt 2. "
        "Run B1-000005 cannot be released: its verdict is rejected."
    )


REMARKS = {
    "restarted": "the hold of the shell test began anew",
    "earlier": "run B1-000000 of this valve was rejected before",
    "returned": "it was returned before",
    "recalled": "it is recalled by RC-B1-000001",
    "otherwise": "the present program decides it otherwise",
}


@pytest.mark.parametrize("present", chain.from_iterable(combinations(REMARKS, n) for n in range(3)))
def test_a_clean_run_has_no_remark_and_every_remark_is_told(accepted, present):
    """Any two of them, in one order."""
    record, entries = accepted, ()
    if "restarted" in present:
        first = record.stages[0].model_copy(update={"restarts": 1})
        record = record.model_copy(update={"stages": (first, *record.stages[1:])})
    if "earlier" in present:
        before = EarlierRun(run="B1-000000", verdict=Verdict.REJECTED, reason="Leaked.", record_sha256="0" * 64)
        record = record.model_copy(update={"earlier": (before,)})
    if "returned" in present:
        entries = (entry(record, ASHE, Step.RETURNED, note="Why?"), entry(record, QUILL, Step.ANSWERED, note="So."))
    void = {"verdict": None} if "otherwise" in present else {}
    against = "it is recalled by RC-B1-000001" if "recalled" in present else ""
    case = Case(record, performed(record, *entries), record.model_copy(update=void), against)
    assert set(remarks_of(case)) == {REMARKS[one] for one in present}


def test_a_run_that_was_not_accepted_is_not_clean(accepted):
    """The verdict comes first."""
    stopped = accepted.model_copy(update={"verdict": None, "ending": Ending.STOPPED})
    assert remarks_of(case_of(stopped)) == ("its verdict is void",)
