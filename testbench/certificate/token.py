"""The station key on a token: PKCS#11, ECDSA P-256. The private key never leaves it; only a digest goes in.

``token.toml`` names the module, the token and the key::

    module = "/usr/lib/softhsm/libsofthsm2.so"
    token = "bench B1"
    key = "station"

The PIN is asked for as a passphrase is. Needs ``pip install 'testbench[token]'``.
"""

import hashlib
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from testbench.certificate.passphrases import Passphrases
from testbench.errors import KeyFileError, TokenFailedError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePublicKey


class TokenKey:
    """A private key on a token that is logged in to."""

    def __init__(self, name: str, session: Any, private: Any, public: "EllipticCurvePublicKey") -> None:
        self._name, self._session, self._private, self._public = name, session, private, public

    def public_key(self) -> "EllipticCurvePublicKey":
        """The public half."""
        return self._public

    def close(self) -> None:
        """Log out."""
        _close(self._session)

    def sign(self, data: bytes, _: Any, /) -> bytes:
        """Sign on the token: the digest is taken here, for some tokens know raw ECDSA only.

        Raises:
            TokenFailedError: the token did not sign.
        """
        from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
        from pkcs11 import Mechanism
        from pkcs11.exceptions import PKCS11Error

        try:
            raw = self._private.sign(hashlib.sha256(data).digest(), mechanism=Mechanism.ECDSA)
        except PKCS11Error as failure:
            raise TokenFailedError(self._name, f"it did not sign ({_named(failure)})") from failure
        half = len(raw) // 2
        return encode_dss_signature(int.from_bytes(raw[:half], "big"), int.from_bytes(raw[half:], "big"))


def token_key(path: Path, ask: Passphrases) -> TokenKey:
    """Log in to the token that a file names.

    Raises:
        KeyFileError: the file does not say module, token and key.
        TokenFailedError: there is no such module, token or P-256 key, or the PIN is refused.
    """
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
        names = {name: str(told[name]) for name in ("module", "token", "key")}
    except (OSError, ValueError, KeyError) as failure:
        raise KeyFileError(str(path), "it does not name module, token and key") from failure
    return open_token(names, ask)


def open_token(names: dict[str, str], ask: Passphrases) -> TokenKey:
    """Log in to a token.

    Args:
        names: module, token and key.
        ask: for the PIN.

    Raises:
        TokenFailedError: there is no such module, token or P-256 key, or the PIN is refused.
    """
    try:
        return _open(names["module"], names["token"], names["key"], ask)
    except ImportError:
        found = "python-pkcs11 is not installed (pip install 'testbench[token]')"
        raise TokenFailedError(names["token"], found) from None


def _open(module: str, token: str, label: str, ask: Passphrases) -> TokenKey:
    import pkcs11
    from pkcs11.exceptions import PKCS11Error

    pin, session = ask.known(f"the token {token} (PIN)"), None
    try:
        session = _logged_in(pkcs11.lib(module).get_token(token_label=token), pin)
        private = session.get_key(object_class=pkcs11.ObjectClass.PRIVATE_KEY, label=label)
        public = session.get_key(object_class=pkcs11.ObjectClass.PUBLIC_KEY, label=label)
        return TokenKey(token, session, private, _public(public, token))
    except (PKCS11Error, RuntimeError) as failure:
        _close(session)
        raise TokenFailedError(token, f"no key '{label}' could be opened ({_named(failure)})") from failure
    except TokenFailedError:
        _close(session)
        raise


def _logged_in(slot: Any, pin: str) -> Any:
    """A session; whoever is logged in to a token is so with all sessions of the process (PKCS#11 2.40, 2.6)."""
    from pkcs11.exceptions import UserAlreadyLoggedIn

    try:
        return slot.open(user_pin=pin)
    except UserAlreadyLoggedIn:
        return slot.open()


def _close(session: Any) -> None:
    if session is not None:
        session.close()


def _public(found: Any, token: str) -> "EllipticCurvePublicKey":
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePublicKey
    from cryptography.hazmat.primitives.serialization import load_der_public_key
    from pkcs11.util.ec import encode_ec_public_key

    with suppress(ValueError, KeyError):
        key = load_der_public_key(encode_ec_public_key(found))
        if isinstance(key, EllipticCurvePublicKey) and isinstance(key.curve, SECP256R1):
            return key
    raise TokenFailedError(token, "it holds another kind of key than ECDSA P-256")


def _named(failure: Exception) -> str:
    return str(failure) or type(failure).__name__
