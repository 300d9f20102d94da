"""Whose signature is it? A certificate that is pinned itself, or one that leads to a pinned root and is not revoked.

Revocation is judged by the lists that the reader has (``certificate/revocation``); without one the judgement says so. A
certificate revoked because its key was lost is good for nothing, unless a time stamp proves that the signature was
there before; one revoked for another reason stays good for what was signed earlier. Of a certificate that signed itself
its works says so on the signed list of withdrawn documents.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from testbench.certificate.authority import Role, Why
from testbench.certificate.keys import fingerprint_of
from testbench.certificate.revocation import NONE_NAMED, Gone, Said, name_of, said_of
from testbench.certificate.signing import FIELD

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

REVOKED = "revoked"
LONGEST_CHAIN = 3


@dataclass(frozen=True, slots=True)
class Anchors:
    """What the reader trusts, got by another way than the document. All DER."""

    certificates: tuple[bytes, ...] = ()
    """Roots of authorities, and self-signed certificates of stations."""
    lists: tuple[bytes, ...] = ()
    """Revocation lists."""
    stamps: tuple[bytes, ...] = ()
    """Roots of time-stamp authorities."""
    gone: tuple[Gone, ...] = ()
    """Certificates that signed themselves and are trusted no more."""
    at: datetime | None = None
    """When the reader looks, UTC; None: whether a list is still fresh is not told."""


@dataclass(frozen=True, slots=True)
class Signed:
    """One signature, as it was found."""

    field: str
    certificate: bytes
    """DER."""
    chain: tuple[bytes, ...]
    """The other certificates in the signature."""
    at: datetime | None
    """By the station's clock."""
    level: str
    """PAdES: B-B or B-T."""
    stamped_at: datetime | None = None
    """By a time-stamp authority that the reader trusts; None without one."""

    @property
    def known_since(self) -> datetime | None:
        """The time that the certificate is judged at."""
        return self.stamped_at or self.at


@dataclass(frozen=True, slots=True)
class Trust:
    """Whether a signer is known."""

    reason: str
    """Why not; empty where it is."""
    revocation: str = NONE_NAMED
    """What is known about revocation."""

    @property
    def trusted(self) -> bool:
        """Whether it is."""
        return not self.reason


def trust_in(signed: Signed, anchors: Anchors) -> Trust:
    """Judge a signer by what the reader trusts."""
    from cryptography.x509 import load_der_x509_certificate

    certificate, at = load_der_x509_certificate(signed.certificate), signed.known_since
    pinned = signed.certificate in anchors.certificates
    chain = [certificate] if pinned else _chain(signed, anchors)
    if chain and not pinned and not _fits(signed.field, certificate):
        return Trust(f"The certificate of {_name(certificate)} is not made for this signature.")
    if not chain:
        return Trust("The seal is none that was named as trusted.")
    if at is None or not certificate.not_valid_before_utc <= at <= certificate.not_valid_after_utc:
        return Trust("The seal's certificate was not valid at the time of sealing.")
    if pinned:
        return _pinned(signed, certificate, anchors.gone)
    return _revocation(signed, chain, anchors)


def _fits(field: str, certificate: "Certificate") -> bool:
    """Whether a certificate is a station's, for its seal, or a person's; else one person could do for all."""
    from cryptography.x509.oid import NameOID

    units = [one.value for one in certificate.subject.get_attributes_for_oid(NameOID.ORGANIZATIONAL_UNIT_NAME)]
    return units == [Role.STATION if field == FIELD else Role.PERSON]


def _chain(signed: Signed, anchors: Anchors) -> "list[Certificate]":
    """From the signer up to a pinned root, root included; empty where there is no such way (RFC 5280, 6.1)."""
    from asn1crypto import x509
    from cryptography.x509 import load_der_x509_certificate
    from pyhanko_certvalidator import CertificateValidator, ValidationContext
    from pyhanko_certvalidator.errors import PathBuildingError, ValidationError

    roots = [x509.Certificate.load(one) for one in anchors.certificates if _is_authority(one)]
    if not roots or signed.known_since is None or _is_authority(signed.certificate):
        return []
    context = ValidationContext(trust_roots=roots, allow_fetching=False, moment=signed.known_since)
    between = [x509.Certificate.load(one) for one in signed.chain]
    leaf = x509.Certificate.load(signed.certificate)
    validator: Any = CertificateValidator(leaf, intermediate_certs=between, validation_context=context)
    try:
        path = asyncio.run(validator.async_validate_usage({"digital_signature", "non_repudiation"}))
    except (PathBuildingError, ValidationError, ValueError):
        return []
    found = [load_der_x509_certificate(one.dump()) for one in path.iter_certs(include_root=True)]
    return found[::-1] if len(found) <= LONGEST_CHAIN else []


def _is_authority(certificate: bytes) -> bool:
    from cryptography import x509

    try:
        found = x509.load_der_x509_certificate(certificate).extensions.get_extension_for_class(x509.BasicConstraints)
    except x509.ExtensionNotFound:
        return False
    return found.value.ca


def _pinned(signed: Signed, certificate: "Certificate", gone: Sequence[Gone]) -> Trust:
    """Not looked up in lists; of one that signed itself the works may have said that it counts no more."""
    fingerprint = fingerprint_of(signed.certificate)
    said = [Said("", one.at, one.why) for one in gone if one.fingerprint == fingerprint]
    otherwise = "pinned by its own certificate, which is looked up in no list"
    return _judged(signed, [(certificate, one) for one in said], otherwise)


def _revocation(signed: Signed, chain: "list[Certificate]", anchors: Anchors) -> Trust:
    """Look each certificate below the root up in the newest list of its issuer."""
    said = [(one, said_of(one, issuer, anchors.lists, anchors.at)) for one, issuer in pairwise(chain)]
    judged = _judged(signed, said, NONE_NAMED)
    if judged.trusted and said[0][1].fresh and not all(one.fresh or one.revoked for _, one in said):
        unknown = f"; of its authority nothing is known: no list in date of {name_of(chain[-1].subject)} was named"
        return replace(judged, revocation=judged.revocation + unknown)
    return judged


def _judged(signed: Signed, said: "Sequence[tuple[Certificate, Said]]", otherwise: str) -> Trust:
    """What becomes of a signature by what was said of the certificates, its own first."""
    told = []
    for certificate, one in said:
        if one.revoked is None:
            told.append(one.words)
            continue
        revoked = f"{one.revoked:%Y-%m-%d} ({one.why})"
        if _undone(signed, one.revoked, one.why):
            return Trust(f"The certificate of {_name(certificate)} was revoked on {revoked}.", REVOKED)
        told.append(f"revoked on {revoked}, after this was signed")
    return Trust("", told[0] if told else otherwise)


def _undone(signed: Signed, revoked: datetime, why: str) -> bool:
    """Whether a revocation reaches back to a signature: a lost key may have signed under any date."""
    harmless = why in {Why.SUPERSEDED, Why.CESSATION, Why.AFFILIATION_CHANGED}
    proven = signed.at if harmless else signed.stamped_at
    return proven is None or proven >= revoked


def _name(certificate: "Certificate") -> str:
    from cryptography.x509.oid import NameOID

    return ", ".join(str(one.value) for one in certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME))
