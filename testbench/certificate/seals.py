"""Are the signatures of a file right, and does nothing lie outside them? Cryptography by the library, bytes by us.

A document carries either the station's one seal (P=1), or an operator's certification (P=2) and, once it was reviewed,
the reviewer's lock (All, P=1). Each signature is one revision, the last ends with the file, and no other revision is
there; between operator and reviewer only the reviewer's field may have been filled in.
"""

import re
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from testbench.certificate.keys import signer_of
from testbench.certificate.reader import reader_of
from testbench.certificate.signing import FIELD, OPERATOR, REVIEWER, lower, place_of
from testbench.certificate.stamping import envelope_of, token_of
from testbench.certificate.trust import Anchors, Signed

CHANGED, ADDED = "Its content was changed after it was sealed.", "Something was added to the file after it was sealed."
SIGNATURE_KEYS = frozenset({
    "/Type", "/Filter", "/SubFilter", "/ByteRange", "/Contents", "/M", "/Name", "/Reference",
})  # fmt: skip
"""Of a signature's dictionary. A reason, a place or a contact would be shown as the signer's own words."""
PRINTED_AND_LOCKED = 0b1000_0100
"""Flags of an annotation (ISO 32000-1, table 165): printed, as ISO 19005-3 asks, and locked."""
WRONG = "The seal's signature is wrong."
_DATES = re.compile(rb'(xmp:(Modify|Metadata)Date|pdf:Producer)="[^"]*"')


def signatures_of(reader: Any, anchors: Anchors) -> list[Signed]:
    """Every signature of a file, in the order of its revisions."""
    return [_signed(one, anchors) for one in reader.embedded_signatures]


def _signed(embedded: Any, anchors: Anchors) -> Signed:
    own = bytes(embedded.signer_cert.dump())
    chain = tuple(bytes(one.dump()) for one in embedded.other_embedded_certs)
    stamped = token_of(embedded) is not None
    stamp = _stamp_of(embedded, anchors) if stamped else None
    level = "B-T" if stamped else "B-B"
    return Signed(embedded.field_name, own, chain, embedded.self_reported_timestamp, level, stamp)


def _stamp_of(embedded: Any, anchors: Anchors) -> datetime | None:
    """The time of a time stamp whose authority the reader trusts."""
    status = _status(embedded, anchors.stamps).timestamp_validity
    return status.timestamp if status is not None and status.valid and status.intact and status.trusted else None


def _status(embedded: Any, stamp_roots: tuple[bytes, ...] = ()) -> Any:
    from asn1crypto import x509
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko_certvalidator import ValidationContext

    context = ValidationContext(trust_roots=[embedded.signer_cert], allow_fetching=False)
    roots = [x509.Certificate.load(one) for one in stamp_roots]
    token = token_of(embedded)
    at = None if token is None else token["content"]["encap_content_info"]["content"].parsed["gen_time"].native
    stamps = ValidationContext(
        trust_roots=roots, allow_fetching=False, moment=at
    )  # judged at its own time, as signers are
    return validate_pdf_signature(embedded, context, stamps, skip_diff=embedded.field_name != OPERATOR)


def faults_of_seals(reader: Any, data: bytes) -> Iterator[str]:
    """Everything that is wrong with the signatures of a file; nothing where they are right."""
    found = list(reader.embedded_signatures)
    fields = [str(one.get_object()["/T"]) for one in reader.root["/AcroForm"]["/Fields"]]
    names = [one.field_name for one in found]
    if (names, sorted(fields)) not in (
        ([FIELD], [FIELD]), ([OPERATOR], [OPERATOR, REVIEWER]), ([OPERATOR, REVIEWER], [OPERATOR, REVIEWER]),
    ):  # fmt: skip
        yield "It carries other signatures or fields than the one station seal, or an operator's and a reviewer's."
    if len({signer_of(one.signer_cert.dump()) for one in found}) != len(found):
        yield "One person has signed twice, as operator and as reviewer."
    if reader.xrefs.total_revisions != 1 + len(found) or (len(found) > 1 and not _same_facts(found, data)):
        yield ADDED
    for one in reader.root["/AcroForm"]["/Fields"]:
        if not _in_its_place(reader, one.get_object()):
            yield f"The field of the signature {one.get_object()['/T']} does not lie on the line that names its signer."
    if not all(map(_says_its_signer, found)):
        yield "The seal says of itself what its certificate does not."
    for one in found:
        yield from _faults_of_seal(one, data, last=one is found[-1])


def _says_its_signer(seal: Any) -> bool:
    """Whether a signature names whom its certificate names, and says nothing else that a reader would show."""
    said = seal.sig_object
    return set(said) <= SIGNATURE_KEYS and str(said.get("/Name")) == signer_of(seal.signer_cert.dump())


def _in_its_place(reader: Any, field: Any) -> bool:
    """Whether a field draws nothing, is its own only widget, and covers just the line that the page keeps for it."""
    kept = place_of(reader, str(field["/T"]))
    if kept is None or "/Kids" in field or not {"/AP", "/F", "/P", "/Rect"} <= set(field):
        return False
    box = tuple(float(field["/Rect"][edge]) for edge in range(4))
    look = field["/AP"]
    drawn = bytes(look["/N"].data).strip() if list(look) == ["/N"] else b"more than one appearance"
    return (field.raw_get("/P").reference, box, int(field["/F"]), drawn) == (*kept, PRINTED_AND_LOCKED, b"")


def _faults_of_seal(seal: Any, data: bytes, *, last: bool) -> Iterator[str]:
    """Cryptography by the library; what the signature covers by our own count of bytes."""
    from pyhanko.sign.diff_analysis import ModificationLevel
    from pyhanko.sign.fields import MDPPerm
    from pyhanko.sign.validation.status import SignatureCoverageLevel

    status = _status(seal)
    if not status.intact:
        yield CHANGED
    if not status.valid:
        yield WRONG
    elif not _is_lower(seal):
        yield CHANGED
    if str(seal.sig_object.get("/SubFilter")) != "/ETSI.CAdES.detached":
        yield "The seal is of another kind than the station's."
    if seal.docmdp_level is not (MDPPerm.FILL_FORMS if seal.field_name == OPERATOR else MDPPerm.NO_CHANGES):
        yield "The seal does not forbid later changes."
    stamp = status.timestamp_validity
    if stamp is not None and not (stamp.intact and stamp.valid):
        yield "Its time stamp is wrong."
    covered = SignatureCoverageLevel.ENTIRE_FILE if last else SignatureCoverageLevel.ENTIRE_REVISION
    filled_in = status.modification_level in {None, ModificationLevel.NONE, ModificationLevel.FORM_FILLING}
    whole = status.coverage is covered and status.docmdp_ok is not False and filled_in
    if not whole or not _covers_every_byte(seal, data, last=last):
        yield ADDED


def _is_lower(seal: Any) -> bool:
    """Whether of the two values that are as right it has the one that we write; other keys than ours have only one."""
    value, key = bytes(seal.signer_info["signature"].native), seal.signer_cert.public_key
    return key.algorithm != "ec" or key.curve != ("named", "secp256r1") or value == lower(value)


def _covers_every_byte(seal: Any, data: bytes, *, last: bool) -> bool:
    """Whether file or revision is exactly: signed bytes, the signature's value in hexadecimal, signed bytes."""
    first, length, second, rest = (int(number) for number in seal.byte_range)
    end = second + rest
    at_end = end == len(data) if last else end < len(data) and data[:end].rstrip().endswith(b"%%EOF")
    if first != 0 or not at_end or not 0 < length < second:
        return False
    content = bytes(seal.pkcs7_content)
    exact = envelope_of(seal, token_of(seal))
    padded = exact + bytes(max(len(content) - len(exact), 0))
    return content == padded and data[length:second] == f"<{content.hex().upper()}>".encode()


def _same_facts(seals: list[Any], data: bytes) -> bool:
    """Whether the document tells the same of itself after each signature: difference analysis lets a title change."""
    ends = [int(seal.byte_range[2]) + int(seal.byte_range[3]) for seal in seals]
    told = [_facts_in(reader_of(data[:end])) for end in ends]
    return all(one == told[0] for one in told)


def _facts_in(reader: Any) -> tuple[dict[str, str], bytes]:
    """Document information and metadata, without the marks of who wrote them last and when."""
    info, root = reader.trailer["/Info"], reader.root
    texts = {str(key): str(info[key]) for key in info if key not in {"/ModDate", "/Producer"}}
    metadata = bytes(root["/Metadata"].data) if "/Metadata" in root else b""
    return texts, b"".join(_DATES.sub(b"", metadata).split())
