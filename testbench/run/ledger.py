"""The ledger: one chain of entries for a bench, each naming the hash of the one before it.

An entry says what was kept (``kind``, ``subject``), when by the clock of the machine, and the SHA-256 of it
(``body_sha256``). Its own hash is taken over the canonical JSON (RFC 8785) of all that and of ``prev``, the hash of the
entry before. Whoever changes, takes away or slips in an entry must write every later one anew; and then the chain no
longer fits a **checkpoint** (number of entries, hash of the last) that left the bench in time.

Only whole numbers below 2^53 and strings are hashed: other numbers are written differently by different programs.
"""

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field, ValidationError

from testbench.errors import CheckpointRefusedError
from testbench.procedure.valve import Value

VERSION = 1
BEGINNING = "0" * 64
"""What the first entry names as the one before it."""
LARGEST = 2**53 - 1
SHORTEST_HEAD = 16
"""Hexadecimal digits of a head that a page prints for people: 64 bits, too many to search through."""

_text = json.JSONEncoder(ensure_ascii=False).encode


def canonical_json(value: Mapping[str, Any]) -> bytes:
    """The bytes that are hashed.

    Raises:
        ValueError: it holds something else than strings, whole numbers below 2^53, lists and objects of these.
    """
    _check(value)
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def _check(value: Any) -> None:
    if isinstance(value, Mapping):
        for name, part in value.items():
            if not (isinstance(name, str) and name.isascii()):
                raise ValueError(f"{name!r} is no name in ASCII")
            _check(part)
    elif isinstance(value, list | tuple):
        for part in value:
            _check(part)
    elif not isinstance(value, str) and not (type(value) is int and abs(value) <= LARGEST):
        raise ValueError(f"{value!r} is neither a string nor a whole number below 2^53")


def digest(value: Mapping[str, Any]) -> str:
    """Hexadecimal SHA-256 of the canonical JSON."""
    return hashlib.sha256(canonical_json(value)).hexdigest()


class Entry(NamedTuple):
    """One entry; the order of its fields is that of the table."""

    seq: int
    """From 1, without gaps."""
    version: int
    bench: str
    at: int
    """When it was written, by the clock of the machine: microseconds since 1970, UTC."""
    kind: str
    subject: str
    body_sha256: str
    prev: str
    hash: str

    @property
    def title(self) -> str:
        """How a person names it."""
        return f"entry {self.seq} ({self.kind} {self.subject})"


def hash_of(entry: Entry) -> str:
    """What the hash of an entry must be: the SHA-256 over the canonical JSON of its other fields.

    Written out, because a ledger of millions is walked with it; a test compares with RFC 8785.
    """
    seq, version, bench, at, kind, subject, body_sha256, prev, _ = entry
    text = (
        f'{{"at":{at:d},"bench":{_text(bench)},"body_sha256":"{body_sha256}","kind":{_text(kind)},"prev":"{prev}",'
        f'"seq":{seq:d},"subject":{_text(subject)},"v":{version:d}}}'
    )
    return hashlib.sha256(text.encode()).hexdigest()


def entry_after(last: Entry | None, *, bench: str, at: int, kind: str, subject: str, body_sha256: str) -> Entry:
    """The entry that follows the last one; the first where there is none."""
    seq, prev = (1, BEGINNING) if last is None else (last.seq + 1, last.hash)
    entry = Entry(seq, VERSION, bench, at, kind, subject, body_sha256, prev, "")
    return entry._replace(hash=hash_of(entry))


# Checkpoints ------------------------------------------------------------------------------------


class Statement(Value):
    """What a checkpoint says, before it is signed."""

    v: Literal[1] = 1
    bench: str
    n: Annotated[int, Field(ge=0, le=LARGEST)]
    """How many entries the ledger had."""
    head: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    """Hash of the last of them."""
    at: Annotated[int, Field(ge=0, le=LARGEST)]
    """By the clock of the machine: microseconds since 1970, UTC."""
    key: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    """The public key that signs (Ed25519, RFC 8032)."""

    @property
    def signed_bytes(self) -> bytes:
        """What the signature is made over."""
        return canonical_json(self.model_dump(exclude={"signature"}))


class Checkpoint(Statement):
    """How far a ledger had come, signed with the key of its bench. It does its work outside the bench."""

    signature: Annotated[str, Field(pattern="^[0-9a-f]{128}$")]

    @property
    def text(self) -> str:
        """Canonical JSON: what is stored, attached and handed over."""
        return canonical_json(self.model_dump()).decode()

    @property
    def line(self) -> str:
        """The short form that people can type: bench, number of entries, beginning of the head."""
        return f"{self.bench} {self.n} {grouped(self.head[:SHORTEST_HEAD])}"


def grouped(digits: str) -> str:
    """Hexadecimal digits in groups of four."""
    return " ".join(digits[index : index + 4] for index in range(0, len(digits), 4))


def fingerprint(key: str) -> str:
    """SHA-256 of a public key given as hexadecimal."""
    return hashlib.sha256(bytes.fromhex(key)).hexdigest()


@dataclass(frozen=True, slots=True)
class Held:
    """What somebody outside the bench knows of its ledger."""

    bench: str
    n: int
    head: str
    """The whole hash, or at least its first 16 digits."""
    whose: str
    """What to call it in a sentence."""
    signed_by: str = ""
    """Public key; empty for a line typed off a page."""

    def fits(self, head: str) -> bool:
        """Whether this is the hash it names."""
        return head.startswith(self.head)

    @property
    def or_mistyped(self) -> str:
        """What else it may be where a chain does not pass through it."""
        return "" if self.signed_by else "; or the line was mistyped: compare it with the page, digit by digit"


_LINE = re.compile(
    r"(Ledger\s+)?(?P<bench>\S+)\s+(?P<n>[0-9]{1,16})\s+(?P<head>[0-9a-fA-F\s]{16,80})(\(.*)?", re.DOTALL
)
"""As a certificate prints it, with or without what stands before and behind."""


def read_checkpoint(text: str, where: str) -> Checkpoint | Held:
    """A checkpoint from its JSON, or from the line that a page prints.

    Raises:
        CheckpointRefusedError: it is neither.
    """
    stripped = text.strip()
    if stripped.startswith("{"):
        try:
            return Checkpoint.model_validate_json(stripped)
        except ValidationError as fault:
            raise CheckpointRefusedError(where, "it holds no checkpoint that can be read") from fault
    found = _LINE.fullmatch(stripped)
    head = "" if found is None else "".join(found["head"].split()).lower()
    if found is None or not SHORTEST_HEAD <= len(head) <= len(BEGINNING):
        raise CheckpointRefusedError(
            where, "it is neither a checkpoint nor a line such as 'B1 1234 9f3a 52c1 77d0 11aa'"
        )
    return Held(found["bench"], int(found["n"]), head, "the line that was given")


# The walk ---------------------------------------------------------------------------------------


@dataclass(slots=True)
class Walk:
    """Follows a chain from its first entry: give it each entry in turn.

    Args:
        held: checkpoints that the chain must pass through.
    """

    held: tuple[Held, ...] = ()
    last: Entry | None = None
    clock_set_back: list[int] = field(default_factory=list)
    """Entries that are dated before the one in front of them."""
    _due: dict[int, list[Held]] = field(init=False)

    def __post_init__(self) -> None:
        self._due = {}
        for found in self.held:
            self._due.setdefault(found.n, []).append(found)

    @property
    def n(self) -> int:
        """How many entries were good."""
        return 0 if self.last is None else self.last.seq

    @property
    def head(self) -> str:
        """Hash of the last good one."""
        return BEGINNING if self.last is None else self.last.hash

    def fault_of(self, entry: Entry) -> str:
        """What is wrong with the next entry; empty where it follows as it should, and then it is the last one."""
        if entry.seq != self.n + 1:
            return f"entry {self.n + 1} is missing before it"
        if entry.version != VERSION:
            return f"it is of version {entry.version}, which this program does not know"
        if entry.prev != self.head:
            return "it names another hash than that of the entry before it"
        if entry.hash != hash_of(entry):
            return "it does not match its own hash"
        for held in self._due.get(entry.seq, ()):
            if not held.fits(entry.hash):
                anew = "it or an entry before it was written anew"
                return f"its hash is not the one that {held.whose} names; {anew}{held.or_mistyped}"
        if self.last is not None and entry.at < self.last.at:
            self.clock_set_back.append(entry.seq)
        self.last = entry
        return ""

    def cut_off(self) -> str:
        """What is missing at the end; empty where every checkpoint was passed."""
        beyond = max(self.held, key=lambda held: held.n, default=None)
        if beyond is None or beyond.n <= self.n:
            return ""
        return f"the ledger ends with entry {self.n}, but {beyond.whose} names {beyond.n} entries{beyond.or_mistyped}"
