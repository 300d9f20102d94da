"""``testbench review`` and ``judge --all``, as they are called: files, words, exit codes."""

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import BenchError, NoTerminalError
from testbench.run.record import RunRecord, Verdict, canonical, sha256
from testbench.store.reading import header_of
from testbench.wiring import Home
from tests.review_home import ASHE, MARLOW, QUILL, VENN, add_run, review_home
from tests.store.test_reviewing import tamper


class Called:
    """A home, and the program called on it."""

    def __init__(self, home):
        self.home = home

    def __call__(self, *words: str, secret: str = ""):
        given = {"input": f"{secret}\n"} if secret else {}
        more = ["--secret-stdin"] if secret else []
        return CliRunner().invoke(cli, [*words, *more, "--home", str(self.home.folder)], **given)

    def facts(self, *words: str, secret: str = ""):
        done = self(*words, "--json", secret=secret)
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    def refused(self, *words: str, secret: str) -> str:
        done = self(*words, secret=secret)
        assert isinstance(done.exception, BenchError), done.output
        return str(done.exception)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Four runs that wait: the second is rejected. Made once, for hashing secrets takes its time."""
    return review_home(tmp_path_factory.mktemp("made") / "home").folder


@pytest.fixture
def called(made, tmp_path) -> Called:
    shutil.copytree(made, tmp_path / "home")
    return Called(Home(tmp_path / "home"))


def ran(called, *words):
    return [line["run"] for line in called.facts("review", "list", *words)["lines"]]


def test_what_waits_is_listed_oldest_first(called):
    """With what it waits for; of one order; marked for a reviewer; behind a run."""
    assert ran(called) == ["B1-000001", "B1-000002", "B1-000003", "B1-000004"]
    assert ran(called, "--order", "HL-2042") == ["B1-000003", "B1-000004"]
    assert ran(called, "--after", "B1-000002") == ["B1-000003", "B1-000004"]
    lines = called("review", "list").output.splitlines()
    assert lines[1].split() == ["B1-000002", "2026-11-20T08:30", "HL-6-0118", "HL-2041", "rejected", "reviewed", "Mara",
                                "Quill"]  # fmt: skip
    assert lines[-1] == "4 runs wait; 4 are listed."
    called("review", "show", "B1-000003", "--as", "ashe", secret=ASHE.secret)
    opened = called.facts("review", "list", "--as", "ashe")["lines"]
    assert [line["opened"] for line in opened] == [False, False, True, False]


def test_what_waits_is_listed_for_somebody_who_is_registered(called):
    """A slip in the id would say that nothing was opened."""
    assert called.refused("review", "list", "--as", "nobody", secret="") == (
        "Nobody is registered as 'nobody'; registered are ashe, marlow, quill, venn."
    )


def test_one_run_waits(called):
    """In the number that it has."""
    said = called("review", "list", "--after", "B1-000003").output.splitlines()
    assert said[-1] == "4 runs wait; 1 is listed."


def test_a_run_is_shown_with_findings_instruments_and_what_may_be_done(called):
    """As text and as data."""
    text = called("review", "show", "B1-000002", "--as", "ashe", secret=ASHE.secret).output
    for words in (
        "B1-000002  HL-6-0118  REJECTED  SPECIMEN", "Decided again from its samples: The same.",
        "does not conform       largest-leakage-rate: 6 mL in 31.0 s is 23.56 fl_oz/h",
        "PT-101, pressure transmitter 0–1000 psi, T-0042: CAL-26-0311", "Mara Quill, operator: performed",
        "To look at: its verdict is rejected; it has the nonconformity N-B1-000001.",
        "released: Run B1-000002 cannot be released: its verdict is rejected.",
        "nonconformity: Run B1-000002 has the nonconformity N-B1-000001 already.",
    ):  # fmt: skip
        assert words in text
    page = called.facts("review", "show", "B1-000002", "--as", "ashe", secret=ASHE.secret)
    assert (page["verdict"], len(page["attempts"]), len(page["attempts"][1]["trace"]["points"]) > 500) == (
        "rejected", 2, True,
    )  # fmt: skip


def test_a_release_shows_its_statement_writes_the_certificate_and_counts_on_the_board(called):
    """One way for all: what `sign` does as well."""
    before = called.facts("order", "board")
    assert [(line["order"], line["accepted"], line["released"]) for line in before] == [
        ("HL-2041", 1, 0), ("HL-2042", 2, 0),
    ]  # fmt: skip
    done = called("review", "release", "B1-000001", "--as", "ashe", secret=ASHE.secret)
    assert done.output.startswith("  I have reviewed the record of run B1-000001 on valve HL-4-0117, verdict: accepted")
    page = called.home.certificates / "C-B1-000001_HL-4-0117.pdf"
    assert done.output.endswith(f"certificate written to {page}\n")
    assert page.read_bytes().startswith(b"%PDF-")
    called("sign", "B1-000003", "--as", "marlow", "--meaning", "released", secret=MARLOW.secret)
    board = called.facts("order", "board")
    assert [(line["order"], line["accepted"], line["released"]) for line in board] == [
        ("HL-2041", 1, 1), ("HL-2042", 2, 1),
    ]  # fmt: skip
    assert ran(called) == ["B1-000002", "B1-000004"]


def test_several_are_released_together_once_each_was_opened(called):
    """All or none; all certificates."""
    both = ("B1-000001", "B1-000003")
    release = ("review", "release", *both, "--as", "ashe")
    called("review", "show", "B1-000001", "--as", "ashe", secret=ASHE.secret)
    called("review", "show", "B1-000003", "--as", "marlow", secret=MARLOW.secret)
    assert called.refused(*release, secret=ASHE.secret) == (
        "None of these 2 runs was released. Run B1-000003 was not opened by 'ashe' since it was sealed."
    )
    assert list(called.home.certificates.iterdir()) == []
    called("review", "show", "B1-000003", "--as", "ashe", secret=ASHE.secret)
    done = called.facts(*release, secret=ASHE.secret)
    assert len(done["documents"]) == 2
    assert len(list(called.home.certificates.iterdir())) == 2


def test_a_run_goes_back_and_comes_again(called):
    """Neither `review release` nor `sign` goes round the return; the record stays as it is."""
    run = "B1-000004"
    done = called("review", "return", run, "--why", "Which vessel was read?", "--as", "marlow", secret=MARLOW.secret)
    assert done.output == f"Run {run} is returned to Mara Quill: Which vessel was read?\n"
    assert f"{'':4}returned by Ines Marlow to Mara Quill: Which vessel was read?" in called("review", "list").output
    sentence = f"Run {run} was returned by Ines Marlow and is not answered yet: Which vessel was read?"
    assert called.refused("review", "release", run, "--as", "ashe", secret=ASHE.secret) == sentence
    sign = ("sign", run, "--as", "ashe", "--meaning", "released")
    assert called.refused(*sign, secret=ASHE.secret) == sentence
    answer = ("review", "answer", run, "--note", "The 50 mL cylinder.")
    assert called.refused(*answer, "--as", "marlow", secret=MARLOW.secret) == (
        f"Run {run} cannot be answered: 'marlow' returned it."
    )
    assert called(*answer, "--as", "quill", secret=QUILL.secret).output == (
        f"Run {run} is answered by Mara Quill: The 50 mL cylinder.\n"
    )
    assert "answered by Mara Quill: The 50 mL cylinder." in called("review", "list").output
    assert called("review", "release", run, "--as", "ashe", secret=ASHE.secret).exit_code == 0
    assert called("ledger", "verify", "--traces").exit_code == 0


def test_nobody_reviews_the_own_run(called):
    """Orla Venn tests and reviews, but never the same run."""
    run = add_run(called.home, "HL-8-0120", "NPS 8", "resilient", by=VENN)
    own = "salt and cold iron"
    assert called.refused("review", "release", run, "--as", "venn", secret=own) == (
        f"'venn' performed run {run} and cannot sign it as released."
    )
    assert called.refused("review", "return", run, "--why", "?", "--as", "venn", secret=own) == (
        f"Run {run} cannot be returned: 'venn' performed it."
    )
    assert called("review", "release", "B1-000001", "--as", "venn", secret=own).exit_code == 0


def test_a_run_that_its_operator_has_not_signed_waits_for_that(called):
    """And is not released before."""
    run = add_run(called.home, "HL-8-0120", "NPS 8", "resilient", performed=False)
    assert called.facts("review", "list")["lines"][-1]["waits_for"] == "performed"
    assert called.refused("review", "release", run, "--as", "ashe", secret=ASHE.secret) == (
        f"Run {run} cannot be released: its operator has not signed it as performed."
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [(("review",), "The reviewer's screen needs --as ID."),
     (("judge",), "Name a run, or say --all."), (("judge", "B1-000001", "--all"), "Name a run, or say --all.")],
)  # fmt: skip
def test_what_is_missing_is_named(called, words, said):
    """Nothing is asked for and nothing done."""
    done = called(*words, secret=ASHE.secret if words[0] == "review" and len(words) > 1 else "")
    assert done.exit_code == 2
    assert said in done.output


def test_the_screen_needs_a_terminal(called):
    """Not a pipe."""
    assert isinstance(called("review", "--as", "ashe").exception, NoTerminalError)


@pytest.mark.parametrize(
    ("said", "found"),
    [("", "''"), ("   ", "'   '"), ("one\ntwo", "'one\\ntwo'"), ("long " * 100, "500 signs")],
    ids=["nothing", "blanks", "two lines", "too long"],
)
def test_a_reason_says_something_in_a_line(called, said, found):
    """One sentence, before a secret is asked for; no run is returned or answered."""
    returned = called("review", "return", "B1-000001", "--why", said, "--as", "ashe")
    answered = called("review", "answer", "B1-000001", "--note", said, "--as", "quill", secret=QUILL.secret)
    rule = f"is not entered: found {found}; it is one line that says something, of 400 signs at most."
    assert (str(returned.exception), str(answered.exception)) == (f"The reason {rule}", f"The answer {rule}")
    assert returned.exception.remedy == "Correct what is named and enter it again; nothing was entered."
    assert not called.facts("review", "list")["lines"][0]["returned"]


TRACE = "the trace of the shell test, attempt 1, does not match its hash; it was changed after it was written."
DAMAGED = f"Run B1-000003: {TRACE}"

# Judge -------------------------------------------------------------------------------------------


def test_every_run_is_decided_again(called):
    """In processes; progress goes to the other output."""
    done = called("judge", "--all", "--workers", "2")
    assert done.exit_code == 0
    assert done.stdout == "recorded by testbench 0.1.0: 4 same\nAll are decided as they are recorded.\n"
    assert done.stderr == "4 of 4 runs decided again\n"


def altered(path, run: int, change) -> None:
    """A record written otherwise, its hashes with it: as another version of the program would have decided it."""
    raw = sqlite3.connect(path)
    (body,) = raw.execute("SELECT body FROM record WHERE run = ?", (run,)).fetchone()
    raw.close()
    record = change(RunRecord.model_validate_json(body))
    text = canonical(record).decode().replace("'", "''")
    header = header_of(record, sha256(canonical(record)))
    tamper(path, f"UPDATE record SET body = '{text}' WHERE run = {run}")
    columns = ", ".join(f"{name} = {value!r}" for name, value in header.items())
    tamper(path, f"UPDATE run SET {columns} WHERE number = {run}")


def test_differences_are_told_by_the_version_that_recorded_them(called):
    """And a damaged trace is named; the others are still decided. Exit code 1."""

    def otherwise(record):
        return record.model_copy(update={"verdict": Verdict.ACCEPTED, "reason": "Every demanded stage was accepted.",
                                         "software": "0.0.9"})  # fmt: skip

    altered(called.home.database, 2, otherwise)
    tamper(called.home.database, "UPDATE trace SET stored = x'00' WHERE run = 3 AND stage = 0")
    done = called("judge", "--all", "--workers", "1")
    assert done.exit_code == 1
    assert done.stdout.splitlines() == [
        "version unknown: 1 damaged",
        f"  B1-000003 damaged: {DAMAGED}",
        "recorded by testbench 0.0.9: 1 differs",
        "  B1-000002 differs: recorded accepted, now rejected: The seat test was rejected.",
        "recorded by testbench 0.1.0: 2 same",
        "Not all are decided as they are recorded.",
    ]
    told = json.loads(called("judge", "--all", "--json").stdout)
    assert (told["runs"], told["same"]) == (4, False)
    assert told["versions"]["0.0.9"]["counts"] == {"differs": 1}
    assert called.refused("review", "release", "B1-000002", "--as", "ashe", secret=ASHE.secret).startswith(
        "Run B1-000002 is not as it was sealed: what entry "
    )


# What came after --------------------------------------------------------------------------------


def test_an_accepted_run_is_not_released_once_its_valve_was_rejected(called):
    """The newest decided run tells how the valve is; scrap is for good."""
    later = add_run(called.home, "HL-4-0117", "NPS 4", "metal", "6 mL")
    shown = called("review", "show", "B1-000001", "--as", "ashe", secret=ASHE.secret).output
    why = f"run {later} of the same valve came after it and was rejected"
    assert f"released: Run B1-000001 cannot be released: {why}." in shown
    assert f"To look at: {why}." in shown
    refused = called("review", "release", "B1-000001", "--as", "ashe", secret=ASHE.secret)
    assert str(refused.exception) == f"Run B1-000001 cannot be released: {why}."
    assert not list(called.home.certificates.glob("C-*"))


def test_a_run_with_a_nonconformity_of_its_own_is_no_clean_one(called):
    """Said on the page, not only after the password."""
    called("nonconformity", "open", "B1-000001", "--why", "Scratched flange.", "--by", "ashe", secret=ASHE.secret)
    shown = called("review", "show", "B1-000001", "--as", "ashe", secret=ASHE.secret).output
    number = called.facts("nonconformity", "list")[0]["number"]
    assert f"released: Run B1-000001 cannot be released: it has the nonconformity {number}." in shown
    assert f"nonconformity: Run B1-000001 has the nonconformity {number} already." in shown
    assert "Clean" not in shown


def test_the_board_counts_what_was_released_by_the_newest_run(called):
    """A retest waits for a release of its own."""
    called("sign", "B1-000001", "--as", "ashe", "--meaning", "released", secret=ASHE.secret)
    assert called.facts("order", "board")[0]["released"] == 1
    add_run(called.home, "HL-4-0117", "NPS 4", "metal", "0.2 mL")
    assert (called.facts("order", "board")[0]["accepted"], called.facts("order", "board")[0]["released"]) == (1, 0)


def test_what_was_found_wanting_after_its_release_is_no_longer_counted_as_released(called):
    """And whoever opens the nonconformity is told which document has left."""
    called("sign", "B1-000001", "--as", "ashe", "--meaning", "released", secret=ASHE.secret)
    opened = called("nonconformity", "open", "B1-000001", "--why", "Porous.", "--by", "ashe", secret=ASHE.secret)
    assert opened.output.endswith(
        "C-B1-000001 of this run was written: tell its holder; 'testbench certificate withdraw' says so.\n"
    )
    assert called.facts("order", "board")[0]["released"] == 0


def test_a_run_that_cannot_be_released_is_off_the_list_once_it_was_reviewed(called):
    """A valve that goes by concession would else wait for ever."""
    called("nonconformity", "open", "B1-000001", "--why", "Scratched.", "--by", "ashe", secret=ASHE.secret)
    assert "B1-000001" in ran(called)
    called("sign", "B1-000001", "--as", "ashe", "--meaning", "reviewed", secret=ASHE.secret)
    assert "B1-000001" not in ran(called)
