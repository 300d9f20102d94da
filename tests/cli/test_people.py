"""``testbench people``, ``sign`` and ``signatures``, and what else takes an engineer's password."""

import errno
import io
import json
import os
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.certificate import publishing
from testbench.cli.main import cli
from testbench.cli.secrets import asking
from testbench.credentials import secrets
from testbench.errors import SecretUnreadableError
from testbench.recording import IssuedByChild
from testbench.run.record import canonical, sha256
from testbench.store.reading import RunReader
from testbench.wiring import Home, make_home, open_store
from tests.records.make import example_run, keep_closed, valve
from tests.store.test_records import tamper

ASHE, QUILL, VENN = "the tide at Port Ellery", "7394", "salt and cold iron"


@pytest.fixture(autouse=True)
def cheap(monkeypatch):
    """Hashes that cost nothing."""
    monkeypatch.setattr(secrets, "Argon2Secrets", partial(secrets.Argon2Secrets, cheap=True))


@pytest.fixture
def home(tmp_path) -> Path:
    return make_home(tmp_path / "home").folder


def said(home: Path, *words: str, lines: tuple[str, ...] = ()):
    """Call a command with secrets on standard input."""
    stdin = ("--secret-stdin",) if lines else ()
    return CliRunner().invoke(cli, [*words, *stdin, "--home", str(home)], input="".join(f"{one}\n" for one in lines))


def refusal(found) -> str:
    assert found.exit_code == 1, found.output
    return str(found.exception)


@pytest.fixture
def staffed(home) -> Path:
    """An engineer who reviews, an operator, and another reviewer."""
    engineer = ("people", "add", "ashe", "--name", "Tobin Ashe", "--role", "engineer", "--role", "reviewer")
    assert said(home, *engineer, lines=(ASHE,)).exit_code == 0
    by = ("--by", "ashe")
    quill = said(home, "people", "add", "quill", "--name", "Mara Quill", "--role", "operator", *by, lines=(ASHE, QUILL))
    assert quill.output == "quill  added: operator  (by ashe, password)\nquill  PIN set  (by ashe, password)\n"
    venn = ("people", "add", "venn", "--name", "Orla Venn", "--role", "reviewer", *by)
    assert said(home, *venn, lines=(ASHE, VENN)).exit_code == 0
    return home


def with_a_run(home: Path, caught: str = "0.2 mL") -> str:
    """A closed run of Mara Quill, authenticated."""
    record, traces = example_run("", valve("HL-4-0117", "NPS 4"), caught)
    with open_store(Home(home)) as store:
        return keep_closed(store, record.model_copy(update={"operator_id": "quill"}), traces)


def sign(home: Path, person: str, meaning: str, secret: str, run: str = "B1-000001"):
    return said(home, "sign", run, "--as", person, "--meaning", meaning, lines=(secret,))


# People -----------------------------------------------------------------------------------------


def test_the_first_person_needs_nobody_and_says_so(home):
    """After that an engineer's password is asked for."""
    found = said(home, "people", "add", "ashe", "--name", "Tobin Ashe", "--role", "engineer", lines=(ASHE,))
    assert found.output.splitlines()[0] == "ashe  added: engineer  (by owner of the home, owner of the home)"
    again = said(home, "people", "add", "quill", "--name", "Mara Quill", "--role", "operator", lines=(QUILL,))
    assert again.exit_code == 2
    assert "People are registered here: name an engineer with --by." in again.output
    wrong = said(home, "people", "disable", "ashe", "--by", "ashe", lines=("a dozen of letters",))
    assert refusal(wrong) == "'ashe' and what was entered do not belong together."


def test_everybody_is_listed_with_locks(staffed):
    """Also the disabled; secrets are named, never shown."""
    assert said(staffed, "people", "disable", "venn", "--by", "ashe", lines=(ASHE,)).exit_code == 0
    for _ in range(5):
        said(staffed, "people", "set-pin", "quill", lines=("1111", "6170"))
    listed = json.loads(said(staffed, "people", "list", "--json").output)
    assert [(one["person"], one["roles"], one["enabled"], one["secrets"]) for one in listed] == [
        ("ashe", ["engineer", "reviewer"], True, ["password"]),
        ("quill", ["operator"], True, ["PIN"]),
        ("venn", ["reviewer"], False, ["password"]),
    ]
    assert (listed[1]["wrong_tries"], listed[1]["locked_until"] != "") == (5, True)
    told = said(staffed, "people", "list").output.splitlines()
    assert told[0] == "ashe                 Tobin Ashe                   engineer, reviewer"
    assert "5 wrong tries  locked until" in told[1]
    assert told[2].endswith("reviewer  DISABLED")
    assert "argon2" not in said(staffed, "people", "list", "--json").output


def test_nobody_is_said_to_be_there(home):
    """And what that means."""
    assert said(home, "people", "list").output == (
        "Nobody is registered: operators are named in bench.toml, not authenticated.\n"
    )


def test_a_person_changes_the_own_pin_with_the_old_one(staffed):
    """An engineer is not needed."""
    assert said(staffed, "people", "set-pin", "quill", lines=(QUILL, "6170")).exit_code == 0
    assert "do not belong together" in refusal(said(staffed, "people", "set-pin", "quill", lines=(QUILL, "8052")))
    entry = json.loads(said(staffed, "people", "set-pin", "quill", "--json", lines=("6170", "8052")).output)[0]
    assert (entry["by"], entry["authenticated"], entry["change"]) == ("quill", "PIN", "PIN set")
    assert "secret_sha256" not in entry


def test_a_password_and_roles_are_set_by_an_engineer(staffed):
    """Roles replace the old ones; the password is set with them."""
    roles = ("people", "roles", "quill", "--role", "operator", "--role", "reviewer", "--by", "ashe")
    assert said(staffed, *roles, lines=(ASHE,)).output == "quill  roles: operator, reviewer  (by ashe, password)\n"
    password = ("people", "set-password", "quill", "--by", "ashe")
    assert said(staffed, *password, lines=(ASHE, "rope and tallow")).exit_code == 0
    venn = said(staffed, "people", "enable", "quill", "--by", "venn", lines=(VENN,))
    assert refusal(venn) == "'venn' is reviewer; this needs the role engineer."


def test_a_secret_is_never_an_option_and_never_guessed(staffed):
    """Without a terminal and without --secret-stdin it is refused in one sentence."""
    found = said(staffed, "people", "disable", "quill", "--by", "ashe")
    assert refusal(found) == "Password of ashe is needed and was not given."
    short = said(staffed, "people", "set-pin", "quill", "--by", "ashe", lines=(ASHE,))
    assert refusal(short) == "New PIN of quill is needed and was not given."
    for command in ("people add", "people set-pin", "people set-password", "sign"):
        shown = CliRunner().invoke(cli, [*command.split(), "--help"]).output
        assert not {"--pin", "--password", "--secret "} & set(shown.split())


# Signing ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("surrogates", [True, False], ids=["lenient terminal", "strict terminal"])
def test_a_secret_that_is_no_text_is_refused(staffed, monkeypatch, surrogates):
    """One sentence, without the secret, however standard input treats the bytes."""
    errors = "surrogateescape" if surrogates else "strict"
    typed = io.TextIOWrapper(io.BytesIO(b"sal\xff and cold iron\n"), encoding="utf-8", errors=errors)
    monkeypatch.setattr("sys.stdin", typed)
    with pytest.raises(SecretUnreadableError) as refusal:
        asking(from_stdin=True)("Password of ashe")
    assert str(refusal.value) == "Password of ashe cannot be read: it is not UTF-8."
    assert refusal.value.__cause__ is None
    assert refusal.value.__suppress_context__ or refusal.value.__context__ is None


def test_a_page_that_is_not_there_is_not_called_changed(staffed):
    """A slip of the keys is no forgery."""
    found = CliRunner().invoke(cli, ["certificate", "verify", "no-such.pdf", "--home", str(staffed)])
    assert refusal(found) == "There is no file no-such.pdf."


def test_a_run_is_performed_then_released_and_then_has_its_certificate(staffed):
    """Not before; the page carries both signatures."""
    run = with_a_run(staffed)
    early = said(staffed, "certificate", "issue", run)
    assert refusal(early) == f"Run {run} gets its certificate once it is signed as released."
    performed = sign(staffed, "quill", "performed", QUILL)
    assert performed.exit_code == 0, performed.output
    lines = performed.output.splitlines()
    assert lines[0] == "Run B1-000001, valve HL-4-0117, order HL-2041: accepted."
    with RunReader.beside(staffed / "testbench.db") as store:
        record, _ = store.load(run)
    assert f"Record {sha256(canonical(record))}" in lines
    assert any(line.startswith("  I performed run B1-000001 on valve HL-4-0117") for line in lines)
    assert lines[-1].startswith("Signed as performed by Mara Quill at ")
    released = sign(staffed, "ashe", "released", ASHE)
    assert released.exit_code == 0, released.output
    page = staffed / "certificates" / "C-B1-000001_HL-4-0117.pdf"
    assert released.output.splitlines()[-1] == f"certificate C-B1-000001 written to {page}."
    checked = json.loads(
        CliRunner().invoke(cli, ["certificate", "verify", str(page), "--home", str(staffed), "--json"]).output
    )
    assert (checked["intact"], checked["trusted"]) == (True, True)
    assert [one.split(", ")[0] for one in checked["signed"]] == ["performed by Mara Quill", "released by Tobin Ashe"]


@pytest.mark.parametrize(
    "forgery",
    [
        # a release that nobody signed, as one row
        "INSERT INTO signature SELECT max(seq) + 1, subject, 'released', replace(body, 'Mara', 'Tobin') FROM signature",
        # somebody else's name on the one that was signed
        "UPDATE signature SET body = replace(body, 'Mara Quill', 'Edda Witt')",
    ],
)
def test_a_signature_that_was_written_past_the_program_counts_for_nothing(staffed, forgery):
    """No page is drawn, nobody signs after it, and the list names it."""
    run = with_a_run(staffed)
    assert sign(staffed, "quill", "performed", QUILL).exit_code == 0
    tamper(staffed / "testbench.db", forgery)
    number = 2 if forgery.startswith("INSERT") else 1
    sentence = f"Signature {number} is not what the ledger names; it counts for nothing."
    for told in (
        said(staffed, "certificate", "issue", run),
        said(staffed, "signatures", run),
        sign(staffed, "ashe", "released", ASHE),
    ):
        assert refusal(told) == sentence
    assert not list((staffed / "certificates").glob("*"))


def released(home: Path) -> Path:
    """The page of a run that was signed as performed and released."""
    run = with_a_run(home)
    for person, meaning, secret in (("quill", "performed", QUILL), ("ashe", "released", ASHE)):
        told = sign(home, person, meaning, secret, run)
        assert told.exit_code == 0, told.output
    return home / "certificates" / f"C-{run}_HL-4-0117.pdf"


def restore(home: Path, kept: Path, *why: str) -> dict:
    told = said(home, "restore", str(kept), *why, "--json")
    assert told.exit_code == 0, told.output
    return json.loads(told.output)


def test_a_release_that_was_given_up_is_made_again_and_its_page_is_put_aside(staffed):
    """The page may have left the bench; who restores is told, and finds it under a name that says so."""
    kept = Path(json.loads(said(staffed, "backup", "--json").output)["file"])
    page = released(staffed)
    first = page.read_bytes()
    done = restore(staffed, kept, "--discard-newer", "the disk was exchanged")
    (aside,) = map(Path, done["documents_given_up"])
    assert aside.match("C-B1-000001_HL-4-0117.given-up-*Z.pdf")
    assert (page.exists(), aside.read_bytes()) == (False, first)
    assert released(staffed).name == "C-B1-000002_HL-4-0117.pdf"  # the number that was given up is not given again

    back = restore(staffed, Path(done["aside"]), "--discard-newer", "the disk was found again")
    assert [Path(path).name[:32] for path in back["documents_given_up"]] == ["C-B1-000002_HL-4-0117.given-up-2"]
    assert (page.read_bytes(), aside.exists()) == (first, False)


def test_a_lost_page_is_not_issued_again(staffed):
    """The register guards the number, not the folder: a second page would say another time and other entries."""
    page = released(staffed)
    digest = sha256(page.read_bytes())
    page.rename(staffed / "elsewhere.pdf")
    refused = said(staffed, "certificate", "issue", "B1-000001")
    assert refusal(refused) == (
        f"Document C-B1-000001 was issued and is no longer at {page}; it is not issued again (SHA-256 {digest})."
    )
    assert refused.exception.remedy == (
        "Put the file back from a copy of certificates/ or ask the customer for it: its SHA-256 must be this one."
    )
    (staffed / "elsewhere.pdf").rename(page)
    assert refusal(said(staffed, "certificate", "issue", "B1-000001")) == (
        f"Document C-B1-000001 was already issued as {page}; it is not overwritten."
    )


def test_nothing_is_signed_where_the_page_could_not_be_written(staffed):
    """A signature that is kept cannot be made again; so the place of the page is looked at first."""
    run = with_a_run(staffed)
    assert sign(staffed, "quill", "performed", QUILL).exit_code == 0
    page = staffed / "certificates" / "C-B1-000001_HL-4-0117.pdf"
    page.write_bytes(b"of a program that was killed")
    refused = sign(staffed, "ashe", "released", ASHE)
    assert refusal(refused) == (
        f"Document C-B1-000001 cannot be issued: {page} lies there, and the records know nothing of it."
    )
    assert refused.exception.remedy == (
        "Move the file out of the folder and keep it, then try again. Nothing was signed or written."
    )
    with RunReader.beside(staffed / "testbench.db") as store:
        assert len(store.signatures_of(run)) == 1
    page.unlink()
    assert sign(staffed, "ashe", "released", ASHE).exit_code == 0


def test_a_rejection_report_needs_its_operator_only(staffed):
    """And can be reviewed afterwards."""
    run = with_a_run(staffed, "6 mL")
    assert refusal(said(staffed, "certificate", "issue", run)) == (
        f"Run {run} gets its rejection report once it is signed as performed."
    )
    assert "rejection report R-B1-000001 written to" in sign(staffed, "quill", "performed", QUILL).output
    assert (
        refusal(sign(staffed, "ashe", "released", ASHE)) == "Run B1-000001 cannot be released: its verdict is rejected."
    )
    assert sign(staffed, "venn", "reviewed", VENN).exit_code == 0


def test_a_page_that_finds_no_room_is_still_owed(staffed, monkeypatch):
    """The signature is kept, the message says so, and the page is written later without a second signature."""
    run = with_a_run(staffed, "6 mL")
    with monkeypatch.context() as full:
        full.setattr(publishing, "write_through", no_room)
        told = sign(staffed, "quill", "performed", QUILL)
    page = staffed / "certificates" / "R-B1-000001_HL-4-0117.pdf"
    assert refusal(told) == (
        "Run B1-000001 is signed as performed by Mara Quill, and that is kept; its rejection report is still owed: "
        f"Document {page} was not written: No space left on device."
    )
    assert told.exception.remedy == (
        "Do not sign again; correct what is named, then write the page with 'testbench certificate issue'."
    )
    assert not page.exists()
    assert said(staffed, "certificate", "issue", run).output == f"rejection report R-B1-000001 written to {page}.\n"


def test_the_bench_says_that_a_page_is_owed_and_how_it_is_written(staffed):
    """The recorder has it written by a process of its own; here a run that is not there stands for a full disk."""
    documents = IssuedByChild(Home(staffed))
    documents.order("B1-000009")
    for _, child in documents._working:
        child.wait(timeout=60)
    ((run, path, sentence),) = documents.written()
    assert (run, path) == ("B1-000009", "")
    assert sentence == (
        f"Run B1-000009 is kept; its page is still owed: There is no run B1-000009 in {staffed}. "
        "Write it with 'testbench certificate issue'."
    )


def no_room(path: Path, data: bytes) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_an_open_run_is_not_signed(staffed):
    """It is there, and it is not closed: the sentence says which."""
    with open_store(Home(staffed)) as store:
        run = store.begin_run("{}", datetime(2026, 11, 26, 9, 0, tzinfo=UTC))
    assert refusal(sign(staffed, "quill", "performed", QUILL, run)) == (
        f"Run {run} is still open; only a closed run is read, signed or put on paper."
    )


def test_signatures_are_listed_and_held_against_the_record(staffed):
    """One that was carried over from another run is named; exit code 1."""
    with_a_run(staffed)
    assert said(staffed, "signatures", "B1-000001").output == "Run B1-000001 bears no signature.\n"
    sign(staffed, "quill", "performed", QUILL)
    listed = json.loads(said(staffed, "signatures", "B1-000001", "--json").output)
    assert [(one["meaning"], one["binds"]) for one in listed] == [("performed", True)]
    other = with_a_run(staffed)
    with open_store(Home(staffed)) as store:
        (one,) = store.signatures_of("B1-000001")
        store.add_signature(one.model_copy(update={"subject_id": other}), lambda _: None)
    found = said(staffed, "signatures", other)
    assert (found.exit_code, "DOES NOT BIND THIS RECORD" in found.output) == (1, True)
    refused = refusal(said(staffed, "certificate", "issue", other))
    assert refused == f"Run {other} gets its certificate once it is signed as released."


def test_a_copied_signature_issues_nothing(staffed):
    """A release of one run, put under another by hand, is found before a page is drawn."""
    with_a_run(staffed)
    sign(staffed, "quill", "performed", QUILL)
    sign(staffed, "ashe", "released", ASHE)
    other = with_a_run(staffed)
    with open_store(Home(staffed)) as store:
        for one in store.signatures_of("B1-000001"):
            store.add_signature(one.model_copy(update={"subject_id": other}), lambda _: None)
    assert refusal(said(staffed, "certificate", "issue", other)) == (
        f"Run {other}: a signature does not match its hash; it was changed after it was written."
    )


def test_a_run_from_before_people_needs_no_signature(home):
    """Named, not authenticated: its page says so, and is written at once."""
    record, traces = example_run("", valve("HL-4-0117", "NPS 4"))
    with open_store(Home(home)) as store:
        run = keep_closed(store, record, traces)
    assert said(home, "certificate", "issue", run).exit_code == 0


# What an engineer answers for --------------------------------------------------------------------


def test_a_procedure_is_adopted_under_an_engineers_signature(staffed):
    """The file's hash is signed; a wrong password adopts nothing."""
    text = (Path(__file__).parents[2] / "procedures" / "house-template.toml").read_text()
    (staffed / "procedures" / "house-template.toml").write_text(text)
    adopt = ("procedure", "adopt", "house-template", "--decision", "decision of the works", "--json")
    wrong = said(staffed, *adopt, "--by", "ashe", lines=("a dozen of letters",))
    assert refusal(wrong) == "'ashe' and what was entered do not belong together."
    assert not json.loads(said(staffed, "procedure", "list", "--json").output)[0]["adopted"]
    done = said(staffed, *adopt, "--by", "ashe", lines=(ASHE,))
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["adopted_by"] == "Tobin Ashe"
    with RunReader.beside(staffed / "testbench.db") as store:
        (one,) = store.signatures_of("house-template")
    assert (one.meaning, one.person, one.record_sha256) == ("adopted", "ashe", sha256(text.encode()))


def test_a_blank_run_is_declared_by_an_engineer(staffed):
    """A reviewer is none; the printed name is kept."""
    with_a_run(staffed)
    declare = ("blank", "add", "B1-000001", "--stage", "1", "--why", "blanked-off body", "--json")
    assert refusal(said(staffed, *declare, "--by", "venn", lines=(VENN,))) == (
        "'venn' is reviewer; this needs the role engineer."
    )
    assert json.loads(said(staffed, *declare, "--by", "ashe", lines=(ASHE,)).output)["declared_by"] == "Tobin Ashe"
