"""The list of withdrawn documents that a works publishes: signed with the station key, so that its root is enough.

One JSON object: ``list`` (bench, when, the withdrawals, certificates of the station that count no more),
``certificate`` and ``chain`` (DER, hexadecimal) and ``signature``: ECDSA P-256 with SHA-256 in DER, hexadecimal, over
the canonical JSON (RFC 8785) of ``list``.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, ValidationError

from testbench.certificate.keys import StationKey
from testbench.certificate.reader import MIB
from testbench.certificate.revocation import Gone
from testbench.certificate.signing import FIELD
from testbench.certificate.trust import Anchors, Signed, trust_in
from testbench.errors import WithdrawnListRefusedError
from testbench.procedure.valve import Text, Value, later
from testbench.run.ledger import canonical_json
from testbench.station.withdrawals import Withdrawal, words_on

LARGEST = 20 * MIB
Hexadecimal = Annotated[str, Field(pattern=r"^([0-9a-f]{2})+$")]


class Listed(Value):
    """What is signed."""

    format: Literal[1] = 1
    bench: Text
    at: AwareDatetime
    """When it was made, UTC; nothing is known of what was withdrawn later."""
    withdrawn: tuple[Withdrawal, ...]
    gone: tuple[Gone, ...] = later(())
    """Certificates of the station that signed themselves and are trusted no more."""

    @property
    def signed_bytes(self) -> bytes:
        """What the signature is made over."""
        return canonical_json({"what": "withdrawn documents", **self.model_dump(mode="json")})

    def word_on(self, number: str, record_sha256: str, sealed_at: str) -> str:
        """What it says of a document, in a few words; one of another bench, or from before its seal, says nothing."""
        if not number.partition("-")[2].startswith(f"{self.bench}-"):
            return f"not known: the list is of bench {self.bench}"
        if words_on(self.withdrawn, number, record_sha256):
            return f"on the list of {self.at:%Y-%m-%d}"
        early = sealed_at and self.at < datetime.fromisoformat(sealed_at)
        return f"not on the list of {self.at:%Y-%m-%d}{', which was made before the page was sealed' if early else ''}"


class SignedList(Value):
    """The file."""

    list: Listed
    certificate: Hexadecimal
    chain: tuple[Hexadecimal, ...] = ()
    signature: Hexadecimal


def signed_list(
    withdrawn: Sequence[Withdrawal], bench: str, at: datetime, key: StationKey, gone: Sequence[Gone] = ()
) -> bytes:
    """The file with every withdrawal of a bench.

    Args:
        withdrawn: the register.
        bench: its name.
        at: the time of day, UTC.
        key: of the station.
        gone: its certificates that signed themselves and are trusted no more.
    """
    from cryptography.hazmat.primitives.asymmetric.ec import ECDSA
    from cryptography.hazmat.primitives.hashes import SHA256

    told = Listed(bench=bench, at=at.replace(microsecond=0), withdrawn=tuple(withdrawn), gone=tuple(gone))
    signature = key.key.sign(told.signed_bytes, ECDSA(SHA256()))
    made = SignedList(
        list=told, certificate=key.certificate.hex(), chain=tuple(one.hex() for one in key.chain),
        signature=signature.hex(),
    )  # fmt: skip
    return made.model_dump_json(indent=1).encode() + b"\n"


def read_lists(paths: Sequence[Path], anchors: Anchors) -> tuple[list[Listed], Anchors]:
    """Lists that stations signed whom the reader trusts, and what he trusts when he has read them.

    Raises:
        WithdrawnListRefusedError: see :func:`read_list`; also one that was signed with a key of which another list says
            that it counts no more.
    """
    found = [read_list(path, anchors) for path in paths]
    gone = tuple(dict.fromkeys(one for listed in found for one in listed.gone))
    after = replace(anchors, gone=(*anchors.gone, *gone))
    return [read_list(path, after) for path in paths] if gone else found, after


def read_list(path: Path, anchors: Anchors) -> Listed:
    """A list that a station signed whom the reader trusts.

    Raises:
        WithdrawnListRefusedError: it is none, was changed, or its signer is not known, revoked, or a person.
    """
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
        found = SignedList.model_validate_json(data[:LARGEST])
    except OSError as failure:
        raise WithdrawnListRefusedError(str(path), f"it cannot be read ({failure.strerror})") from failure
    except ValidationError as failure:
        raise WithdrawnListRefusedError(str(path), "it has another form") from failure
    if not _is_signed(found):
        raise WithdrawnListRefusedError(str(path), "it was changed after it was signed")
    chain = tuple(bytes.fromhex(one) for one in found.chain)
    try:
        trust = trust_in(Signed(FIELD, bytes.fromhex(found.certificate), chain, found.list.at, "B-B"), anchors)
    except (ValueError, TypeError) as failure:  # whatever a stranger put among the certificates
        raise WithdrawnListRefusedError(str(path), "its certificates cannot be read") from failure
    if not trust.trusted:
        raise WithdrawnListRefusedError(str(path), trust.reason.rstrip("."))
    return found.list


def _is_signed(found: SignedList) -> bool:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ec import ECDSA, EllipticCurvePublicKey
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.x509 import load_der_x509_certificate

    try:
        key = load_der_x509_certificate(bytes.fromhex(found.certificate)).public_key()
        if not isinstance(key, EllipticCurvePublicKey):
            return False
        key.verify(bytes.fromhex(found.signature), found.list.signed_bytes, ECDSA(SHA256()))
    except (InvalidSignature, ValueError):
        return False
    return True
