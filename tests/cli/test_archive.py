"""``testbench archive``: older runs as plain files that prove themselves; what is due is only ever a notice."""

import csv
import hashlib
import json
import shutil
import struct
import subprocess
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from testbench.cli.main import cli
from testbench.errors import ArchiveRefusedError, RecordDamagedError
from testbench.run.ledger import Checkpoint, Entry, fingerprint, grouped, hash_of
from testbench.run.record import sha256
from testbench.run.state import Happening
from testbench.station.bench import Retention
from testbench.wiring import Home, make_home, open_store
from tests.records.make import STARTED, example_run, fill, opening_of, valve
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
        "attachment-1.png", "journal.jsonl", "nonconformity.jsonl", "record.json", "sealed.json",
        "trace-01-shell-test-attempt-1.csv",
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


@pytest.fixture(scope="module")
def exported(tmp_path_factory) -> Path:
    """An export: one run is signed, with a second channel, asked for each reading; one has a journal."""
    made = make_home(tmp_path_factory.mktemp("bench") / "home")
    record, traces = example_run("", valve("HL-4-0117", "NPS 4"))
    with open_store(made) as store:
        fill(store)
        run = store.begin_run(opening_of(record), STARTED)
        store.append(run, -1, [], [], [], [Happening(7, "zero", "Zero check passed."), Happening(9, "note", "Ärmel.")])
        store.seal(record.model_copy(update={"run": run}), traces)
    assert archive(made, "export", "--before", "2026-11-26", "--to", made.folder / "out").exit_code == 0
    return made.folder / "out" / "B1-before-2026-11-26"


def sum_up(folder: Path) -> None:
    """What a thief does who knows of SHA256SUMS."""
    names = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != "SHA256SUMS")
    lines = (f"{sha256(path.read_bytes())}  {path.relative_to(folder).as_posix()}\n" for path in names)
    (folder / "SHA256SUMS").write_text("".join(lines))


def verified(folder: Path):
    return CliRunner().invoke(cli, ["archive", "verify", str(folder)])


def test_an_export_is_verified_from_its_files_alone(exported):
    """No home; the key is said, to be compared."""
    checkpoint = Checkpoint.model_validate_json((exported / "checkpoint.json").read_text())
    told = verified(exported)
    assert told.output.splitlines() == [
        "WHOLE: 4 runs, each with its samples, journal and signatures, as the ledger says.",
        f"  checkpoint {checkpoint.line}, signed with the key {grouped(fingerprint(checkpoint.key))}",
        "  Compare that key with what the works published: whoever has another one could have written all of it anew.",
    ]


RUN, NOT_SEALED = "runs/B1-000001", "run B1-000001 is not what the ledger says of it"


def hash_by_hand(value: object) -> str:
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def test_samples_journal_and_signature_are_checked_by_hand(exported):
    """Steps 3, 4 and 5 of READ-ME.txt, with nothing of this program."""
    run = exported / RUN
    stage = json.loads((run / "record.json").read_text())["stages"][1]
    for name, said in (("attempt-1", stage["trace"]), ("attempt-1-beside-1", stage["beside"][0]["trace"])):
        rows = list(csv.reader((run / f"trace-02-seat-test-{name}.csv").read_text().splitlines()))[1:]
        columns = list(zip(*(map(int, row[2:]) for row in rows), strict=True))
        digest = hashlib.sha256(b"".join(struct.pack(f"<{len(column)}q", *column) for column in columns))
        assert digest.hexdigest() == said["sha256"]
    folder = exported / "runs" / "B1-000005"
    sealed = json.loads((folder / "sealed.json").read_text())
    lines = map(json.loads, (folder / "journal.jsonl").read_text().splitlines())
    journal = [
        {"sentence" if name == "text" else name: value for name, value in line.items()}
        | {"run": sealed["run"]["number"], "seq": seq}
        for seq, line in enumerate(lines, start=1)
    ]
    assert (len(journal), hash_by_hand(journal)) == (2, sealed["journal"])
    text = (run / "signature-01-reviewed.json").read_text()
    said = json.loads(text)
    entry = json.loads((exported / "ledger.jsonl").read_text().splitlines()[said["ledger_seq"]])
    row = {"body": text, "meaning": said["meaning"], "subject": said["subject_id"], "seq": int(entry["subject"])}
    assert (entry["kind"], entry["seq"]) == ("signature", said["ledger_seq"] + 1)
    assert entry["body_sha256"] == hash_by_hand(row)


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("runs/B1-000005/journal.jsonl", "passed", "failed", "run B1-000005 is not what the ledger says of it"),
        (f"{RUN}/trace-01-shell-test-attempt-1.csv", "\n", "\n0.0000,0.0,0,0,0\n", NOT_SEALED),
        (f"{RUN}/trace-02-seat-test-attempt-1-beside-1.csv", "\n", "\n0.0000,0.0,0,0\n", NOT_SEALED),
        (f"{RUN}/signature-01-reviewed.json", "Tobin Ashe", "Mara Quill", NOT_SEALED),
        (f"{RUN}/record.json", "HL-4-0117", "HL-4-0118", NOT_SEALED),
        (
            "runs/B1-000002/nonconformity.jsonl", "Seat lapped.", "Seat turned.",
            "run B1-000002 is not what the ledger says of it",
        ),
        (f"{RUN}/sealed.json", "{", "[", "run B1-000001 cannot be read"),
        ("checkpoint.json", '"n":', '"n":1', "the signature of checkpoint.json is wrong"),
        ("ledger.jsonl", "B1", "B2", "entry 1 (key of the ledger) of ledger.jsonl: it does not match its own hash"),
    ],
)  # fmt: skip
def test_a_changed_export_is_found(exported, tmp_path, name, old, new, words):
    """By SHA256SUMS; and by the ledger, where somebody wrote these anew as well."""
    folder = tmp_path / "out"
    shutil.copytree(exported, folder)
    text = (folder / name).read_text()
    assert old in text
    (folder / name).write_text(text.replace(old, new, 1))
    assert str(verified(folder).exception) == f"Export {folder}: {name} was changed after it was written."
    sum_up(folder)
    assert str(verified(folder).exception) == f"Export {folder}: {words}."


@pytest.mark.parametrize("spoil", [lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n!"), Path.unlink])
def test_an_attachment_is_held_against_the_entry_that_attached_it(exported, tmp_path, spoil):
    """Step 6 of READ-ME.txt: exchanged or missing."""
    folder = tmp_path / "out"
    shutil.copytree(exported, folder)
    lines = (folder / "runs" / "B1-000002" / "nonconformity.jsonl").read_text().splitlines()
    ledger = [json.loads(line) for line in (folder / "ledger.jsonl").read_text().splitlines()]
    for line in map(json.loads, lines):
        (entry,) = [one for one in ledger if (one["kind"], one["subject"]) == ("nonconformity", str(line["seq"]))]
        assert entry["body_sha256"] == hash_by_hand(line)
    spoil(folder / "runs" / "B1-000002" / "attachment-1.png")
    sum_up(folder)
    assert str(verified(folder).exception) == (f"Export {folder}: run B1-000002 is not what the ledger says of it.")


def test_a_file_more_or_less_is_found(exported, tmp_path):
    """Each by its name; the end of the ledger by its checkpoint."""
    folder = tmp_path / "out"
    shutil.copytree(exported, folder)
    (folder / "note.txt").write_text("")
    assert str(verified(folder).exception) == f"Export {folder}: note.txt does not stand in SHA256SUMS."
    (folder / "note.txt").unlink()
    (folder / RUN / "record.json").unlink()
    assert str(verified(folder).exception) == f"Export {folder}: {RUN}/record.json is missing."
    shutil.copy(exported / RUN / "record.json", folder / RUN)
    lines = (folder / "ledger.jsonl").read_text().splitlines(keepends=True)
    (folder / "ledger.jsonl").write_text("".join(lines[:-1]))
    sum_up(folder)
    n = len(lines)
    assert str(verified(folder).exception) == (
        f"Export {folder}: the ledger ends with entry {n - 1}, but checkpoint.json names {n} entries."
    )


def test_a_day_that_is_yet_to_come_is_refused(home, tmp_path, monkeypatch):
    """It would count runs as exported that were not made yet."""
    from testbench import archive as room

    monkeypatch.setattr(room, "_now", lambda: room.datetime(2026, 11, 26, 12, tzinfo=room.UTC))
    refused = archive(home, "export", "--before", "2026-11-27", "--to", tmp_path / "out")
    assert str(refused.exception) == (
        f"Export {tmp_path / 'out' / 'B1-before-2026-11-27'}: 2026-11-27 is yet to come; today is 2026-11-26."
    )
    assert archive(home, "export", "--before", "2026-11-26", "--to", tmp_path / "out").exit_code == 0


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
