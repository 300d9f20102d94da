"""Is this file what was signed, to the last byte, does its verdict follow, and whose signature is it? Needs no home.

The rules, all of which an intact document keeps:

* its signatures are right, cover the whole file and forbid every later change (``certificate/seals``);
* the attached record has the hash, the serial number and the verdict that the file states of itself (``/Info``);
  every attached trace has the hash that the record states; a checkpoint of the ledger is signed by the key that it
  names; nothing else is attached, and nothing in the file could act by itself (``certificate/enclosed``);
* every attached signature of a person was made under this very record and these readings, and those that such a
  document needs are there: who tested it, and for a certificate somebody else who released it (``certificate/signed``);
* any failure to read any of this means: not intact.

A **lot certificate** or **shift summary** encloses the list of its rows instead (``certificate/listed``); it has no
verdict of its own, so there is nothing to judge again.

Whether the verdict **follows** is another question: the attached run is judged again from its readings, and every value
that follows from them must be the recorded one; ``run/following`` lists what cannot follow. Whether the
page **prints** what is attached is a third: it is drawn anew from the attachments and the two are held together
(``certificate/printed``). Whether the signers are **known** is a fourth: their certificates are pinned, or lead to a
root that is (``certificate/trust``). Who has the key can seal a lie, and is found by the second and the third.

A file from a stranger is parsed by ``certificate/checking``, in a child process with limits.
"""

import errno
import json
import logging
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from testbench.certificate.enclosed import Enclosed, enclosed_in
from testbench.certificate.keys import fingerprint_of, grouped, is_self_signed, name_in, signer_of
from testbench.certificate.printed import Printed, printed_in
from testbench.certificate.reader import MIB, reader_of
from testbench.certificate.seals import faults_of_seals, signatures_of
from testbench.certificate.signing import FIELD, OPERATOR, REVIEWER
from testbench.certificate.trust import REVOKED, Anchors, Signed, Trust, trust_in
from testbench.run.ledger import Checkpoint
from testbench.run.ledger import fingerprint as short_of
from testbench.run.record import Verdict, canonical
from testbench.run.signature import Meaning
from testbench.station.summed_up import SummedUp

LARGEST_FILE = 20 * MIB
NO_FILE = "it is no regular file; save the document to a file, then name that"
REWRITTEN = (
    "Another program has rewritten the file after it was signed: what its seal covers is no longer where the seal says "
    "that it is."
)
ASK_FOR_THE_ORIGINAL = (
    "Ask whoever gave you the file for the original, and the works for the SHA-256 that their register has of it: "
    "'sha256sum FILE' must give the same."
)
_BYTE_RANGE = re.compile(rb"/ByteRange\s*\[\s*(\d{1,10})\s+(\d{1,10})\s+(\d{1,10})\s+(\d{1,10})\s*\]")
TOLD_ELSEWHERE = (
    "  judged again not here: this page only sums up; whether a verdict follows is told by each valve's own document"
)
NAME_ROOT = (
    "Name the root of the works with --root; compare the root's fingerprint with the one that the works publishes."
)
NAME_SIGNER = "Compare the fingerprint with the one that the works publishes, or name its certificate with --signer."


@dataclass(frozen=True, slots=True)
class Signature:
    """One signature of the PDF itself, in facts: the station's, an operator's or a reviewer's."""

    field: str
    signer: str
    fingerprint: str
    """SHA-256 of the signer's certificate, hexadecimal."""
    at: str
    """The station's own time of day, ISO 8601."""
    level: str
    """PAdES: B-B, or B-T with a time stamp."""
    stamped_at: str
    """The time-stamp authority's time; empty without one that the reader trusts."""
    trusted: bool
    revocation: str
    under_root: bool = False
    """Whether an authority made the signer's certificate; else it signed itself."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What a check has shown. ``number`` to ``rejudged`` are empty unless the file is intact."""

    intact: bool
    trusted: bool
    specimen: bool
    reasons: tuple[str, ...]
    signer: str = ""
    """Of the first signature: the station's, or the operator's."""
    fingerprint: str = ""
    """SHA-256 of the signer's certificate, hexadecimal."""
    number: str = ""
    serial: str = ""
    verdict: str = ""
    record_sha256: str = ""
    sealed_at: str = ""
    """The station's own time of day, ISO 8601."""
    signed: tuple[str, ...] = ()
    """Who signed the attached record, in words; empty where nobody did: the operator is named, not authenticated."""
    checkpoint: str = ""
    """The attached checkpoint of the bench's ledger, canonical JSON; empty in a document from before the ledger."""
    replaces: str = ""
    """Which document it takes the place of, and why, in words; empty where it is the first of its run."""
    follows: bool = False
    """Whether the attached run, judged again, has the printed verdict."""
    rejudged: str = ""
    prints: bool = False
    """Whether the page is the one that is drawn anew from what is attached; else it is never trusted."""
    printed: str = ""
    """In which way, in words; empty where it is not shown."""
    signatures: tuple[Signature, ...] = ()
    """Those of the PDF, in the order of its revisions."""
    summary: str = ""
    """Of a lot certificate or shift summary the attached list, canonical JSON: it has no verdict that could follow."""

    @property
    def listed(self) -> SummedUp | None:
        """The list of a lot certificate or shift summary."""
        return SummedUp.model_validate_json(self.summary) if self.summary else None

    @property
    def complete(self) -> bool:
        """Whether everybody has signed who must: an operator alone is not enough."""
        return [one.field for one in self.signatures] != [OPERATOR]


@dataclass(slots=True)
class _Found:
    """What has been read so far, and every fault."""

    faults: list[str] = field(default_factory=list)
    signatures: tuple[Signature, ...] = ()
    distrust: tuple[str, ...] = ()
    """Why signers are not known."""
    strangers: tuple[str, ...] = ()
    """Who signed the page in the place of another."""
    enclosed: Enclosed | None = None
    printed: Printed = field(default_factory=Printed)


def verify(
    document: bytes | Path, trusted: Sequence[bytes] | Anchors, drawn: bytes = b"", *, ink: bool = True
) -> Verification:
    """Check a certificate or rejection report, a lot certificate or a shift summary.

    Args:
        document: the file, or its bytes.
        trusted: DER certificates of the roots and stations that the reader trusts, with lists where there are any.
        drawn: the unsigned document, where the caller has just drawn it and spares it to be drawn anew.
        ink: False where nobody asks more than whether it is intact.

    Returns:
        The judgement; a file that cannot be read is not intact. Nothing is raised.
    """
    found, anchors = _Found(), trusted if isinstance(trusted, Anchors) else Anchors(tuple(trusted))
    try:
        data = bytes_of(document)
        if len(data) > LARGEST_FILE:
            return refused(f"The file is larger than {LARGEST_FILE // MIB} MiB and was not looked at.")
        _check(data, found, anchors, drawn if ink else None)
    except OSError as failure:
        return refused(f"The file cannot be opened: {failure.strerror}.")
    except Exception as failure:  # noqa: BLE001 - whatever a hostile file does to a parser means: not intact
        found.faults = list(dict.fromkeys([*found.faults, _unreadable(data, type(failure).__name__)]))
    return _judgement(found)


def bytes_of(document: bytes | Path) -> bytes:
    """A document's bytes, one more than is allowed at most.

    Raises:
        OSError: the file cannot be read.
    """
    if isinstance(document, bytes):
        return document
    if document.exists() and not document.is_file():  # a pipe would be waited for, for ever
        raise OSError(errno.EINVAL, NO_FILE)
    with document.open("rb") as file:
        return file.read(LARGEST_FILE + 1)


def _unreadable(data: bytes, failure: str) -> str:
    """Why a file could not be read, by what is seen of it from outside."""
    if not _BYTE_RANGE.search(data):
        return "It carries no seal that can be read: it was never sealed, or another program wrote it anew without."
    return REWRITTEN if _rewritten(data) else f"The file cannot be read as a sealed document ({failure})."


def _rewritten(data: bytes) -> bool:
    """Whether the newest signature no longer lies where it says: whoever writes a file anew moves its objects."""
    ranges = _BYTE_RANGE.findall(data)
    if not ranges:
        return False
    length, second = (int(number) for number in ranges[-1][1:3])
    return not data[length:second].strip().startswith(b"<")


def refused(*reasons: str) -> Verification:
    """The judgement on a file that is not intact, or was not looked into."""
    return Verification(intact=False, trusted=False, specimen=False, reasons=reasons)


def _judgement(found: _Found) -> Verification:
    intact = not found.faults and found.enclosed is not None
    reasons = [*found.faults, *found.printed.faults, *found.distrust, *found.strangers]
    signatures = found.signatures
    complete = [one.field for one in signatures] != [OPERATOR]
    if intact and not complete:
        reasons.append("The reviewer has not signed yet.")
    printed = found.printed
    known = complete and bool(printed.how) and not found.strangers and all(one.trusted for one in signatures)
    judged = refused(*reasons)
    if signatures:
        first = signatures[0]
        judged = replace(judged, signer=first.signer, fingerprint=first.fingerprint, signatures=signatures)
    if not intact or found.enclosed is None:
        return judged
    enclosed, checkpoint = found.enclosed, found.enclosed.checkpoint
    judged = replace(
        judged, intact=True, trusted=known, specimen=enclosed.specimen, reasons=tuple(reasons),
        prints=bool(printed.how), printed=printed.how, sealed_at=signatures[0].at,
        checkpoint="" if checkpoint is None else checkpoint.text,
    )  # fmt: skip
    if enclosed.listed is not None:
        return _of_list(judged, enclosed.listed)
    facts = enclosed.facts
    if facts is None:
        return refused(*reasons)
    if not enclosed.follows:
        reasons.append(_not_following(enclosed))
    if enclosed.wording:
        reasons.append(f"Another version wrote its sentences, on the same values: {enclosed.wording}.")
    return replace(
        judged, reasons=tuple(reasons), number=facts.number, serial=facts.serial, verdict=facts.verdict,
        record_sha256=facts.record_sha256, signed=enclosed.signed, replaces=enclosed.replaces, follows=enclosed.follows,
        rejudged=enclosed.rejudged,
    )  # fmt: skip


def _of_list(judged: Verification, listed: SummedUp) -> Verification:
    """A lot certificate or shift summary is sealed by the station: nobody certifies or locks it."""
    sealed = [one.field for one in judged.signatures] == [FIELD]
    if not sealed:
        return refused("It is not sealed by a station, as such a page is.")
    return replace(
        judged, number=listed.number, record_sha256=listed.records_sha256, replaces=listed.replaces,
        summary=canonical(listed).decode(),
    )  # fmt: skip


def _not_following(enclosed: Enclosed) -> str:
    if not enclosed.rejudged:
        return "Its record has a form that this version cannot judge again."
    if enclosed.facts is not None and enclosed.rejudged == enclosed.facts.verdict:
        return f"What is recorded does not follow from what is attached: {enclosed.unfounded}."
    return f"The attached readings, judged again, do not give what is printed: they give {enclosed.rejudged}."


def _in_facts(one: Signed, trust: Trust) -> Signature:
    return Signature(
        one.field, signer_of(one.certificate), fingerprint_of(one.certificate),
        "" if one.at is None else one.at.isoformat(), one.level,
        "" if one.stamped_at is None else one.stamped_at.isoformat(), trust.trusted, trust.revocation,
        not is_self_signed(one.certificate),
    )  # fmt: skip


def _check(data: bytes, found: _Found, anchors: Anchors, drawn: bytes | None) -> None:
    logging.getLogger("pyhanko").setLevel(logging.CRITICAL)
    logging.getLogger("pyhanko_certvalidator").setLevel(logging.CRITICAL)
    if not data.startswith(b"%PDF-"):
        found.faults.append("The file does not begin as a PDF.")
        return
    reader = reader_of(data)
    if reader.encrypted:
        found.faults.append("It is encrypted, which a station never does.")
        return
    if not reader.embedded_signatures:
        found.faults.append("It carries no seal.")
        return
    held = [(one, trust_in(one, anchors)) for one in signatures_of(reader, anchors)]
    found.signatures = tuple(_in_facts(one, trust) for one, trust in held)
    found.distrust = tuple(dict.fromkeys(trust.reason for _, trust in held if trust.reason))
    found.faults.extend([REWRITTEN] if _rewritten(data) else [])
    found.faults.extend(dict.fromkeys(faults_of_seals(reader, data)))
    found.enclosed = enclosed_in(reader)
    found.faults.extend(found.enclosed.faults)
    found.strangers = tuple(_strangers(held, found.enclosed))
    if drawn is not None and not found.faults:
        found.printed = printed_in(found.enclosed, reader, data, drawn)
        misnamed = tuple(_misnamed(found.signatures, found.enclosed)) if found.printed.how else ()
        found.printed = Printed(faults=misnamed) if misnamed else found.printed


def _strangers(held: "list[tuple[Signed, Trust]]", enclosed: Enclosed) -> Iterator[str]:
    """Persons who signed the page without being those whom the record and its signatures name."""
    for one, _ in held:
        meaning = {OPERATOR: Meaning.PERFORMED, REVIEWER: Meaning.RELEASED}.get(one.field)
        names = () if meaning is None else enclosed.people.get(meaning, ())
        if names and name_in(one.certificate) not in names:
            yield f"It is signed as {meaning} by {names[0]}, but the key is that of {name_in(one.certificate)}."


def _misnamed(signatures: Sequence[Signature], enclosed: Enclosed) -> Iterator[str]:
    """Whether the page names others than those who signed it. An operator's alone waits for the reviewer's."""
    if enclosed.form is None or [one.field for one in signatures] == [OPERATOR]:
        return
    told, prints = json.loads(enclosed.form), "; ".join(grouped(one.fingerprint) for one in signatures)
    names = "; ".join(one.signer for one in signatures)
    if (told.get("signer"), told.get("fingerprint")) != (names, prints):
        yield (
            f"The page says that it was signed by {told.get('signer')} with the certificate {told.get('fingerprint')}; "
            f"it was by {names} with {prints}."
        )


# In words ---------------------------------------------------------------------------------------


def in_words(judged: Verification) -> list[str]:
    """The judgement for a person: the first word says it."""
    if not judged.intact:
        first = "CHANGED or unreadable: this is not the document that was sealed."
        return [first, *(f"  {reason}" for reason in judged.reasons), ASK_FOR_THE_ORIGINAL]
    listed = judged.listed
    about = f"valve {judged.serial}, verdict {judged.verdict}" if listed is None else listed.about
    lines = [_first_line(judged, f"{judged.number} for {about}")]
    if judged.specimen:
        lines.append("SPECIMEN: simulated, replayed, or its procedure was not adopted. It certifies nothing.")
    if judged.follows:
        lines.append("  judged again the attached readings give the same verdict and values")
    if judged.prints:
        lines.append(f"  printed      {judged.printed}")
    if listed is not None:
        lines += [f"  rows         in the attached list: {listed.counted or 'none'}", TOLD_ELSEWHERE]
    for one in judged.signatures:
        lines += _signature_in_words(one)
    lines.append(f"  {'record ' if listed is None else 'records'}      {judged.record_sha256}")
    lines += _enclosed_in_words(judged)
    lines += [f"  {reason}" for reason in judged.reasons]
    if not all(one.trusted or one.revocation == REVOKED for one in judged.signatures):
        rooted = any(one.under_root for one in judged.signatures)
        lines.append(NAME_ROOT if rooted else NAME_SIGNER)
    return lines


def _first_line(judged: Verification, what: str) -> str:
    if not judged.follows and not judged.summary:
        return (
            f"DOES NOT FOLLOW: {what}. Nothing was changed since it was sealed, but "
            "what it says is not shown to follow."
        )
    if not judged.prints:
        return (
            f"DOES NOT PRINT ITS RECORD: {what}. Nothing was changed since it was sealed, but the page is not shown to "
            "say what is attached to it."
        )
    if not judged.complete:
        return f"NOT REVIEWED YET: {what}. Nothing was changed since the operator signed it."
    if any(one.revocation == REVOKED for one in judged.signatures):
        return f"REVOKED: {what}. Nothing was changed since it was sealed, but a signer's certificate was revoked."
    if judged.trusted:
        return f"INTACT: {what}. Nothing was changed since it was sealed."
    return f"UNKNOWN SIGNER: {what}. Nothing was changed since it was sealed, but by whom is not known."


def _enclosed_in_words(judged: Verification) -> list[str]:
    """Who signed the record, and how far the ledger had come."""
    lines = [f"  signed       {one}" for one in judged.signed]
    if not judged.signed and not judged.summary and judged.signatures[0].field == FIELD:
        lines.append("  signed       by nobody; the operator is named, not authenticated")
    stations = judged.verdict == Verdict.ACCEPTED and judged.signatures[0].field == FIELD
    if stations and not any(one.startswith(Meaning.RELEASED) for one in judged.signed):
        lines.append("  released     by nobody; its record owes no release, for its operator was not authenticated")
    if judged.replaces:
        lines.append(f"  replaces     {judged.replaces}")
    if judged.checkpoint:
        found = Checkpoint.model_validate_json(judged.checkpoint)
        lines.append(f"  ledger       {found.line}, key {grouped(short_of(found.key)[:16])}")
    return lines


def _signature_in_words(one: Signature) -> list[str]:
    stamp = f", time stamp {one.stamped_at}" if one.stamped_at else ""
    if one.level == "B-T" and not stamp:
        stamp = ", with the time stamp of an authority that is not known here"
    return [
        f"  sealed by    {one.signer}" if one.field == FIELD else f"  {one.field.lower():<12} {one.signer}",
        f"  sealed at    {one.at} by the station's own clock{stamp}",
        f"  fingerprint  {grouped(one.fingerprint)}",
        f"  revocation   {one.revocation}",
    ]
