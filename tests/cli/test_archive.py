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

from testbench.certificate.ledger_key import load_ledger_key, signed
from testbench.cli.main import cli
from testbench.errors import ArchiveRefusedError, RecordDamagedError
from testbench.run.ledger import Checkpoint, Entry, fingerprint, grouped, hash_of
from testbench.run.record import sha256
from testbench.run.state import Happening
from testbench.station.bench import Retention
from testbench.store.schema import HEAD
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
        "CONTENTS", "READ-ME.txt", "SHA256SUMS", "checkpoint.json", "ledger.jsonl", "runs",
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


def call(*said: str | Path):
    return CliRunner().invoke(cli, list(map(str, said)))


def verified(folder: Path):
    return call("archive", "verify", folder)


EACH = "each with its samples, journal and signatures, as the ledger says"


def test_an_export_is_verified_from_its_files_alone(exported):
    """No home; the key is said, to be compared."""
    checkpoint = Checkpoint.model_validate_json((exported / "checkpoint.json").read_text())
    told = verified(exported)
    assert told.output.splitlines() == [
        f"WHOLE: 4 runs, {EACH}; no file is missing or extra.",
        f"  checkpoint {checkpoint.line}, signed with the key {grouped(fingerprint(checkpoint.key))}",
        "  Compare that key with what the works published: whoever has another one could have written all of it anew.",
    ]


RUN, NOT_SEALED = "runs/B1-000001", "run B1-000001 is not what the ledger says of it"


def hash_by_hand(value: object) -> str:
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def test_samples_journal_and_signature_are_checked_by_hand(exported):
    """Steps 3 to 7 of READ-ME.txt, with nothing of this program."""
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
    told = subprocess.run(["sha256sum", "-c", "--quiet", "CONTENTS"], cwd=exported, capture_output=True, check=False)
    assert (told.returncode, told.stdout) == (0, b"")
    listed = {line.partition("  ")[2] for line in (exported / "CONTENTS").read_text().splitlines()}
    there = {path.relative_to(exported).as_posix() for path in exported.rglob("*") if path.is_file()}
    assert there - listed == {"CONTENTS", "SHA256SUMS", "checkpoint.json", "ledger.jsonl"}
    last = json.loads((exported / "ledger.jsonl").read_text().splitlines()[-1])
    body = f'{{"sha256":"{hashlib.sha256((exported / "CONTENTS").read_bytes()).hexdigest()}"}}'
    assert (last["kind"], last["body_sha256"]) == ("archive contents", hashlib.sha256(body.encode()).hexdigest())


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


LISTED = "archive contents B1-before-2026-11-26"
SIGNATURE = f"{RUN}/signature-01-reviewed.json"


def leave_out_a_run(folder: Path) -> None:
    shutil.rmtree(folder / RUN)


def leave_out_a_signature(folder: Path) -> None:
    (folder / SIGNATURE).unlink()


def sign_twice(folder: Path) -> None:
    shutil.copy(folder / SIGNATURE, folder / RUN / "signature-02-released.json")


def slip_in(folder: Path) -> None:
    (folder / "note.txt").write_text("")


def edit_the_read_me(folder: Path) -> None:
    (folder / "READ-ME.txt").write_text("Nothing to see here.\n")


def edit_the_list(folder: Path) -> None:
    leave_out_a_run(folder)
    lines = (folder / "CONTENTS").read_text().splitlines(keepends=True)
    (folder / "CONTENTS").write_text("".join(line for line in lines if RUN not in line))


def lose_the_list(folder: Path) -> None:
    (folder / "CONTENTS").unlink()


def lose_the_ledger(folder: Path) -> None:
    (folder / "ledger.jsonl").unlink()


def leave_out_every_run(folder: Path) -> None:
    shutil.rmtree(folder / "runs")
    (folder / "runs").mkdir()


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (leave_out_a_run, f"{RUN}/journal.jsonl is missing"),
        (leave_out_a_signature, f"{SIGNATURE} is missing"),
        (sign_twice, f"{RUN}/signature-02-released.json does not stand in CONTENTS"),
        (slip_in, "note.txt does not stand in CONTENTS"),
        (edit_the_read_me, "READ-ME.txt was changed after it was written"),
        (edit_the_list, f"CONTENTS is not the list that entry {{n}} ({LISTED}) of ledger.jsonl names"),
        (lose_the_list, "CONTENTS is missing"),
        (lose_the_ledger, "ledger.jsonl is missing"),
        (leave_out_every_run, "it holds no run"),
    ],
)  # fmt: skip
def test_what_was_left_out_or_slipped_in_is_found_though_the_sums_were_written_anew(exported, tmp_path, harm, words):
    """The last entry of the ledger, before its signed end, names the list of all that was exported."""
    folder = tmp_path / "out"
    shutil.copytree(exported, folder)
    n = len((folder / "ledger.jsonl").read_text().splitlines())
    harm(folder)
    sum_up(folder)
    assert str(verified(folder).exception) == f"Export {folder}: {words.format(n=n)}."


def test_an_export_that_is_not_there_is_said(tmp_path):
    """In words, not in numbers of the system."""
    assert str(verified(tmp_path / "out").exception) == f"Export {tmp_path / 'out'}: the folder is missing."
    (tmp_path / "out").mkdir()
    assert str(verified(tmp_path / "out").exception) == f"Export {tmp_path / 'out'}: SHA256SUMS is missing."


def test_an_export_is_held_against_a_checkpoint_from_before_it(exported, tmp_path):
    """A certificate's, for one. One from after it says nothing of it; one that its chain does not fit accuses it."""
    entries = [json.loads(line) for line in (exported / "ledger.jsonl").read_text().splitlines()]
    against = ("archive", "verify", exported, "--against")
    n, head = len(entries) - 1, entries[-2]["hash"]
    told = call(*against, f"B1 {n} {head[:16]}")
    assert (told.exit_code, told.output.splitlines()[2]) == (
        0, f"  The checkpoint that was given is one of its chain, and covers entries 1 to {n}.",
    )  # fmt: skip
    assert json.loads(call(*against, f"B1 {n} {head}", "--json").output)["held"] == n
    later = f"B1 {n + 2} {head[:16]}"
    assert str(call(*against, later).exception) == (
        f"Checkpoint {later}: it is from after this export, which ends with entry {n + 1}; give one from before."
    )
    log = tmp_path / "log"
    key = load_ledger_key(exported.parents[1] / "keys" / "ledger.pem")
    noted = (signed(key, bench="B1", n=at, head=head, at=0).model_dump() for at in (n, n + 2))
    log.write_text("".join(json.dumps({"at": 0, "checkpoint": one}) + "\n" for one in noted))
    assert json.loads(call(*against, log, "--json").output)["held"] == n
    other = call(*against, f"B1 {n} {entries[0]['hash']}")
    title = f"entry {n} ({entries[-2]['kind']} {entries[-2]['subject']})"
    assert str(other.exception) == (
        f"Export {exported}: {title} of ledger.jsonl: its hash is not the one that the line that was given names; "
        "it or an entry before it was written anew; or the line was mistyped: compare it with the page, digit by digit."
    )


def test_an_export_from_before_the_list_says_what_it_cannot_show(exported, tmp_path):
    """As one does whose ledger was cut off at a checkpoint from before it, such as any certificate carries."""
    folder = tmp_path / "out"
    shutil.copytree(exported, folder)
    leave_out_a_run(folder)
    lines = (folder / "ledger.jsonl").read_text().splitlines(keepends=True)[:-1]
    (folder / "ledger.jsonl").write_text("".join(lines))
    key = load_ledger_key(exported.parents[1] / "keys" / "ledger.pem")
    earlier = signed(key, bench="B1", n=len(lines), head=json.loads(lines[-1])["hash"], at=0)
    (folder / "checkpoint.json").write_text(earlier.text)
    (folder / "CONTENTS").unlink()
    sum_up(folder)
    told = verified(folder)
    assert told.exit_code == 0
    lines = told.output.splitlines()
    assert lines[0] == f"UNCHANGED: 3 runs, {EACH}."
    assert lines[1] == (
        "  That no run, signature or other file was left out cannot be shown: the ledger in it does not end with the "
        "list of what was exported. An earlier version of this program made it, or its end was cut off."
    )
    assert json.loads(call("archive", "verify", folder, "--json").output)["complete"] is False


def test_an_export_that_failed_at_its_end_does_not_count(home, tmp_path, monkeypatch):
    """What it would have held is in the ledger, that it was made is not; the runs are still due."""
    from testbench import archive as room

    def fails(_: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(room, "proved", fails)
    assert isinstance(
        archive(home, "export", "--before", "2026-11-21", "--to", tmp_path).exception, ArchiveRefusedError
    )
    with open_store(home) as store:
        assert (len(store.statements("archive contents")), store.statements("archived")) == (1, ())
    assert CliRunner().invoke(cli, ["ledger", "verify", "--home", str(home.folder)]).exit_code == 0
    monkeypatch.undo()
    assert archive(home, "export", "--before", "2026-11-21", "--to", tmp_path).exit_code == 0


def test_what_is_due_in_newer_records_is_refused(home):
    """As every other command does, with or without a retention."""
    tamper(home.database, "UPDATE alembic_version SET version_num = '9999'")
    assert str(archive(home, "due").exception) == f"{home.database} has schema 9999; this program knows up to {HEAD}."


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
