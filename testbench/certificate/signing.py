"""Signatures in a document, PAdES B-B: the station's one seal, or an operator's certification and a reviewer's lock.

Each signature lies on the line of the page that names its signer and draws nothing there: the page says it already.
Either the station **seals** the document, and nothing may change afterwards (DocMDP P=1). Or the operator **certifies**
it: both fields are there before the first signature, only filling in the reviewer's is allowed (P=2), and the
reviewer's signature **locks** the document (FieldMDP All, P=1).

pyHanko is used with two departures. Its own signer reads the key again for each signature; ours keeps the key object.
And it raises the file to PDF 2.0 for an elliptic-curve key, which an archive profile of PDF 1.7 forbids; ours declares
only the extension that the signature format itself needs.
"""

import logging
from datetime import datetime
from functools import cache
from io import BytesIO
from typing import Any

from testbench.certificate.keys import StationKey, signer_of
from testbench.certificate.reader import reader_of
from testbench.errors import SignatureRefusedError

FIELD, OPERATOR, REVIEWER = "StationSeal", "Operator", "Reviewer"
LONGEST_SIGNATURE = 72
"""Bytes of an ECDSA P-256 signature in DER, at most."""
ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551
"""Of the curve P-256 (FIPS 186-4, D.1.2.3)."""
ROOM = 2 * 9_216
"""Hexadecimal digits kept free for the last signature of a document: with a time stamp it takes 4 to 8 KiB."""


def seal(document: bytes, key: StationKey, at: datetime) -> bytes:
    """Sign a document as its last change.

    Args:
        document: the finished PDF.
        key: the station key.
        at: the station's time of day, written into the signature.

    Returns:
        The document's bytes followed by one revision that holds the signature.
    """
    from pyhanko.sign import fields

    writer = _writer(document)
    _append(writer, FIELD, readable_field_name="Station seal")
    told = {"certify": True, "docmdp_permissions": fields.MDPPerm.NO_CHANGES}
    return _signed(writer, key, at, FIELD, told, ROOM)


def certify(document: bytes, key: StationKey, at: datetime) -> bytes:
    """Sign a document as its operator, and leave it open for one signature more: the reviewer's.

    Args:
        document: the finished PDF, unsigned.
        key: the operator's key.
        at: the station's time of day.

    Raises:
        SignatureRefusedError: the document has a signature.
    """
    from pyhanko.sign import fields

    writer = _writer(document)
    if _signers(writer.prev):
        raise SignatureRefusedError(OPERATOR, "the document is signed already", "the first signature")
    _append(
        writer, REVIEWER, readable_field_name="Reviewer",
        field_mdp_spec=fields.FieldMDPSpec(fields.FieldMDPAction.ALL),
        doc_mdp_update_value=fields.MDPPerm.NO_CHANGES,
    )  # fmt: skip
    _append(writer, OPERATOR, readable_field_name="Operator")
    told = {"certify": True, "docmdp_permissions": fields.MDPPerm.FILL_FORMS}
    return _signed(writer, key, at, OPERATOR, told)


def lock(document: bytes, key: StationKey, at: datetime) -> bytes:
    """Sign a document as its reviewer; nothing may change afterwards.

    Args:
        document: as :func:`certify` gave it.
        key: the reviewer's key; it names another person than the operator's.
        at: the station's time of day.

    Raises:
        SignatureRefusedError: the document is not certified by an operator, is locked, or by the same person.
    """
    writer = _writer(document)
    signers = _signers(writer.prev)
    if set(signers) != {OPERATOR}:
        found = "it is signed already" if REVIEWER in signers else "no operator has signed"
        raise SignatureRefusedError(REVIEWER, found, "one reviewer, after the operator")
    if signers[OPERATOR] == key.signer:  # a person may hold two certificates while one replaces the other
        raise SignatureRefusedError(REVIEWER, f"{key.signer}, who signed as operator", "another person")
    return _signed(writer, key, at, REVIEWER, {}, ROOM)


def place_of(reader: Any, field: str) -> tuple[Any, tuple[float, ...]] | None:
    """The page (a reference) and the rectangle that a document keeps for a signature field; None where it keeps none.

    Args:
        reader: of the document.
        field: its name; the destination of this name says where.
    """
    if "/Dests" not in reader.root or f"/{field}" not in reader.root["/Dests"]:
        return None
    found = reader.root["/Dests"][f"/{field}"]
    return found.raw_get(0).reference, tuple(float(found[edge]) for edge in range(2, 6))


def _append(writer: Any, field: str, **told: Any) -> None:
    """Make a field with an empty appearance at its place; where the document keeps none, it cannot be seen."""
    from pyhanko.sign import fields

    if (found := place_of(writer.prev, field)) is not None:
        pages = writer.prev.root["/Pages"]["/Kids"]
        number = next(n for n in range(len(pages)) if pages.raw_get(n).reference == found[0])
        told |= {"on_page": number, "box": found[1]}
    fields.append_signature_field(writer, fields.SigFieldSpec(field, **told))


def _writer(document: bytes) -> Any:
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    logging.getLogger("pyhanko").setLevel(logging.ERROR)
    return IncrementalPdfFileWriter.from_reader(reader_of(document))


def _signers(reader: Any) -> dict[str, str]:
    """Field names and whom the certificates in them name."""
    return {found.field_name: signer_of(found.signer_cert.dump()) for found in reader.embedded_signatures}


def _signed(  # noqa: PLR0917 - what a signature is made of
    writer: Any, key: StationKey, at: datetime, field: str, told: dict[str, Any], room: int | None = None
) -> bytes:
    from asn1crypto import x509
    from pyhanko.sign import fields, signers
    from pyhanko.stamp import NoOpStampStyle

    signer_class, sealer_class = _classes()
    meta = signers.PdfSignatureMetadata(
        field_name=field, subfilter=fields.SigSeedSubFilter.PADES, md_algorithm="sha256", name=key.signer, **told
    )
    certificate = x509.Certificate.load(key.certificate)
    above = [x509.Certificate.load(one) for one in key.chain]
    signer = signer_class(certificate, above, key.key)
    sealer = sealer_class(meta, signer, stamp_style=NoOpStampStyle())
    sealer.at = at
    out = BytesIO()
    sealer.sign_pdf(writer, output=out, bytes_reserved=room)
    return out.getvalue()


def lower(value: bytes) -> bytes:
    """The lower of the two values (r, s) and (r, n − s) of an ECDSA signature with P-256, which are as right (DER)."""
    from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature, encode_dss_signature

    r, s = decode_dss_signature(value)
    return encode_dss_signature(r, min(s, ORDER - s))


@cache
def _classes() -> tuple[Any, Any]:
    """The two subclasses; made late, because importing their bases takes half a second."""
    from cryptography.hazmat.primitives.asymmetric.ec import ECDSA
    from cryptography.hazmat.primitives.hashes import SHA256
    from pyhanko.sign import signers
    from pyhanko.sign.signers import pdf_signer
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    class KeySigner(signers.Signer):
        """Signs with a key object that is already loaded."""

        def __init__(self, certificate: Any, above: Any, key: Any) -> None:
            store: Any = SimpleCertificateStore()  # type: ignore[no-untyped-call]
            store.register_multiple(above)
            super().__init__(signing_cert=certificate, cert_registry=store)
            self._key = key

        async def async_sign_raw(self, data: bytes, digest_algorithm: str, dry_run: bool = False) -> bytes:  # noqa: FBT001, FBT002 - the library's own signature
            """Sign, or say how long a signature may get."""
            assert digest_algorithm == "sha256"
            return bytes(LONGEST_SIGNATURE) if dry_run else lower(self._key.sign(data, ECDSA(SHA256())))

    class Sealer(pdf_signer.PdfSigner):
        """Keeps the PDF version and takes the time of day from the station."""

        at: datetime

        def register_extensions(self, pdf_out: Any, *, md_algorithm: str) -> None:
            """Declare the one extension that PAdES asks for."""
            pdf_signer._ensure_esic_ext(pdf_out)  # noqa: SLF001 - the version of the library is pinned for this name

        def init_signing_session(self, pdf_out: Any, existing_fields_only: bool = False) -> Any:  # noqa: FBT001, FBT002
            """Open a session at the station's time."""
            session = super().init_signing_session(pdf_out, existing_fields_only)
            session.system_time = self.at
            return session

    return KeySigner, Sealer
