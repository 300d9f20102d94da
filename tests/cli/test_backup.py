"""``testbench backup`` and ``restore``: a proved copy, and the way back, which loses nothing unsaid."""

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import (
    BackupRefusedError,
    ReasonMissingError,
    RecorderRunningError,
    RecordsMissingError,
    RestoreWouldLoseError,
)
from testbench.run.ledger import Checkpoint
from testbench.wiring import Home, make_home, only_recorder, open_store, read_store
from tests.records.make import example_run, keep_closed, valve
from tests.store.test_records import tamper


@pytest.fixture
def home(tmp_path) -> Home:
    """A bench with one closed run."""
    made = make_home(tmp_path / "home")
    with open_store(made) as store:
        keep_closed(store, *example_run("", valve("HL-4-0117", "NPS 4")))
    return made


def call(home: Home, *said: str | Path):
    return CliRunner().invoke(cli, [*map(str, said), "--home", str(home.folder)])


def backup_of(home: Home) -> Path:
    told = call(home, "backup", "--json")
    assert told.exit_code == 0, told.output
    return Path(json.loads(told.output)["file"])


def keep_run(home: Home) -> None:
    with open_store(home) as store:
        keep_closed(store, *example_run("", valve("HL-6-0118", "NPS 6"), "6 mL"))


def runs_of(home: Home) -> list[str]:
    with read_store(home) as store:
        return [line.run for line in store.history()]


def test_a_backup_is_noted_in_the_ledger_and_in_the_log_beside_it(home):
    """The log is a witness: its checkpoint is one that the ledger can be held against."""
    told = call(home, "backup")
    lines = told.output.splitlines()
    (kept,) = (home.folder / "backups").glob("B1-*.db")
    assert lines[0] == (
        f"Backup {kept}: {kept.stat().st_size / 1e6:.1f} MB, 3 entries, every record and sample read back."
    )
    noted = json.loads((kept.parent / "log").read_text())
    checkpoint = Checkpoint.model_validate(noted["checkpoint"])
    assert (noted["file"], checkpoint.n) == (kept.name, 3)
    assert lines[1] == f"  checkpoint {checkpoint.line}, noted in {kept.parent / 'log'}"
    verified = json.loads(call(home, "ledger", "verify", "--against", checkpoint.line, "--json").output)
    assert (verified["whole"], verified["kinds"]["backup"]) == (True, 1)
    assert call(home, "backup", "verify", kept).output.startswith("WHOLE: 3 entries, head ")


def test_a_backup_goes_where_it_is_told(home, tmp_path):
    """Another disk, for one; the log goes with it."""
    told = call(home, "backup", "--to", tmp_path / "stick")
    assert told.exit_code == 0
    assert sorted(found.suffix for found in (tmp_path / "stick").iterdir()) == ["", "", ".db"]
    assert not list((home.folder / "backups").iterdir())


def test_a_damaged_file_comes_back_as_it_was(home):
    """The usual reason. What is damaged cannot say what it holds more, so the reason must be said."""
    kept = backup_of(home)
    home.database.write_bytes(b"\0" * 4096)
    refused = call(home, "restore", kept)
    assert isinstance(refused.exception, RestoreWouldLoseError)
    done = call(home, "restore", kept, "--discard-newer", "the disk failed on 2026-11-26")
    assert done.output.splitlines()[0] == f"Restored {kept}: 3 entries."
    assert runs_of(home) == ["B1-000001"]
    (aside,) = home.folder.glob("testbench-replaced-*.db")
    assert aside.read_bytes() == b"\0" * 4096
    told = json.loads(call(home, "ledger", "verify", "--traces", "--json").output)
    assert (told["whole"], told["kinds"]["restored"]) == (True, 1)


def test_records_that_hold_more_are_not_overwritten_unless_that_is_said(home):
    """And then they are kept beside, and the ledger says why."""
    kept = backup_of(home)
    keep_run(home)
    before = runs_of(home)
    refused = call(home, "restore", kept)
    assert isinstance(refused.exception, RestoreWouldLoseError)
    assert str(refused.exception) == (
        f"Backup {kept} was not restored: the records hold 2 entries that it does not hold, the first is entry 5 "
        "(run opened B1-000002)."
    )
    assert refused.exception.remedy == (
        "Look at what would be lost; if it may be, say so with --discard-newer WHY. Nothing was changed."
    )
    assert runs_of(home) == before
    done = json.loads(call(home, "restore", kept, "--discard-newer", "a trial", "--json").output)
    assert runs_of(home) == ["B1-000001"]
    with sqlite3.connect(done["aside"]) as aside:
        assert aside.execute("SELECT count(*) FROM record").fetchone() == (2,)
    aside.close()
    with sqlite3.connect(home.database) as now:
        (body,) = now.execute("SELECT body FROM ledger WHERE kind = 'restored'").fetchone()
    now.close()
    assert (json.loads(body)["why"], json.loads(body)["given_up"]) == ("a trial", done["given_up"])


def test_a_run_number_that_was_given_up_is_never_given_out_again(home):
    """Its page may hang at a customer's: another content under one number would make both worthless."""
    kept = backup_of(home)
    for number in (2, 3):
        keep_run(home)
        assert runs_of(home)[0] == f"B1-{number:06d}"
    call(home, "restore", kept, "--discard-newer", "a trial")
    keep_run(home)
    assert runs_of(home) == ["B1-000004", "B1-000001"]
    call(home, "restore", kept, "--discard-newer", "the same again")
    keep_run(home)
    assert runs_of(home) == ["B1-000005", "B1-000001"]


def test_where_the_records_are_gone_the_pages_tell_which_numbers_were_given_out(home):
    """The disk of the database broke; the certificates are still there."""
    kept = backup_of(home)
    home.certificates.mkdir(exist_ok=True)
    (home.certificates / "C-B1-000007_HL-8-0301.pdf").write_bytes(b"%PDF-")
    for end in ("", "-wal", "-shm"):
        home.database.with_name(home.database.name + end).unlink(missing_ok=True)
    assert call(home, "restore", kept, "--discard-newer", "the disk broke").exit_code == 0
    keep_run(home)
    assert runs_of(home) == ["B1-000008", "B1-000001"]


def test_a_new_home_takes_a_backup_and_its_key(home, tmp_path):
    """The machine burnt down: the records live on; the fingerprint of their key is said, to be compared."""
    call(home, "ledger", "checkpoint")
    kept = backup_of(home)
    other = make_home(tmp_path / "other")
    done = call(other, "restore", kept)
    assert done.exit_code == 0, done.output
    assert "  its checkpoints are signed with a key that was not known here: " in done.output
    assert runs_of(other) == ["B1-000001"]
    assert json.loads(call(other, "ledger", "verify", "--json").output)["whole"] is True


def test_a_backup_of_another_bench_is_refused(home, tmp_path):
    """Its numbers would be given out twice."""
    kept = backup_of(home)
    text = (home.folder / "bench.toml").read_text().replace('name = "B1"', 'name = "B2"', 1)
    other = make_home(tmp_path / "other", text)
    refused = call(other, "restore", kept)
    assert str(refused.exception) == f"Backup {kept}: it is of bench B1; this is bench B2."


@pytest.mark.parametrize("harm", ["flip", "cut", "edit"])
def test_a_damaged_backup_is_not_restored(home, harm):
    """The records stay to the byte."""
    kept = backup_of(home)
    if harm == "edit":
        tamper(kept, "UPDATE run SET verdict = 'rejected'")
    else:
        data = bytearray(kept.read_bytes())
        data[len(data) // 2 :] = b"" if harm == "cut" else bytes(byte ^ 1 for byte in data[len(data) // 2 :])
        kept.write_bytes(data)
    before = home.database.read_bytes()
    refused = call(home, "restore", kept, "--discard-newer", "never mind")
    assert isinstance(refused.exception, BackupRefusedError)
    assert home.database.read_bytes() == before
    assert not list(home.folder.glob("testbench-replaced-*"))


def test_nothing_is_restored_under_a_running_recorder(home):
    """It would go on writing into the file that was put aside."""
    kept = backup_of(home)
    with only_recorder(home):
        refused = call(home, "restore", kept)
    assert isinstance(refused.exception, RecorderRunningError)


def test_what_was_given_up_stays_in_the_ledger_however_often_a_backup_is_restored(home):
    """The backup knows nothing of it, and the records that tell of it are the ones that it takes the place of."""
    kept = backup_of(home)
    for serial, why in (("HL-6-0118", "a trial"), ("HL-6-0119", "another trial")):
        with open_store(home) as store:
            keep_closed(store, *example_run("", valve(serial, "NPS 6"), "6 mL"))
        assert call(home, "restore", kept, "--discard-newer", why).exit_code == 0
    for _ in range(2):
        assert call(home, "restore", kept).exit_code == 0
        with read_store(home) as store:
            (said,) = map(json.loads, store.statements("restored"))
        assert (said["given_up"], [one["why"] for one in said["earlier"]]) == ("", ["a trial", "another trial"])
        assert all(one["given_up"].startswith("the records hold 2 entries that") for one in said["earlier"])
    later = backup_of(home)
    assert call(home, "restore", later).exit_code == 0
    with read_store(home) as store:
        assert [len(json.loads(body)["earlier"]) for body in store.statements("restored")] == [2, 0]


@pytest.mark.parametrize("why", ["", " \t"])
def test_a_reason_is_no_blank(home, why):
    """It is all that the ledger will ever say of what is gone."""
    kept = backup_of(home)
    refused = call(home, "restore", kept, "--discard-newer", why).exception
    assert isinstance(refused, ReasonMissingError)
    assert f"{refused} {refused.remedy}" == (
        "--discard-newer was given without a reason. Say in a few words why; the ledger keeps it. Nothing was changed."
    )


@pytest.mark.parametrize("left", [None, b""])
@pytest.mark.parametrize(
    "said", [("history",), ("ledger", "verify"), ("ledger", "checkpoint"), ("backup",), ("people", "add", "quill")]
)
def test_records_that_are_gone_are_never_begun_anew(home, left, said):
    """An empty history, numbers from 1 and an owner without a password: nobody would miss what was there."""
    for path in home.folder.glob("testbench.db*"):
        path.unlink()
    if left is not None:
        home.database.write_bytes(left)
    more = ("--name", "Mara Quill", "--role", "engineer") if said[0] == "people" else ()
    refused = call(home, *said, *more).exception
    found = "the file is not there" if left is None else "it holds no records of this program"
    assert isinstance(refused, RecordsMissingError)
    assert str(refused) == f"The records in {home.database} cannot be used: {found}."
    assert refused.remedy == (
        "Restore the newest backup with 'testbench restore FILE'; new records are only made by 'testbench init', in a "
        "new home."
    )
    assert not home.database.exists() if left is None else home.database.read_bytes() == left


def test_records_that_are_gone_come_back_from_a_backup(home):
    """What they held beyond it nobody can tell, so the reason must be said."""
    kept = backup_of(home)
    for path in home.folder.glob("testbench.db*"):
        path.unlink()
    refused = call(home, "restore", kept)
    assert str(refused.exception) == (
        f"Backup {kept} was not restored: what the records hold beyond it cannot be told (The records in "
        f"{home.database} cannot be used: the file is not there)."
    )
    assert call(home, "restore", kept, "--discard-newer", "the disk was exchanged").exit_code == 0
    assert runs_of(home) == ["B1-000001"]


def test_a_home_of_an_older_version_says_where_its_records_are_kept(home, capfd):
    """One line, before anything else."""
    shutil.copy(Path(__file__).parents[1] / "records" / "schema-0002.db", home.database)
    open_store(home).close()
    (kept,) = (home.folder / "backups").glob("before-*.db")
    assert capfd.readouterr().err == (f"The records were brought up to date; as they were, they are kept in {kept}.\n")
