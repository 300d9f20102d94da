"""What a reader trusts: the certificates and lists that are named, and those of a home."""

from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.certificate.keys import is_self_signed, own_certificates, read_certificate
from testbench.certificate.register import AUTHORITY, REGISTER, read_register
from testbench.certificate.root import ROOT_CERTIFICATE
from testbench.certificate.trust import Anchors
from testbench.errors import TrustFileError

if TYPE_CHECKING:
    from collections.abc import Callable

    from cryptography.x509 import Certificate, CertificateRevocationList

STAMP_ROOTS = "stamp-root*.pem"


def anchors_of(
    keys: Path, roots: Sequence[Path], lists: Sequence[Path], stamps: Sequence[Path], at: datetime | None = None
) -> Anchors:
    """What a reader trusts: the files that are named, and what a home has of its own.

    Args:
        keys: the keys folder of the home; it need not be there.
        roots: certificates, PEM or DER.
        lists: revocation lists, DER or PEM.
        stamps: roots of time-stamp authorities.
        at: when the reader looks; None: whether a list is still fresh is not told.

    Raises:
        KeyFileError: the home's own root or register cannot be read.
        TrustFileError: another file cannot be, or holds something else.
    """
    own, authority = own_certificates(keys), keys / AUTHORITY
    gone = read_register(authority).gone if (authority / REGISTER).exists() else ()
    if (authority / ROOT_CERTIFICATE).exists():  # its stations are then known through it, and can be revoked
        own = [one for one in own if is_self_signed(one)] + [read_certificate(authority / ROOT_CERTIFICATE)]
    return Anchors(
        tuple(own + [_certificate_in(path, "Root certificate") for path in roots]),
        tuple(_list_in(path) for path in (*sorted(authority.glob("*.crl")), *lists)),
        tuple(
            _certificate_in(path, "Root certificate of the time-stamp authority")
            for path in (*sorted(keys.glob(STAMP_ROOTS)), *stamps)
        ),
        gone,
        at,
    )


def _certificate_in(path: Path, what: str) -> bytes:
    from cryptography.x509 import load_der_x509_certificate, load_pem_x509_certificate

    return _read(path, what, "a certificate, PEM or DER", load_pem_x509_certificate, load_der_x509_certificate)


def _list_in(path: Path) -> bytes:
    from cryptography.x509 import load_der_x509_crl, load_pem_x509_crl

    return _read(path, "Revocation list", "a revocation list, DER or PEM", load_pem_x509_crl, load_der_x509_crl)


def _read(
    path: Path, what: str, needed: str, *forms: "Callable[[bytes], Certificate | CertificateRevocationList]"
) -> bytes:
    """The content of a file as DER, in whichever form it is written. A file that says nothing is never passed over."""
    from cryptography.hazmat.primitives.serialization import Encoding

    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise TrustFileError(what, str(path), "there is no such file", needed) from None
    except OSError as failure:
        raise TrustFileError(what, str(path), f"it cannot be read ({failure.strerror})", needed) from failure
    for form in forms:
        with suppress(ValueError):
            return form(data).public_bytes(Encoding.DER)
    raise TrustFileError(what, str(path), "it holds something else", needed)
