"""From a closed record to a sealed file: draw, attach, seal, check, and only then put it where it belongs."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from testbench.certificate.attach import attach, attachments_of, safe_name
from testbench.certificate.content import IssueFacts, Kind, content_of, kind_of, number_of
from testbench.certificate.data import layout
from testbench.certificate.hands import Hands, of_station
from testbench.certificate.keys import StationKey, load_station_key
from testbench.certificate.languages import words_of
from testbench.certificate.page import draw
from testbench.certificate.page_form import PageForm, form_of
from testbench.certificate.publishing import publish, sync_folder, write_through
from testbench.certificate.stamping import TimeStamps
from testbench.errors import (
    DocumentExistsError,
    DocumentNotWrittenError,
    DocumentUnreadableError,
    RecordDamagedError,
    StampFailedError,
)
from testbench.run.ledger import Checkpoint
from testbench.run.mentioned import Mentioned
from testbench.run.record import RunRecord, canonical, sha256
from testbench.run.samples import Trace
from testbench.run.signature import Signature
from testbench.station.bench import Works
from testbench.station.withdrawals import Withdrawal


@dataclass(frozen=True, slots=True)
class Issued:
    """A document that is on disk."""

    path: Path
    kind: Kind
    sha256: str
    """Hash of the sealed file."""
    number: str
    waiting: str = ""
    """Why it has no time stamp though an authority is named; empty where it has one, or none is named."""


def issue(
    record: RunRecord,
    record_sha256: str,
    traces: tuple[Trace, ...],
    *,
    signed: tuple[Signature, ...] = (),
    works: Works,
    paper: str,
    key_folder: Path,
    out_folder: Path,
    at: datetime,
    checkpoint: Checkpoint | None = None,
    stamps: TimeStamps | None = None,
    hands: Hands | None = None,
    replaces: Withdrawal | None = None,
    nonconformities: tuple[Mentioned, ...] = (),
    register: Callable[[Issued], None] = lambda _: None,
) -> Issued:
    """Make, seal, check and write the document of a closed run.

    Args:
        record: the closed run, accepted or rejected.
        record_sha256: the hash under which the store keeps it.
        traces: the samples of each stage attempt, in the record's order.
        signed: the signatures under the run.
        works: the letterhead.
        paper: ``"A4"`` or ``"Letter"``.
        key_folder: where the station key lies.
        out_folder: where the file goes; made if it is missing.
        at: the station's time of day, UTC.
        checkpoint: how far the bench's ledger has come; whoever holds the document is a witness of it.
        stamps: the time-stamp authority; where it does not answer the document leaves without, and waits for one.
        hands: who signs; None: the station, with the key in its folder.
        replaces: the document that this one takes the place of.
        nonconformities: those of the serial number, as they stand now.
        register: names the finished document in the register, before it appears under its name.

    Raises:
        NoCertificateError: the run is void or inconclusive.
        RecordDamagedError: record or traces do not match their hashes.
        DocumentExistsError: a document of this number was issued before.
        GlyphMissingError: a text cannot be printed.
        KeyFileError: the station key is missing or not protected.
        DocumentNotWrittenError: the finished file did not pass its own check, or the disk refused it.
    """
    kind, number = kind_of(record), number_of(record) if replaces is None else replaces.replaced_by
    _check_evidence(record, record_sha256, traces)
    if not all(one.binds(record) for one in signed):
        raise RecordDamagedError(record.run, "a signature")
    path = out_folder / file_name(record, number)
    if path.exists():
        raise DocumentExistsError(number, str(path))
    hands = hands or of_station(load_station_key(key_folder))
    facts = IssueFacts(
        works, at, hands.signer, hands.fingerprint, signed, checkpoint, replaces, nonconformities, hands.under_root
    )
    drawn = unsealed_document(record, record_sha256, traces, facts, paper)
    data, waiting = with_stamp(hands.sign(drawn, at), stamps)
    _check_own(data, drawn, hands, number, record)
    issued = Issued(path, kind, sha256(data), number, waiting)
    try:
        publish(path, data, lambda _: register(issued))
    except FileExistsError:
        raise DocumentExistsError(number, str(path)) from None
    except OSError as failure:
        raise DocumentNotWrittenError(str(path), f"{failure.strerror}") from failure
    return issued


def with_stamp(data: bytes, stamps: TimeStamps | None) -> tuple[bytes, str]:
    """A document with its time stamp, or without and why."""
    if stamps is None:
        return data, ""
    from testbench.certificate.stamping import stamped

    try:
        return stamped(data, stamps), ""
    except StampFailedError as failure:
        return data, str(failure)


def stamp_file(path: Path, stamps: TimeStamps) -> str:
    """Put a time stamp on a document that has none, in its place.

    Returns:
        SHA-256 of the file as it is now; empty where it had its time stamp.

    Raises:
        DocumentUnreadableError: the file is not one that was signed here.
        StampFailedError: no time stamp was had; the file is as it was.
    """
    from testbench.certificate.stamping import stamped
    from testbench.certificate.verify import verify

    try:
        data = path.read_bytes()
    except OSError as failure:
        raise DocumentUnreadableError(str(path), failure.strerror or str(failure)) from failure
    if not verify(data, (), ink=False).intact:
        raise DocumentUnreadableError(str(path), "it is not intact")
    done = stamped(data, stamps)
    if done == data:
        return ""
    if not verify(done, (), ink=False).intact:
        raise StampFailedError(stamps.name, "the document would not be intact with its time stamp")
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.stamped")
    try:
        write_through(unfinished, done)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    sync_folder(path.parent)
    return sha256(done)


def without_stamp(data: bytes) -> bytes:
    """A document as it was before its last signature got its time stamp; the same bytes where there is none to take."""
    from testbench.certificate.reader import reader_of
    from testbench.certificate.stamping import unstamped

    try:
        return unstamped(data, reader_of(data))
    except Exception:  # noqa: BLE001 - whatever a damaged file does to the reader: it is then no document of ours
        return data


def file_name(record: RunRecord, number: str = "") -> str:
    """The document's file name; safe whatever a serial number holds."""
    return f"{safe_name(number or number_of(record))}_{safe_name(record.valve.serial)}.pdf"


def unsealed_document(  # noqa: PLR0917 - what a document is made of
    record: RunRecord, record_sha256: str, traces: tuple[Trace, ...], facts: IssueFacts, paper: str,
    form: PageForm | None = None,
) -> bytes:  # fmt: skip
    """The document before it is sealed: the same bytes for the same arguments.

    Args:
        record: the closed run.
        record_sha256: hash of its canonical bytes.
        traces: the samples of each stage attempt.
        facts: what is known only when it is issued.
        paper: of the bench.
        form: what was attached to a document that is only made again to be compared; None: it is made now.
    """
    words = words_of(record.report)
    content = content_of(record, record_sha256, traces, facts, words)
    paper = (record.report and record.report.page) or paper
    page = draw(content, layout(), words, paper)
    attached = form or form_of(facts, paper)
    files = attachments_of(record, traces, facts.signed, facts.checkpoint, facts.replaces, attached)
    return attach(page, files, content.dated, checked=form is None)


def sealed_document(
    record: RunRecord, record_sha256: str, traces: tuple[Trace, ...], *, works: Works, paper: str,
    key: StationKey, at: datetime, signed: tuple[Signature, ...] = (), checkpoint: Checkpoint | None = None,
    replaces: Withdrawal | None = None,
) -> bytes:  # fmt: skip
    """The document with the station's seal."""
    hands = of_station(key)
    facts = IssueFacts(
        works, at, hands.signer, hands.fingerprint, signed, checkpoint, replaces, under_root=hands.under_root
    )
    return hands.sign(unsealed_document(record, record_sha256, traces, facts, paper), at)


def _check_evidence(record: RunRecord, record_sha256: str, traces: tuple[Trace, ...]) -> None:
    """Nothing is printed from a record or readings that are not those that were sealed."""
    if sha256(canonical(record)) != record_sha256:
        raise RecordDamagedError(record.run, "the record")
    if len(traces) != len(record.stages):
        raise RecordDamagedError(record.run, "the number of traces")
    for stage, trace in zip(record.stages, traces, strict=True):
        named = (stage.trace, *(one.trace for one in stage.beside))
        if [one.sha256() for one in (trace, *trace.beside)] != [one.sha256 for one in named]:
            raise RecordDamagedError(record.run, f"the trace of the {stage.stage}, attempt {stage.attempt},")


def _check_own(data: bytes, drawn: bytes, hands: Hands, number: str, record: RunRecord) -> None:
    """What a customer will check is checked before the file leaves."""
    from testbench.certificate.verify import verify

    judged = verify(data, hands.anchors, drawn)
    stated = (judged.number, judged.serial, judged.verdict)
    if not (judged.trusted and judged.follows and judged.prints) or stated != (
        number,
        record.valve.serial,
        record.verdict,
    ):
        found = " ".join(judged.reasons) or "it states other facts than the record"
        raise DocumentNotWrittenError(number, f"it did not pass its own check: {found}".rstrip("."))
