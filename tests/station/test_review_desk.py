"""A reviewer at work over real records: page, release, return, two at once. No screen, no home."""

import threading

import pytest
from pydantic import SecretStr

from testbench.errors import (
    AlreadySignedError,
    BatchRefusedError,
    BenchError,
    DocumentExistsError,
    NoRegisterError,
    NotAuthenticatedError,
    NotReadyToReleaseError,
    PageOwedError,
    PersonDisabledError,
    ReturnedToError,
    RoleMissingError,
    RunReturnedError,
)
from testbench.run.signature import Meaning, Method, Role
from testbench.station.desk import Given
from testbench.station.people import OWNER, Change
from testbench.station.review import Step, check_answer
from testbench.station.review_desk import RecordsDesk
from testbench.station.review_models import OpenNonconformity, Return, RunPage, Sign
from tests.station.test_desk import ASHE, QUILL, InHand, examples  # noqa: F401 - a fixture

MARLOW = Given("marlow", "seven bells at noon")
VENN = Given("venn", "salt and cold iron")


class Papers:
    """Notes what was asked for; ``refuses`` before a signature, ``fails`` after it."""

    def __init__(self):
        self.written, self.refuses, self.fails = [], (), ()

    def check(self, record):
        if record.run in self.refuses:
            raise DocumentExistsError("C-" + record.run, "here")

    def write(self, record, signature):
        if record.run in self.fails:
            raise PageOwedError(record.run, signature.meaning, signature.printed_name, "certificate", "No ink.")
        self.written.append(record.run)
        return f"C-{record.run}.pdf"


class Register:
    """Nonconformities in memory."""

    def __init__(self):
        self.opened, self.recalls = [], {}

    def open(self, record, reviewer, why):
        self.opened.append((record.run, reviewer.id, why))
        return "N-B1-000001"

    def opened_on(self, record):
        return next(("N-B1-000001" for run, _, _ in self.opened if run == record.run), "")

    def lines_of(self, serial):
        return ("N-B1-000001: rework",) if self.opened else ()

    def against(self, run):
        return self.recalls.get(run, "")


class Works:
    """Records, people and the desks of reviewers."""

    def __init__(self, folder, examples):  # noqa: F811
        self.hand, self.examples = InHand(folder), examples
        self.store, self.people = self.hand.store, self.hand.desk
        self.people.add(
            OWNER, "ashe", "Tobin Ashe", (Role.ENGINEER, Role.REVIEWER), {Method.PASSWORD: ASHE.secret}
        )  # fmt: skip
        self.people.add("ashe", "quill", "Mara Quill", (Role.OPERATOR,), {Method.PIN: QUILL.secret})
        both = {Method.PIN: "8052", Method.PASSWORD: VENN.secret}
        self.people.add("ashe", "venn", "Orla Venn", (Role.OPERATOR, Role.REVIEWER), both)
        self.people.add("ashe", "marlow", "Ines Marlow", (Role.REVIEWER,), {Method.PASSWORD: MARLOW.secret})
        self.papers, self.register = Papers(), None

    def run(self, caught="0.2 mL", operator=QUILL, performed=True, **other) -> str:
        record, traces = self.examples.example_run("", self.examples.valve("HL-4-0117", "NPS 4"), caught, **other)
        name = self.people.people()[operator.person].name
        record = record.model_copy(update={"operator_id": operator.person, "operator": name})
        run = self.examples.keep_closed(self.store, record, traces)
        if performed:
            self.people.sign_run(self.store.load(run)[0], operator, Meaning.PERFORMED)
        return run

    def desk(self, given=ASHE, store=None) -> RecordsDesk:
        reviewer = self.people.in_role(given, Role.REVIEWER, Method.PASSWORD)
        return RecordsDesk(store or self.store, self.people, reviewer, self.papers, self.register)

    def meanings(self, run: str) -> list[str]:
        return [one.meaning for one in self.store.signatures_of(run)]


@pytest.fixture
def works(tmp_path, examples):  # noqa: F811
    made = Works(tmp_path, examples)
    yield made
    made.hand.store.close()


def release(*runs, by=ASHE) -> Sign:
    return Sign(act="released", runs=runs, password=SecretStr(by.secret))


def refused(error, call) -> str:
    with pytest.raises(error) as refusal:
        call()
    return str(refusal.value)


# The page ----------------------------------------------------------------------------------------


def test_the_page_has_what_a_decision_is_taken_on(works):
    """Findings against limits, both traces, instruments that day, signatures, what is decided now."""
    run = works.run("6 mL")
    page = works.desk().page(run)
    assert (page.verdict, page.reason, page.specimen) == ("rejected", "The seat test was rejected.", True)
    assert [(one.stage, one.verdict) for one in page.attempts] == [
        ("shell test", "accepted"), ("seat test", "rejected"),
    ]  # fmt: skip
    leakage = next(one for one in page.attempts[1].findings if one.criterion == "largest-leakage-rate")
    assert (leakage.measured, leakage.limit, leakage.conformity) == ("23.56 fl_oz/h", "4 fl_oz/h", "does not conform")
    for attempt, highest in zip(page.attempts, (510, 260), strict=True):
        pressures = [pressure for _, pressure in attempt.trace.points]
        assert max(pressures) == pytest.approx(highest, abs=1)
        assert (attempt.trace.unit, attempt.trace.limits[0].name) == ("psi", "acceptance limit")
        first, last = attempt.trace.hold
        assert last - first == pytest.approx(61.0, abs=0.2)
    (instrument,) = page.instruments
    assert instrument.state == ("in date on 2026-11-20, range covered, zero passed, no second gauge was held beside it")
    assert (page.again.same, page.again.sentences) == (True, ())
    assert [(one.who, one.what) for one in page.said] == [
        ("Mara Quill, operator", "performed"),
        ("Tobin Ashe", "opened"),
    ]
    assert page.remarks == ("its verdict is rejected",)


def test_a_page_crosses_a_wire_as_it_is(works):
    """A browser can be served the same."""
    page = works.desk().page(works.run())
    assert RunPage.model_validate_json(page.model_dump_json()) == page


def test_a_password_is_never_written_down(works):
    """Neither dumped nor told."""
    act = release("B1-000001")
    assert ASHE.secret not in act.model_dump_json() + repr(act) + str(act)


def test_a_run_is_opened_once_by_each_reviewer(works):
    """Looking again adds nothing; what waits for nobody is not noted."""
    run = works.run()
    for given in (ASHE, ASHE, MARLOW, ASHE):
        works.desk(given).page(run)
    steps = [(one.person, one.step) for one in works.store.borne_by(run).entries]
    assert steps == [("ashe", "opened"), ("marlow", "opened")]
    works.desk().act(release(run))
    works.desk(VENN).page(run)
    assert len(works.store.borne_by(run).entries) == 2


def test_what_a_reviewer_may_do_is_told_with_the_reason(works):
    """Of the own run: nothing but what another may refuse as well."""
    page = works.desk(VENN).page(works.run(operator=Given("venn", "8052")))
    assert [(one.act, one.why_not) for one in page.offers] == [
        ("released", "'venn' performed run B1-000001 and cannot sign it as released."),
        ("reviewed", "'venn' performed run B1-000001 and cannot sign it as reviewed."),
        ("returned", "Run B1-000001 cannot be returned: 'venn' performed it."),
        ("nonconformity", "This bench keeps no register of nonconformities."),
    ]
    assert page.offer("released").statement.startswith("I have reviewed the record of run B1-000001")


def test_what_differs_by_now_is_shown_sentence_by_sentence(works, monkeypatch):
    """And is not released; the samples decide."""
    from testbench.station import review_desk

    run = works.run()

    def stricter(record, traces):
        seat = record.stages[1]
        leak = seat.finding.criteria[2].model_copy(update={"conformity": "does not conform", "sentence": "Too much."})
        criteria = (*seat.finding.criteria[:2], leak, *seat.finding.criteria[3:])
        finding = seat.finding.model_copy(update={"criteria": criteria, "verdict": "rejected"})
        stages = (record.stages[0], seat.model_copy(update={"finding": finding}))
        return record.model_copy(
            update={"stages": stages, "verdict": "rejected", "reason": "The seat test was rejected."}
        )

    monkeypatch.setattr(review_desk, "rejudged", stricter)
    page = works.desk().page(run)
    assert not page.again.same
    assert page.again.sentences == ("rejected: The seat test was rejected.", "seat test, attempt 1: Too much.")
    assert page.offer("released").why_not == (
        "Run B1-000001 is recorded as accepted; decided again from its samples it is rejected."
    )
    assert page.remarks == ("the present program decides it otherwise",)


# Signing -----------------------------------------------------------------------------------------


def test_a_release_is_signed_and_its_certificate_written(works):
    """One run needs no opening: its statement was shown."""
    run = works.run()
    done = works.desk().act(release(run))
    assert done.sentences[0].startswith(f"Run {run} is released by Tobin Ashe at 2026-11-")
    assert done.documents == (f"C-{run}.pdf",)
    assert works.meanings(run) == ["performed", "released"]
    assert works.desk().queue().lines == ()


def test_a_rejected_run_is_signed_as_reviewed_and_waits_no_more(works):
    """No certificate comes of it."""
    run = works.run("6 mL")
    works.desk().act(Sign(act="reviewed", runs=(run,), password=SecretStr(ASHE.secret)))
    assert works.meanings(run) == ["performed", "reviewed"]
    assert works.papers.written == []
    assert works.desk().queue().lines == ()


def test_a_wrong_password_signs_nothing(works):
    """Although the reviewer sits at the desk already."""
    run, desk = works.run(), works.desk()
    refused(NotAuthenticatedError, lambda: desk.act(release(run, by=MARLOW)))
    assert works.meanings(run) == ["performed"]


def test_nobody_sits_down_without_the_role_or_the_password(works):
    """An operator has no password; an engineer need not be a reviewer."""
    works.people.add("ashe", "thorne", "Ivo Thorne", (Role.ENGINEER,), {Method.PASSWORD: "a dozen of letters"})
    assert refused(RoleMissingError, lambda: works.desk(Given("thorne", "a dozen of letters"))) == (
        "'thorne' is engineer; this needs the role reviewer."
    )
    refused(NotAuthenticatedError, lambda: works.desk(Given("ashe", "the tide at Port Elery")))


def test_who_is_disabled_meanwhile_sees_and_signs_nothing_more(works):
    """The desk asks the register anew."""
    run, desk = works.run(), works.desk(MARLOW)
    works.people.change("ashe", "marlow", Change.DISABLED)
    for call in (desk.queue, lambda: desk.page(run), lambda: desk.act(release(run, by=MARLOW))):
        assert refused(PersonDisabledError, call).startswith("'marlow' is disabled")
    assert works.meanings(run) == ["performed"]


def test_two_reviewers_at_once_release_a_run_once(works):
    """Both have the page open; the second is refused in one sentence and signs nothing."""
    run = works.run()
    desks = {given.person: (works.desk(given), given) for given in (ASHE, MARLOW)}
    outcomes, both = [], threading.Barrier(2)

    def sign(desk, given) -> None:
        both.wait()
        try:
            desk.act(release(run, by=given))
        except AlreadySignedError as refusal:
            outcomes.append(str(refusal))
        else:
            outcomes.append("released")

    threads = [threading.Thread(target=sign, args=pair) for pair in desks.values()]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    (told,) = [one for one in outcomes if one != "released"]
    first = works.store.signatures_of(run)[-1].printed_name
    assert told == f"Run {run} is already signed as released, by {first}."
    assert works.meanings(run) == ["performed", "released"]
    assert works.papers.written == [run]


def test_a_return_that_came_first_stops_the_release_of_another(works):
    """Asked within the transaction, whatever the open page says."""
    run, desk = works.run(), works.desk(MARLOW)
    assert desk.page(run).offer("released").why_not == ""
    works.desk().act(Return(run=run, why="Which vessel was read?", password=SecretStr(ASHE.secret)))
    assert refused(RunReturnedError, lambda: desk.act(release(run, by=MARLOW))) == (
        f"Run {run} was returned by Tobin Ashe and is not answered yet: Which vessel was read?"
    )


def test_a_document_that_could_not_be_written_is_refused_before_and_owed_after(works):
    """Before: nobody signs. After: what is signed is signed, the others are still written."""
    first, second = works.run(), works.run()
    works.papers.refuses = (first,)
    refused(DocumentExistsError, lambda: works.desk().act(release(first)))
    assert works.meanings(first) == ["performed"]
    works.papers.refuses, works.papers.fails = (), (first,)
    assert "No ink." in works.desk().act(release(first)).sentences[1]
    assert works.desk().act(release(second)).documents == (f"C-{second}.pdf",)


# Several at once ---------------------------------------------------------------------------------


def test_a_batch_with_an_unopened_run_is_refused_whole(works):
    """Then opened, and released together."""
    runs = [works.run() for _ in range(3)]
    desk = works.desk()
    for run in runs[:2]:
        desk.page(run)
    works.desk(MARLOW).page(runs[2])
    assert refused(BatchRefusedError, lambda: desk.act(release(*runs))) == (
        f"None of these 3 runs was released. Run {runs[2]} was not opened by 'ashe' since it was sealed."
    )
    assert {tuple(works.meanings(run)) for run in runs} == {("performed",)}
    desk.page(runs[2])
    done = desk.act(release(*runs))
    assert len(done.sentences) == len(done.documents) == 3
    assert works.papers.written == runs


def test_a_run_named_twice_is_one_run(works):
    """And by itself it is no batch."""
    run = works.run()
    works.desk().act(release(run, run))
    assert works.meanings(run) == ["performed", "released"]


# Return and answer -------------------------------------------------------------------------------


def test_a_returned_run_is_told_in_the_queue_until_it_is_answered(works):
    """To its operator unless an engineer is named."""
    run, desk = works.run(), works.desk(MARLOW)
    desk.act(Return(run=run, why="Which vessel was read?", password=SecretStr(MARLOW.secret)))
    (line,) = desk.queue().lines
    assert (line.returned, line.answered) == ("Ines Marlow to Mara Quill: Which vessel was read?", "")
    record, person = works.store.load(run)[0], works.people.people()["quill"]
    works.people.note(
        record, person, Method.PIN, Step.ANSWERED, lambda borne: check_answer(record, borne, person),
        note="The 50 mL cylinder.",
    )  # fmt: skip
    (line,) = desk.queue().lines
    assert (line.returned, line.answered) == ("", "Mara Quill: The 50 mL cylinder.")
    desk.act(Return(run=run, why="Whose is it?", to="ashe", password=SecretStr(MARLOW.secret)))
    assert desk.queue().lines[0].returned == "Ines Marlow to Tobin Ashe: Whose is it?"


@pytest.mark.parametrize("to", ["nobody", "venn"])
def test_a_run_is_returned_to_its_operator_or_an_engineer(works, to):
    """Somebody else could not answer."""
    run = works.run()
    act = Return(run=run, why="Why?", to=to, password=SecretStr(ASHE.secret))
    with pytest.raises(ReturnedToError) as refusal:
        works.desk().act(act)
    assert (str(refusal.value), refusal.value.remedy) == (
        f"Run {run} cannot be returned: '{to}' neither performed it nor is an engineer here.",
        "Leave out to whom: it then goes to its operator; or name an engineer, whom 'testbench people list' shows.",
    )


# Nonconformity and recall ------------------------------------------------------------------------


def test_a_nonconformity_is_opened_through_its_register(works):
    """Where there is none, that is said; the page names those of the valve."""
    run = works.run("6 mL")
    act = OpenNonconformity(run=run, why="The seat leaks.", password=SecretStr(ASHE.secret))
    refused(NoRegisterError, lambda: works.desk().act(act))
    works.register = Register()
    assert works.desk().act(act).sentences == (f"Nonconformity N-B1-000001 is opened on run {run}.",)
    assert works.register.opened == [(run, "ashe", "The seat leaks.")]
    (offer,) = (one for one in works.desk().page(run).offers if one.act == "nonconformity")
    assert offer.why_not == f"Run {run} has the nonconformity N-B1-000001 already."
    assert works.desk().page(run).nonconformities == ("N-B1-000001: rework",)


def test_a_recalled_run_is_not_released_until_that_is_lifted(works):
    """The register says why."""
    run, works.register = works.run(), Register()
    works.register.recalls[run] = "it is recalled by RC-B1-000001"
    sentence = f"Run {run} cannot be released: it is recalled by RC-B1-000001."
    assert works.desk().page(run).offer("released").why_not == sentence
    assert refused(NotReadyToReleaseError, lambda: works.desk().act(release(run))) == sentence
    works.register.recalls.clear()
    works.desk().act(release(run))


# Damage ------------------------------------------------------------------------------------------


def test_a_damaged_run_has_no_page_and_nothing_is_noted(works):
    """Damaged in the file, behind the program's back."""
    from tests.store.test_reviewing import tamper

    run, desk = works.run(), works.desk()
    tamper(works.hand.path, f"UPDATE record SET body = replace(body, 'Quill', 'Guill') WHERE run = {int(run[3:])}")
    with pytest.raises(BenchError) as refusal:
        desk.page(run)
    assert str(refusal.value).startswith(f"Run {run}")
    assert works.store.borne_by(run).entries == ()


def test_a_run_whose_line_in_the_ledger_is_broken_is_shown_and_not_signed(works):
    """The record reads well; the journal beside it was changed."""
    from tests.store.test_reviewing import tamper

    run, desk = works.run(), works.desk()
    tamper(works.hand.path, "UPDATE journal SET sentence = 'All is well.' WHERE seq = 1")
    why = desk.page(run).offer("released").why_not
    assert why.startswith(f"Run {run} is not as it was sealed: what entry ")
    assert refused(BenchError, lambda: desk.act(release(run))) == why
