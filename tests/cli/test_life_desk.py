"""The life of a valve and the order board through the desk and the history of a real home: no screen, no recorder."""

import shutil
from functools import partial
from pathlib import Path

import pytest
from pydantic import SecretStr

from testbench.credentials import secrets
from testbench.errors import (
    BenchError,
    EntryRefusedError,
    NonconformityStepError,
    NotAuthenticatedError,
    SerialNeverSeenError,
)
from testbench.reviewing import HomeHistory, review_desk
from testbench.run.nonconformity import Step
from testbench.station.life_lines import run_lines
from testbench.station.review_models import EnterNonconformity, Sign
from testbench.station.searching import Search
from testbench.station.withdrawals import number_of
from testbench.wiring import Home, read_store
from testbench.withdrawing import withdraw
from tests.review_home import ASHE, RUNS, review_home

NUMBER, SERIAL = "N-B1-000001", "HL-6-0118"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Two orders, a run for each valve; the second one is rejected. Secrets hashed cheaply."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(secrets, "Argon2Secrets", partial(secrets.Argon2Secrets, cheap=True))
        return review_home(tmp_path_factory.mktemp("made") / "home", RUNS[:3]).folder


@pytest.fixture
def home(made, tmp_path) -> Home:
    """One of its own for each test."""
    shutil.copytree(made, tmp_path / "home")
    return Home(tmp_path / "home")


@pytest.fixture
def desk(home):
    with review_desk(home, ASHE) as made:
        yield made


def entry(step, text, password="", **more) -> EnterNonconformity:
    return EnterNonconformity(number=NUMBER, step=step, text=text, password=SecretStr(password), **more)


def steps(desk) -> list[Step]:
    (found,) = desk.life(SERIAL).nonconformities
    return [one.what.step for one in found.entries]


def refused(error: type[BenchError], call) -> str:
    with pytest.raises(error) as refusal:
        call()
    return str(refusal.value)


def test_the_life_has_order_runs_and_nonconformity(desk):
    """Letters count alike in either case; nobody's number is refused."""
    page = desk.life("hl-6-0118")
    assert (page.serial, page.orders[0].order) == (SERIAL, "HL-2041")
    assert [(run.run, run.verdict, run.signatures[0].name) for run in page.runs] == [
        ("B1-000002", "rejected", "Mara Quill")
    ]
    assert page.nonconformities[0].number == NUMBER
    assert refused(SerialNeverSeenError, lambda: desk.life("HL-6-0181")) == (
        "Serial number HL-6-0181 stands on no order and in no run in the records of this bench."
    )


def test_from_the_disposition_to_the_end(desk):
    """A note by who sits there; what decides by whoever showed the password anew; each under name and id."""
    assert desk.act(entry("noted", "Scratch at six o'clock.")).sentences == (
        "Nonconformity N-B1-000001 is noted; it stands as 'no disposition yet'.",
    )
    granted = {"disposition": "concession", "authority": "Ellery Water Board", "reference": "EWB-C-12"}
    assert desk.act(entry("disposed", "Service water only.", ASHE.secret, **granted)).sentences == (
        "Nonconformity N-B1-000001 is disposed; it stands as 'conceded'.",
    )
    desk.act(entry("disposed", "It cracked on the way.", ASHE.secret, disposition="scrap"))
    desk.act(entry("closed", "Cut up.", ASHE.secret))
    (found,) = desk.life(SERIAL).nonconformities
    assert found.standing == "closed"
    assert [(one.by, one.by_id) for one in found.entries[1:]] == [("Tobin Ashe", "ashe")] * 4


@pytest.mark.parametrize(
    ("error", "act", "sentence"),
    [
        (NonconformityStepError, entry("closed", "Done.", "wrong"),
         ("Nonconformity N-B1-000001 cannot be closed: it stands as 'no disposition yet'; "
          "allowed: attached, disposed, noted.")),
        (EntryRefusedError, entry("disposed", "It may go.", "wrong", disposition="concession"),
         "The entry 'disposed' is not entered: a concession names who granted it and under which reference."),
        (EntryRefusedError, entry("disposed", "Why.", "wrong", disposition="scrap", authority="Ellery Water Board"),
         "The entry 'disposed' is not entered: authority and reference belong to a concession."),
        (EntryRefusedError, entry("noted", " "),
         "The entry 'noted' is not entered: text: found nothing, something must be said."),
        (NotAuthenticatedError, entry("disposed", "Cracked.", "wrong", disposition="scrap"),
         "'ashe' and what was entered do not belong together."),
        (NotAuthenticatedError, entry("disposed", "Cracked.", disposition="scrap"),
         "'ashe' and what was entered do not belong together."),
    ],
)  # fmt: skip
def test_what_is_refused_is_not_entered(desk, error, act, sentence):
    """What cannot be read or may not follow is said before the password is looked at."""
    assert refused(error, lambda: desk.act(act)) == sentence
    assert steps(desk) == [Step.OPENED]


def test_two_reviewers_at_one_nonconformity(home, desk):
    """Who comes second is told how it stands by then."""
    with review_desk(home, ASHE) as other:
        other.act(entry("disposed", "Cracked.", ASHE.secret, disposition="scrap"))
    late = entry("disposed", "Lap it.", ASHE.secret, disposition="rework")
    assert refused(NonconformityStepError, lambda: desk.act(late)) == (
        "Nonconformity N-B1-000001 cannot be disposed: it stands as 'scrap'; allowed: attached, closed, noted."
    )
    assert steps(desk) == [Step.OPENED, Step.DISPOSED]


def test_the_board_counts_and_names_what_it_could_not_read(home, desk):
    """A file that breaks a rule is missing, and said; the life says so, too."""
    (home.folder / "orders" / "HL-2043.toml").write_text("number = ")
    page = desk.board()
    assert [(line.order, line.accepted, line.rejected, line.released) for line in page.lines] == [
        ("HL-2041", 1, 1, 0), ("HL-2042", 1, 0, 0),
    ]  # fmt: skip
    assert [one.partition(": ")[0].rpartition("/")[2] for one in page.refused] == ["HL-2043.toml"]
    assert desk.life(SERIAL).refused == page.refused


def test_a_document_that_was_withdrawn_says_so(home, desk):
    """Beside its file, with the reason."""
    released = desk.act(Sign(act="released", runs=("B1-000001",), password=SecretStr(ASHE.secret)))
    assert len(released.documents) == 1
    assert desk.board().lines[0].without_certificate == 0
    (run,) = desk.life("HL-4-0117").runs
    assert [(one.kind, one.withdrawn) for one in run.documents] == [("certificate", "")]
    said = withdraw(home, number_of(run.documents[0].file), "The heat number was wrong.", ("Ines Marlow", None))
    (run,) = desk.life("HL-4-0117").runs
    assert [one.withdrawn for one in run.documents] == [said.sentence]
    line = desk.board().lines[0]
    assert (line.order, line.released, line.without_certificate) == ("HL-2041", 1, 1)
    assert run_lines(run)[-1] == f"  WITHDRAWN: {said.sentence}"


def test_the_history_tells_the_same_life(home, desk):
    """Read only, beside whoever writes."""
    with read_store(home) as store:
        history = HomeHistory(home, store)
        assert history.life(SERIAL) == desk.life(SERIAL)
        assert [one.run for one in history.search(Search(serial=SERIAL))] == ["B1-000002"]
        assert history.record_of("B1-000002").valve.serial == SERIAL
