"""Whose keys sign a document: the station's alone, or the operator's and then the reviewer's."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from testbench.certificate.keys import StationKey, grouped
from testbench.certificate.trust import Anchors


@dataclass(frozen=True, slots=True)
class Hands:
    """What is needed to sign a finished page."""

    signer: str
    """As the page names it."""
    fingerprint: str
    """Of the certificates, grouped for reading."""
    anchors: Anchors
    """Whom the own check trusts."""
    sign: Callable[[bytes, datetime], bytes]
    under_root: bool = True
    """Whether the keys lead to the root of the works; else the station signed its certificate itself."""


def of_station(key: StationKey) -> Hands:
    """The station seals; nothing may change afterwards."""

    def sign(page: bytes, at: datetime) -> bytes:
        from testbench.certificate.signing import seal

        return seal(page, key, at)

    return Hands(key.signer, grouped(key.fingerprint), Anchors((key.certificate,)), sign, bool(key.chain))


def of_persons(operator: StationKey, reviewer: StationKey, anchors: Anchors) -> Hands:
    """The operator certifies, the reviewer locks; each with a key of their own.

    Args:
        operator: who performed the run.
        reviewer: who released it.
        anchors: the root of the works, with its lists.
    """

    def sign(page: bytes, at: datetime) -> bytes:
        from testbench.certificate.signing import certify, lock

        return lock(certify(page, operator, at), reviewer, at)

    signer = "; ".join(key.signer for key in (operator, reviewer))
    return Hands(signer, "; ".join(grouped(key.fingerprint) for key in (operator, reviewer)), anchors, sign)
