"""The keys that sign: ECDSA P-256, readable by their owner alone, each with the certificate that names it.

A bench begins with a key of its own in ``station-key.pem`` (PKCS#8, mode 0600) and a self-signed ``station-cert.pem``;
customers get the certificate, or its fingerprint, by another way than the documents. Where the works has an authority
(``certificate/keyring``), the key lies in ``station.p12`` under a passphrase, or on a token that ``token.toml`` names,
and ``station-chain.pem`` leads from its certificate to the works' root. A person's key lies in ``people/``.
"""

import hashlib
import os
import stat
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from testbench.certificate.passphrases import FromSystem, Passphrases
from testbench.errors import IssuerRevokedError, KeyFileError, KeyRevokedError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate

KEY_FILE, CERTIFICATE_FILE, CHAIN_FILE = "station-key.pem", "station-cert.pem", "station-chain.pem"
PACKED_FILE, TOKEN_FILE = "station.p12", "token.toml"
OF_STATION = (KEY_FILE, PACKED_FILE, TOKEN_FILE, CERTIFICATE_FILE, CHAIN_FILE)
YEARS = 10
SHORT = 12
"""Digits of a fingerprint in the name of a file that was set aside."""


class Signs(Protocol):
    """A private key in memory or on a token."""

    def sign(self, data: bytes, signature_algorithm: Any, /) -> bytes:
        """The signature of some bytes, ECDSA with SHA-256, in DER."""
        ...


@dataclass(frozen=True, slots=True)
class StationKey:
    """A loaded key, of the station or of a person, ready to sign."""

    key: Signs
    certificate: bytes
    """DER."""
    signer: str
    """Name in the certificate."""
    chain: tuple[bytes, ...] = ()
    """DER of the certificates above it, the root left out; empty where it is self-signed."""

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the certificate, hexadecimal."""
        return fingerprint_of(self.certificate)


def fingerprint_of(certificate: bytes) -> str:
    """SHA-256 of a DER certificate, hexadecimal."""
    return hashlib.sha256(certificate).hexdigest()


def grouped(fingerprint: str) -> str:
    """A fingerprint for reading aloud: capitals in groups of four."""
    capitals = fingerprint.upper()
    return " ".join(capitals[index : index + 4] for index in range(0, len(capitals), 4))


def make_station_key(folder: Path, bench_name: str, works_name: str, at: datetime) -> str:
    """Make key and certificate for a bench. An existing file is never overwritten.

    Args:
        folder: where they go; made with mode 0700 if it is missing.
        bench_name: name of the bench.
        works_name: name of the works, up to 60 characters.
        at: the time of day, from which the certificate is valid for ten years.

    Returns:
        The fingerprint of the certificate, hexadecimal.

    Raises:
        KeyFileError: one of the files exists already or cannot be written.
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if (folder / CERTIFICATE_FILE).exists():
        raise KeyFileError(str(folder / CERTIFICATE_FILE), "it exists already and is not overwritten")
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = _self_signed(key, bench_name, works_name, at)
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    create_file(folder / KEY_FILE, secret, 0o600)
    create_file(folder / CERTIFICATE_FILE, certificate.public_bytes(serialization.Encoding.PEM), 0o644)
    return fingerprint_of(certificate.public_bytes(serialization.Encoding.DER))


def renew_station_key(folder: Path, bench_name: str, works_name: str, at: datetime) -> str:
    """Make a new key; the old one is destroyed, its certificate stays, so that nothing sealed is orphaned.

    Returns:
        The new fingerprint.
    """
    set_aside(folder)
    made = make_station_key(folder, bench_name, works_name, at)
    destroy_retired(folder)
    return made


def set_aside(folder: Path) -> None:
    """Rename the files of the station key after its fingerprint, so that a new one can take their place."""
    if not (folder / CERTIFICATE_FILE).exists():
        return
    old = fingerprint_of(read_certificate(folder / CERTIFICATE_FILE))[:SHORT]
    for path in (folder / name for name in OF_STATION):
        if path.exists():
            path.rename(path.with_name(f"{path.stem}-{old}{path.suffix}"))


def retired_keys(folder: Path) -> list[Path]:
    """The private keys of a station that were replaced, by a program that was ended at it or by an older version."""
    return sorted(
        path
        for name in (KEY_FILE, PACKED_FILE)
        for path in folder.glob(f"{Path(name).stem}-{'[0-9a-f]' * SHORT}{Path(name).suffix}")
    )


def destroy_retired(folder: Path) -> None:
    """Destroy every private key of the station that was replaced: its certificate is enough for what it sealed."""
    for path in retired_keys(folder):
        destroy(path)


def destroy(path: Path) -> None:
    """Overwrite and remove a private key. Copies, and what the disk keeps of old blocks, are out of reach.

    Raises:
        KeyFileError: the disk refuses.
    """
    try:
        with path.open("r+b") as file:
            file.write(bytes(path.stat().st_size))
            file.flush()
            os.fsync(file.fileno())
        path.unlink()
    except OSError as failure:
        raise KeyFileError(str(path), f"it cannot be destroyed ({failure.strerror})") from failure


def own_certificates(folder: Path) -> list[bytes]:
    """The certificates of every station key that this home has or had, DER, as far as they can be read."""
    found = []
    for path in sorted(folder.glob("station-cert*.pem")):
        try:
            found.append(read_certificate(path))
        except KeyFileError:
            continue
    return found


def _self_signed(key: "EllipticCurvePrivateKey", bench_name: str, works_name: str, at: datetime) -> "Certificate":
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.x509.oid import NameOID

    name = x509.Name([
        x509.NameAttribute(NameOID.ORGANIZATION_NAME, works_name),
        x509.NameAttribute(NameOID.COMMON_NAME, f"Station seal, bench {bench_name}"),
    ])
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=True, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    return (
        x509
        .CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - timedelta(days=1))
        .not_valid_after(at + timedelta(days=365 * YEARS + 3))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )


def create_file(path: Path, data: bytes, mode: int) -> None:
    """Write a new file that is on disk when this returns.

    Raises:
        KeyFileError: it exists already or cannot be written.
    """
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    except FileExistsError:
        raise KeyFileError(str(path), "it exists already and is not overwritten") from None
    except OSError as failure:
        raise KeyFileError(str(path), f"it cannot be written ({failure.strerror})") from failure
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def load_station_key(folder: Path, ask: Passphrases | None = None) -> StationKey:
    """Load key and certificate of a bench, from wherever they lie.

    Args:
        folder: the keys of a home.
        ask: for the passphrase or PIN; None: the system, or the person at the terminal.

    Raises:
        KeyRevokedError: its certificate, or the authority above it, was revoked; nobody is asked then.
        KeyFileError: a file is missing, damaged, readable by others, or the two do not belong together.
        PassphraseMissingError: nobody can be asked for the passphrase.
        PassphraseWrongError: it does not open the key.
        TokenFailedError: the token does not answer or holds no such key.
    """
    ask = ask or FromSystem()
    _check_in_force(folder)
    if (folder / TOKEN_FILE).exists():
        from testbench.certificate.token import token_key

        key: Signs = token_key(folder / TOKEN_FILE, ask)
        return _with_certificate(key, folder / TOKEN_FILE, folder)
    if (folder / PACKED_FILE).exists():
        return load_packed(folder / PACKED_FILE, ask)
    return _with_certificate(_plain(folder / KEY_FILE), folder / KEY_FILE, folder)


def _check_in_force(folder: Path) -> None:
    """Every check would refuse what a revoked station signs, so it signs nothing: neither a page nor a list."""
    from testbench.certificate.register import AUTHORITY, revoked_here

    if not (folder / AUTHORITY).exists():
        return
    certificate = read_certificate(folder / CERTIFICATE_FILE)
    own = fingerprint_of(certificate)
    found = revoked_here(folder, own)
    if found is not None:
        refusal = KeyRevokedError if found.fingerprint == own else IssuerRevokedError
        raise refusal(name_in(certificate), found.name, found.revocation)


def load_packed(path: Path, ask: Passphrases) -> StationKey:
    """Load a key that lies under a passphrase.

    Raises:
        KeyFileError: the file is missing, readable by others, or holds something else.
        PassphraseMissingError: nobody can be asked.
        PassphraseWrongError: the passphrase does not open it.
    """
    from cryptography.hazmat.primitives.serialization import Encoding

    from testbench.certificate.pkcs12 import unpacked

    data = read_protected(path)
    key, certificate, above = unpacked(data, ask.known(str(path)), str(path))
    own = certificate.public_bytes(Encoding.DER)
    return StationKey(key, own, signer_of(own), tuple(one.public_bytes(Encoding.DER) for one in above))


def _plain(path: Path) -> "EllipticCurvePrivateKey":
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(read_protected(path), password=None)
    except (ValueError, TypeError):
        raise KeyFileError(str(path), "it holds no private key that can be read") from None
    if not isinstance(key, EllipticCurvePrivateKey) or not isinstance(key.curve, SECP256R1):
        raise KeyFileError(str(path), "it holds another kind of key than ECDSA P-256")
    return key


def _with_certificate(key: Any, path: Path, folder: Path) -> StationKey:
    """A key and the certificate files beside it, which must belong to it."""
    certificate = read_certificate(folder / CERTIFICATE_FILE)
    if _public_key_of(certificate) != key.public_key():
        raise KeyFileError(str(path), f"it does not belong to {CERTIFICATE_FILE} beside it")
    chain = folder / CHAIN_FILE
    above = (read_certificate(chain),) if chain.exists() else ()
    return StationKey(key, certificate, signer_of(certificate), above)


def read_protected(path: Path) -> bytes:
    """A key file's bytes, once its permissions were checked on the open file.

    Raises:
        KeyFileError: it is missing, cannot be read, or others can use it.
    """
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            if stat.S_IMODE(mode) & 0o077:
                raise KeyFileError(str(path), f"group or others can use it (mode {stat.S_IMODE(mode):04o})")
            return file.read()
    except FileNotFoundError:
        raise KeyFileError(str(path), "it is missing") from None
    except OSError as failure:
        raise KeyFileError(str(path), f"it cannot be read ({failure.strerror})") from failure


def read_certificate(path: Path) -> bytes:
    """A PEM certificate as DER.

    Raises:
        KeyFileError: the file is missing or holds no certificate.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    try:
        return x509.load_pem_x509_certificate(path.read_bytes()).public_bytes(Encoding.DER)
    except FileNotFoundError:
        raise KeyFileError(str(path), "the certificate is missing") from None
    except OSError as failure:
        raise KeyFileError(str(path), f"it cannot be read ({failure.strerror})") from failure
    except ValueError:
        raise KeyFileError(str(path), "it holds no certificate") from None


def is_self_signed(certificate: bytes) -> bool:
    """Whether a certificate names itself as its issuer."""
    from cryptography import x509

    found = x509.load_der_x509_certificate(certificate)
    return found.issuer == found.subject


def signer_of(certificate: bytes) -> str:
    """Who a certificate names: the seal and the works."""
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    subject = x509.load_der_x509_certificate(certificate).subject
    parts = [
        str(found.value)
        for oid in (NameOID.COMMON_NAME, NameOID.ORGANIZATION_NAME)
        for found in subject.get_attributes_for_oid(oid)
    ]
    return ", ".join(parts)


def name_in(certificate: bytes) -> str:
    """The name of the person or seal alone."""
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    found = x509.load_der_x509_certificate(certificate).subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(found[0].value) if found else ""


def _public_key_of(certificate: bytes) -> object:
    from cryptography import x509

    return x509.load_der_x509_certificate(certificate).public_key()
