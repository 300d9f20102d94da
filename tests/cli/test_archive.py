"""``testbench archive``: older runs as plain files that prove themselves; what is due is only ever a notice."""

import hashlib
import json
import shutil
import subprocess
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import ArchiveRefusedError, RecordDamagedError
from testbench.run.ledger import Checkpoint, Entry, hash_of
from testbench.station.bench import Retention
from testbench.wiring import Home, make_home, open_store
from tests.records.make import fill
from tests.store.test_records import tamper


@pytest.fixture
def home(tmp_path) -> Home:
    """A bench with three closed runs of 2026-11-20, and an open one; older than a year are to be exported."""
    made = make_home(tmp_path / "home")
    with open_store(made) as store:
        fill(store)
    return made


def archive(home: Home, *said: str | Path):
    return CliRunner().invoke(cli, ["archive", *map(str, said), "--home", str(home.folder)])


def test_an_export_can_be_checked_with_nothing_but_sha256sum(home, tmp_path):
    """The steps of its READ-ME, done by other programs."""
    before = home.database.read_bytes()
    done = archive(home, "export", "--before", "2026-11-21", "--to", tmp_path / "out")
    folder = tmp_path / "out" / "B1-before-2026-11-21"
    assert done.output.splitlines()[0] == f"3 runs written to {folder} and read back; nothing was deleted."
    assert len(before) == len(home.database.read_bytes())
    assert sorted(found.name for found in folder.iterdir()) == [
        "READ-ME.txt", "SHA256SUMS", "checkpoint.json", "ledger.jsonl", "runs",
    ]  # fmt: skip
    assert sorted(found.name for found in (folder / "runs" / "B1-000002").iterdir()) == [
        "journal.jsonl", "record.json", "sealed.json", "trace-01-shell-test-attempt-1.csv",
        "trace-02-seat-test-attempt-1.csv",
    ]  # fmt: skip
    told = subprocess.run(["sha256sum", "-c", "--quiet", "SHA256SUMS"], cwd=folder, capture_output=True, check=False)
    assert (told.returncode, told.stdout) == (0, b"")
    entries = [json.loads(line) for line in (folder / "ledger.jsonl").read_text().splitlines()]
    sealed = (folder / "runs" / "B1-000002" / "sealed.json").read_bytes()
    (entry,) = [found for found in entries if (found["kind"], found["subject"]) == ("run sealed", "B1-000002")]
    assert hashlib.sha256(sealed).hexdigest() == entry["body_sha256"]
    record = (folder / "runs" / "B1-000002" / "record.json").read_bytes()
    assert hashlib.sha256(record).hexdigest() == json.loads(sealed)["record"]
    assert all(hash_of(Entry(**found)) == found["hash"] for found in entries)
    by_hand = {**entry, "v": entry["version"]}
    del by_hand["version"], by_hand["hash"]
    text = json.dumps(by_hand, sort_keys=True, separators=(",", ":"))
    assert hashlib.sha256(text.encode()).hexdigest() == entry["hash"]
    checkpoint = Checkpoint.model_validate_json((folder / "checkpoint.json").read_text())
    assert entries[checkpoint.n - 1]["hash"] == checkpoint.head
    against = CliRunner().invoke(
        cli, ["ledger", "verify", "--against", str(folder / "checkpoint.json"), "--home", str(home.folder)]
    )
    assert against.exit_code == 0


def test_nothing_is_overwritten_and_nothing_half_is_left(home, tmp_path):
    """A second export of the same, a day without runs, a damaged run: one sentence, no folder."""
    archive(home, "export", "--before", "2026-11-21", "--to", tmp_path / "out")
    folder = tmp_path / "out" / "B1-before-2026-11-21"
    again = archive(home, "export", "--before", "2026-11-21", "--to", tmp_path / "out")
    assert str(again.exception) == f"Export {folder}: it is there already and is not overwritten."
    none = archive(home, "export", "--before", "2026-11-20", "--to", tmp_path / "out")
    assert isinstance(none.exception, ArchiveRefusedError)
    assert str(none.exception).endswith("no closed run began before 2026-11-20.")
    tamper(home.database, "UPDATE record SET body = replace(body, '6 mL', '1 mL') WHERE run = 2")
    damaged = archive(home, "export", "--before", "2026-11-22", "--to", tmp_path / "out")
    assert isinstance(damaged.exception, RecordDamagedError)
    assert [found.name for found in (tmp_path / "out").iterdir()] == [folder.name]
    (tmp_path / "file").write_text("")
    refused = archive(home, "export", "--before", "2026-11-23", "--to", tmp_path / "file" / "out")
    assert str(refused.exception).startswith(
        f"Export {tmp_path / 'file' / 'out' / 'B1-before-2026-11-23'}: it could not be written ("
    )


def test_what_is_due_is_a_notice_until_it_was_exported(home, tmp_path, monkeypatch):
    """Never an error, never a deletion."""
    from testbench import archive as room

    assert archive(home, "due").output == "bench.toml has no [retention]: records stay where they are.\n"
    toml = home.folder / "bench.toml"
    toml.write_text(toml.read_text() + "\n[retention]\nyears_online = 1\n")
    monkeypatch.setattr(room, "_now", lambda: room.datetime(2027, 11, 26, 12, tzinfo=room.UTC))
    said = archive(home, "due")
    assert (said.exit_code, said.output) == (0, room.notice(home) + "\n")
    assert said.output == (
        "3 runs from before 2026-11-26 are due for export by the retention of this bench: testbench archive export "
        "--before 2026-11-26 --to DIRECTORY. Nothing is deleted.\n"
    )
    assert archive(home, "export", "--before", "2026-11-26", "--to", tmp_path).exit_code == 0
    assert room.notice(home) == ""
    assert archive(home, "due").output == "Nothing is due: every run from before 2026-11-26 was exported.\n"
    shutil.rmtree(home.folder / "keys")
    home.database.write_bytes(b"x")
    assert room.notice(home) == ""


@pytest.mark.parametrize(
    ("today", "years", "day"),
    [
        (date(2026, 11, 26), 10, date(2016, 11, 26)),
        (date(2028, 2, 29), 1, date(2027, 2, 28)),
        (date(2026, 12, 31), 1, date(2025, 12, 31)),
    ],
)
def test_the_day_of_the_retention(today, years, day):
    """Whole years back; never a day that the calendar does not have."""
    assert Retention(years_online=years).before(today) == day
