"""What an authority has issued and revoked, as a file: in a home what its bench did, beside a root what that did."""

import os
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import ValidationError

from testbench.certificate import authority as ca
from testbench.certificate.authority import Role, Subject, Why
from testbench.certificate.keys import create_file, fingerprint_of, name_in
from testbench.certificate.revocation import Gone
from testbench.errors import AuthorityRefusedError, KeyFileError
from testbench.procedure.valve import Value

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

AUTHORITY, REGISTER = "authority", "issued.json"
SOON = timedelta(days=60)
"""House decision: a certificate that ends within this time is due for renewal."""

ANEW = {Role.PERSON: 'issue "{}"', Role.STATION: "renew station"}
"""What makes a new key after a revocation."""


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

    @property
    def self_signed(self) -> bool:
        """Whether it is a station's from before the authority, which no revocation list can name."""
        return self.issuer == self.fingerprint and self.role is not Role.ROOT

    @property
    def revocation(self) -> str:
        """Date and reason; empty where it was not revoked."""
        return "" if self.revoked is None else f"{self.revoked:%Y-%m-%d} ({self.why})"

    def state(self, at: datetime) -> str:
        """In force, due for renewal, ended or revoked."""
        if self.revoked is not None:
            return f"revoked {self.revocation}"
        if at > self.until:
            return "ended"
        return "due for renewal" if at > self.until - SOON else "in force"


class Register(Value):
    """Everything that was ever issued, oldest first, and how many revocation lists were made."""

    lists: int = 0
    entries: tuple[Entry, ...] = ()

    def find(self, named: str, why: Why) -> Entry:
        """The certificate to revoke, by name or serial number: the newest of that name that is not revoked.

        By its serial number also one that was revoked for another reason than a lost key, if that is why.

        Raises:
            AuthorityRefusedError: there is none.
        """
        told = named.lower()
        meant = [entry for entry in reversed(self.entries) if told in {entry.serial, entry.name.lower()}]
        for entry in meant:
            worse = told == entry.serial and why is Why.KEY_COMPROMISE and entry.why is not why
            if entry.revoked is None or worse:
                return entry
        found, names = f"'{named}'", dict.fromkeys(entry.name for entry in self.entries if entry.revoked is None)
        allowed = ", ".join(names) or "none"
        if meant:
            found += f", which was revoked on {meant[0].revocation}"
        if meant and meant[0].role in ANEW:
            allowed += f"; 'testbench keys {ANEW[meant[0].role].format(meant[0].name)}' makes a new one"
        raise AuthorityRefusedError("Certificate", found, allowed)

    def holding(self, *entries: Entry) -> "Register":
        """With these: in the place of what was said of the same certificates before, or at the end."""
        new = {entry.fingerprint: entry for entry in entries}
        kept = tuple(new.pop(one.fingerprint, one) for one in self.entries)
        return self.model_copy(update={"entries": (*kept, *new.values())})

    def under(self, issuer: str) -> tuple[Entry, ...]:
        """What an authority has issued, itself left out.

        Args:
            issuer: fingerprint of its certificate.
        """
        return tuple(one for one in self.entries if one.issuer == issuer != one.fingerprint)

    def revoked_by(self, issuer: str) -> list[ca.Revoked]:
        """What stands on the revocation list of an authority."""
        return [
            ca.Revoked(int(one.serial, 16), one.revoked, one.why)
            for one in self.under(issuer)
            if one.revoked is not None and one.why is not None
        ]

    @property
    def gone(self) -> tuple[Gone, ...]:
        """The certificates that signed themselves and are trusted no more."""
        return tuple(
            Gone(name=one.name, fingerprint=one.fingerprint, at=one.revoked, why=one.why)
            for one in self.entries
            if one.self_signed and one.revoked is not None and one.why is not None
        )

    def save(self, folder: Path) -> None:
        """Write it, whole or not at all."""
        replace(folder / REGISTER, self.model_dump_json(indent=1).encode())


def read_register(folder: Path) -> Register:
    """The register of a folder.

    Raises:
        KeyFileError: it cannot be read.
    """
    path = folder / REGISTER
    try:
        return Register.model_validate_json(path.read_bytes())
    except (OSError, ValidationError) as failure:
        raise KeyFileError(str(path), "the register of issued certificates cannot be read") from failure


def revoked_here(keys: Path, fingerprint: str) -> Entry | None:
    """What the register of a home says was revoked: a certificate, or the authority above it; None where nothing was.

    Args:
        keys: the keys folder of the home; it need not have an authority.
        fingerprint: SHA-256 of the certificate, hexadecimal.

    Raises:
        KeyFileError: the register cannot be read.
    """
    if not (keys / AUTHORITY / REGISTER).exists():
        return None
    entries = {one.fingerprint: one for one in read_register(keys / AUTHORITY).entries}
    own = entries.get(fingerprint)
    both = () if own is None else (own, entries.get(own.issuer))
    return next((one for one in both if one is not None and one.revoked is not None), None)


def entry_of(subject: Subject, certificate: "Certificate", issuer: "Certificate") -> Entry:
    """The entry of a certificate that is being issued."""
    from cryptography.hazmat.primitives.serialization import Encoding

    return Entry(
        serial=f"{certificate.serial_number:x}", role=subject.role, name=subject.name,
        fingerprint=fingerprint_of(certificate.public_bytes(Encoding.DER)),
        issuer=fingerprint_of(issuer.public_bytes(Encoding.DER)),
        since=certificate.not_valid_before_utc, until=certificate.not_valid_after_utc,
    )  # fmt: skip


def self_signed_entry(certificate: bytes) -> Entry:
    """The entry of a station's certificate from before there was an authority.

    Args:
        certificate: DER.
    """
    from cryptography.x509 import load_der_x509_certificate

    found = load_der_x509_certificate(certificate)
    return entry_of(Subject(Role.STATION, name_in(certificate), ""), found, found)


def replace(path: Path, data: bytes) -> None:
    """A public file with new content: whole, or as it was."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    unfinished.unlink(missing_ok=True)
    create_file(unfinished, data, 0o644)
    unfinished.replace(path)
