"""What revocation lists say of a certificate (RFC 5280, 5 and 6.3), and what is said where they say nothing."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from pydantic import AwareDatetime

from testbench.certificate.authority import Why
from testbench.procedure.valve import Text, Value
from testbench.run.signature import Sha256

if TYPE_CHECKING:
    from cryptography.x509 import Certificate, CertificateRevocationList, RevokedCertificate

NONE_NAMED = "not checked: no revocation list was named"


class Gone(Value):
    """A certificate that signed itself and that its works trusts no more: no revocation list can name it."""

    name: Text
    fingerprint: Sha256
    at: AwareDatetime
    """UTC."""
    why: Why


@dataclass(frozen=True, slots=True)
class Said:
    """What is known about the revocation of a certificate."""

    words: str
    revoked: datetime | None = None
    why: str = ""
    fresh: bool = False
    """Whether it was looked up, in a list that is not out of date."""


def said_of(certificate: "Certificate", issuer: "Certificate", lists: Sequence[bytes], at: datetime | None) -> Said:
    """Look a certificate up in the newest list of its issuer.

    Args:
        certificate: whose.
        issuer: who made it.
        lists: what the reader has, DER; what is no list is passed over.
        at: when the reader looks; None: whether a list is still fresh is not told.
    """
    readable = list(_readable(lists))
    own = [one for one in readable if _signed_by(one, issuer)]
    if not own:
        return Said(_without(readable, issuer))
    newest = max(own, key=lambda one: one.last_update_utc)
    entry = newest.get_revoked_certificate_by_serial_number(certificate.serial_number)
    if entry is None:
        stale = _stale(newest, at)
        return Said(f"not revoked as of {newest.last_update_utc:%Y-%m-%d}{stale}", fresh=not stale)
    return Said("", entry.revocation_date_utc, _why(entry))


def _without(readable: "list[CertificateRevocationList]", issuer: "Certificate") -> str:
    """Why nothing could be looked up."""
    if not readable:
        return NONE_NAMED
    wanted = name_of(issuer.subject)
    if any(one.issuer == issuer.subject and _claims(one, issuer) for one in readable):
        return f"not checked: the revocation list that bears the name of {wanted} has a wrong signature"
    others = dict.fromkeys(
        f"{'another ' if one.issuer == issuer.subject else ''}{name_of(one.issuer)}" for one in readable
    )
    return f"not checked: no revocation list of {wanted} was named, only of {'; '.join(others)}"


def _stale(newest: "CertificateRevocationList", at: datetime | None) -> str:
    if at is None:
        return ""
    if newest.last_update_utc > at:
        return ", which is still to come: this computer's clock is wrong, or the list's"
    due = newest.next_update_utc
    return f"; that list is out of date, the next was due by {due:%Y-%m-%d}" if due is not None and due < at else ""


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
    named = found.issuer == issuer.subject
    return named and isinstance(key, EllipticCurvePublicKey) and found.is_signature_valid(key)


def is_list_of(data: bytes, issuer: "Certificate") -> bool:
    """Whether a file is a revocation list that this authority signed."""
    return any(_signed_by(one, issuer) for one in _readable([data]))


def _claims(found: "CertificateRevocationList", issuer: "Certificate") -> bool:
    """Whether a list says that this very key signed it: two authorities of a works may have one name."""
    from cryptography.x509 import AuthorityKeyIdentifier, ExtensionNotFound, SubjectKeyIdentifier

    try:
        told = found.extensions.get_extension_for_class(AuthorityKeyIdentifier).value.key_identifier
    except ExtensionNotFound:
        return True
    return told == SubjectKeyIdentifier.from_public_key(issuer.public_key()).digest


def _why(entry: "RevokedCertificate") -> str:
    from cryptography import x509

    try:
        return entry.extensions.get_extension_for_class(x509.CRLReason).value.reason.value
    except x509.ExtensionNotFound:
        return Why.KEY_COMPROMISE


def name_of(name: object) -> str:
    """Common name and organization of an issuer or subject."""
    from cryptography.x509 import Name
    from cryptography.x509.oid import NameOID

    assert isinstance(name, Name)
    parts = (NameOID.COMMON_NAME, NameOID.ORGANIZATION_NAME)
    return ", ".join(str(one.value) for oid in parts for one in name.get_attributes_for_oid(oid))
