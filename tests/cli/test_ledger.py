"""``testbench ledger``: the chain walked, signed, and held against what somebody else has."""

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.certificate.ledger_key import make_ledger_key
from testbench.cli.main import cli
from testbench.custody import issue_document, verify_ledger
from testbench.errors import CheckpointRefusedError, DocumentLostError, FileNotWrittenError, LedgerKeyError
from testbench.run.record import sha256
from testbench.wiring import Home, make_home, open_store, read_store
from tests.records.make import example_run, keep_closed, valve
from tests.store.test_records import tamper


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Home:
    """A bench with one accepted run and its certificate, and a checkpoint held elsewhere."""
    made = make_home(tmp_path_factory.mktemp("bench") / "home")
    with open_store(made) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    issue_document(made, "B1-000001")
    return made


def ledger(home: Home, *said: str | Path):
    return CliRunner().invoke(cli, ["ledger", *map(str, said), "--home", str(home.folder)])


def test_a_whole_ledger_says_so_and_what_it_cannot_prove(home):
    """How much there is, of what, and that without a checkpoint held elsewhere it proves itself only."""
    told = ledger(home, "verify", "--traces")
    assert told.exit_code == 0
    lines = told.output.splitlines()
    assert lines[0].startswith("WHOLE: 4 entries, head ")
    assert lines[1:5] == ["  1 × key", "  1 × run opened", "  1 × run sealed", "  1 × document"]
    assert lines[5] == "  2 traces decoded and hashed"
    assert lines[6] == (
        "No checkpoint held elsewhere was given (--against): whoever can write the file and has the key could have "
        "written all of it anew, or cut off its end."
    )
    assert lines[7] == "1 document lies here as it was issued."
    assert lines[8].startswith("SQLite ")
    assert json.loads(ledger(home, "verify", "--json").output)["held"] is None
    assert ledger(home, "verify").output.splitlines()[5] == (
        "  samples were not looked at (--traces): their hashes are whole, the samples may not be"
    )


def copy_of(home: Home, folder: Path) -> Home:
    """The records, the keys and the documents of a home, at another place."""
    file = sqlite3.connect(home.database)
    folder.mkdir()
    file.execute(f"VACUUM INTO '{folder / 'testbench.db'}'")
    file.close()
    shutil.copy(home.folder / "bench.toml", folder)
    shutil.copytree(home.certificates, folder / "certificates")
    return Home(folder)


def test_documents_are_held_against_the_register_where_they_lie(home, tmp_path):
    """One that is gone is said; one that was changed is found, as is one that was exchanged in a home that moved."""
    (document,) = home.certificates.glob("*.pdf")
    first = document.read_bytes()
    try:
        document.write_bytes(first + b"\n")
        told = ledger(home, "verify")
        assert (told.exit_code, told.output.splitlines()[-2]) == (
            1,
            (
                f"CHANGED: document {document} is not the file that was issued. Keep it elsewhere, and put the file "
                "back from a copy of certificates/, or ask the customer for it; no backup of the records holds it."
            ),
        )
        assert json.loads(ledger(home, "verify", "--json").output)["documents"] == {
            "as_issued": 0, "missing": [], "changed": [str(document)], "stamped": [], "unknown": [],
        }  # fmt: skip
        document.unlink()
        told = ledger(home, "verify")
        assert (told.exit_code, told.output.splitlines()[-2]) == (
            0,
            (
                f"Document {document} is not here: put the file back from a copy of certificates/, or ask the customer "
                "for it; no backup of the records holds it."
            ),
        )
        moved = copy_of(home, tmp_path / "moved")
        (moved.certificates / document.name).write_bytes(first)
        told = ledger(moved, "verify")
        assert (told.exit_code, "1 document lies here as it was issued." in told.output) == (0, True)
    finally:
        document.write_bytes(first)


def test_a_home_that_was_copied_speaks_of_its_own_documents(home, tmp_path):
    """Also while the home that it came from still has them."""
    (document,) = home.certificates.glob("*.pdf")
    moved = copy_of(home, tmp_path / "moved")
    own = moved.certificates / document.name
    own.write_bytes(own.read_bytes() + b"\n")
    assert documents_of(moved) == {"as_issued": 0, "missing": [], "changed": [str(own)], "stamped": [], "unknown": []}
    own.unlink()
    assert documents_of(moved) == {"as_issued": 0, "missing": [str(own)], "changed": [], "stamped": [], "unknown": []}
    with pytest.raises(DocumentLostError, match=f"is no longer at {own};"):
        issue_document(moved, "B1-000001")


def documents_of(home: Home) -> dict[str, object]:
    return json.loads(ledger(home, "verify", "--json").output)["documents"]


def test_a_page_that_no_record_knows_is_said(home, tmp_path):
    """Another's, or one that was given up; it makes no ledger bad."""
    moved = copy_of(home, tmp_path / "moved")
    (document,) = moved.certificates.glob("*.pdf")
    page = moved.certificates / "C-B1-000002_HL-6-0118.pdf"
    shutil.copy(document, page)
    told = ledger(moved, "verify")
    assert (told.exit_code, told.output.splitlines()[-3]) == (
        0,
        f"Page {page} is known to no record: it was given up, or put there by somebody.",
    )


def test_documents_can_be_left_out_and_that_is_said(home):
    """Nothing is said of them then, good or bad."""
    (document,) = home.certificates.glob("*.pdf")
    first = document.read_bytes()
    try:
        document.write_bytes(first + b"\n")
        told = ledger(home, "verify", "--no-documents")
        assert told.exit_code == 0
        assert "The issued documents were not looked at (--no-documents)." in told.output.splitlines()
        assert not any("documents lie here" in line or "CHANGED" in line for line in told.output.splitlines())
        assert json.loads(ledger(home, "verify", "--no-documents", "--json").output)["documents"] is None
    finally:
        document.write_bytes(first)


def test_whoever_waits_hears_how_far_it_is(home):
    """Each document once, of how many."""
    heard = []
    verify_ledger(home, None, traces=False, documents=lambda done, of: heard.append((done, of)))
    assert heard == [(1, 1)]


def test_a_page_that_got_its_time_stamp_later_is_as_it_was_issued(tmp_path):
    """A second row of the register; the page from before it, as the customer may have it, is good as well."""
    made = make_home(tmp_path / "home")
    with open_store(made) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    page = issue_document(made, "B1-000001").path
    before = page.read_bytes()
    page.write_bytes(before + b"stamped")
    with open_store(made) as store:
        (first,) = store.documents_of("B1-000001")
        digest = sha256(page.read_bytes())
        store.add_document(
            "B1-000001", first.kind, first.path, sha256=digest, record_sha256=first.record_sha256, at=first.issued
        )
    for data in (page.read_bytes(), before):
        page.write_bytes(data)
        told = json.loads(ledger(made, "verify", "--json").output)["documents"]
        assert told == {"as_issued": 1, "missing": [], "changed": [], "stamped": [], "unknown": []}


def test_a_seat_belt_that_was_taken_off_is_said(home, tmp_path):
    """The rows are whole; who took a trigger out wanted to change some."""
    moved = copy_of(home, tmp_path / "moved")
    file = sqlite3.connect(moved.database)
    file.execute("DROP TRIGGER run_closed")
    file.execute("DROP TRIGGER record_update")
    file.execute("CREATE TRIGGER record_update BEFORE UPDATE ON record WHEN 0 BEGIN SELECT 1; END")
    file.commit()
    file.close()
    told = ledger(moved, "verify")
    assert told.exit_code == 0
    assert (
        "Triggers that refuse changes were taken out of the file or changed: run_closed, record_update. What this walk "
        "has looked at is whole all the same; find out who did it. A backup from before brings them back."
    ) in told.output.splitlines()


def test_a_certificate_is_a_witness(home):
    """The customer's copy covers every entry from before it was issued; so does the line printed on it."""
    (document,) = home.certificates.glob("*.pdf")
    printed = printed_line(document)
    assert printed.endswith("(bench, entries, head; signed, the whole is attached)")
    for against in (document, printed, printed.partition(" (")[0].removeprefix("Ledger")):
        told = ledger(home, "verify", "--against", against)
        assert (told.exit_code, told.output.splitlines()[-3]) == (
            0,
            (
                "The checkpoint covers entries 1 to 3. What came after it, to entry 4, is proved by nothing outside "
                "this bench yet."
            ),
        )


def printed_line(document: Path) -> str:
    from pypdf import PdfReader

    text = PdfReader(document).pages[0].extract_text()
    return next(line for line in text.splitlines() if "(bench, entries, head" in line)


def test_the_log_beside_backups_is_a_witness(home, tmp_path):
    """The whole file, with the newest of its checkpoints; one line of it; other benches' lines count for nothing."""
    moved = copy_of(home, tmp_path / "moved")
    shutil.copytree(home.keys, moved.keys)
    stick = tmp_path / "stick"
    for _ in range(2):
        told = CliRunner().invoke(cli, ["backup", "--to", str(stick), "--home", str(moved.folder)])
        assert told.exit_code == 0
        next(stick.glob("*.db")).unlink()  # the name of the next is of the same second
    log = stick / "log"
    first, second = log.read_text().splitlines()
    for against, held in ((log, 5), (first, 4), (second, 5)):
        told = json.loads(ledger(moved, "verify", "--against", against, "--json").output)
        assert (told["whole"], told["held"]) == (True, held)
    foreign = make_home(tmp_path / "other", (home.folder / "bench.toml").read_text().replace('"B1"', '"B2"', 1))
    refused = ledger(foreign, "verify", "--against", log)
    assert str(refused.exception) == f"Checkpoint {log}: it is of bench B1; this is bench B2."
    log.write_text(f"{first}\n{second[:-90]}\n")
    refused = ledger(moved, "verify", "--against", log)
    assert str(refused.exception) == f"Checkpoint line 2 of {log}: it holds no checkpoint that can be read."


def test_a_checkpoint_is_written_once_and_covers_all_until_then(home, tmp_path):
    """As a file, as JSON, as a line; an existing file is not overwritten."""
    out = tmp_path / "checkpoint.json"
    made = json.loads(ledger(home, "checkpoint", "--out", out, "--json").output)
    held = json.loads(out.read_text())
    assert {name: made[name] for name in held} == held
    told = json.loads(ledger(home, "verify", "--against", out, "--json").output)
    assert (told["whole"], told["sentence"], told["held"], told["entries"]) == (True, "", held["n"], held["n"] + 1)
    assert ledger(home, "verify", "--against", made["line"]).exit_code == 0
    again = ledger(home, "checkpoint", "--out", out)
    assert isinstance(again.exception, FileNotWrittenError)
    assert str(again.exception) == f"{out} was not written: it exists already and is not overwritten."


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"n": 2}, "its signature is wrong"),
        ({"bench": "B2"}, "its signature is wrong"),
        ({"n": "many"}, "it holds no checkpoint that can be read"),
    ],
)
def test_a_checkpoint_that_was_changed_is_refused(home, tmp_path, change, words):
    """It would otherwise accuse a ledger that is whole."""
    held = json.loads(ledger(home, "checkpoint", "--json").output)
    forged = tmp_path / "c.json"
    forged.write_text(json.dumps({name: held[name] for name in held if name not in {"line", "fingerprint"}} | change))
    refused = ledger(home, "verify", "--against", forged)
    assert isinstance(refused.exception, CheckpointRefusedError)
    assert str(refused.exception) == f"Checkpoint {forged}: {words}."


def test_what_is_no_checkpoint_of_this_bench_is_refused(home, tmp_path):
    """Another bench's, a changed certificate, a file that is none."""
    none = ledger(home, "verify", "--against", tmp_path / "none.json")
    assert str(none.exception) == (
        f"Checkpoint '{tmp_path / 'none.json'}' (no such file): it is neither a checkpoint nor a line such as "
        "'B1 1234 9f3a 52c1 77d0 11aa'."
    )
    assert none.exception.remedy == (
        "Give a file of 'testbench ledger checkpoint', a certificate, the line that it prints, or the log beside "
        "backups."
    )
    other = ledger(home, "verify", "--against", "B2 4 9f3a 52c1 77d0 11aa")
    assert str(other.exception) == "Checkpoint 'B2 4 9f3a 52c1 77d0 11aa': it is of bench B2; this is bench B1."
    nothing = ledger(home, "verify", "--against", "B1 0 0000 0000 0000 0000")
    assert str(nothing.exception) == ("Checkpoint 'B1 0 0000 0000 0000 0000': it names no entry and so proves nothing.")
    (document,) = home.certificates.glob("*.pdf")
    changed = tmp_path / "changed.pdf"
    changed.write_bytes(document.read_bytes() + b"\n")
    refused = ledger(home, "verify", "--against", changed)
    assert str(refused.exception) == f"Checkpoint {changed}: the document was changed after it was sealed."


def test_the_first_bad_entry_is_named_and_the_exit_code_says_so(home, tmp_path):
    """Also as JSON."""
    file = sqlite3.connect(home.database)
    file.execute(f"VACUUM INTO '{tmp_path / 'testbench.db'}'")
    file.close()
    (tmp_path / "bench.toml").write_bytes((home.folder / "bench.toml").read_bytes())
    tamper(tmp_path / "testbench.db", "UPDATE run SET verdict = 'rejected'")
    told = ledger(Home(tmp_path), "verify")
    assert told.exit_code == 1
    assert told.output.splitlines()[0] == (
        "BROKEN at entry 3 (run sealed B1-000001): what it stands for was changed after it was written."
    )
    assert told.output.splitlines()[1].startswith("  good until then: 3 entries, head ")
    assert told.output.splitlines()[2] == (
        "→ Keep the file as it is. Restore the newest backup into a new home beside it, hold both against a checkpoint "
        "that somebody else has (--against), and compare them from this entry on. Call the engineer responsible for "
        "this bench."
    )
    told = json.loads(ledger(Home(tmp_path), "verify", "--json").output)
    assert (told["whole"], told["fault"]["entry"]) == (False, 3)


def test_whoever_may_not_read_the_keys_can_still_walk_the_ledger(home, tmp_path):
    """An auditor, for one; what cannot be checked then is said."""
    made = make_home(tmp_path / "home")
    assert ledger(made, "checkpoint").exit_code == 0
    shutil.rmtree(made.keys)
    told = ledger(made, "verify")
    assert told.exit_code == 0
    assert told.output.splitlines()[-2] == (
        "The key of the ledger is missing here or cannot be read: the checkpoints among the records were checked with "
        "the keys that they name."
    )


def test_a_home_from_before_the_ledger_gets_its_key_at_the_first_use(tmp_path):
    """And the ledger names it."""
    made = make_home(tmp_path / "home")
    for path in (made.keys / "ledger.pem", *made.folder.glob("testbench.db*")):
        path.unlink()
    shutil.copy(Path(__file__).parents[1] / "records" / "schema-0002.db", made.database)
    assert ledger(made, "checkpoint").exit_code == 0
    assert (made.keys / "ledger.pem").stat().st_mode & 0o777 == 0o600
    assert json.loads(ledger(made, "verify", "--json").output)["kinds"]["key"] == 1


def lose(path: Path) -> None:
    path.unlink()


def spoil(path: Path) -> None:
    path.write_text("no key")


def exchange(path: Path) -> None:
    path.unlink()
    make_ledger_key(path.parent)


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (lose, "it is missing"),
        (spoil, "it holds no private key that can be read"),
        (exchange, "it is not the key that the ledger names"),
    ],
)
def test_a_key_is_never_made_anew_unsaid(tmp_path, harm, words):
    """It would call the checkpoints of a whole ledger a stranger's."""
    made = make_home(tmp_path / "home")
    assert ledger(made, "checkpoint").exit_code == 0
    harm(made.keys / "ledger.pem")
    for said in (["ledger", "checkpoint"], ["backup"]):
        refused = CliRunner().invoke(cli, [*said, "--home", str(made.folder)]).exception
        assert isinstance(refused, LedgerKeyError)
        assert str(refused) == f"Key of the ledger {made.keys / 'ledger.pem'}: {words}."
        assert refused.remedy == (
            "Restore the file from the backup of the keys with mode 0600; if it is gone for good, begin a new key, "
            "which the ledger will name: testbench ledger checkpoint --new-key WHY."
        )
    assert [path.name for path in (made.folder / "backups").iterdir()] == [".lock"]

    assert ledger(made, "checkpoint", "--new-key", "the disk of the keys failed").exit_code == 0
    assert ledger(made, "checkpoint").exit_code == 0
    told = json.loads(ledger(made, "verify", "--json").output)
    assert (told["whole"], told["kinds"]) == (True, {"key": 2, "checkpoint": 3})
    with read_store(made) as store:
        assert json.loads(store.statements("key")[-1])["why"] == "the disk of the keys failed"
    assert len(list(made.keys.glob("ledger-until-*.pem"))) == (harm is not lose)


def test_a_stranger_who_names_his_key_in_a_chain_written_anew_is_found(tmp_path):
    """What the chain names does not count by itself; only what lies in the keys of the home does."""
    made, other = make_home(tmp_path / "home"), make_home(tmp_path / "other")
    assert ledger(other, "checkpoint").exit_code == 0
    shutil.copy(other.database, made.database)
    told = json.loads(ledger(made, "verify", "--json").output)
    assert told["sentence"] == "entry 2 (checkpoint 1): it is no checkpoint that a key of this bench signed"


def test_a_new_key_wants_a_reason(home):
    """An empty one is none."""
    refused = ledger(home, "checkpoint", "--new-key", " ").exception
    assert str(refused) == "--new-key was given without a reason."
