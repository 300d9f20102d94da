"""What a reader trusts: the certificates and lists that are named, and those of a home."""

from collections.abc import Sequence
from pathlib import Path

from testbench.certificate.keyring import AUTHORITY, ROOT_CERTIFICATE
from testbench.certificate.keys import is_self_signed, own_certificates, read_certificate
from testbench.certificate.trust import Anchors
from testbench.errors import KeyFileError

STAMP_ROOTS = "stamp-root*.pem"


def anchors_of(keys: Path, roots: Sequence[Path], lists: Sequence[Path], stamps: Sequence[Path]) -> Anchors:
    """What a reader trusts: the files that are named, and what a home has of its own.

    Raises:
        KeyFileError: a file that is named cannot be read.
    """
    own = own_certificates(keys)
    authority = keys / AUTHORITY
    if (authority / ROOT_CERTIFICATE).exists():  # its stations are then known through it, and can be revoked
        own = [one for one in own if is_self_signed(one)] + [read_certificate(authority / ROOT_CERTIFICATE)]
    return Anchors(
        tuple(own + [read_certificate(path) for path in roots]),
        tuple(_list_in(path) for path in (*sorted(authority.glob("*.crl")), *lists)),
        tuple(read_certificate(path) for path in (*sorted(keys.glob(STAMP_ROOTS)), *stamps)),
    )


def _list_in(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as failure:
        raise KeyFileError(str(path), f"it cannot be read ({failure.strerror})") from failure
