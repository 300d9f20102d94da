"""Whose signature is it? A certificate that is pinned itself, or one that leads to a pinned root and is not revoked.

Revocation is judged by the lists that the reader has; without one the judgement says so. A certificate revoked because
its key was lost is good for nothing, unless a time stamp proves that the signature was there before; one revoked for
another reason stays good for what was signed earlier.
"""

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from testbench.certificate.authority import Role, Why
from testbench.certificate.signing import FIELD

if TYPE_CHECKING:
    from cryptography.x509 import Certificate, CertificateRevocationList

REVOKED, UNCHECKED = "revoked", "not checked: no revocation list was named"
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
    revocation: str = UNCHECKED
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
        return Trust("", "pinned by its own certificate, which nothing revokes")
    return _revocation(signed, chain, anchors.lists)


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


def _revocation(signed: Signed, chain: "list[Certificate]", lists: Sequence[bytes]) -> Trust:
    """Look each certificate below the root up in the newest list of its issuer."""
    told = []
    for certificate, issuer in pairwise(chain):
        newest = _newest(lists, issuer)
        if newest is None:
            told.append(UNCHECKED)
            continue
        entry = newest.get_revoked_certificate_by_serial_number(certificate.serial_number)
        if entry is not None:
            why = _why(entry)
            revoked = f"{entry.revocation_date_utc:%Y-%m-%d} ({why})"
            if _undone(signed, entry.revocation_date_utc, why):
                return Trust(f"The certificate of {_name(certificate)} was revoked on {revoked}.", REVOKED)
            told.append(f"revoked on {revoked}, after this was signed")
        else:
            told.append(f"not revoked as of {newest.last_update_utc:%Y-%m-%d}")
    return Trust("", told[0] if told else UNCHECKED)


def _newest(lists: Sequence[bytes], issuer: "Certificate") -> "CertificateRevocationList | None":
    """The newest list that an authority signed; what is no list of it is passed over."""
    found = [one for one in _readable(lists) if one.issuer == issuer.subject and _signed_by(one, issuer)]
    return max(found, key=lambda one: one.last_update_utc, default=None)


def _readable(lists: Sequence[bytes]) -> "Iterable[CertificateRevocationList]":
    from cryptography.x509 import load_der_x509_crl

    for data in lists:
        try:
            yield load_der_x509_crl(data)
        except ValueError:
            continue


def _signed_by(found: "CertificateRevocationList", issuer: "Certificate") -> bool:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePublicKey

    key = issuer.public_key()
    return isinstance(key, EllipticCurvePublicKey) and found.is_signature_valid(key)


def _why(entry: object) -> str:
    from cryptography import x509

    assert isinstance(entry, x509.RevokedCertificate)
    try:
        return entry.extensions.get_extension_for_class(x509.CRLReason).value.reason.value
    except x509.ExtensionNotFound:
        return Why.KEY_COMPROMISE


def _undone(signed: Signed, revoked: datetime, why: str) -> bool:
    """Whether a revocation reaches back to a signature: a lost key may have signed under any date."""
    harmless = why in {Why.SUPERSEDED, Why.CESSATION, Why.AFFILIATION_CHANGED}
    proven = signed.at if harmless else signed.stamped_at
    return proven is None or proven >= revoked


def _name(certificate: "Certificate") -> str:
    from cryptography.x509.oid import NameOID

    return ", ".join(str(one.value) for one in certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME))
