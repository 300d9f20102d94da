"""The works' authority as files: the root in a folder of its own, the issuing authority and what it issued in the home.

``root-dir/``: see ``certificate/root``; kept offline, in a safe. ``keys/authority/``: ``root-cert.pem``,
``issuing-cert.pem``, ``issuing.p12``, the revocation lists ``root.crl`` and ``issuing.crl`` (DER), and ``issued.json``,
the list of everything that was ever issued here. An issuing authority that was replaced stays as
``issuing-…-<fingerprint>`` until the last certificate under it ends, because its revocation list must still be signed.
Every other key that was replaced is destroyed: its certificate is enough to check what it signed.
"""

import json
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

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
    destroy,
    destroy_retired,
    fingerprint_of,
    is_self_signed,
    load_packed,
    own_certificates,
    read_certificate,
    set_aside,
)
from testbench.certificate.passphrases import Passphrases
from testbench.certificate.pkcs12 import packed
from testbench.certificate.register import (
    AUTHORITY,
    REGISTER,
    Entry,
    Register,
    entry_of,
    read_register,
    replace,
    self_signed_entry,
)
from testbench.certificate.root import (
    ROOT_CERTIFICATE,
    ROOT_KEY,
    ROOT_LIST,
    Root,
    der,
    found_root,
    number_of_list,
    open_root,
    pem,
    register_of_root,
    unlocked,
)
from testbench.certificate.token import open_token
from testbench.errors import AuthorityRefusedError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate

PEOPLE = "people"
ISSUING_KEY, ISSUING_CERTIFICATE, ISSUING_LIST = "issuing.p12", "issuing-cert.pem", "issuing.crl"
ISSUING = "Certificate authority"


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
        if not (self.folder / REGISTER).exists():
            raise AuthorityRefusedError(f"Authority {self.folder}", "none", "one made by 'testbench keys init'")
        self.register = read_register(self.folder)
        self._unlocked: ca.Issuer | None = None
        self.newest_page = datetime.min.replace(tzinfo=UTC)
        """When the newest page of the home was sealed; a rig's is dated ahead of the time of day."""

    # Looking -------------------------------------------------------------------------------------

    @property
    def root(self) -> bytes:
        """The root's certificate, DER."""
        return read_certificate(self.folder / ROOT_CERTIFICATE)

    def revocation_lists(self) -> list[bytes]:
        """Every list that is at hand, DER."""
        return [path.read_bytes() for path in sorted(self.folder.glob("*.crl"))]

    @property
    def known(self) -> Register:
        """What was issued here, and before it the self-signed certificates of the station that nobody has listed."""
        listed = {entry.fingerprint for entry in self.register.entries}
        before = [self_signed_entry(one) for one in own_certificates(self.keys) if is_self_signed(one)]
        unlisted = tuple(one for one in before if one.fingerprint not in listed)
        return self.register.model_copy(update={"entries": (*unlisted, *self.register.entries)})

    # Issuing -------------------------------------------------------------------------------------

    def issue_station(self, bench: str, works: str, at: datetime, ask: Passphrases, *, plain: bool) -> Entry:
        """Make the station a new key; the one it had is destroyed, and what that sealed stays valid.

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
        self._supersede(at)
        subject = Subject(Role.STATION, f"Station seal, bench {bench}", works)
        certificate = ca.certificate_for(subject, public_key, issuer, at)
        return certificate, self._enter(subject, certificate, issuer)

    def _install(self, name: str, data: bytes, certificate: "Certificate", issuer: ca.Issuer) -> None:
        """Put a station key in place of the one before, which is destroyed."""
        set_aside(self.keys)
        create_file(self.keys / name, data, 0o600)
        create_file(self.keys / CHAIN_FILE, pem(issuer.certificate), 0o644)
        create_file(self.keys / CERTIFICATE_FILE, pem(certificate), 0o644)
        destroy_retired(self.keys)

    def _supersede(self, at: datetime) -> None:
        """Let no self-signed certificate count for what is sealed from now on, or dated after the newest page."""
        since = max(at, self.newest_page + timedelta(seconds=1)).replace(microsecond=0)
        gone = [
            one.model_copy(update={"revoked": since, "why": Why.SUPERSEDED})
            for one in self.known.entries
            if one.self_signed and one.revoked is None
        ]
        self.register = self.register.holding(*gone)
        self.register.save(self.folder)

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
        aside = path.with_name(f"{path.stem}-before.p12")
        if path.exists():  # the certificate beside it says which key it was
            old = fingerprint_of(read_certificate(_beside(path)))[:12]
            _beside(path).rename(path.with_name(f"{path.stem}-cert-{old}.pem"))
            path.rename(aside)
        create_file(path, data, 0o600)
        create_file(_beside(path), pem(certificate), 0o644)
        if aside.exists():
            destroy(aside)
        return entry

    def renew_issuing(self, root_folder: Path, works: str, at: datetime, ask: Passphrases) -> Entry:
        """Make a new issuing authority; what the old one issued stays valid, and it goes on revoking."""
        root = self._root(root_folder, ask)
        held = [one.name for one in self.register.entries if one.role is Role.ISSUING]
        subject, key, certificate = _new_issuing(root, Subject(Role.ISSUING, held[-1], works), at)
        data = packed("issuing", key, certificate, [root.issuer.certificate], ask.chosen("the new issuing authority"))
        entry = root.add(subject, certificate)
        self._keep(entry)
        old = fingerprint_of(read_certificate(self.folder / ISSUING_CERTIFICATE))[:12]
        for path in (self.folder / name for name in (ISSUING_CERTIFICATE, ISSUING_KEY, ISSUING_LIST)):
            if path.exists():
                path.rename(path.with_name(f"{path.stem}-{old}{path.suffix}"))
        create_file(self.folder / ISSUING_KEY, data, 0o600)
        create_file(self.folder / ISSUING_CERTIFICATE, pem(certificate), 0o644)
        self._unlocked = None
        self._make_list(ca.Issuer(key, certificate), self.folder / ISSUING_LIST, at)
        return entry

    # Revoking ------------------------------------------------------------------------------------

    def revoke(self, named: str, why: Why, at: datetime, ask: Passphrases, root_folder: Path | None) -> Entry:
        """Revoke a certificate and sign the lists that say so; of a self-signed one, only this register can say so.

        With the root at hand also the issuing authority of another bench.

        Raises:
            AuthorityRefusedError: there is no such certificate, or the root is needed and not named.
        """
        of_root = Register() if root_folder is None else register_of_root(root_folder, self._known_of_root())
        entry = self.known.holding(*of_root.entries).find(named, why)
        if entry.role is Role.ROOT:
            raise AuthorityRefusedError("Certificate to revoke", "the root", "every other one; a root is replaced")
        if entry.role is Role.ISSUING and root_folder is None:
            raise AuthorityRefusedError("Folder of the root", "none", "--root-dir: only the root revokes an authority")
        gone = entry.model_copy(update={"revoked": entry.revoked or at.replace(microsecond=0), "why": why})
        if gone.self_signed:
            self._keep(gone)
            destroy_retired(self.keys)
            return gone
        if gone.role is Role.ISSUING and root_folder is not None:
            self._revoke_issuing(gone, self._root(root_folder, ask), at)
            return gone
        kept = self.register
        self.register = kept.holding(gone)
        try:
            self.make_lists(at, ask, root_folder)
        except BaseException:
            self.register = kept
            raise
        return gone

    def _revoke_issuing(self, gone: Entry, root: Root, at: datetime) -> None:
        """By the root alone: the authority's own passphrase may be what was lost."""
        root.hold(gone)
        replace(self.folder / ROOT_LIST, root.make_list(at))
        if gone.fingerprint in {one.fingerprint for one in self.register.entries}:
            self._keep(gone)

    def make_lists(self, at: datetime, ask: Passphrases, root_folder: Path | None) -> list[Path]:
        """Sign the revocation lists anew: of every issuing authority whose key is here, and of the root if it is.

        Every key is unlocked before the first list is written.
        """
        signers = [(unlocked(path, ask), path.with_suffix(".crl")) for path in sorted(self.folder.glob("issuing*.p12"))]
        root = None if root_folder is None else self._root(root_folder, ask)
        for issuer, path in signers:
            self._make_list(issuer, path, at)
        written = [path for _, path in signers]
        if root is not None:
            replace(self.folder / ROOT_LIST, root.make_list(at))
            written.append(self.folder / ROOT_LIST)
        return written

    def begin(self, root: Root, issuing: ca.Issuer, at: datetime) -> None:
        """Sign the first lists while the root is unlocked; the issuing authority stays so while this is held."""
        replace(self.folder / ROOT_LIST, root.make_list(at))
        self._make_list(issuing, self.folder / ISSUING_LIST, at)
        self._unlocked = issuing

    def _make_list(self, issuer: ca.Issuer, path: Path, at: datetime) -> None:
        number = self.register.lists + 1
        revoked = self.register.revoked_by(fingerprint_of(der(issuer.certificate)))
        made = ca.revocation_list(issuer, Role.ISSUING, revoked, number, at)
        self.register = self.register.model_copy(update={"lists": number})
        self.register.save(self.folder)
        replace(path, der(made))

    # Register ------------------------------------------------------------------------------------

    def _issuing(self, ask: Passphrases) -> ca.Issuer:
        return self._unlocked or unlocked(self.folder / ISSUING_KEY, ask)

    def _root(self, folder: Path, ask: Passphrases) -> Root:
        root = open_root(folder, ask, self._known_of_root())
        own = {one.fingerprint for one in self.register.entries}  # another bench may have revoked what is this one's
        self.register = self.register.holding(*(one for one in root.register.entries if one.fingerprint in own))
        return root

    def _known_of_root(self) -> Register:
        """What this home knows of its root."""
        number = number_of_list((self.folder / ROOT_LIST).read_bytes())
        return self.register.model_copy(update={"lists": number})

    def _enter(self, subject: Subject, certificate: "Certificate", issuer: ca.Issuer) -> Entry:
        """List a certificate before it is handed out: what is not listed cannot be revoked."""
        entry = entry_of(subject, certificate, issuer.certificate)
        self._keep(entry)
        return entry

    def _keep(self, entry: Entry) -> None:
        self.register = self.register.holding(entry)
        self.register.save(self.folder)


def make_authority(
    keys: Path, root_folder: Path, works: str, at: datetime, ask: Passphrases, *, bench: str = ""
) -> Authority:
    """Make root and issuing authority of a works, or only the issuing one where the folder holds a root already.

    Args:
        keys: the keys folder of the home.
        root_folder: where the root goes, or lies; not within the home.
        works: name of the works.
        at: from when they count.
        ask: for two passphrases: of the root (a new one, where there is none yet), then of the issuing authority.
        bench: name of the bench, which its issuing authority bears.

    Raises:
        AuthorityRefusedError: there is an authority, the root would lie in the home, or it has one of this name.
        KeyFileError: the root's folder cannot be read or written.
    """
    folder = keys / AUTHORITY
    if (folder / REGISTER).exists():
        raise AuthorityRefusedError(f"Authority {folder}", "one that exists", "none; 'testbench keys renew' replaces")
    if root_folder.resolve().is_relative_to(keys.parent.resolve()):
        raise AuthorityRefusedError("Folder of the root", str(root_folder), "one outside the home, on its own medium")
    name = f"{ISSUING}, bench {bench}" if bench else ISSUING
    if (root_folder / ROOT_KEY).exists():
        root = open_root(root_folder, ask)
        _check_name(root, name)
        issuing_secret = ask.chosen("the issuing authority")
    else:
        root_secret, issuing_secret = ask.chosen("the root"), ask.chosen("the issuing authority")
        root = found_root(root_folder, works, at, root_secret)
    subject, key, certificate = _new_issuing(root, Subject(Role.ISSUING, name, works), at)
    above = root.issuer.certificate
    for made in (keys, folder):
        made.mkdir(mode=0o700, parents=True, exist_ok=True)
    create_file(folder / ROOT_CERTIFICATE, pem(above), 0o644)
    create_file(folder / ISSUING_KEY, packed("issuing", key, certificate, [above], issuing_secret), 0o600)
    create_file(folder / ISSUING_CERTIFICATE, pem(certificate), 0o644)
    entries = (root.register.entries[0], root.add(subject, certificate))
    Register(entries=entries).save(folder)
    founded = Authority(keys)
    founded.begin(root, ca.Issuer(key, certificate), at)
    return founded


def _check_name(root: Root, name: str) -> None:
    """Two benches of one name would write the same numbers on their documents."""
    if any(one.name == name and one.revoked is None for one in root.register.entries):
        needed = "a bench of another name, or this authority revoked before its bench is made anew"
        raise AuthorityRefusedError("Issuing authority under this root", f"'{name}'", needed)


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


def _new_issuing(root: Root, subject: Subject, at: datetime) -> "tuple[Subject, EllipticCurvePrivateKey, Certificate]":
    key = ca.new_key()
    return subject, key, ca.certificate_for(subject, key.public_key(), root.issuer, at)


def _beside(path: Path) -> Path:
    return path.with_name(f"{path.stem}-cert.pem")


def _pem_key(key: "EllipticCurvePrivateKey") -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
