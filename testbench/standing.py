"""How a page stands by the register of a home: what stands against it, and whether it is the file that was issued."""

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.documents import how_it_lies
from testbench.station.withdrawals import IssuedDocument, Withdrawal
from testbench.summing_up import newer_than
from testbench.wiring import Home, read_store
from testbench.withdrawing import issued_under

if TYPE_CHECKING:
    from testbench.certificate.verify import Verification


@dataclass(frozen=True, slots=True)
class Standing:
    """How a page stands by the register of a home."""

    asked: bool = False
    words: tuple[Withdrawal, ...] = ()
    """What stands against documents of its records, see ``IssuedReader.words``."""
    newer: str = ""
    """Number of the lot certificate or shift summary that took its place."""
    other_file: str = ""
    """SHA-256 that the register has for its number, where the page is another file; else empty."""
    unknown: str = ""
    """Why it could not be asked."""

    @property
    def lines(self) -> tuple[str, ...]:
        """In words, where a person must hear of it before all else."""
        if self.unknown:
            return (
                f"NOT LOOKED UP in the register, so whether anything stands against it is not known: {self.unknown}",
            )
        if self.other_file:
            return (f"NOT THE ISSUED FILE: under its number the register has another one, SHA-256 {self.other_file}.",)
        return ()


def standing_of(home: Home, file: Path, judged: "Verification") -> Standing:
    """Ask the register of a home about a page.

    Args:
        home: the bench.
        file: the page; one of another bench of the same name is not held against the files of this one.
        judged: what its check has shown: intact.

    Raises:
        BenchError: the records cannot be used, or are not what the ledger names.
    """
    listed = judged.listed
    rows = () if listed is None else listed.rows
    with read_store(home) as store:
        words = store.words({judged.record_sha256, *(row.record_sha256 for row in rows)})
        newer = None if listed is None else newer_than(store.summaries(), listed)
        known = issued_under(store, judged.number)
    other = known.files[-1] if known is not None and _is_other(home, file, judged, known) else ""
    return Standing(asked=True, words=words, newer="" if newer is None else newer.number, other_file=other)


def _is_other(home: Home, file: Path, judged: "Verification", known: IssuedDocument) -> bool:
    """Whether a page of this bench, by its record or by who sealed it, is not the file that was issued."""
    from testbench.certificate.keys import own_certificates

    own = {hashlib.sha256(one).hexdigest() for one in own_certificates(home.keys)}
    sealed_here = any(one.fingerprint in own for one in judged.signatures)
    if not sealed_here and judged.record_sha256 != known.record_sha256:
        return False
    return how_it_lies(file.read_bytes(), known.files) == "changed"
