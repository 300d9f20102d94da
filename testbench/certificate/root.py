"""The root of a works in a folder of its own, on a medium that goes from bench to bench and back into its safe.

``root.p12``, ``root-cert.pem``, ``issued.json`` (the issuing authorities of every bench) and ``root.crl``, the newest
list (DER). Because register and list travel with the key, one numbering and one list hold for all benches.
"""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.certificate import authority as ca
from testbench.certificate.authority import Role, Subject
from testbench.certificate.keys import create_file, fingerprint_of, grouped, read_protected
from testbench.certificate.passphrases import Passphrases
from testbench.certificate.pkcs12 import packed, unpacked
from testbench.certificate.register import REGISTER, Entry, Register, entry_of, read_register, replace
from testbench.errors import AuthorityRefusedError

if TYPE_CHECKING:
    from cryptography.x509 import Certificate, CertificateRevocationList

ROOT_KEY, ROOT_CERTIFICATE, ROOT_LIST = "root.p12", "root-cert.pem", "root.crl"
NAME = "Certificate root"


class Root:
    """A root that is unlocked.

    Args:
        folder: where it lies.
        issuer: its key and certificate.
        register: what it has issued.
    """

    def __init__(self, folder: Path, issuer: ca.Issuer, register: Register) -> None:
        self.folder, self.issuer, self.register = folder, issuer, register

    @property
    def fingerprint(self) -> str:
        """SHA-256 of its certificate, hexadecimal."""
        return fingerprint_of(der(self.issuer.certificate))

    def add(self, subject: Subject, certificate: "Certificate") -> Entry:
        """List an issuing authority before it is handed out: what is not listed cannot be revoked."""
        entry = entry_of(subject, certificate, self.issuer.certificate)
        self.hold(entry)
        self.register.save(self.folder)
        return entry

    def hold(self, *entries: Entry) -> None:
        """Let the register say this of these certificates; kept with the next list."""
        self.register = self.register.holding(*entries)

    def make_list(self, at: datetime) -> bytes:
        """Sign the revocation list anew, DER; its number grows whichever bench it is made at."""
        self.register = self.register.model_copy(update={"lists": self.register.lists + 1})
        revoked = self.register.revoked_by(self.fingerprint)
        self.register.save(self.folder)
        made = der(ca.revocation_list(self.issuer, Role.ROOT, revoked, self.register.lists, at))
        replace(self.folder / ROOT_LIST, made)
        return made


def found_root(folder: Path, works: str, at: datetime, secret: str) -> Root:
    """Make the root of a works.

    Raises:
        KeyFileError: the folder cannot be written.
    """
    key = ca.new_key()
    issuer = ca.Issuer(key, ca.root_certificate(key, works, at))
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    create_file(folder / ROOT_KEY, packed("root", key, issuer.certificate, [], secret), 0o600)
    create_file(folder / ROOT_CERTIFICATE, pem(issuer.certificate), 0o644)
    first = entry_of(Subject(Role.ROOT, NAME, works), issuer.certificate, issuer.certificate)
    register = Register(entries=(first,))
    register.save(folder)
    return Root(folder, issuer, register)


def open_root(folder: Path, ask: Passphrases, known: Register | None = None) -> Root:
    """Unlock the root of a works.

    Args:
        folder: where it lies.
        ask: for its passphrase.
        known: what the home that uses it knows of it, its root first; ``lists`` is the number of its newest list. None:
            of a bench that is only joining.

    Raises:
        AuthorityRefusedError: it is not the root of this home, or has no register and nobody knows what it issued.
        KeyFileError: key or register cannot be read.
        PassphraseWrongError: the passphrase does not open it.
    """
    register = register_of_root(folder, known)
    root = Root(folder, unlocked(folder / ROOT_KEY, ask), register)
    expected = (known or register).entries[0].fingerprint
    if root.fingerprint != expected:
        needed = f"that of this bench, {grouped(expected)[:19]} …"
        raise AuthorityRefusedError(f"Root in {folder}", f"{grouped(root.fingerprint)[:19]} …", needed)
    return root


def register_of_root(folder: Path, known: Register | None) -> Register:
    """What a root has issued, by its own register and by what the home knows: a copy of the folder may be behind.

    Raises:
        AuthorityRefusedError: neither is there.
        KeyFileError: its register cannot be read.
    """
    written = (folder / REGISTER).exists()
    if known is None and not written:
        needed = "one that 'testbench keys crl --root-dir' writes at the bench that has this root"
        raise AuthorityRefusedError(f"Register of the root {folder / REGISTER}", "none", needed)
    found = read_register(folder) if written else Register()
    if known is None:
        return found
    first = known.entries[0]
    there = {one.fingerprint: one for one in found.entries}
    told = [
        one
        for one in (first, *known.under(first.fingerprint))
        if one.fingerprint not in there or (one.revoked and not there[one.fingerprint].revoked)
    ]
    return found.holding(*told).model_copy(update={"lists": max(found.lists, known.lists)})


def unlocked(path: Path, ask: Passphrases) -> ca.Issuer:
    """An authority's key and certificate.

    Raises:
        KeyFileError: the file is missing or readable by others.
        PassphraseWrongError: the passphrase does not open it.
    """
    key, certificate, _ = unpacked(read_protected(path), ask.known(str(path)), str(path))
    return ca.Issuer(key, certificate)


def number_of_list(data: bytes) -> int:
    """The number of a revocation list (RFC 5280, 5.2.3).

    Args:
        data: DER.
    """
    from cryptography.x509 import CRLNumber, load_der_x509_crl

    return load_der_x509_crl(data).extensions.get_extension_for_class(CRLNumber).value.crl_number


def pem(certificate: "Certificate") -> bytes:
    """A certificate as PEM."""
    from cryptography.hazmat.primitives.serialization import Encoding

    return certificate.public_bytes(Encoding.PEM)


def der(found: "Certificate | CertificateRevocationList") -> bytes:
    """A certificate or list as DER."""
    from cryptography.hazmat.primitives.serialization import Encoding

    return found.public_bytes(Encoding.DER)
