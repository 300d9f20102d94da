"""The key of the ledger: Ed25519 (RFC 8032), made out to nobody; it signs checkpoints and nothing else.

It lies in ``ledger.pem`` (PKCS#8, mode 0600) beside the station key. A signature says which bench issued a checkpoint;
that the ledger still fits it is shown by the copy that somebody else holds.
"""

from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from testbench.certificate.keys import create_file, read_protected
from testbench.errors import KeyFileError, LedgerKeyError
from testbench.run.ledger import Checkpoint, Statement

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

LedgerKey: TypeAlias = "Ed25519PrivateKey"
KEY_FILE = "ledger.pem"


def make_ledger_key(folder: Path) -> str:
    """Make the key of a bench. An existing file is never overwritten.

    Returns:
        Its public part, hexadecimal.

    Raises:
        KeyFileError: it exists already or cannot be written.
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    key = Ed25519PrivateKey.generate()
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    create_file(folder / KEY_FILE, secret, 0o600)
    return public_part(key)


def load_ledger_key(path: Path) -> LedgerKey:
    """Load the key of a bench from its file.

    Raises:
        LedgerKeyError: the file is missing, damaged or readable by others.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(read_protected(path), password=None)
    except KeyFileError as refusal:
        raise LedgerKeyError(str(path), refusal.found) from refusal
    except (ValueError, TypeError):
        raise LedgerKeyError(str(path), "it holds no private key that can be read") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise LedgerKeyError(str(path), "it holds another kind of key than Ed25519")
    return key


def public_part(key: LedgerKey) -> str:
    """The public key, hexadecimal."""
    return key.public_key().public_bytes_raw().hex()


def signed(key: LedgerKey, *, bench: str, n: int, head: str, at: int) -> Checkpoint:
    """Sign how far a ledger has come.

    Args:
        key: of the bench.
        bench: its name.
        n: how many entries the ledger has.
        head: hash of the last.
        at: microseconds since 1970, UTC.
    """
    said = Statement(bench=bench, n=n, head=head, at=at, key=public_part(key))
    return Checkpoint(**said.model_dump(), signature=key.sign(said.signed_bytes).hex())


def is_signed(checkpoint: Checkpoint) -> bool:
    """Whether the signature is that of the key which the checkpoint names."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(checkpoint.key)).verify(
            bytes.fromhex(checkpoint.signature), checkpoint.signed_bytes
        )
    except (InvalidSignature, ValueError):
        return False
    return True
