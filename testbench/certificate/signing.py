"""Sealing a document: one certifying signature of the station, PAdES B-B, no change allowed afterwards.

pyHanko is used with two departures. Its own signer reads the key again for each signature; ours keeps the key object.
And it raises the file to PDF 2.0 for an elliptic-curve key, which an archive profile of PDF 1.7 forbids; ours declares
only the extension that the signature format itself needs.
"""

import logging
from datetime import datetime
from functools import cache
from io import BytesIO
from typing import Any

from testbench.certificate.keys import StationKey

FIELD = "StationSeal"
LONGEST_SIGNATURE = 72
"""Bytes of an ECDSA P-256 signature in DER, at most."""


def seal(document: bytes, key: StationKey, at: datetime) -> bytes:
    """Sign a document as its last change.

    Args:
        document: the finished PDF.
        key: the station key.
        at: the station's time of day, written into the signature.

    Returns:
        The document's bytes followed by one revision that holds the signature.
    """
    from asn1crypto import x509
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign import fields, signers

    signer_class, sealer_class = _classes()
    logging.getLogger("pyhanko").setLevel(logging.ERROR)
    writer = IncrementalPdfFileWriter(BytesIO(document))
    meta = signers.PdfSignatureMetadata(
        field_name=FIELD,
        subfilter=fields.SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
        md_algorithm="sha256",
        name=key.signer,
    )
    spec = fields.SigFieldSpec(FIELD, readable_field_name="Station seal")
    certificate = x509.Certificate.load(key.certificate)
    sealer = sealer_class(meta, signer_class(certificate, key.key), new_field_spec=spec)
    sealer.at = at
    out = BytesIO()
    sealer.sign_pdf(writer, output=out)
    return out.getvalue()


@cache
def _classes() -> tuple[Any, Any]:
    """The two subclasses; made late, because importing their bases takes half a second."""
    from cryptography.hazmat.primitives.asymmetric.ec import ECDSA
    from cryptography.hazmat.primitives.hashes import SHA256
    from pyhanko.sign import signers
    from pyhanko.sign.signers import pdf_signer

    class StationSigner(signers.Signer):
        """Signs with a key object that is already loaded."""

        def __init__(self, certificate: Any, key: Any) -> None:
            super().__init__(signing_cert=certificate)
            self._key = key

        async def async_sign_raw(self, data: bytes, digest_algorithm: str, dry_run: bool = False) -> bytes:  # noqa: FBT001, FBT002 - the library's own signature
            """Sign, or say how long a signature may get."""
            assert digest_algorithm == "sha256"
            return bytes(LONGEST_SIGNATURE) if dry_run else bytes(self._key.sign(data, ECDSA(SHA256())))

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

    return StationSigner, Sealer
