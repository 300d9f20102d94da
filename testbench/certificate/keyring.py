"""The works' authority as files: the root in a folder of its own, the issuing authority and what it issued in the home.

``root-dir/``: ``root.p12`` and ``root-cert.pem``; kept offline, in a safe. ``keys/authority/``: ``root-cert.pem``,
``issuing-cert.pem``, ``issuing.p12``, the revocation lists ``root.crl`` and ``issuing.crl`` (DER), and ``issued.json``,
the list of everything that was ever issued. An issuing authority that was replaced stays as ``issuing-…-<fingerprint>``
until the last certificate under it ends, because its revocation list must still be signed.
"""

import json
import os
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import ValidationError

from testbench.certificate import authority as ca
from testbench.certificate.attach import safe_name
from testbench.certificate.authority import Role, Subject, Why
from testbench.certificate.keys import (
    CERTIFICATE_FILE,
    CHAIN_FILE,
    KEY_FILE,
    PACKED_FILE,
    TOKEN_FILE,
    StationKey,
    create_file,
    fingerprint_of,
    load_packed,
    read_certificate,
    read_protected,
    set_aside,
)
from testbench.certificate.passphrases import Passphrases
from testbench.certificate.pkcs12 import packed, unpacked
from testbench.certificate.token import open_token
from testbench.errors import AuthorityRefusedError, KeyFileError
from testbench.procedure.valve import Value

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate

AUTHORITY, PEOPLE = "authority", "people"
ROOT_KEY, ROOT_CERTIFICATE, ROOT_LIST = "root.p12", "root-cert.pem", "root.crl"
ISSUING_KEY, ISSUING_CERTIFICATE, ISSUING_LIST = "issuing.p12", "issuing-cert.pem", "issuing.crl"
REGISTER = "issued.json"
SOON = timedelta(days=60)
"""House decision: a certificate that ends within this time is due for renewal."""


class Entry(Value):
    """A certificate that was issued."""

    serial: str
    """Serial number, hexadecimal."""
    role: Role
    name: str
    fingerprint: str
    issuer: str
    """Fingerprint of the issuer's certificate."""
    since: datetime
    until: datetime
    revoked: datetime | None = None
    why: Why | None = None

    def state(self, at: datetime) -> str:
        """In force, due for renewal, ended or revoked."""
        if self.revoked is not None:
            return f"revoked {self.revoked:%Y-%m-%d} ({self.why})"
        if at > self.until:
            return "ended"
        return "due for renewal" if at > self.until - SOON else "in force"


class Register(Value):
    """Everything that was ever issued, oldest first, and how many revocation lists were made."""

    lists: int = 0
    entries: tuple[Entry, ...] = ()


class Authority:
    """The authority of one home.

    Args:
        keys: the keys folder of the home.

    Raises:
        AuthorityRefusedError: the home has none yet.
        KeyFileError: its register cannot be read.
    """

    def __init__(self, keys: Path) -> None:
        self.keys, self.folder = keys, keys / AUTHORITY
        path = self.folder / REGISTER
        if not path.exists():
            raise AuthorityRefusedError(f"Authority {self.folder}", "none", "one made by 'testbench keys init'")
        try:
            self.register = Register.model_validate_json(path.read_bytes())
        except (OSError, ValidationError) as failure:
            raise KeyFileError(str(path), "the register of issued certificates cannot be read") from failure
        self._unlocked: ca.Issuer | None = None

    # Looking -------------------------------------------------------------------------------------

    @property
    def root(self) -> bytes:
        """The root's certificate, DER."""
        return read_certificate(self.folder / ROOT_CERTIFICATE)

    def revocation_lists(self) -> list[bytes]:
        """Every list that is at hand, DER."""
        return [path.read_bytes() for path in sorted(self.folder.glob("*.crl"))]

    def entry(self, named: str) -> Entry:
        """The certificate of a name or serial number: the newest that is not revoked.

        Raises:
            AuthorityRefusedError: there is none.
        """
        for entry in reversed(self.register.entries):
            if named.lower() in {entry.serial, entry.name.lower()} and entry.revoked is None:
                return entry
        names = ", ".join(dict.fromkeys(entry.name for entry in self.register.entries if entry.revoked is None))
        raise AuthorityRefusedError("Certificate", f"'{named}'", names or "none")

    # Issuing -------------------------------------------------------------------------------------

    def issue_station(self, bench: str, works: str, at: datetime, ask: Passphrases, *, plain: bool) -> Entry:
        """Make the station a new key; the one it had stays beside it and what it sealed stays valid.

        Args:
            bench: name of the bench.
            works: name of the works.
            at: from when it counts.
            ask: for the passphrases of the issuing authority and of the new key.
            plain: without a passphrase, for a bench that nobody unlocks.
        """
        issuer, key = self._issuing(ask), ca.new_key()
        secret = "" if plain else ask.chosen("the station key")
        certificate, entry = self._station_certificate(bench, works, key.public_key(), issuer, at)
        if plain:
            self._install(KEY_FILE, _pem_key(key), certificate, issuer)
        else:
            data = packed("station", key, certificate, [issuer.certificate], secret)
            self._install(PACKED_FILE, data, certificate, issuer)
        return entry

    def move_station_to_token(
        self, names: dict[str, str], bench: str, works: str, at: datetime, ask: Passphrases
    ) -> Entry:
        """Make out the station's certificate for a key that is on a token.

        Args:
            names: module, token and key.
            bench: name of the bench.
            works: name of the works.
            at: from when it counts.
            ask: for the PIN, then for the passphrase of the issuing authority.

        Raises:
            TokenFailedError: the token does not answer or holds no such key.
        """
        with closing(open_token(names, ask)) as found:
            public_key = found.public_key()
        issuer = self._issuing(ask)
        certificate, entry = self._station_certificate(bench, works, public_key, issuer, at)
        text = "".join(f"{name} = {json.dumps(value, ensure_ascii=False)}\n" for name, value in names.items())
        self._install(TOKEN_FILE, text.encode(), certificate, issuer)
        return entry

    def _station_certificate(
        self, bench: str, works: str, public_key: object, issuer: ca.Issuer, at: datetime
    ) -> "tuple[Certificate, Entry]":
        subject = Subject(Role.STATION, f"Station seal, bench {bench}", works)
        certificate = ca.certificate_for(subject, public_key, issuer, at)
        return certificate, self._enter(subject, certificate, issuer)

    def _install(self, name: str, data: bytes, certificate: "Certificate", issuer: ca.Issuer) -> None:
        """Put a station key in place of the one before, which is set aside."""
        set_aside(self.keys)
        create_file(self.keys / name, data, 0o600)
        create_file(self.keys / CHAIN_FILE, _pem(issuer.certificate), 0o644)
        create_file(self.keys / CERTIFICATE_FILE, _pem(certificate), 0o644)

    def issue_person(self, name: str, works: str, at: datetime, ask: Passphrases) -> Entry:
        """Make a person a key under a passphrase that only the person knows.

        Raises:
            AuthorityRefusedError: the name cannot stand in a certificate.
        """
        if not 1 <= len(name.strip()) <= 64 or not name.isprintable():
            raise AuthorityRefusedError("Name of a person", f"'{name}'", "1 to 64 printable characters")
        issuer = self._issuing(ask)
        subject = Subject(Role.PERSON, name.strip(), works)
        key = ca.new_key()
        certificate = ca.certificate_for(subject, key.public_key(), issuer, at)
        data = packed(subject.name, key, certificate, [issuer.certificate], ask.chosen(f"the key of {subject.name}"))
        entry = self._enter(subject, certificate, issuer)
        path = person_file(self.keys, subject.name)
        path.parent.mkdir(mode=0o700, exist_ok=True)
        if path.exists():  # the certificate beside it says which key it was
            old = fingerprint_of(read_certificate(_beside(path)))[:12]
            _beside(path).rename(path.with_name(f"{path.stem}-cert-{old}.pem"))
            path.rename(path.with_name(f"{path.stem}-{old}.p12"))
        create_file(path, data, 0o600)
        create_file(_beside(path), _pem(certificate), 0o644)
        return entry

    def renew_issuing(self, root_folder: Path, works: str, at: datetime, ask: Passphrases) -> Entry:
        """Make a new issuing authority; what the old one issued stays valid, and it goes on revoking."""
        root = _unlocked(root_folder / ROOT_KEY, ask)
        subject, key, certificate = _new_issuing(root, works, at)
        data = packed("issuing", key, certificate, [root.certificate], ask.chosen("the new issuing authority"))
        entry = self._enter(subject, certificate, root)
        old = fingerprint_of(read_certificate(self.folder / ISSUING_CERTIFICATE))[:12]
        for path in (self.folder / name for name in (ISSUING_CERTIFICATE, ISSUING_KEY, ISSUING_LIST)):
            if path.exists():
                path.rename(path.with_name(f"{path.stem}-{old}{path.suffix}"))
        create_file(self.folder / ISSUING_KEY, data, 0o600)
        create_file(self.folder / ISSUING_CERTIFICATE, _pem(certificate), 0o644)
        self._unlocked = None
        self._make_list(ca.Issuer(key, certificate), Role.ISSUING, self.folder / ISSUING_LIST, at)
        return entry

    # Revoking ------------------------------------------------------------------------------------

    def revoke(self, named: str, why: Why, at: datetime, ask: Passphrases, root_folder: Path | None) -> Entry:
        """Revoke a certificate and sign the lists that say so.

        Raises:
            AuthorityRefusedError: there is no such certificate, or the root is needed and not named.
        """
        entry = self.entry(named)
        if entry.role is Role.ROOT:
            raise AuthorityRefusedError("Certificate to revoke", "the root", "every other one; a root is replaced")
        if entry.role is Role.ISSUING and root_folder is None:
            raise AuthorityRefusedError("Folder of the root", "none", "--root-dir: only the root revokes an authority")
        gone = entry.model_copy(update={"revoked": at.replace(microsecond=0), "why": why})
        kept = self.register
        entries = tuple(gone if one == entry else one for one in kept.entries)
        self.register = kept.model_copy(update={"entries": entries})
        try:
            self.make_lists(at, ask, root_folder)
        except BaseException:
            self.register = kept
            raise
        return gone

    def make_lists(self, at: datetime, ask: Passphrases, root_folder: Path | None) -> list[Path]:
        """Sign the revocation lists anew: of every issuing authority whose key is here, and of the root if it is.

        Every key is unlocked before the first list is written.
        """
        signers = [
            (_unlocked(path, ask), Role.ISSUING, path.with_suffix(".crl"))
            for path in sorted(self.folder.glob("issuing*.p12"))
        ]
        if root_folder is not None:
            signers.append((_unlocked(root_folder / ROOT_KEY, ask), Role.ROOT, self.folder / ROOT_LIST))
        for issuer, role, path in signers:
            self._make_list(issuer, role, path, at)
        return [path for _, _, path in signers]

    def begin(self, root: ca.Issuer, issuing: ca.Issuer, at: datetime) -> None:
        """Sign the first lists while the root is unlocked; the issuing authority stays so while this is held."""
        self._make_list(root, Role.ROOT, self.folder / ROOT_LIST, at)
        self._make_list(issuing, Role.ISSUING, self.folder / ISSUING_LIST, at)
        self._unlocked = issuing

    def _make_list(self, issuer: ca.Issuer, role: Role, path: Path, at: datetime) -> None:
        from cryptography.hazmat.primitives.serialization import Encoding

        number = self.register.lists + 1
        of_issuer = fingerprint_of(issuer.certificate.public_bytes(Encoding.DER))
        revoked = [
            ca.Revoked(int(entry.serial, 16), entry.revoked, entry.why)
            for entry in self.register.entries
            if entry.issuer == of_issuer and entry.revoked is not None and entry.why is not None
        ]
        made = ca.revocation_list(issuer, role, revoked, number, at)
        self.register = self.register.model_copy(update={"lists": number})
        self._save()
        replace(path, made.public_bytes(Encoding.DER))

    # Register ------------------------------------------------------------------------------------

    def _issuing(self, ask: Passphrases) -> ca.Issuer:
        return self._unlocked or _unlocked(self.folder / ISSUING_KEY, ask)

    def _enter(self, subject: Subject, certificate: "Certificate", issuer: ca.Issuer) -> Entry:
        """List a certificate before it is handed out: what is not listed cannot be revoked."""
        entry = _entry(subject, certificate, issuer.certificate)
        self.register = self.register.model_copy(update={"entries": (*self.register.entries, entry)})
        self._save()
        return entry

    def _save(self) -> None:
        replace(self.folder / REGISTER, self.register.model_dump_json(indent=1).encode())


def make_authority(keys: Path, root_folder: Path, works: str, at: datetime, ask: Passphrases) -> Authority:
    """Make root and issuing authority of a works.

    Args:
        keys: the keys folder of the home.
        root_folder: where the root goes; not within the home.
        works: name of the works.
        at: from when they count.
        ask: for two new passphrases: of the root, then of the issuing authority.

    Raises:
        AuthorityRefusedError: there is an authority, or the root would lie in the home.
        KeyFileError: the root's folder holds a root already, or cannot be written.
    """
    folder = keys / AUTHORITY
    if (folder / REGISTER).exists():
        raise AuthorityRefusedError(f"Authority {folder}", "one that exists", "none; 'testbench keys renew' replaces")
    if root_folder.resolve().is_relative_to(keys.parent.resolve()):
        raise AuthorityRefusedError("Folder of the root", str(root_folder), "one outside the home, on its own medium")
    root_secret, issuing_secret = ask.chosen("the root"), ask.chosen("the issuing authority")
    root_key = ca.new_key()
    root = ca.Issuer(root_key, ca.root_certificate(root_key, works, at))
    subject, key, certificate = _new_issuing(root, works, at)
    for made in (root_folder, keys, folder):
        made.mkdir(mode=0o700, parents=True, exist_ok=True)
    create_file(root_folder / ROOT_KEY, packed("root", root_key, root.certificate, [], root_secret), 0o600)
    create_file(root_folder / ROOT_CERTIFICATE, _pem(root.certificate), 0o644)
    create_file(folder / ROOT_CERTIFICATE, _pem(root.certificate), 0o644)
    create_file(folder / ISSUING_KEY, packed("issuing", key, certificate, [root.certificate], issuing_secret), 0o600)
    create_file(folder / ISSUING_CERTIFICATE, _pem(certificate), 0o644)
    first = _entry(Subject(Role.ROOT, "Certificate root", works), root.certificate, root.certificate)
    entries = (first, _entry(subject, certificate, root.certificate))
    replace(folder / REGISTER, Register(entries=entries).model_dump_json(indent=1).encode())
    founded = Authority(keys)
    founded.begin(root, ca.Issuer(key, certificate), at)
    return founded


def person_file(keys: Path, name: str) -> Path:
    """Where a person's key lies."""
    return keys / PEOPLE / f"{safe_name(name)}.p12"


def load_person_key(keys: Path, name: str, ask: Passphrases) -> StationKey:
    """A person's key, ready to sign.

    Raises:
        KeyFileError: the person has none, or others can read it.
        PassphraseMissingError: the person cannot be asked.
        PassphraseWrongError: the passphrase does not open it.
    """
    return load_packed(person_file(keys, name), ask)


def _new_issuing(root: ca.Issuer, works: str, at: datetime) -> "tuple[Subject, EllipticCurvePrivateKey, Certificate]":
    subject, key = Subject(Role.ISSUING, "Certificate authority", works), ca.new_key()
    return subject, key, ca.certificate_for(subject, key.public_key(), root, at)


def _unlocked(path: Path, ask: Passphrases) -> ca.Issuer:
    key, certificate, _ = unpacked(read_protected(path), ask.known(str(path)), str(path))
    return ca.Issuer(key, certificate)


def _entry(subject: Subject, certificate: "Certificate", issuer: "Certificate") -> Entry:
    from cryptography.hazmat.primitives.serialization import Encoding

    return Entry(
        serial=f"{certificate.serial_number:x}", role=subject.role, name=subject.name,
        fingerprint=fingerprint_of(certificate.public_bytes(Encoding.DER)),
        issuer=fingerprint_of(issuer.public_bytes(Encoding.DER)),
        since=certificate.not_valid_before_utc, until=certificate.not_valid_after_utc,
    )  # fmt: skip


def _beside(path: Path) -> Path:
    return path.with_name(f"{path.stem}-cert.pem")


def _pem(certificate: "Certificate") -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding

    return certificate.public_bytes(Encoding.PEM)


def _pem_key(key: "EllipticCurvePrivateKey") -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def replace(path: Path, data: bytes) -> None:
    """A public file with new content: whole, or as it was."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    unfinished.unlink(missing_ok=True)
    create_file(unfinished, data, 0o644)
    unfinished.replace(path)
