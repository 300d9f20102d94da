"""Is this file what the station sealed, to the last byte, and whose seal is it? Needs no home and no network.

The rules, all of which an intact document keeps:

* exactly one signature field, the station seal, signed in the PAdES format and forbidding every later change;
* the signature is cryptographically right and covers the whole file: the only bytes outside it are its own value;
* the attached record has the hash that the page, its QR code and its metadata state, and the same serial number and
  verdict; every attached trace has the hash that the record states; a checkpoint of the ledger is signed by the
  key that it names; nothing else is attached;
* every attached signature was made under this very record and these readings, and those that such a document needs are
  there: who tested it, and for a certificate somebody else who released it;
* any failure to read any of this means: not intact.

Whether the seal is known is another question: its certificate must be one of those that the reader trusts.
"""

import json
import logging
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from testbench.certificate.attach import CHECKPOINT, RECORD, beside_name, trace_of
from testbench.certificate.facts import DocumentFacts
from testbench.certificate.keys import fingerprint_of, grouped, signer_of
from testbench.certificate.signed import faults_of_signatures, in_a_line, signatures_in
from testbench.certificate.signing import FIELD
from testbench.run.ledger import Checkpoint, fingerprint
from testbench.run.record import Origin, sha256

MIB = 1024 * 1024
LARGEST_FILE = 20 * MIB
LARGEST_STREAM, MOST_DECODED = 64 * MIB, 200 * MIB
MOST_FILES = 1000


@dataclass(frozen=True, slots=True)
class Verification:
    """What a check has shown. ``number`` to ``sealed_at`` are empty unless the file is intact."""

    intact: bool
    trusted: bool
    specimen: bool
    reasons: tuple[str, ...]
    signer: str = ""
    fingerprint: str = ""
    """SHA-256 of the signer's certificate, hexadecimal."""
    number: str = ""
    serial: str = ""
    verdict: str = ""
    record_sha256: str = ""
    sealed_at: str = ""
    """The station's own time of day, ISO 8601."""
    signed: tuple[str, ...] = ()
    """Who signed, in words; empty where nobody did: the operator is named, not authenticated."""
    checkpoint: str = ""
    """The attached checkpoint of the bench's ledger, canonical JSON; empty in a document from before the ledger."""


@dataclass(slots=True)
class _Found:
    """What has been read so far, and every fault."""

    faults: list[str] = field(default_factory=list)
    certificate: bytes = b""
    sealed_at: datetime | None = None
    facts: DocumentFacts | None = None
    specimen: bool = False
    signed: tuple[str, ...] = ()
    checkpoint: Checkpoint | None = None


def verify(document: bytes | Path, trusted: Sequence[bytes]) -> Verification:
    """Check a certificate or rejection report.

    Args:
        document: the file, or its bytes.
        trusted: DER certificates of the seals that the reader trusts.

    Returns:
        The judgement; a file that cannot be read is not intact. Nothing is raised.
    """
    found = _Found()
    try:
        data = _bytes_of(document)
        if len(data) > LARGEST_FILE:
            return _refused(f"The file is larger than {LARGEST_FILE // MIB} MiB and was not looked at.")
        _check(data, found)
    except OSError as failure:
        return _refused(f"The file cannot be opened: {failure.strerror}.")
    except Exception as failure:  # noqa: BLE001 - whatever a hostile file does to a parser means: not intact
        found.faults.append(f"The file cannot be read as a sealed document ({type(failure).__name__}).")
    return _judgement(found, trusted)


def _bytes_of(document: bytes | Path) -> bytes:
    if isinstance(document, bytes):
        return document
    with document.open("rb") as file:
        return file.read(LARGEST_FILE + 1)


def _refused(reason: str) -> Verification:
    return Verification(intact=False, trusted=False, specimen=False, reasons=(reason,))


def _judgement(found: _Found, trusted: Sequence[bytes]) -> Verification:
    intact = not found.faults and found.facts is not None
    known = found.certificate in trusted and found.certificate != b""
    reasons = list(found.faults)
    if found.certificate and not known:
        reasons.append("The seal is none that was named as trusted.")
    elif known and not _within_validity(found):
        known = False
        reasons.append("The seal's certificate was not valid at the time of sealing.")
    judged = Verification(intact, intact and known, found.specimen, tuple(reasons))
    if found.certificate:
        judged = replace(judged, signer=signer_of(found.certificate), fingerprint=fingerprint_of(found.certificate))
    if not intact or found.facts is None:
        return judged
    facts = found.facts
    return replace(
        judged,
        number=facts.number,
        serial=facts.serial,
        verdict=facts.verdict,
        record_sha256=facts.record_sha256,
        sealed_at="" if found.sealed_at is None else found.sealed_at.isoformat(),
        signed=found.signed,
        checkpoint="" if found.checkpoint is None else found.checkpoint.text,
    )


def _within_validity(found: _Found) -> bool:
    from cryptography.x509 import load_der_x509_certificate

    certificate = load_der_x509_certificate(found.certificate)
    if found.sealed_at is None:
        return False
    return certificate.not_valid_before_utc <= found.sealed_at <= certificate.not_valid_after_utc


# Reading the file -------------------------------------------------------------------------------


def _check(data: bytes, found: _Found) -> None:
    from pyhanko.pdf_utils.decode_limits import DecodeLimits, DocumentDecodeBudget, StreamDecodeLimits
    from pyhanko.pdf_utils.reader import PdfFileReader

    logging.getLogger("pyhanko").setLevel(logging.CRITICAL)
    logging.getLogger("pyhanko_certvalidator").setLevel(logging.CRITICAL)
    if not data.startswith(b"%PDF-"):
        found.faults.append("The file does not begin as a PDF.")
        return
    limits = DecodeLimits(
        per_stream=StreamDecodeLimits(max_output_size=LARGEST_STREAM),
        document_budget=DocumentDecodeBudget(base_allowance=MOST_DECODED, max_ratio=0),
    )
    reader = PdfFileReader(BytesIO(data), strict=True, decode_limits=limits)
    signatures = list(reader.embedded_signatures)
    if not signatures:
        found.faults.append("It carries no seal.")
        return
    form = reader.root["/AcroForm"]["/Fields"]
    if len(signatures) != 1 or len(form) != 1 or signatures[0].field_name != FIELD:
        found.faults.append("It carries other signatures or fields than the one station seal.")
    seal = signatures[0]
    found.certificate = bytes(seal.signer_cert.dump())
    found.sealed_at = seal.self_reported_timestamp
    found.faults.extend(_faults_of_seal(seal, data))
    found.faults.extend(_faults_of_content(reader, found))


def _faults_of_seal(seal: Any, data: bytes) -> Iterator[str]:
    """Cryptography by the library; what the signature covers by our own count of bytes."""
    from pyhanko.sign.fields import MDPPerm
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko.sign.validation.status import SignatureCoverageLevel
    from pyhanko_certvalidator import ValidationContext

    context = ValidationContext(trust_roots=[seal.signer_cert], allow_fetching=False)
    status = validate_pdf_signature(seal, context, skip_diff=True)
    if not status.intact:
        yield "Its content was changed after it was sealed."
    if not status.valid:
        yield "The seal's signature is wrong."
    if str(seal.sig_object.get("/SubFilter")) != "/ETSI.CAdES.detached":
        yield "The seal is of another kind than the station's."
    if seal.docmdp_level is not MDPPerm.NO_CHANGES:
        yield "The seal does not forbid later changes."
    whole = status.coverage is SignatureCoverageLevel.ENTIRE_FILE and status.docmdp_ok
    if not whole or not _covers_every_byte(seal, data):
        yield "Something was added to the file after it was sealed."


def _covers_every_byte(seal: Any, data: bytes) -> bool:
    """Whether the file is exactly: signed bytes, the signature's value in hexadecimal, signed bytes."""
    first, length, second, rest = (int(number) for number in seal.byte_range)
    if first != 0 or second + rest != len(data) or not 0 < length < second:
        return False
    content = bytes(seal.pkcs7_content)
    exact = _as_the_station_writes_it(seal)
    padded = exact + bytes(max(len(content) - len(exact), 0))
    return content == padded and data[length:second] == f"<{content.hex().upper()}>".encode()


def _as_the_station_writes_it(seal: Any) -> bytes:
    """The signature's envelope built anew around its protected parts: certificate, signed attributes, signature.

    The envelope itself is not signed, so it is compared with the only one that a station writes.
    """
    from asn1crypto import cms

    info, certificate = seal.signer_info, seal.signer_cert
    issuer = cms.IssuerAndSerialNumber({"issuer": certificate.issuer, "serial_number": certificate.serial_number})
    signer = {
        "version": "v1",
        "sid": cms.SignerIdentifier({"issuer_and_serial_number": issuer}),
        "digest_algorithm": {"algorithm": "sha256"},
        "signature_algorithm": {"algorithm": "sha256_ecdsa"},
        "signature": info["signature"],
        "signed_attrs": info["signed_attrs"],
    }
    signed = {
        "version": "v1",
        "digest_algorithms": [{"algorithm": "sha256"}],
        "encap_content_info": {"content_type": "data"},
        "certificates": [certificate],
        "signer_infos": [signer],
    }
    return bytes(cms.ContentInfo({"content_type": "signed_data", "content": cms.SignedData(signed)}).dump())


# What is attached and stated --------------------------------------------------------------------


def _faults_of_content(reader: Any, found: _Found) -> Iterator[str]:
    files = dict(_attached(reader.root))
    facts = DocumentFacts.read(str(reader.trailer["/Info"].get("/Subject", "")))
    if facts is None:
        yield "It does not state number, serial number, verdict and record hash."
        return
    found.facts = facts
    data = files.pop(RECORD, None)
    if data is None:
        yield "The record is not attached."
        return
    record = json.loads(data)
    found.specimen = record["origin"] != Origin.LIVE or record.get("adoption") is None
    if sha256(data) != facts.record_sha256:
        yield "The attached record is not the one whose hash is printed."
    stated = (facts.serial, facts.verdict, facts.specimen)
    if stated != (record["valve"]["serial"], record["verdict"], found.specimen):
        yield "Page and attached record state different facts."
    signed = signatures_in(files)
    found.signed = tuple(map(in_a_line, signed))
    yield from faults_of_signatures(record, sha256(data), signed)
    yield from _faults_of_checkpoint(files.pop(CHECKPOINT, None), found)
    yield from _faults_of_traces(record["stages"], files)


def _faults_of_checkpoint(data: bytes | None, found: _Found) -> Iterator[str]:
    from testbench.certificate.ledger_key import is_signed

    if data is None:  # the ledger came later than the first documents
        return
    found.checkpoint = Checkpoint.model_validate_json(data)
    if not is_signed(found.checkpoint):
        yield "The attached checkpoint of the ledger is not signed by the key that it names."


def _faults_of_traces(stages: list[dict[str, Any]], files: dict[str, bytes]) -> Iterator[str]:
    for index, stage in enumerate(stages):
        name = f"trace-{index + 1:02d}-{stage['stage'].replace(' ', '-')}-attempt-{stage['attempt']}.csv"
        expected = {name: stage["trace"]["sha256"]}
        for number, beside in enumerate(stage.get("beside", ()), start=1):
            expected[beside_name(name, number)] = beside["trace"]["sha256"]
        yield from _faults_of_readings(expected, files)
    if files:
        yield f"Files are attached that do not belong to the document: {', '.join(sorted(files))}."


def _faults_of_readings(expected: dict[str, str], files: dict[str, bytes]) -> Iterator[str]:
    for name, digest in expected.items():
        data = files.pop(name, None)
        if data is None:
            yield f"The readings {name} are not attached."
        elif trace_of(data).sha256() != digest:
            yield f"The readings {name} are not those of the record."


def _attached(root: Any) -> Iterator[tuple[str, bytes]]:
    """Names and contents of the attached files."""
    names = root.get("/Names")
    if names is None or "/EmbeddedFiles" not in names:
        return
    for count, (name, spec) in enumerate(_leaves(names["/EmbeddedFiles"], 8)):
        if count >= MOST_FILES:
            raise ValueError("too many attached files")
        yield str(name), bytes(spec["/EF"]["/F"].data)


def _leaves(node: Any, depth: int) -> Iterable[tuple[Any, Any]]:
    """Pairs of a name tree, at most ``depth`` levels down."""
    if depth == 0:
        raise ValueError("the tree of attached files is too deep")
    flat = node.get("/Names", [])
    for index in range(0, len(flat) - 1, 2):
        yield flat[index], flat[index + 1].get_object() if hasattr(flat[index + 1], "get_object") else flat[index + 1]
    for kid in node.get("/Kids", []):
        yield from _leaves(kid.get_object(), depth - 1)


# In words ---------------------------------------------------------------------------------------


def in_words(judged: Verification) -> list[str]:
    """The judgement for a person: the first word says it."""
    if not judged.intact:
        return ["CHANGED or unreadable: this is not the document that was sealed.", *(f"  {r}" for r in judged.reasons)]
    what = f"{judged.number} for valve {judged.serial}, verdict {judged.verdict}"
    lines = [
        f"INTACT: {what}. Nothing was changed since it was sealed."
        if judged.trusted
        else f"UNKNOWN SIGNER: {what}. Nothing was changed since it was sealed, but by whom is not known."
    ]
    if judged.specimen:
        lines.append("SPECIMEN: simulated, replayed, or its procedure was not adopted. It certifies nothing.")
    lines += [
        f"  sealed by    {judged.signer}",
        f"  sealed at    {judged.sealed_at} by the station's own clock",
        f"  fingerprint  {grouped(judged.fingerprint)}",
        f"  record       {judged.record_sha256}",
        *(f"  signed       {one}" for one in judged.signed or ("by nobody; the operator is named, not authenticated",)),
    ]
    if judged.checkpoint:
        found = Checkpoint.model_validate_json(judged.checkpoint)
        lines.append(f"  ledger       {found.line}, key {grouped(fingerprint(found.key)[:16])}")
    if not judged.trusted:
        lines += [f"  {reason}" for reason in judged.reasons]
        lines.append(
            "Compare the fingerprint with the one that the works publishes, or name its certificate with --signer."
        )
    return lines
