"""Private keys under a passphrase: PKCS#12 (RFC 7292) whose every check costs a guesser the same work.

The library that writes the file derives the encryption key in as many rounds as asked, but the key of the file's MAC in
2,048 only, so that a wrong guess would be refused a thousand times faster than a right one is accepted. The MAC is
therefore made again here.
"""

import hashlib
import hmac
import os
from typing import TYPE_CHECKING

from testbench.errors import KeyFileError, PassphraseWrongError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate

ROUNDS = 600_000
"""PBKDF2 with HMAC-SHA-256 [common practice: OWASP's figure of 2023, from memory]; the MAC gets as many."""
SALT = 16
BLOCK, DIGEST = 64, 32
"""Of SHA-256 [bytes]."""


def packed(
    name: str,
    key: "EllipticCurvePrivateKey",
    certificate: "Certificate",
    chain: "Sequence[Certificate]",
    passphrase: str,
) -> bytes:
    """A key with its certificate and those above it, as a PKCS#12 file.

    Args:
        name: friendly name in the file.
        key: the private key.
        certificate: its certificate.
        chain: the certificates above it.
        passphrase: not empty.
    """
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.serialization import PrivateFormat, pkcs12

    encryption = (
        PrivateFormat.PKCS12
        .encryption_builder()
        .kdf_rounds(ROUNDS)
        .key_cert_algorithm(pkcs12.PBES.PBESv2SHA256AndAES256CBC)
        .hmac_hash(hashes.SHA256())
        .build(passphrase.encode())
    )
    weak = pkcs12.serialize_key_and_certificates(name.encode(), key, certificate, list(chain), encryption)
    return _with_real_mac(weak, passphrase)


def _with_real_mac(data: bytes, passphrase: str) -> bytes:
    from asn1crypto import pkcs12

    pfx = pkcs12.Pfx.load(data)
    salt = os.urandom(SALT)
    mac_key = _mac_key(passphrase, salt)
    content = pfx["auth_safe"]["content"].native
    pfx["mac_data"] = {
        "mac": {"digest_algorithm": {"algorithm": "sha256"}, "digest": hmac.digest(mac_key, content, "sha256")},
        "mac_salt": salt,
        "iterations": ROUNDS,
    }
    return bytes(pfx.dump(force=True))


def _mac_key(passphrase: str, salt: bytes) -> bytes:
    """Derive the key of the MAC: RFC 7292, appendix B.2, for one block of SHA-256 and purpose 3."""
    bmp = passphrase.encode("utf-16-be") + b"\0\0"
    found = bytes([3]) * BLOCK + _filled(salt) + _filled(bmp)
    for _ in range(ROUNDS):
        found = hashlib.sha256(found).digest()
    return found[:DIGEST]


def _filled(text: bytes) -> bytes:
    """A text repeated to whole blocks."""
    length = -(-len(text) // BLOCK) * BLOCK
    return (text * (length // len(text) + 1))[:length]


def unpacked(
    data: bytes, passphrase: str, where: str
) -> "tuple[EllipticCurvePrivateKey, Certificate, tuple[Certificate, ...]]":
    """Key, certificate and the certificates above it.

    Raises:
        PassphraseWrongError: the passphrase does not open it, or the file was changed.
        KeyFileError: it holds no P-256 key with its certificate.
    """
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.serialization.pkcs12 import load_key_and_certificates

    try:
        key, certificate, above = load_key_and_certificates(data, passphrase.encode())
    except ValueError:
        raise PassphraseWrongError(where) from None
    if not isinstance(key, EllipticCurvePrivateKey) or not isinstance(key.curve, SECP256R1) or certificate is None:
        raise KeyFileError(where, "it holds another kind of key than ECDSA P-256")
    if certificate.public_key() != key.public_key():
        raise KeyFileError(where, "its certificate does not belong to its key")
    return key, certificate, tuple(above)
