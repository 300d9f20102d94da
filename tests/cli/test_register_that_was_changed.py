"""Somebody with a hand in the files of a home: what the register lost, or has otherwise, is never passed over."""

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.certificate.issue import sealed_document
from testbench.certificate.keys import load_station_key
from testbench.cli.main import cli
from testbench.custody import issue_document
from testbench.errors import RecordsMissingError, RowMissingError, RowNotNamedError, StoreDamagedError
from testbench.instruments.clocks import SystemClock
from testbench.run.record import canonical, sha256
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve
from tests.without_home import without_home

FIRST, SECOND = "C-B1-000001", "C-B1-000002"
LOST = (
    "The ledger names more under '{}' than the {} that are there: something was taken out, and what is left does not "
    "tell all."
)
NOT_LOOKED_UP = "NOT LOOKED UP in the register, so whether anything stands against it is not known: "


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Home:
    """A bench with two certificates."""
    made = make_home(tmp_path_factory.mktemp("made") / "home")
    with open_store(made) as store:
        for serial in ("HL-4-0117", "HL-4-0118"):
            keep_closed(store, *example_run("", valve(serial, "NPS 4")))
    for run in ("B1-000001", "B1-000002"):
        issue_document(made, run)
    return made


@pytest.fixture
def home(made, tmp_path) -> Home:
    shutil.copytree(made.folder, tmp_path / "home")
    return Home(tmp_path / "home")


def said(home: Home, *words: object):
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)])


def withdraw(home: Home, number: str) -> None:
    told = said(home, "certificate", "withdraw", number, "--why", "The heat number was misread", "--by", "Tobin Ashe")
    assert told.exit_code == 0


def harmed(home: Home, *statements: str) -> None:
    """Past the program: the triggers are a seat belt, and whoever can write the file takes them off."""
    with sqlite3.connect(home.database) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
    connection.close()


def page(home: Home, number: str) -> Path:
    (found,) = home.certificates.glob(f"{number}_*.pdf")
    return found


def refusal(home: Home, *words: object) -> BaseException | None:
    found = said(home, *words)
    assert (found.exit_code, found.output) == (1, "")
    return found.exception


@pytest.mark.parametrize(("gone", "left"), [("seq = 2", 1), ("seq = 1", 1), ("seq > 0", 0)])
def test_a_withdrawal_that_was_deleted_puts_no_page_in_force(home, gone, left):
    """The last, one in the middle, and all of them; whichever page is asked for."""
    withdraw(home, SECOND)
    withdraw(home, FIRST)
    harmed(home, f"DELETE FROM withdrawal WHERE {gone}")
    for words in (("certificate", "list"), ("certificate", "list", "--withdrawn")):
        found = refusal(home, *words)
        assert isinstance(found, RowMissingError)
        assert str(found) == LOST.format("withdrawal", left)
        assert "testbench ledger verify" in found.remedy
    told = said(home, "certificate", "verify", page(home, FIRST))
    assert told.exit_code == 7
    assert told.output.splitlines()[0] == NOT_LOOKED_UP + LOST.format("withdrawal", left)
    assert told.output.splitlines()[1].startswith(f"INTACT: {FIRST} for valve HL-4-0117")


def test_a_row_that_takes_the_number_of_a_deleted_one_does_not_hide_that(home):
    """As many rows as before; the ledger names none of this number."""
    withdraw(home, SECOND)
    withdraw(home, FIRST)
    again = "INSERT INTO withdrawal SELECT 3, number, body FROM withdrawal WHERE seq = 1"
    harmed(home, again, "DELETE FROM withdrawal WHERE seq = 1")
    assert str(refusal(home, "certificate", "list")) == LOST.format("withdrawal", 2)


def test_a_document_that_was_deleted_or_edited_counts_for_nothing(home):
    """The hash of another file under its number; then no row at all."""
    harmed(home, f"UPDATE document SET sha256 = '{'0' * 64}' WHERE run = 1")
    found = refusal(home, "certificate", "list")
    assert isinstance(found, RowNotNamedError)
    assert str(found) == "Document B1-000001/1 is not what the ledger names; it counts for nothing."
    told = said(home, "certificate", "verify", page(home, FIRST))
    assert (told.exit_code, told.output.splitlines()[0]) == (7, NOT_LOOKED_UP + str(found))
    assert said(home, "certificate", "verify", page(home, SECOND)).exit_code == 0
    harmed(home, "DELETE FROM document WHERE run = 1")
    for words in (("list",), ("issue", "B1-000001"), ("issue", "--order", "HL-2041")):
        assert str(refusal(home, "certificate", *words)) == LOST.format("document", 1)
    told = said(home, "certificate", "verify", page(home, FIRST))
    assert (told.exit_code, told.output.splitlines()[0]) == (7, NOT_LOOKED_UP + LOST.format("document", 1))


def test_a_table_that_was_dropped_is_refused_in_words(home):
    """Also where nothing was ever in it: a table is not taken out by itself."""
    harmed(home, "DROP TABLE withdrawal")
    for words in (("certificate", "list"), ("certificate", "list", "--withdrawn"), ("ledger", "verify")):
        found = refusal(home, *words)
        assert isinstance(found, StoreDamagedError)
        assert str(found) == (
            f"The records in {home.database} cannot be used: the table withdrawal was taken out of the file."
        )
    assert said(home, "certificate", "verify", page(home, FIRST)).exit_code == 7


def test_a_table_that_was_dropped_from_a_file_made_out_as_older_is_missed(home):
    """An older file has fewer tables, but its ledger names nothing that would be in them."""
    withdraw(home, FIRST)
    harmed(home, "DROP TABLE withdrawal", "UPDATE alembic_version SET version_num = '0013'")
    assert str(refusal(home, "certificate", "list", "--withdrawn")) == LOST.format("withdrawal", 0)


# A register that cannot be asked -----------------------------------------------------------------


def test_a_page_is_not_called_good_where_the_register_cannot_be_asked(home, tmp_path):
    """Damaged, deleted, and no home where one was named; without a home there is none to ask."""
    file = page(home, FIRST)
    named = ("--signer", home.keys / "station-cert.pem")
    assert without_home("certificate", "verify", file, *named).exit_code == 0
    assert json.loads(said(home, "certificate", "verify", file, "--json").output)["register"] == {
        "asked": True, "unknown": "", "other_file": "",
    }  # fmt: skip
    home.database.write_bytes(b"no database at all")
    damaged = f"The records in {home.database} cannot be used: the file is no database."
    told = said(home, "certificate", "verify", file)
    assert (told.exit_code, told.output.splitlines()[0]) == (7, NOT_LOOKED_UP + damaged)
    home.database.unlink()
    gone = f"The records in {home.database} cannot be used: the file is not there."
    told = said(home, "certificate", "verify", file)
    assert (told.exit_code, told.output.splitlines()[0]) == (7, NOT_LOOKED_UP + gone)
    facts = json.loads(said(home, "certificate", "verify", file, "--json").output)
    assert facts["register"] == {"asked": False, "unknown": gone, "other_file": ""}
    nobody = Home(tmp_path / "mistyped")
    told = said(nobody, "certificate", "verify", file, *named)
    assert (told.exit_code, told.output.splitlines()[0]) == (
        7, f"{NOT_LOOKED_UP}There is no bench home in {nobody.folder}: bench.toml was not found.",
    )  # fmt: skip


def test_nothing_is_said_to_be_withdrawn_or_not_where_there_are_no_records(home, tmp_path):
    """An empty list would say that every page counts."""
    home.database.unlink()
    assert isinstance(refusal(home, "certificate", "list", "--withdrawn"), RecordsMissingError)
    assert str(refusal(Home(tmp_path / "mistyped"), "certificate", "list", "--withdrawn")) == (
        f"There is no bench home in {tmp_path / 'mistyped'}: bench.toml was not found."
    )


# Another file under a number ---------------------------------------------------------------------


def sealed_again(home: Home) -> bytes:
    """The same record, sealed a second time."""
    with open_store(home) as store:
        record, traces = store.load("B1-000001")
    return sealed_document(
        record, sha256(canonical(record)), traces, works=home.bench().works, paper="A4", at=SystemClock().utc(),
        key=load_station_key(home.keys),
    )  # fmt: skip


def test_a_page_that_is_not_the_one_that_was_issued_is_named(home):
    """Intact, sealed by this bench, judged again and printing its record: but another file left under that number."""
    file = page(home, FIRST)
    issued = sha256(file.read_bytes())
    assert said(home, "certificate", "verify", file).exit_code == 0
    file.write_bytes(sealed_again(home))
    told = said(home, "certificate", "verify", file)
    assert told.exit_code == 1
    assert told.output.splitlines()[0] == (
        f"NOT THE ISSUED FILE: under its number the register has another one, SHA-256 {issued}."
    )
    assert json.loads(said(home, "certificate", "verify", file, "--json").output)["register"]["other_file"] == issued


def test_the_page_of_another_bench_of_the_same_name_is_not_held_against_this_one(home, tmp_path):
    """Two works may both call a bench B1: another record, sealed by another key."""
    other = make_home(tmp_path / "other")
    with open_store(other) as store:
        keep_closed(store, *example_run("", valve("HL-4-0999", "NPS 4")))
    document = issue_document(other, "B1-000001").path
    told = said(home, "certificate", "verify", document, "--signer", other.keys / "station-cert.pem")
    assert (told.exit_code, told.output[:6]) == (0, "INTACT")
