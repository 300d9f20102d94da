"""argon2id hashes of PINs and passwords (RFC 9106, low-memory profile), and the pepper of the PINs.

A PIN has few values: whoever steals the database alone would try them all in minutes. So a PIN goes through HMAC-SHA256
under a key that lies outside the database before it is hashed. Nothing in here keeps, prints or logs a secret.
"""

import hashlib
import hmac
import os
import stat
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.errors import PepperMissingError
from testbench.run.signature import Method

if TYPE_CHECKING:
    from argon2 import PasswordHasher

PEPPER_FILE, PEPPER_BYTES = "pepper", 32


class Argon2Secrets:
    """Hashes and checks secrets.

    Args:
        keys: the folder of the pepper.
        cheap: parameters that resist nobody, for tests.
    """

    def __init__(self, keys: Path, *, cheap: bool = False) -> None:
        self._path = keys / PEPPER_FILE
        self._cheap = cheap

    def hash(self, method: Method, secret: str) -> str:
        """A new salted hash, as argon2 writes it."""
        return self._hasher.hash(self._prepared(method, secret))

    def matches(self, method: Method, stored: str, secret: str) -> bool:
        """Whether a secret is the one that was hashed.

        Raises:
            PepperMissingError: a PIN was to be checked and the pepper is away.
        """
        from argon2.exceptions import InvalidHashError, VerificationError

        try:
            return self._hasher.verify(stored, self._prepared(method, secret))
        except (VerificationError, InvalidHashError):
            return False

    def stale(self, stored: str) -> bool:
        """Whether a hash was made with other parameters than today's."""
        return self._hasher.check_needs_rehash(stored)

    def pepper_id(self) -> str:
        """What tells one pepper from another: the beginning of its hash.

        Raises:
            PepperMissingError: it is not there, or others may read it.
        """
        return hashlib.sha256(b"testbench pepper " + self._pepper()).hexdigest()[:16]

    def make_pepper(self) -> None:
        """Make a pepper where there is none; one that is there is never touched."""
        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        unfinished = self._path.with_name(f".{PEPPER_FILE}.{os.getpid()}.part")
        handle = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(os.urandom(PEPPER_BYTES))
                file.flush()
                os.fsync(file.fileno())
            os.link(unfinished, self._path)  # fails where one is there
        except FileExistsError:
            pass
        finally:
            unfinished.unlink(missing_ok=True)

    def _prepared(self, method: Method, secret: str) -> bytes:
        data = secret.encode()
        return hmac.digest(self._pepper(), data, "sha256") if method is Method.PIN else data

    def _pepper(self) -> bytes:
        try:
            if stat.S_IMODE(self._path.stat().st_mode) & 0o077:
                raise PepperMissingError(str(self._path), "others may read it, its mode must be 0600")
            found = self._path.read_bytes()
        except OSError as failure:
            raise PepperMissingError(str(self._path), failure.strerror or str(failure)) from failure
        if len(found) != PEPPER_BYTES:
            raise PepperMissingError(str(self._path), f"it has {len(found)} bytes, not {PEPPER_BYTES}")
        return found

    @cached_property
    def _hasher(self) -> "PasswordHasher":
        from argon2 import PasswordHasher

        return PasswordHasher(time_cost=1, memory_cost=8, parallelism=1) if self._cheap else PasswordHasher()
