"""The register of issued documents: what stands against each, told at home and by the list that customers get."""

import json
import shutil
from pathlib import Path
from typing import Literal

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from testbench.certificate.withdrawn import SignedList
from testbench.cli.main import cli
from testbench.cli.withdrawals import STATES as OFFERED
from testbench.cli.withdrawals import WAITING
from testbench.custody import issue_document
from testbench.errors import RunRecalledError, WithdrawalRefusedError
from testbench.instruments.clocks import SystemClock
from testbench.procedure.valve import Order, Value
from testbench.safekeeping import back_up, restore
from testbench.station.withdrawals import STATES, Withdrawal, foremost
from testbench.summing_up import Asked, issue_lot
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve
from tests.without_home import without_home

FIRST, SECOND, LOT = "C-B1-000001", "C-B1-000002", "L-B1-000001"
BY = ("--by", "Tobin Ashe")


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Home:
    """Two accepted valves and a rejected one, with their documents, and the lot certificate of the accepted."""
    made = make_home(tmp_path_factory.mktemp("made") / "home")
    with open_store(made) as store:
        for serial in ("HL-4-0117", "HL-4-0118"):
            keep_closed(store, *example_run("", valve(serial, "NPS 4")))
        keep_closed(store, *example_run("", valve("HL-6-0119", "NPS 6"), "6 mL"))
    for run in ("B1-000001", "B1-000002", "B1-000003"):
        issue_document(made, run)
    issue_lot(made, order_of(made), Asked())
    return made


def order_of(home: Home) -> Order:
    with open_store(home) as store:
        first, second = (store.record_of(run) for run in ("B1-000001", "B1-000002"))
    return Order(
        number=first.order, customer=first.customer, procedure=first.requirements.procedure,
        valves=(first.valve, second.valve),
    )  # fmt: skip


@pytest.fixture
def home(made, tmp_path) -> Home:
    """A copy of it."""
    shutil.copytree(made.folder, tmp_path / "home")
    return Home(tmp_path / "home")


def said(home: Home, *words: str | Path):
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)])


def done(home: Home, *words: str | Path) -> str:
    found = said(home, *words)
    assert found.exit_code == 0, found.output + str(found.exception)
    return found.output


def page(home: Home, number: str) -> Path:
    (found,) = home.certificates.glob(f"{number}_*.pdf")
    return found


def today() -> str:
    return f"{SystemClock().utc():%Y-%m-%d}"


def recall(home: Home) -> None:
    words = ("recall", "calibration", "CAL-26-0311", "--why", "The laboratory's balance was in doubt.")
    done(home, *words, *BY)


def nonconformity(home: Home) -> None:
    done(home, "nonconformity", "open", "B1-000001", "--why", "The seat is scored.", *BY)


def withdraw(home: Home, number: str = FIRST) -> None:
    done(home, "certificate", "withdraw", number, "--why", "The heat number was misread", *BY)


def at_a_customer(home: Home, tmp_path: Path, number: str):
    """Checked without a home, by the newest list and the station's certificate."""
    file = tmp_path / "withdrawn.json"
    done(home, "certificate", "list", "--withdrawn", "--export", file)
    given_to = ("--signer", home.keys / "station-cert.pem", "--withdrawn", file)
    return without_home("certificate", "verify", page(home, number), *given_to)


# What stands against a document -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("against", "line"),
    [
        (
            recall,
            (
                "RECALLED: C-B1-000001 was recalled by RC-B1-000001 on {day} by Tobin Ashe: on account of calibration "
                "CAL-26-0311."
            ),
        ),
        (
            nonconformity,
            (
                "IN QUESTION: C-B1-000001 is in question since {day} because of N-B1-000002: a nonconformity was "
                "opened for its run."
            ),
        ),
        (withdraw, "WITHDRAWN: C-B1-000001 was withdrawn on {day} by Tobin Ashe: The heat number was misread."),
    ],
)
def test_a_customer_with_the_newest_list_is_told_what_the_home_tells(home, tmp_path, against, line):
    """First and in the same words, exit code 5; before it happened, nothing."""
    assert at_a_customer(home, tmp_path, FIRST).exit_code == 0
    against(home)
    for told in (said(home, "certificate", "verify", page(home, FIRST)), at_a_customer(home, tmp_path, FIRST)):
        assert (told.exit_code, told.output.splitlines()[0]) == (5, line.format(day=today()))
        assert told.output.splitlines()[1].startswith(f"INTACT: {FIRST} for valve HL-4-0117")
    assert line.format(day=today()) in done(home, "ledger", "verify").splitlines()


def test_what_was_written_of_a_recall_stays_in_the_works(home, tmp_path):
    """The list names its number, day and subject; its reason was not written for customers."""
    recall(home)
    at_a_customer(home, tmp_path, FIRST)
    assert "balance" not in (tmp_path / "withdrawn.json").read_text()


def test_a_lifted_recall_is_on_no_later_list(home, tmp_path):
    recall(home)
    assert at_a_customer(home, tmp_path, FIRST).exit_code == 5
    done(home, "recall", "lift", "RC-B1-000001", "--why", "The laboratory was right.", *BY)
    assert at_a_customer(home, tmp_path, FIRST).exit_code == 0
    assert done(home, "certificate", "list", "--withdrawn") == "No document of this bench is withdrawn.\n"


def test_a_rejection_report_is_not_in_question_for_what_its_rejection_opened(home, tmp_path):
    """Its nonconformity says what the report says."""
    assert said(home, "certificate", "verify", page(home, "R-B1-000003")).exit_code == 0
    assert at_a_customer(home, tmp_path, "R-B1-000003").exit_code == 0


class AsBefore(Value):
    """A withdrawal as a program from before reads it, which refuses every field that it does not know."""

    format: Literal[1]
    number: str
    serial: str
    run: str
    record_sha256: str
    files: tuple[str, ...]
    why: str
    by: str
    person: str
    at: str
    replaced_by: str


def test_a_program_from_before_understands_the_list(home, tmp_path):
    """Whatever is on it has the form of a withdrawal; where such a program finds a number it says 'withdrawn'."""
    recall(home)
    nonconformity(home)
    withdraw(home, SECOND)
    at_a_customer(home, tmp_path, FIRST)
    text = (tmp_path / "withdrawn.json").read_text()
    assert set(json.loads(text)["list"]) == {"format", "bench", "at", "withdrawn"}
    found = [AsBefore.model_validate(one) for one in json.loads(text)["list"]["withdrawn"]]
    assert sorted({one.number for one in found}) == [FIRST, SECOND, LOT]
    assert "recalled (RC-B1-000001): on account of calibration CAL-26-0311" in [one.why for one in found]
    assert len(SignedList.model_validate_json(text).list.withdrawn) == len(found)


@pytest.mark.parametrize("why", ["recalled (RC-B1-000009): so", "in question (x): so"])
def test_nobody_types_a_reason_that_another_register_brings(home, why):
    refusal = said(home, "certificate", "withdraw", FIRST, "--why", why, *BY).exception
    assert isinstance(refusal, WithdrawalRefusedError)
    assert str(refusal) == (
        f"Document {FIRST} cannot be withdrawn or replaced: its reason begins as one that a recall or a nonconformity "
        "gives."
    )


# Lot certificates and shift summaries -------------------------------------------------------------


def test_a_lot_certificate_is_withdrawn_like_any_document(home, tmp_path):
    """At home, by the list, in the ledger; a newer one names it, and is in order itself."""
    withdraw(home, LOT)
    line = f"WITHDRAWN: {LOT} was withdrawn on {today()} by Tobin Ashe: The heat number was misread."
    for told in (said(home, "certificate", "verify", page(home, LOT)), at_a_customer(home, tmp_path, LOT)):
        assert (told.exit_code, told.output.splitlines()[0]) == (5, line)
        assert told.output.splitlines()[1].startswith(f"INTACT: {LOT} for order HL-2041, complete, 2 valves.")
    assert line in done(home, "ledger", "verify").splitlines()
    again = said(home, "certificate", "withdraw", LOT, "--why", "Once more", *BY).exception
    assert str(again).startswith(f"Document {LOT} cannot be withdrawn or replaced: it is withdrawn already. ")
    newer = issue_lot(home, order_of(home), Asked()).listed
    assert (newer.number, newer.replaces, newer.complete) == ("L-B1-000002", LOT, True)
    assert said(home, "certificate", "verify", page(home, newer.number)).exit_code == 0
    told = said(home, "certificate", "verify", page(home, LOT)).output.splitlines()
    assert told[:2] == [line, "REPLACED: a newer page of the same was issued, L-B1-000002."]


def test_a_shift_summary_is_withdrawn_too(home):
    shift = ("certificate", "shift", "--since", "2026-11-20T06:00+00:00", "--until", "2026-11-20T14:00+00:00")
    done(home, *shift, "--name", "early")
    withdraw(home, "S-B1-000001")
    told = said(home, "certificate", "verify", page(home, "S-B1-000001"))
    assert (told.exit_code, told.output.startswith("WITHDRAWN: S-B1-000001 was withdrawn on ")) == (5, True)


@pytest.mark.parametrize("words", [("replace", LOT), ("withdraw", LOT, "--replaced-by", FIRST)])
def test_a_lot_certificate_is_replaced_by_a_newer_one_only(home, words):
    refusal = said(home, "certificate", *words, "--why", "Old address", *BY).exception
    assert str(refusal) == (
        f"Document {LOT} cannot be withdrawn or replaced: a newer one that sums up the same takes its place by itself "
        "('certificate lot' or 'shift')."
    )
    assert done(home, "certificate", "list", "--withdrawn") == "No document of this bench is withdrawn.\n"


@pytest.mark.parametrize("against", [recall, nonconformity, withdraw])
def test_a_lot_certificate_is_in_question_where_a_row_changed_since(home, tmp_path, against):
    """Said by verify at home and with the list, by the ledger, by both lists; a newer one knows it already."""
    against(home)
    rows = (f"{FIRST}, {SECOND}", 2) if against is recall else (FIRST, 1)
    changed = f"{rows[1]} of its 2 rows changed since it was issued"
    line = f"{LOT} is in question since {today()} because of {rows[0]}: {changed}."
    for told in (said(home, "certificate", "verify", page(home, LOT)), at_a_customer(home, tmp_path, LOT)):
        assert (told.exit_code, told.output.splitlines()[0]) == (5, f"IN QUESTION: {line}")
        assert told.output.count("IN QUESTION: L-") == 1
    assert f"IN QUESTION: {line}" in done(home, "ledger", "verify").splitlines()
    assert line in done(home, "certificate", "list", "--withdrawn").splitlines()
    assert states(home)[LOT] == "in question"
    issue_lot(home, order_of(home), Asked())
    assert said(home, "certificate", "verify", page(home, "L-B1-000002")).exit_code == 0
    assert {name: states(home)[name] for name in (LOT, "L-B1-000002")} == {LOT: "replaced", "L-B1-000002": "in force"}
    told = at_a_customer(home, tmp_path, LOT)
    assert f"WITHDRAWN: {LOT} was replaced by L-B1-000002 on {today()} by bench B1" in told.output


# The list of all documents ------------------------------------------------------------------------


def listed(home: Home, *words: str) -> list[dict]:
    return json.loads(done(home, "certificate", "list", "--json", *words))


def states(home: Home) -> dict[str, str]:
    return {one["number"]: one["state"] for one in listed(home)}


def test_the_whole_register_is_listed(home):
    """In the order of the runs, then the pages that sum up; what the ledger names, and nothing else."""
    assert states(home) == dict.fromkeys([FIRST, SECOND, "R-B1-000003", LOT], "in force")
    lines = done(home, "certificate", "list").splitlines()
    first = listed(home)[0]
    assert lines[0].split() == [
        FIRST, "B1-000001", "certificate", *first["issued"].replace("T", " ")[:16].split(), first["sha256"][:12],
        "HL-4-0117", "in", "force",
    ]  # fmt: skip
    assert lines[-1] == "4 documents."
    assert (first["order"], first["serial"], first["waiting"], first["told"]) == ("HL-2041", "HL-4-0117", "", [])
    with open_store(home) as store:
        assert [one["sha256"] for one in listed(home)] == [one.sha256 for one in store.documents()]


def test_each_document_is_listed_as_it_stands(home):
    """Withdrawn, replaced by another, recalled, in question."""
    done(home, "certificate", "replace", FIRST, "--why", "Old address", *BY)
    withdraw(home, "R-B1-000003")
    assert states(home) == {
        FIRST: "replaced", f"{FIRST}-2": "in force", SECOND: "in force", "R-B1-000003": "withdrawn",
        LOT: "in question",
    }  # fmt: skip
    recall(home)
    assert states(home)[f"{FIRST}-2"] == "recalled"
    lines = {line.split()[0]: line.rpartition("  ")[2] for line in done(home, "certificate", "list").splitlines()}
    assert lines[FIRST].endswith(f"replaced by {FIRST}-2")
    assert lines[SECOND].endswith("recalled by RC-B1-000001")


def test_the_list_is_narrowed(home):
    """By order, serial number in either case, state, together; nothing found is no refusal."""
    withdraw(home)
    assert [one["number"] for one in listed(home, "--serial", "hl-4-0117")] == [FIRST]
    assert len(listed(home, "--order", "HL-2041")) == 4
    assert [one["number"] for one in listed(home, "--order", "HL-2041", "--state", "withdrawn")] == [FIRST]
    assert [one["number"] for one in listed(home, "--state", "in-question")] == [LOT]
    assert listed(home, "--serial", "HL-4-0118", "--state", "withdrawn") == []
    assert done(home, "certificate", "list", "--order", "HL-9") == "There is no such document.\n"


@pytest.mark.parametrize(
    "words",
    [
        ("--export", "x.json"),
        ("--withdrawn", "--order", "HL-2041"),
        ("--gaps", "--state", "recalled"),
        ("--gaps", "--withdrawn"),
        ("--gaps", "--export", "x.json"),
    ],
)
def test_options_that_mean_nothing_together_are_refused(home, words):
    assert said(home, "certificate", "list", *words).exit_code == 2


def test_every_state_can_be_asked_for():
    assert {one.replace("-", " ") for one in OFFERED} == {*STATES, WAITING}


@given(st.lists(st.sampled_from([
    "Misread", "recalled (RC-B1-000001): x", "in question (N-B1-000001): x", "replaced",
]), max_size=4))  # fmt: skip
def test_the_strongest_word_says_how_a_document_stands(whys):
    """Replaced before withdrawn before recalled before in question; without any it is in force."""
    words = [
        Withdrawal(
            number=FIRST, serial="x", run="x", record_sha256="0" * 64, files=(), why=why, by="x", person="", at="x",
            replaced_by="y" if why == "replaced" else "",
        )
        for why in whys
    ]  # fmt: skip
    word = foremost(words)
    assert (word is None) == (not whys)
    assert word is None or STATES.index(word.state) == min(STATES.index(one.state) for one in words)


# The order board ----------------------------------------------------------------------------------


def test_a_valve_whose_certificate_was_withdrawn_is_marked_until_it_has_another(home):
    """As the lot certificate says of it; one that is recalled stands under that."""
    rows = home.folder / "rows.csv"
    rows.write_text("".join(
        f"{line}\n" for line in ("serial,type,size,seat,rated", "HL-4-0117,swing-check,NPS 4,metal,250 psi",
                                 "HL-4-0118,swing-check,NPS 4,metal,250 psi")
    ))  # fmt: skip
    named = ("--number", "HL-2041", "--customer", "Ellery Water Board", "--procedure", "waterworks-swing-check")
    done(home, "order", "import", rows, *named)

    def without() -> tuple[int, list[bool]]:
        (line,) = json.loads(done(home, "order", "board", "--json"))
        valves = json.loads(done(home, "order", "show", "HL-2041", "--json"))["valves"]
        return line["without_certificate"], [one["without_certificate"] for one in valves]

    assert without() == (0, [False, False])
    withdraw(home)
    assert without() == (1, [True, False])
    assert "accepted without a certificate" in done(home, "order", "show", "HL-2041")
    done(home, "certificate", "replace", FIRST, "--why", "The heat number was read again", *BY)
    assert without() == (0, [False, False])
    with open_store(home) as store:
        keep_closed(store, *example_run("", valve("HL-4-0118", "NPS 4")))
    assert without() == (1, [False, True])
    recall(home)
    assert without()[0] == 0


# Numbers ------------------------------------------------------------------------------------------


def test_the_number_of_a_replacement_that_a_backup_gave_up_is_given_to_no_other(home, tmp_path):
    """The customer may hold it: the next one is numbered behind it, and counts as the second of its run."""
    kept = back_up(home, tmp_path / "backups").path
    done(home, "certificate", "replace", FIRST, "--why", "Old address", *BY)
    first = page(home, f"{FIRST}-2").read_bytes()
    restored = restore(home, kept, "the disk was exchanged")
    assert [path.name.startswith(f"{FIRST}-2_HL-4-0117.given-up-") for path in restored.given_up] == [True]
    restore(home, kept, "and once more")
    done(home, "certificate", "replace", FIRST, "--why", "Another reason", *BY)
    assert states(home) | {LOT: ""} == {
        FIRST: "replaced", f"{FIRST}-3": "in force", SECOND: "in force", "R-B1-000003": "in force", LOT: "",
    }  # fmt: skip
    assert restored.given_up[0].read_bytes() == first
    lot = issue_lot(home, order_of(home), Asked()).listed
    assert (lot.complete, lot.rows[0].document) == (True, f"{FIRST}-3")
    withdraw(home, f"{FIRST}-3")
    assert done(home, "ledger", "verify")
    assert done(home, "certificate", "list", "--gaps") == (
        f"{FIRST}-2  it was given up with records that a restored backup took the place of\n"
    )


def test_a_number_without_a_document_says_why(home, tmp_path):
    """Documents have the numbers of their runs; what was given up with a backup is a gap for good."""
    assert done(home, "certificate", "list", "--gaps") == "Every number that was given out has its document.\n"
    with open_store(home) as store:
        keep_closed(store, *example_run("", valve("HL-8-0120", "NPS 8", "resilient"), stopped=True))
        keep_closed(store, *example_run("", valve("HL-4-0121", "NPS 4")))
    kept = back_up(home, tmp_path / "backups").path
    issue_document(home, "B1-000005")
    issue_lot(home, order_of(home), Asked())
    with open_store(home) as store:
        keep_closed(store, *example_run("", valve("HL-4-0122", "NPS 4")))
    restore(home, kept, "the disk was exchanged")
    given_up = "it was given up with records that a restored backup took the place of"
    assert json.loads(done(home, "certificate", "list", "--gaps", "--json")) == [
        {"number": "B1-000004", "why": "its run is void, which gets no document"},
        {"number": "B1-000005", "why": "its run is decided, and no document was issued of it yet"},
        {"number": "B1-000006", "why": given_up},
        {"number": "L-B1-000002", "why": given_up},
    ]


def test_a_recalled_certificate_is_not_replaced(home):
    """As before: a run that nobody stands by gets no other page."""
    recall(home)
    refusal = said(home, "certificate", "replace", FIRST, "--why", "Old address", *BY).exception
    assert isinstance(refusal, RunRecalledError)
