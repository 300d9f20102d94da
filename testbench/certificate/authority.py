"""The works' own small authority: what stands in its certificates and revocation lists (RFC 5280).

Three steps, ECDSA P-256 throughout: an offline **root** signs the **issuing** authority, which signs the certificates
of **stations** and **persons**. A certificate of the last step may sign documents (RFC 9336); it cannot make another.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate, CertificateRevocationList, KeyUsage, Name

DOCUMENT_SIGNING = "1.3.6.1.5.5.7.3.36"
"""Extended key usage id-kp-documentSigning of RFC 9336."""


class Role(StrEnum):
    """What a certificate is for."""

    ROOT = "root"
    ISSUING = "issuing"
    STATION = "station"
    PERSON = "person"


class Why(StrEnum):
    """Why a certificate was revoked, in the words of RFC 5280, 5.3.1."""

    KEY_COMPROMISE = "keyCompromise"
    AFFILIATION_CHANGED = "affiliationChanged"
    SUPERSEDED = "superseded"
    CESSATION = "cessationOfOperation"


DAYS = {Role.ROOT: 7305, Role.ISSUING: 3653, Role.STATION: 730, Role.PERSON: 730}
"""House decision: 20 years, 10 years, and 2 years for whoever signs."""
LIST_DAYS = {Role.ROOT: 400, Role.ISSUING: 35}
"""House decision: how long a revocation list counts as fresh; the root is fetched from its safe once a year."""
EARLIER = timedelta(days=1)
"""A certificate is valid from a day before, so that a clock a little behind does not refuse it."""


@dataclass(frozen=True, slots=True)
class Subject:
    """Whom a certificate names."""

    role: Role
    name: str
    """Common name, up to 64 characters."""
    works: str
    """Organization, up to 64 characters."""


@dataclass(frozen=True, slots=True)
class Issuer:
    """An authority that is unlocked."""

    key: "EllipticCurvePrivateKey"
    certificate: "Certificate"


@dataclass(frozen=True, slots=True)
class Revoked:
    """An entry of a revocation list."""

    serial: int
    at: datetime
    why: Why


def new_key() -> "EllipticCurvePrivateKey":
    """A fresh ECDSA P-256 key."""
    from cryptography.hazmat.primitives.asymmetric import ec

    return ec.generate_private_key(ec.SECP256R1())


def root_certificate(key: "EllipticCurvePrivateKey", works: str, at: datetime) -> "Certificate":
    """The self-signed certificate of a root; one authority below it is allowed."""
    subject = Subject(Role.ROOT, "Certificate root", works)
    return _certificate(subject, key.public_key(), _name(subject), key, at, at + timedelta(days=DAYS[Role.ROOT]))


def certificate_for(subject: Subject, public_key: object, issuer: Issuer, at: datetime) -> "Certificate":
    """A certificate signed by an authority; it never outlives the authority's own.

    Args:
        subject: whom it names and what it is for.
        public_key: ECDSA P-256.
        issuer: the root for an issuing authority, else the issuing authority.
        at: from when it counts.
    """
    until = min(at + timedelta(days=DAYS[subject.role]), issuer.certificate.not_valid_after_utc)
    return _certificate(subject, public_key, issuer.certificate.subject, issuer.key, at, until)


def _certificate(  # noqa: PLR0917 - the parts of a certificate
    subject: Subject,
    public_key: object,
    issuer: "Name",
    signing_key: "EllipticCurvePrivateKey",
    at: datetime,
    until: datetime,
) -> "Certificate":
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePublicKey

    assert isinstance(public_key, EllipticCurvePublicKey)
    authority = subject.role in {Role.ROOT, Role.ISSUING}
    depth = {Role.ROOT: 1, Role.ISSUING: 0}.get(subject.role)
    builder = (
        x509
        .CertificateBuilder()
        .subject_name(_name(subject))
        .issuer_name(issuer)
        .public_key(public_key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - EARLIER)
        .not_valid_after(until)
        .add_extension(x509.BasicConstraints(ca=authority, path_length=depth), critical=True)
        .add_extension(_usage(authority=authority), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public_key), critical=False)
    )
    if subject.role is not Role.ROOT:
        of_issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(signing_key.public_key())
        builder = builder.add_extension(of_issuer, critical=False)
    if not authority:
        # RFC 9336's purpose is not known to every reader: NSS, behind pdfsig, wants that of signed mail (tried).
        purposes = [x509.ObjectIdentifier(DOCUMENT_SIGNING), x509.oid.ExtendedKeyUsageOID.EMAIL_PROTECTION]
        signing = x509.ExtendedKeyUsage(purposes)
        builder = builder.add_extension(signing, critical=False)
    return builder.sign(signing_key, hashes.SHA256())


def _name(subject: Subject) -> "Name":
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    return x509.Name([
        x509.NameAttribute(NameOID.ORGANIZATION_NAME, subject.works),
        x509.NameAttribute(NameOID.ORGANIZATIONAL_UNIT_NAME, subject.role.value),
        x509.NameAttribute(NameOID.COMMON_NAME, subject.name),
    ])


def _usage(*, authority: bool) -> "KeyUsage":
    """An authority signs certificates and lists; everybody else signs documents and stands by them."""
    from cryptography import x509

    return x509.KeyUsage(
        digital_signature=not authority, content_commitment=not authority, key_cert_sign=authority,
        crl_sign=authority, key_encipherment=False, data_encipherment=False, key_agreement=False,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip


def revocation_list(
    issuer: Issuer, role: Role, revoked: "Sequence[Revoked]", number: int, at: datetime
) -> "CertificateRevocationList":
    """The signed list of what an authority has revoked.

    Args:
        issuer: the authority, unlocked.
        role: root or issuing; says how long the list counts as fresh.
        revoked: what is on it.
        number: grows by one with each list.
        at: when it is made.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes

    of_issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer.key.public_key())
    builder = (
        x509
        .CertificateRevocationListBuilder()
        .issuer_name(issuer.certificate.subject)
        .last_update(at)
        .next_update(at + timedelta(days=LIST_DAYS[role]))
        .add_extension(x509.CRLNumber(number), critical=False)
        .add_extension(of_issuer, critical=False)
    )
    for entry in revoked:
        reason = x509.CRLReason(x509.ReasonFlags(entry.why.value))
        one = x509.RevokedCertificateBuilder().serial_number(entry.serial).revocation_date(entry.at)
        builder = builder.add_revoked_certificate(one.add_extension(reason, critical=False).build())
    return builder.sign(issuer.key, hashes.SHA256())
