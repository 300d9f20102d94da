"""Time stamps of an authority (RFC 3161): PAdES B-T, at once or later, never in the way of a document.

The time stamp covers the value of the document's last signature and is put beside it, into the room that was kept free
there (signature-time-stamp of ETSI EN 319 122-1, 5.3). No signed byte changes and no revision is added, so that a
sealed document that waited for its time stamp looks like one that got it at once; and what a reviewer's signature
covers, the operator's with its own, is stamped with it.
"""

import hashlib
import http.client
import urllib.error
import urllib.request
from functools import cache
from io import BytesIO
from threading import Thread
from typing import Any, Protocol

from testbench.errors import StampFailedError

PATIENCE_S, TRIES = 10.0, 2
LARGEST_ANSWER = 64 * 1024
TYPE = "application/timestamp-query"


class TimeStamps(Protocol):
    """A time-stamp authority."""

    name: str

    @property
    def silent(self) -> bool:
        """Whether it gave no answer so often that it is not asked any more."""
        ...

    def answer(self, query: bytes) -> bytes:
        """The DER answer to a DER query.

        Raises:
            StampFailedError: there is none.
        """
        ...


class OverHttp:
    """A time-stamp authority behind a URL (RFC 3161, 3.4).

    Args:
        url: http or https.
        patience_s: how long a whole answer may take, from its name to its last byte [s].
        tries: after how many of them in a row without an answer it is not asked any more.
    """

    def __init__(self, url: str, patience_s: float = PATIENCE_S, tries: int = TRIES) -> None:
        self.name, self._patience_s, self._tries, self._failed = url, patience_s, tries, 0

    @property
    def silent(self) -> bool:
        """Whether it is not asked any more."""
        return self._failed >= self._tries

    def answer(self, query: bytes) -> bytes:
        """Ask once.

        Raises:
            StampFailedError: it cannot be reached, answers otherwise than with success or not in time, or is silent.
        """
        if not self.name.startswith(("http://", "https://")):
            raise StampFailedError(self.name, "its address begins with neither http:// nor https://")
        if self.silent:
            raise StampFailedError(self.name, f"it was not asked after {self._tries} tries without an answer")
        said: list[bytes | StampFailedError] = []
        # A socket's own limit is one of each single wait, and none of looking up a name.
        asking = Thread(target=lambda: said.append(self._said(query)), daemon=True)
        asking.start()
        asking.join(self._patience_s)
        found = said[0] if said else StampFailedError(self.name, f"no whole answer within {self._patience_s:g} s")
        if isinstance(found, StampFailedError):
            self._failed += 1
            raise found
        self._failed = 0
        return found

    def _said(self, query: bytes) -> bytes | StampFailedError:
        request = urllib.request.Request(self.name, query, {"Content-Type": TYPE})  # noqa: S310 - looked at above
        try:
            with urllib.request.urlopen(request, timeout=self._patience_s) as found:  # noqa: S310
                return bytes(found.read(LARGEST_ANSWER))
        except urllib.error.HTTPError as failure:
            failure.close()
            return StampFailedError(self.name, f"HTTP status {failure.code}")
        except (OSError, ValueError, http.client.HTTPException) as failure:
            reason = failure.reason if isinstance(failure, urllib.error.URLError) else failure
            return StampFailedError(self.name, str(reason) or type(failure).__name__)


def stamped(document: bytes, authority: TimeStamps) -> bytes:
    """A signed document with a time stamp on its last signature; the same bytes where it has one.

    Args:
        document: one that the station sealed, or operator and reviewer signed.
        authority: whom to ask.

    Raises:
        StampFailedError: no time stamp was had, or it does not fit into its room; the document is as it was.
    """
    from pyhanko.pdf_utils.reader import PdfFileReader

    last = PdfFileReader(BytesIO(document)).embedded_signatures[-1]
    if token_of(last) is not None:
        return document
    signature = last.signer_info["signature"].native
    token = _token(authority, hashlib.sha256(signature).digest())
    value = envelope_of(last, token)
    _, length, second, _ = (int(number) for number in last.byte_range)
    room = (second - length - 2) // 2
    if len(value) > room:
        raise StampFailedError(authority.name, f"its time stamp needs {len(value)} bytes, {room} were kept free")
    digits = value.ljust(room, b"\0").hex().upper().encode()
    sealed: bytes = document[: length + 1] + digits + document[second - 1 :]
    return sealed


def unstamped(document: bytes, reader: Any) -> bytes:
    """A signed document as it was before it got the time stamp on its last signature.

    Args:
        document: its bytes.
        reader: of these bytes.
    """
    last = reader.embedded_signatures[-1]
    _, length, second, _ = (int(number) for number in last.byte_range)
    digits = envelope_of(last, None).ljust((second - length - 2) // 2, b"\0").hex().upper().encode()
    return document[: length + 1] + digits + document[second - 1 :]


def token_of(signature: Any) -> Any:
    """The time stamp of an embedded signature; None without one."""
    for attribute in signature.signer_info["unsigned_attrs"] or ():
        if attribute["type"].native == "signature_time_stamp_token":
            return attribute["values"][0]
    return None


def envelope_of(signature: Any, token: Any) -> bytes:
    """The envelope of an embedded signature, built anew around its parts: certificates, signed attributes, time stamp.

    The envelope itself is not signed, so this is also what a verifier compares it with: the only one that is written.
    """
    from asn1crypto import cms

    info, certificate = signature.signer_info, signature.signer_cert
    issuer = cms.IssuerAndSerialNumber({"issuer": certificate.issuer, "serial_number": certificate.serial_number})
    signer = {
        "version": "v1",
        "sid": cms.SignerIdentifier({"issuer_and_serial_number": issuer}),
        "digest_algorithm": {"algorithm": "sha256"},
        "signature_algorithm": {"algorithm": "sha256_ecdsa"},
        "signature": info["signature"],
        "signed_attrs": info["signed_attrs"],
    }
    if token is not None:
        signer["unsigned_attrs"] = [{"type": "signature_time_stamp_token", "values": [token]}]
    signed = {
        "version": "v1",
        "digest_algorithms": [{"algorithm": "sha256"}],
        "encap_content_info": {"content_type": "data"},
        "certificates": [certificate, *signature.other_embedded_certs],
        "signer_infos": [signer],
    }
    return bytes(cms.ContentInfo({"content_type": "signed_data", "content": cms.SignedData(signed)}).dump())


def _token(authority: TimeStamps, digest: bytes) -> Any:
    """A token that answers our query: status, nonce and imprint are compared."""
    import asyncio

    from pyhanko.sign.timestamps.common_utils import TimestampRequestError

    try:
        token = asyncio.run(_client()(authority).async_timestamp(digest, "sha256"))
        told = token["content"]["encap_content_info"]["content"].parsed["message_imprint"]
        same = told["hashed_message"].native == digest
    except (TimestampRequestError, ValueError, TypeError, KeyError, AttributeError) as failure:
        raise StampFailedError(authority.name, f"its answer is no time stamp ({failure})") from failure
    if not same:
        raise StampFailedError(authority.name, "its answer stamps something else")
    return token


@cache
def _client() -> Any:
    """The library's client, with the asking left to us."""
    from asn1crypto import tsp
    from pyhanko.sign.timestamps.api import TimeStamper

    class Client(TimeStamper):
        """Asks a :class:`TimeStamps`."""

        def __init__(self, authority: TimeStamps) -> None:
            super().__init__()  # type: ignore[no-untyped-call]
            self._authority = authority

        async def async_request_tsa_response(self, req: Any) -> Any:
            """One query, one answer."""
            return tsp.TimeStampResp.load(self._authority.answer(req.dump()))

    return Client
