"""Attacks on the records by somebody who can write the file, knows this program and has dropped its triggers.

Row by row the attack table that the design was measured with: 100 entries, each a blank run's, whose body the attacker
changes as well; a checkpoint after 60 entries is held elsewhere; those after 60 and 100 lie among the records. What is
not found is said in the README, and is asserted here just as firmly.
"""

import json
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from testbench.certificate.ledger_key import is_signed, public_part, signed
from testbench.run.ledger import Checkpoint, Entry, Held, entry_after
from testbench.store.ledger import row_sha256
from testbench.store.ledger_check import Fault, LedgerCheck, LedgerReport
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
HIS_OWN = Ed25519PrivateKey.from_private_bytes(bytes(32))
AT = datetime(2026, 11, 26, tzinfo=UTC)
US = int(AT.timestamp() * 1_000_000)


def filled(path: Path, *, inner: bool) -> str:
    """A file of 100 entries; with ``inner``, number 61 and one more are checkpoints. Gives the head after 60."""
    head_60 = ""
    with SqliteStore(path, "B1", now=lambda: AT) as store:
        for number in range(1, 100 if inner else 101):
            store.add_blank(f'{{"slope":"{number} psi/min"}}')
            if number == 60:
                head_60 = store.head()[1]
                if inner:
                    store.add_checkpoint(signed(KEY, bench="B1", n=60, head=head_60, at=US))
        if inner:
            n, head = store.head()
            store.add_checkpoint(signed(KEY, bench="B1", n=n, head=head, at=US))
    return head_60


@dataclass
class Attacker:
    """Holds the whole file in memory, and writes it back as he likes it."""

    path: Path
    ledger: list[Entry] = field(default_factory=list)
    blanks: dict[int, str] = field(default_factory=dict)
    checkpoints: dict[int, tuple[int, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        file = sqlite3.connect(self.path)
        self.ledger = [Entry(*row) for row in file.execute(f"SELECT {', '.join(Entry._fields)} FROM ledger")]
        self.blanks = dict(file.execute("SELECT seq, body FROM blank"))
        self.checkpoints = {seq: (n, body) for seq, n, body in file.execute("SELECT seq, n, body FROM checkpoint")}
        file.close()

    def edit_body(self, seq: int) -> None:
        """Another blank run under the same number."""
        self.blanks[int(self.ledger[seq - 1].subject)] = '{"slope":"0 psi/min"}'

    def edit_with_hash(self, seq: int) -> None:
        """The body, and the entry that stands for it with its own hash."""
        self.edit_body(seq)
        old = self.ledger[seq - 1]
        last = self.ledger[seq - 2] if seq > 1 else None
        self.ledger[seq - 1] = entry_after(
            last, bench="B1", at=old.at, kind=old.kind, subject=old.subject, body_sha256=self.body_sha256(old)
        )

    def body_sha256(self, entry: Entry) -> str:
        """What an entry must say of its row."""
        number = int(entry.subject)
        if entry.kind == "blank":
            return row_sha256({"seq": number, "body": self.blanks[number]})
        n, body = self.checkpoints[number]
        return row_sha256({"seq": number, "n": n, "body": body})

    def relink(self) -> None:
        """Every entry anew, with its number, its hash and that of the one before."""
        last, anew = None, []
        for entry in self.ledger:
            last = entry_after(
                last, bench="B1", at=entry.at, kind=entry.kind, subject=entry.subject,
                body_sha256=self.body_sha256(entry),
            )  # fmt: skip
            anew.append(last)
        self.ledger = anew

    def take_out(self, seq: int) -> None:
        """Entry and row."""
        del self.blanks[int(self.ledger.pop(seq - 1).subject)]

    def cut_off_after(self, seq: int) -> None:
        """Entries and blank runs; the checkpoints among the records he leaves."""
        for entry in self.ledger[seq:]:
            if entry.kind == "blank":
                del self.blanks[int(entry.subject)]
        del self.ledger[seq:]

    def sign_again(self, key: Ed25519PrivateKey) -> None:
        """The checkpoints among the records made out anew, and the chain closed over them."""
        for number, (n, _) in self.checkpoints.items():
            self.relink()
            body = signed(key, bench="B1", n=n, head=self.ledger[n - 1].hash, at=US).text
            self.checkpoints[number] = (n, body)
        self.relink()

    def write(self) -> None:
        """Triggers off, tables emptied, everything written back."""
        file = sqlite3.connect(self.path)
        for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {name}")
        for name in ("ledger", "blank", "checkpoint"):
            file.execute(f"DELETE FROM {name}")
        marks = ", ".join("?" * len(Entry._fields))
        file.executemany(f"INSERT INTO ledger ({', '.join(Entry._fields)}) VALUES ({marks})", self.ledger)
        file.executemany("INSERT INTO blank VALUES (?, ?)", self.blanks.items())
        rows = [(seq, n, body) for seq, (n, body) in self.checkpoints.items()]
        file.executemany("INSERT INTO checkpoint VALUES (?, ?, ?)", rows)
        file.commit()
        file.close()


def swap(attacker: Attacker) -> None:
    one, other = attacker.ledger[33], attacker.ledger[34]
    attacker.ledger[33:35] = [other._replace(seq=34), one._replace(seq=35)]


def renumbered(attacker: Attacker) -> None:
    attacker.take_out(34)
    attacker.relink()


def edited_and_relinked(seq: int) -> Callable[[Attacker], None]:
    def attack(attacker: Attacker) -> None:
        attacker.edit_body(seq)
        attacker.relink()

    return attack


def cut_off_with_its_checkpoint(attacker: Attacker) -> None:
    attacker.cut_off_after(90)
    attacker.checkpoints.pop(2, None)


def whole_rewrite(attacker: Attacker) -> None:
    for seq, entry in enumerate(attacker.ledger, start=1):
        if entry.kind == "blank":
            attacker.edit_body(seq)
    attacker.relink()


def whole_rewrite_with_a_key(key: Ed25519PrivateKey) -> Callable[[Attacker], None]:
    def attack(attacker: Attacker) -> None:
        whole_rewrite(attacker)
        attacker.sign_again(key)

    return attack


ALONE, INNER, HELD = "chain alone", "checkpoints among the records", "checkpoint 60 held elsewhere"
MATRIX = [
    ("edit a body", lambda attacker: attacker.edit_body(34), {ALONE: 34, INNER: 34, HELD: 34}),
    ("edit a body and its hash", lambda attacker: attacker.edit_with_hash(34), {ALONE: 35, INNER: 35, HELD: 35}),
    ("delete in the middle", lambda attacker: attacker.take_out(34), {ALONE: 35, INNER: 35, HELD: 35}),
    ("swap two", swap, {ALONE: 34, INNER: 34, HELD: 34}),
    ("delete, renumber, relink", renumbered, {ALONE: None, INNER: 60, HELD: 60}),
    ("edit 34, relink to the end", edited_and_relinked(34), {ALONE: None, INNER: 60, HELD: 60}),
    ("edit 68, relink to the end", edited_and_relinked(68), {ALONE: None, INNER: 100, HELD: None}),
    ("cut off after 90", lambda attacker: attacker.cut_off_after(90), {ALONE: None, INNER: 0, HELD: None}),
    ("cut off after 50", lambda attacker: attacker.cut_off_after(50), {ALONE: None, INNER: 0, HELD: 0}),
    ("cut off after 90, with checkpoint", cut_off_with_its_checkpoint, {ALONE: None, INNER: None, HELD: None}),
    ("write all anew", whole_rewrite, {ALONE: None, INNER: 60, HELD: 60}),
    ("write all anew, stolen key", whole_rewrite_with_a_key(KEY), {ALONE: None, INNER: None, HELD: 60}),
    ("write all anew, own key", whole_rewrite_with_a_key(HIS_OWN), {ALONE: None, INNER: 61, HELD: 60}),
]
"""The first twelve rows are those of the attack table that the design was measured with; the last is added. Where it is
found: an entry, 0 for the end of the ledger, None where it is not found."""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, tuple[Held, ...]]]:
    folder = tmp_path_factory.mktemp("hundred")
    plain, inner = folder / "plain.db", folder / "inner.db"
    head_60 = filled(plain, inner=False)
    filled(inner, inner=True)
    held = Held("B1", 60, head_60, "the customer's checkpoint")
    return {ALONE: (plain, ()), INNER: (inner, ()), HELD: (plain, (held,))}


def is_good(checkpoint: Checkpoint) -> bool:
    """What the program asks: signed, and by the key of the bench."""
    return checkpoint.key == public_part(KEY) and is_signed(checkpoint)


def checked(path: Path, *held: Held) -> LedgerReport:
    with RunReader.beside(path) as reader:
        return LedgerCheck(reader.database, held, is_good, traces=True).report()


@pytest.mark.parametrize("against", [ALONE, INNER, HELD])
@pytest.mark.parametrize(("attack", "found"), [pytest.param(a, f, id=name) for name, a, f in MATRIX])
def test_the_attack_table(files, path, attack, found, against):
    """Each attack is found where the table says so, and nowhere else."""
    file, held = files[against]
    assert checked(file, *held).fault is None
    shutil.copy(file, path)
    attacker = Attacker(path)
    attack(attacker)
    attacker.write()
    fault = checked(path, *held).fault
    assert (None if fault is None else fault.entry) == found[against], fault


# What only a database can suffer ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        ("UPDATE blank SET body = '{}' WHERE seq = 7",
         Fault(7, "blank", "7", "what it stands for was changed after it was written")),
        ("DELETE FROM blank WHERE seq = 7", Fault(7, "blank", "7", "what it stands for is not there any more")),
        ("INSERT INTO blank VALUES (101, '{}')", Fault(0, "blank", "101", "no entry of the ledger stands for it")),
        ("UPDATE ledger SET kind = 'rumour' WHERE seq = 100",
         Fault(100, "rumour", "100", "it does not match its own hash")),
        ("UPDATE ledger SET version = 2 WHERE seq = 9",
         Fault(9, "blank", "9", "it is of version 2, which this program does not know")),
        ("DELETE FROM ledger WHERE seq = 100", Fault(0, "blank", "100", "no entry of the ledger stands for it")),
        ("DELETE FROM ledger", Fault(0, "blank", "1", "no entry of the ledger stands for it")),
    ],
)  # fmt: skip
def test_the_first_thing_that_is_wrong_is_named(files, path, statement, fault):
    """Entry, kind, subject and what is wrong with it; rows that lie beside the ledger as well."""
    shutil.copy(files[ALONE][0], path)
    editor = sqlite3.connect(path)
    for (name,) in editor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        editor.execute(f"DROP TRIGGER {name}")
    editor.execute(statement)
    editor.commit()
    editor.close()
    assert checked(path).fault == fault


@pytest.mark.parametrize(
    ("entry", "what"),
    [
        ({"kind": "rumour"}, "this program knows no such kind"),
        ({"subject": "100"}, "an entry before it stands for the same"),
        ({"subject": "never"}, "what it stands for is not there any more"),
    ],
)
def test_an_entry_that_follows_well_must_stand_for_something_of_its_own(files, path, entry, what):
    """A chain alone would believe it."""
    shutil.copy(files[ALONE][0], path)
    attacker = Attacker(path)
    last = attacker.ledger[-1]
    attacker.ledger.append(
        entry_after(
            last,
            **{"bench": "B1", "at": US, "kind": "blank", "subject": "101", "body_sha256": last.body_sha256} | entry,
        )
    )
    attacker.write()
    fault = checked(path).fault
    assert fault is not None
    assert (fault.entry, fault.what) == (101, what)


def test_a_forged_checkpoint_among_the_records_is_named(files, path):
    """Its row fits its entry, but the signature is not that of the key it names."""
    shutil.copy(files[INNER][0], path)
    attacker = Attacker(path)
    n, body = attacker.checkpoints[1]
    attacker.checkpoints[1] = (n, json.dumps(json.loads(body) | {"n": 59}))
    del attacker.checkpoints[2], attacker.ledger[-1]
    attacker.relink()
    attacker.write()
    assert checked(path).fault == Fault(61, "checkpoint", "1", "it is no checkpoint that a key of this bench signed")
