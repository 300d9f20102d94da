"""Documents that no longer count: the old one stays verifiable, and whoever asks is told what replaced it and why."""

import contextlib
import io
import json
import os
import shutil
import sqlite3
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from testbench.certificate import pkcs12
from testbench.certificate.issue import sealed_document
from testbench.certificate.keyring import make_authority
from testbench.certificate.keys import load_station_key
from testbench.certificate.passphrases import FromLines
from testbench.certificate.trust import Anchors
from testbench.certificate.verify import verify
from testbench.certificate.withdrawn import Listed, read_list, signed_list
from testbench.cli.main import cli
from testbench.custody import issue_document
from testbench.errors import (
    DocumentUnknownError,
    DocumentWithdrawnError,
    OwnRunError,
    RoleMissingError,
    WithdrawalRefusedError,
    WithdrawnListRefusedError,
)
from testbench.instruments.clocks import SystemClock
from testbench.run.record import canonical, sha256
from testbench.wiring import Home, make_home, open_store
from testbench.withdrawing import listed_against as register
from tests.records.make import example_run, keep_closed, valve
from tests.without_home import without_home

FIRST, SECOND = "C-B1-000001", "C-B1-000001-2"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Home:
    """A bench with two accepted runs of one valve and one of another, all with their certificates."""
    made = make_home(tmp_path_factory.mktemp("made") / "home")
    with open_store(made) as store:
        for serial in ("HL-4-0117", "HL-4-0117", "HL-4-0118"):
            keep_closed(store, *example_run("", valve(serial, "NPS 4")))
    for run in ("B1-000001", "B1-000002", "B1-000003"):
        issue_document(made, run)
    return made


@pytest.fixture
def home(made, tmp_path) -> Home:
    """A copy of it."""
    shutil.copytree(made.folder, tmp_path / "home")
    return Home(tmp_path / "home")


def said(home: Home, *words: str | Path, secret: str | None = None):
    more = {"input": secret} if secret else {}
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)], **more)


def withdrawn(home: Home, number: str, *more: str, why: str = "The heat number was misread", by: str = "Tobin Ashe"):
    return said(home, "certificate", "withdraw", number, "--why", why, "--by", by, *more)


def replaced(home: Home, number: str, why: str = "The letterhead had the old address", by: str = "Tobin Ashe"):
    return said(home, "certificate", "replace", number, "--why", why, "--by", by)


def page(home: Home, number: str) -> Path:
    (found,) = home.certificates.glob(f"{number}_*.pdf")
    return found


def verified(home: Home, file: Path, *more: str | Path):
    return said(home, "certificate", "verify", file, *more)


def today() -> str:
    return f"{SystemClock().utc():%Y-%m-%d}"


def test_a_withdrawn_certificate_stays_as_it_is_and_says_so(home):
    """Not a byte of it changes; exit code 5, and the sentence comes first."""
    file = page(home, FIRST)
    before = file.read_bytes()
    assert verified(home, file).exit_code == 0
    sentence = f"{FIRST} was withdrawn on {today()} by Tobin Ashe: The heat number was misread."
    assert withdrawn(home, FIRST).output.splitlines()[0] == sentence
    assert file.read_bytes() == before
    told = verified(home, file)
    assert told.exit_code == 5
    assert told.output.splitlines()[0] == f"WITHDRAWN: {sentence}"
    assert told.output.splitlines()[1].startswith(f"INTACT: {FIRST} for valve HL-4-0117, verdict accepted.")
    assert json.loads(verified(home, file, "--json").output)["withdrawn"][0]["why"] == "The heat number was misread"
    assert f"WITHDRAWN: {sentence}" in said(home, "ledger", "verify").output.splitlines()
    assert said(home, "certificate", "list", "--withdrawn").output.splitlines() == [sentence]
    assert verified(home, page(home, "C-B1-000003")).exit_code == 0


def test_a_run_whose_certificate_was_withdrawn_gets_no_other_without_a_new_reason(home):
    """Neither by issuing again nor by repeating why it was withdrawn; what was put right is a reason."""
    withdrawn(home, FIRST)
    with pytest.raises(DocumentWithdrawnError) as refusal:
        issue_document(home, "B1-000001")
    assert str(refusal.value) == (
        f"Document {FIRST} is not issued again: {FIRST} was withdrawn on {today()} by Tobin Ashe: The heat number was "
        "misread."
    )
    again = replaced(home, FIRST, why=" the  heat number was MISREAD. ").exception
    assert isinstance(again, WithdrawalRefusedError)
    assert str(again) == (
        f"Document {FIRST} cannot be withdrawn or replaced: what it was withdrawn for is no reason to issue it again; "
        "say what was put right."
    )
    assert list(home.certificates.glob(f"{SECOND}_*")) == []
    assert replaced(home, FIRST, why="Heat number read again with the founder").exit_code == 0
    assert said(home, "certificate", "list", "--withdrawn").output.splitlines() == [
        f"{FIRST} was withdrawn on {today()} by Tobin Ashe: The heat number was misread.",
        f"{FIRST} was replaced by {SECOND} on {today()} by Tobin Ashe: Heat number read again with the founder.",
    ]


def test_a_corrected_certificate_names_the_one_it_replaces(home):
    """On the page, in the file, and from both ends; the old one stays verifiable."""
    old = page(home, FIRST)
    done = replaced(home, FIRST)
    assert done.exit_code == 0, done.output
    new = page(home, SECOND)
    told = verified(home, new)
    assert told.exit_code == 0
    assert told.output.splitlines()[0].startswith(f"INTACT: {SECOND} for valve HL-4-0117, verdict accepted.")
    replaces = f"{FIRST}, withdrawn on {today()} by Tobin Ashe: The letterhead had the old address"
    assert f"  replaces     {replaces}" in told.output.splitlines()
    sentence = f"{FIRST} was replaced by {SECOND} on {today()} by Tobin Ashe: The letterhead had the old address."
    told = verified(home, old)
    assert (told.exit_code, told.output.splitlines()[0]) == (5, f"WITHDRAWN: {sentence}")
    ledger = said(home, "ledger", "verify")
    assert ledger.exit_code == 0
    assert {f"WITHDRAWN: {sentence}", "4 documents lie here as they were issued."} <= set(ledger.output.splitlines())
    assert replaced(home, SECOND, why="The address was misspelt").exit_code == 0  # and so on
    assert page(home, "C-B1-000001-3").exists()


def test_a_document_is_replaced_once_and_withdrawn_once(home):
    """Whole sentences; nothing is added to the register."""
    withdrawn(home, FIRST)
    refusal = withdrawn(home, FIRST).exception
    assert str(refusal) == (
        f"Document {FIRST} cannot be withdrawn or replaced: it is withdrawn already. {FIRST} was withdrawn on "
        f"{today()} by Tobin Ashe: The heat number was misread."
    )
    replaced(home, FIRST, why="Heat number read again")
    for again in (replaced(home, FIRST, why="Once more"), withdrawn(home, FIRST, why="Once more")):
        assert isinstance(again.exception, WithdrawalRefusedError)
    assert len(said(home, "certificate", "list", "--withdrawn").output.splitlines()) == 2


def test_another_document_of_the_valve_can_take_the_place(home):
    """Of this valve, and one that counts itself."""
    other = withdrawn(home, FIRST, "--replaced-by", "C-B1-000003").exception
    assert str(other) == (
        f"Document {FIRST} cannot be withdrawn or replaced: C-B1-000003 is not another document of valve HL-4-0117."
    )
    assert isinstance(withdrawn(home, FIRST, "--replaced-by", FIRST).exception, WithdrawalRefusedError)
    assert "was replaced by C-B1-000002 on" in withdrawn(home, FIRST, "--replaced-by", "C-B1-000002").output
    gone = withdrawn(home, "C-B1-000002", "--replaced-by", FIRST).exception
    assert str(gone) == f"Document C-B1-000002 cannot be withdrawn or replaced: {FIRST} does not count itself."


@pytest.mark.parametrize("number", ["C-B1-000009", "R-B1-000001", "C-B1-000001-2", "C-B1-000001-1", "C", "", "C-B1-"])
def test_a_number_that_nobody_knows_is_refused(home, number):
    """The letter counts as well, and whether there is such a second one."""
    refusal = withdrawn(home, number).exception
    assert isinstance(refusal, DocumentUnknownError)
    assert str(refusal) == f"The records in {home.folder} know no document {number}."


@pytest.mark.parametrize(("why", "by", "what"), [
    (" ", "Tobin Ashe", "its reason"), ("x" * 301, "Tobin Ashe", "its reason"), ("Misread", "", "who says so"),
])  # fmt: skip
def test_a_reason_and_a_name_are_needed(home, why, by, what):
    """It is published; nothing was changed."""
    refusal = withdrawn(home, FIRST, why=why, by=by).exception
    assert str(refusal) == f"Document {FIRST} cannot be withdrawn or replaced: {what} takes 1 to 300 characters."
    assert said(home, "certificate", "list", "--withdrawn").output == "No document of this bench is withdrawn.\n"


@pytest.mark.parametrize(
    ("sign", "named"), [("\x1b[2J", "U+001B"), ("\n", "U+000A"), ("\u202e", "U+202E"), ("\u2028", "U+2028")]
)
def test_a_reason_is_one_line_of_signs_that_can_be_seen(home, sign, named):
    """It is shown on a terminal, by whoever checks the page."""
    for told in (
        withdrawn(home, FIRST, why=f"The heat{sign} number"),
        replaced(home, FIRST, f"The heat{sign} number"),
    ):
        assert isinstance(told.exception, WithdrawalRefusedError)
        assert str(told.exception) == (
            f"Document {FIRST} cannot be withdrawn or replaced: its reason has the control character {named}; "
            "text of one line is allowed."
        )
    assert register(home) == ()


def test_damaged_records_do_not_stop_a_check(home):
    """The verdict on the file stands; that nothing could be looked up comes first, and is no zero."""
    file = page(home, FIRST)
    home.database.write_bytes(b"no records" * 1000)
    told = verified(home, file)
    assert told.exit_code == 7
    first, second, *_ = told.stdout.splitlines()
    assert first.startswith("NOT LOOKED UP in the register, so whether anything stands against it is not known: ")
    assert second.startswith(f"INTACT: {FIRST} for valve HL-4-0117, verdict accepted.")


def test_a_withdrawal_that_was_changed_is_found(home, tmp_path):
    """It has an entry of its own in the ledger like every register."""
    withdrawn(home, FIRST)
    file = sqlite3.connect(home.database)
    file.execute("DROP TRIGGER withdrawal_update")
    file.execute("UPDATE withdrawal SET number = 'C-B1-000003'")
    file.commit()
    file.close()
    told = said(home, "ledger", "verify")
    assert told.exit_code == 1
    assert "(withdrawal 1): what it stands for was changed after it was written" in told.output


# Where people are registered ---------------------------------------------------------------------

ENGINEER = "the tide at Port Ellery"


@pytest.fixture
def staffed(home) -> Home:
    """With a reviewer who is an engineer as well, and an operator."""
    people = ["people", "add", "ashe", "--name", "Tobin Ashe", "--role", "engineer", "--role", "reviewer"]
    assert said(home, *people, "--secret-stdin", secret=f"{ENGINEER}\n").exit_code == 0
    other = ["people", "add", "quill", "--name", "Mara Quill", "--role", "reviewer", "--by", "ashe", "--secret-stdin"]
    assert said(home, *other, secret=f"{ENGINEER}\n{ENGINEER}\n").exit_code == 0
    operator = ["people", "add", "reed", "--name", "Jonah Reed", "--role", "engineer", "--by", "ashe", "--secret-stdin"]
    assert said(home, *operator, secret=f"{ENGINEER}\n{ENGINEER}\n").exit_code == 0
    return home


def test_only_a_reviewer_withdraws_with_the_password(staffed):
    """Authenticated, and the register keeps who."""
    words = ["certificate", "withdraw", FIRST, "--why", "Misread", "--secret-stdin", "--json", "--by"]
    assert isinstance(said(staffed, *words, "reed", secret=f"{ENGINEER}\n").exception, RoleMissingError)
    wrong = said(staffed, *words, "ashe", secret="something else\n")
    assert type(wrong.exception).__name__ == "NotAuthenticatedError"
    told = json.loads(said(staffed, *words, "ashe", secret=f"{ENGINEER}\n").output)
    assert (told["by"], told["person"]) == ("Tobin Ashe", "ashe")


def test_who_tested_a_valve_may_withdraw_but_not_replace_its_certificate(staffed):
    """To replace one is to release another; the example runs were performed by Mara Quill."""
    words = ["certificate", "{}", FIRST, "--why", "Misread", "--secret-stdin", "--by", "quill"]
    refusal = said(staffed, *[word.format("replace") for word in words], secret=f"{ENGINEER}\n").exception
    assert isinstance(refusal, OwnRunError)
    assert list(staffed.certificates.glob(f"{SECOND}_*")) == []
    assert said(staffed, *[word.format("withdraw") for word in words], secret=f"{ENGINEER}\n").exit_code == 0


# The list for customers --------------------------------------------------------------------------


def test_a_customer_is_told_by_the_published_list(home, tmp_path):
    """Without a home: the station's certificate and the list are enough."""
    withdrawn(home, FIRST)
    replaced(home, "C-B1-000003")
    told = said(home, "certificate", "list", "--withdrawn", "--export", tmp_path / "withdrawn.json")
    assert told.exit_code == 0
    given = ("--signer", home.keys / "station-cert.pem", "--withdrawn", tmp_path / "withdrawn.json")
    codes = [
        without_home("certificate", "verify", page(home, one), *given)
        for one in (FIRST, "C-B1-000002", "C-B1-000003", "C-B1-000003-2")
    ]
    assert [one.exit_code for one in codes] == [5, 0, 5, 0]
    assert codes[0].output.splitlines()[0] == (
        f"WITHDRAWN: {FIRST} was withdrawn on {today()} by Tobin Ashe: The heat number was misread."
    )
    assert codes[0].output.splitlines()[-1] == f"  withdrawn    on the list of {today()}"
    assert codes[1].output.splitlines()[-1] == f"  withdrawn    not on the list of {today()}"


def test_the_list_names_the_person_and_not_the_login(staffed, tmp_path):
    """The id is the works' own; in its home a document with that list is not told of twice."""
    words = ["certificate", "withdraw", FIRST, "--why", "Misread", "--secret-stdin", "--by", "ashe"]
    assert said(staffed, *words, secret=f"{ENGINEER}\n").exit_code == 0
    file = tmp_path / "withdrawn.json"
    assert said(staffed, "certificate", "list", "--withdrawn", "--export", file).exit_code == 0
    (one,) = json.loads(file.read_text())["list"]["withdrawn"]
    assert (one["by"], one["person"]) == ("Tobin Ashe", "")
    told = verified(staffed, page(staffed, FIRST), "--withdrawn", file)
    assert told.output.count(f"WITHDRAWN: {FIRST} was withdrawn on ") == 1
    facts = json.loads(verified(staffed, page(staffed, FIRST), "--withdrawn", file, "--json").output)
    assert [found["person"] for found in facts["withdrawn"]] == ["ashe"]


def test_a_list_from_before_the_page_cannot_name_it_and_says_so(home, tmp_path):
    """Whoever reads "not on the list" alone would take it for an answer."""
    key, file = load_station_key(home.keys), tmp_path / "withdrawn.json"
    sealed = datetime.fromisoformat(json.loads(verified(home, page(home, FIRST), "--json").output)["sealed_at"])
    before = ", which was made before the page was sealed"
    for at, more in ((sealed - timedelta(seconds=1), before), (sealed, "")):
        file.write_bytes(signed_list((), "B1", at, key))
        told = verified(home, page(home, FIRST), "--withdrawn", file)
        assert told.output.splitlines()[-1] == f"  withdrawn    not on the list of {at:%Y-%m-%d}{more}"


def test_a_batch_says_which_documents_are_withdrawn_and_not_replaced(home):
    """It owes nothing for them by itself; one that was replaced is not told."""
    withdrawn(home, FIRST)
    replaced(home, "C-B1-000003")
    batch = ("certificate", "issue", "--order", "HL-2041")
    assert said(home, *batch).output.splitlines() == [
        f"Order HL-2041: 0 documents written to {home.certificates}.",
        f"1 has a withdrawn document that nothing replaced, {FIRST}: 'testbench certificate replace NUMBER'.",
    ]
    withdrawn(home, "C-B1-000002")
    assert "2 have withdrawn documents that nothing replaced, C-B1-000001, C-B1-000002: " in said(home, *batch).output
    replaced(home, FIRST)
    assert json.loads(said(home, *batch, "--json").output)["withdrawn"] == ["C-B1-000002"]


def test_a_list_that_was_changed_or_signed_by_a_stranger_is_refused(home, tmp_path):
    """Nothing is said about the document then."""
    withdrawn(home, FIRST)
    file = tmp_path / "withdrawn.json"
    said(home, "certificate", "list", "--withdrawn", "--export", file)
    given = ("--signer", home.keys / "station-cert.pem", "--withdrawn", file)
    document, good = page(home, FIRST), file.read_text()

    def refusal(*more: str | Path) -> str:
        found = without_home("certificate", "verify", document, *(more or given))
        assert isinstance(found.exception, WithdrawnListRefusedError)
        assert found.output == ""
        return str(found.exception).removeprefix(f"{file} is no list of withdrawn documents that counts here: ")

    assert refusal("--withdrawn", file) == "The seal is none that was named as trusted."
    emptied = json.loads(good)
    emptied["list"]["withdrawn"] = []
    for text, why in (
        (json.dumps(emptied), "it was changed after it was signed."),
        (good.replace("misread", "illegible"), "it was changed after it was signed."),
        ("{}", "it has another form."),
        (good[:-3], "it has another form."),
    ):
        file.write_text(text)
        assert refusal() == why
    file.unlink()
    assert refusal() == "it cannot be read (No such file or directory)."


@pytest.fixture(scope="module")
def works(tmp_path_factory) -> tuple[Path, bytes, Anchors]:
    """A place for a list, an empty one that a station under an authority signed, and the root."""
    folder = tmp_path_factory.mktemp("works")
    ask = FromLines(io.StringIO("a passphrase for these tests\n" * 9))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pkcs12, "ROUNDS", 1000)
        made = make_authority(folder / "home" / "keys", folder / "root", "Works", SystemClock().utc(), ask)
        made.issue_station("B1", "Works", SystemClock().utc(), ask, plain=True)
    key = load_station_key(folder / "home" / "keys")
    return folder / "list.json", signed_list((), "B1", SystemClock().utc(), key), Anchors((made.root,))


def test_a_station_under_an_authority_needs_the_root_alone(works):
    """Its chain is in the list."""
    file, data, anchors = works
    file.write_bytes(data)
    assert read_list(file, anchors).bench == "B1"
    with pytest.raises(WithdrawnListRefusedError, match="none that was named as trusted"):
        read_list(file, Anchors())


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_list_with_anything_in_it_is_refused_in_words(works, data):
    """Other bytes anywhere, or other certificates: never another error, and never believed."""
    file, good, anchors = works
    told = json.loads(good)
    match data.draw(st.sampled_from(["byte", "certificate", "chain", "signature", "at", "bench"])):
        case "byte":
            at = data.draw(st.integers(0, len(good) - 2))
            changed = good[:at] + data.draw(st.binary(min_size=1, max_size=1)) + good[at + 1 :]
        case "chain":
            told["chain"] = [data.draw(st.binary(min_size=1, max_size=40)).hex()]
            changed = json.dumps(told).encode()
        case "at":
            told["list"]["at"] = data.draw(st.sampled_from(["2026-11-26T08:00:00", "now", "", "9999-12-31T23:59:59Z"]))
            changed = json.dumps(told).encode()
        case "bench":
            told["list"]["bench"] = "B2"
            changed = json.dumps(told).encode()
        case part:
            told[part] = data.draw(st.binary(min_size=1, max_size=80)).hex()
            changed = json.dumps(told).encode()
    file.write_bytes(changed)
    with contextlib.suppress(WithdrawnListRefusedError):  # white space that is other white space changes nothing
        assert read_list(file, anchors) == Listed.model_validate(json.loads(good)["list"])


def test_the_list_of_another_bench_says_nothing(home, tmp_path):
    """It is trusted, but it is not about this document."""
    other = make_home(tmp_path / "other")
    settings = other.folder / "bench.toml"
    settings.write_text(settings.read_text().replace('name = "B1"', 'name = "B2"', 1))
    file = tmp_path / "withdrawn.json"
    assert said(other, "certificate", "list", "--withdrawn", "--export", file).exit_code == 0
    told = verified(home, page(home, FIRST), "--signer", other.keys / "station-cert.pem", "--withdrawn", file)
    assert (told.exit_code, told.output.splitlines()[-1]) == (0, "  withdrawn    not known: the list is of bench B2")


def test_a_page_that_claims_to_replace_another_than_it_says_is_not_intact(home):
    """The attached reason names the document that it stands in."""
    replaced(home, FIRST)
    with open_store(home) as store:
        record, traces = store.load("B1-000003")
    (old,) = register(home)
    key = load_station_key(home.keys)
    data = sealed_document(
        record, sha256(canonical(record)), traces, works=home.bench().works, paper="A4", key=key,
        at=SystemClock().utc(), replaces=old,
    )  # fmt: skip
    found = verify(data, [key.certificate])
    assert found.reasons == ("What it says that it replaces was replaced by another document.",)
    assert not found.intact


def test_an_export_that_fails_leaves_the_list_from_before(home, tmp_path, monkeypatch):
    """A full disk."""
    file = tmp_path / "withdrawn.json"
    said(home, "certificate", "list", "--withdrawn", "--export", file)
    before = file.read_bytes()

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    refusal = said(home, "certificate", "list", "--withdrawn", "--export", file).exception
    assert str(refusal) == f"{file} was not written: No space left on device."
    assert (file.read_bytes(), list(tmp_path.glob(".*.part"))) == (before, [])
