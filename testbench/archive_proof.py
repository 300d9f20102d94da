"""Runs as plain files held against the ledger beside them, from the files alone: no home, no records, no network."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from testbench.checkpoints import held_elsewhere
from testbench.errors import ArchiveRefusedError, CheckpointRefusedError
from testbench.run.attachments import ENDINGS
from testbench.run.ledger import Checkpoint, Entry, Held, Walk, canonical_json
from testbench.run.nonconformity import Attached
from testbench.run.nonconformity import Entry as NonconformityEntry
from testbench.run.record import RunRecord, TraceReference, sha256
from testbench.run.signature import Signature

NONCONFORMITY = "nonconformity.jsonl"
LEDGER, CHECKPOINT, SUMS, CONTENTS = "ledger.jsonl", "checkpoint.json", "SHA256SUMS", "CONTENTS"
NAMED_BY_NONE = {LEDGER, CHECKPOINT, SUMS, CONTENTS}
"""What ``CONTENTS`` does not list; the ledger proves itself, and names ``CONTENTS``."""
LISTED = "archive contents"
"""Kind of the last entry in an export: it names the SHA-256 of ``CONTENTS``."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What an export has shown."""

    runs: int
    checkpoint: Checkpoint
    """The signed end of its ledger; the key is the one that it names."""
    complete: bool
    """Whether the ledger names what was exported, and no file of it was left out or slipped in."""
    held: int | None
    """How many entries the newest checkpoint held elsewhere covers; None where none was given."""


def proved(folder: Path, against: str | None = None) -> Proof:
    """Read an export from end to end: every file, every entry, every run with its samples, journal and signatures.

    Args:
        folder: the export.
        against: a checkpoint held elsewhere, as for ``ledger verify``; None: none is at hand.

    Raises:
        ArchiveRefusedError: something is missing, was changed or does not belong there.
        CheckpointRefusedError: ``against`` is no checkpoint of this bench, or one from after the export.
    """
    try:
        _check_files(folder, SUMS, {SUMS})
        chain = _walk(folder, against)
        runs = _runs_of(folder)
        for run in runs:
            _check_run(run, chain)
        complete = _is_complete(folder, chain.entries[-1])
    except FileNotFoundError as failure:
        raise ArchiveRefusedError(str(folder), f"{_name(folder, failure)} is missing") from failure
    except OSError as failure:
        found = f"{_name(folder, failure)} cannot be read ({failure.strerror})"
        raise ArchiveRefusedError(str(folder), found) from failure
    except _WrongError as wrong:
        raise ArchiveRefusedError(str(folder), str(wrong)) from wrong
    return Proof(len(runs), chain.checkpoint, complete, chain.held)


def _runs_of(folder: Path) -> list[Path]:
    found = sorted(path for path in (folder / "runs").iterdir() if path.is_dir())
    if not found:
        raise _WrongError("it holds no run")
    return found


def _name(folder: Path, failure: OSError) -> str:
    """The file that a refusal is about, within the export; the export itself where it is not there at all."""
    if not folder.is_dir():
        return "the folder"
    return "a file" if failure.filename is None else Path(failure.filename).relative_to(folder).as_posix()


def list_of(folder: Path) -> bytes:
    """Every file of a folder with its SHA-256, as ``sha256sum`` writes it."""
    return "".join(f"{sha256((folder / name).read_bytes())}  {name}\n" for name in sorted(_files(folder))).encode()


def statement_of(contents: bytes) -> dict[str, str]:
    """What the ledger says of an export: the SHA-256 of the list of its files."""
    return {"sha256": sha256(contents)}


def _files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


@dataclass(frozen=True, slots=True)
class _Chain:
    """The ledger of an export, once it holds to its signed end."""

    entries: list[Entry]
    sealed: dict[str, str]
    """What it says of each closed run."""
    checkpoint: Checkpoint
    held: int | None


class _WrongError(Exception):
    """What is wrong, in words."""


def _check_files(folder: Path, by: str, apart: set[str]) -> None:
    """Hold the files of an export against a list in it, which does not name those apart."""
    lines = (folder / by).read_text(encoding="utf-8").splitlines()
    said = {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
    there = _files(folder) - apart
    for name in sorted(there | said.keys()):
        if name not in there:
            raise _WrongError(f"{name} is missing")
        if name not in said:
            raise _WrongError(f"{name} does not stand in {by}")
        if sha256((folder / name).read_bytes()) != said[name]:
            raise _WrongError(f"{name} was changed after it was written")


def _is_complete(folder: Path, last: Entry) -> bool:
    """Hold the files against the list that the last entry names; False in an export from before it named one."""
    if last.kind != LISTED:
        return False
    contents = (folder / CONTENTS).read_bytes()
    if sha256(canonical_json(statement_of(contents))) != last.body_sha256:
        raise _WrongError(f"{CONTENTS} is not the list that {last.title} of {LEDGER} names")
    _check_files(folder, CONTENTS, NAMED_BY_NONE)
    return True


def _walk(folder: Path, against: str | None) -> _Chain:
    from testbench.certificate.ledger_key import is_signed

    try:
        checkpoint = Checkpoint.model_validate_json((folder / CHECKPOINT).read_bytes())
        entries = [Entry(**json.loads(line)) for line in (folder / LEDGER).read_text(encoding="utf-8").splitlines()]
    except (ValueError, TypeError) as damage:
        raise _WrongError(f"{LEDGER} or {CHECKPOINT} cannot be read") from damage
    if not is_signed(checkpoint):
        raise _WrongError(f"the signature of {CHECKPOINT} is wrong")
    held = () if against is None else _held_before(checkpoint, against)
    end = Held(checkpoint.bench, checkpoint.n, checkpoint.head, CHECKPOINT, checkpoint.key)
    walk = Walk((*held, end))
    for entry in entries:
        if fault := walk.fault_of(entry):
            raise _WrongError(f"{entry.title} of {LEDGER}: {fault}")
    if missing := walk.cut_off():
        raise _WrongError(missing)
    sealed = {entry.subject: entry.body_sha256 for entry in entries if _kind(entry) == "run sealed"}
    return _Chain(entries, sealed, checkpoint, max((one.n for one in held), default=None))


def _held_before(end: Checkpoint, against: str) -> tuple[Held, ...]:
    """Checkpoints held elsewhere that an export must pass through; later ones of a log say nothing of it."""
    held = tuple(one for one in held_elsewhere(end.bench, against) if one.n <= end.n)
    if not held:
        found = f"it is from after this export, which ends with entry {end.n}; give one from before"
        raise CheckpointRefusedError(against, found)
    return held


def _check_run(folder: Path, chain: _Chain) -> None:
    """Hold the files of one run against the ledger; its folder has its name."""
    from testbench.certificate.attach import RECORD

    try:
        sealed, data = (folder / "sealed.json").read_bytes(), (folder / RECORD).read_bytes()
        body, record = json.loads(sealed), RunRecord.model_validate_json(data)
        good = (
            (record.run, sha256(sealed), sha256(data)) == (folder.name, chain.sealed[folder.name], body["record"])
            and _are_the_samples(folder, record)
            and _is_the_journal(folder, body)
            and all(_is_signed(path, record, chain) for path in folder.glob("signature-*.json"))
            and _is_its_nonconformity(folder, chain)
        )
    except (ValueError, KeyError) as damage:
        raise _WrongError(f"run {folder.name} cannot be read") from damage
    if not good:
        raise _WrongError(f"run {folder.name} is not what the ledger says of it")


def _are_the_samples(folder: Path, record: RunRecord) -> bool:
    from testbench.certificate.attach import beside_name, trace_name, trace_of

    expected: dict[str, TraceReference] = {}
    for index, stage in enumerate(record.stages):
        name = trace_name(record, index)
        beside = {beside_name(name, number): one.trace for number, one in enumerate(stage.beside, start=1)}
        expected |= {name: stage.trace, **beside}
    return all(trace_of((folder / name).read_bytes()).sha256() == trace.sha256 for name, trace in expected.items())


def _is_the_journal(folder: Path, body: dict[str, Any]) -> bool:
    lines = [json.loads(line) for line in (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()]
    rows = [
        {"run": body["run"]["number"], "seq": seq, "sentence": line.pop("text"), **line}
        for seq, line in enumerate(lines, start=1)
    ]
    text = json.dumps(rows, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return body.get("journal") == (sha256(text.encode()) if rows else None)


def _is_signed(path: Path, record: RunRecord, chain: "_Chain") -> bool:
    """Whether a signature binds the run, and an entry stands for it: the one after that which it names."""
    data = path.read_bytes()
    signature = Signature.model_validate_json(data)
    last = signature.ledger_seq  # older than the ledger where it names none
    entries = chain.entries if last is None else chain.entries[last : last + 1]
    row = {"body": data.decode(), "meaning": signature.meaning.value, "subject": signature.subject_id}
    return signature.binds(record) and any(
        one.body_sha256 == sha256(canonical_json(row | {"seq": int(one.subject)}))
        for one in entries
        if _kind(one) == "signature"
    )


def _is_its_nonconformity(folder: Path, chain: "_Chain") -> bool:
    """Whether an entry stands for each line, and each attached file is the one that was attached."""
    path = folder / NONCONFORMITY
    if not path.exists():
        return not any(folder.glob("attachment-*"))
    named = {(one.subject, one.body_sha256) for one in chain.entries if _kind(one) == "nonconformity"}
    lines = path.read_bytes().splitlines()
    rows = [json.loads(line) for line in lines]
    found = [NonconformityEntry.model_validate_json(row["body"]).what for row in rows]
    attached = {attachment_name(what): what.sha256 for what in found if isinstance(what, Attached)}
    there = {one.name: sha256(one.read_bytes()) for one in folder.glob("attachment-*")}
    return there == attached and all(
        (str(row["seq"]), sha256(line)) in named for row, line in zip(rows, lines, strict=True)
    )


def attachment_name(attached: Attached) -> str:
    """How an attached file is called in an export; never by the name it had."""
    return f"attachment-{attached.attachment}{ENDINGS[attached.media_type]}"


def _kind(entry: Entry) -> str:
    """Without the remark that it was taken over from before the ledger."""
    return entry.kind.partition(",")[0]
