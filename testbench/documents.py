"""The documents of a home: as the register names them, and as they lie on its disk.

A document is written whole under a hidden name, then named by the register, and only then gets its own name
(``certificate/issue``). So whatever bears its name is in the register, whenever a program is killed; what was named and
did not get its name yet is finished here.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from testbench.errors import DocumentExistsError, DocumentLostError, DocumentStrayError, DocumentWithdrawnError
from testbench.run.record import sha256
from testbench.wiring import Home

if TYPE_CHECKING:
    from testbench.run.record import RunRecord
    from testbench.store.reading import RunReader, StoredDocument


Told: TypeAlias = Callable[[int, int], None]
"""Hears how much is done, of how much."""


def nobody(_done: int, _of: int) -> None:
    """Hears nothing."""


@dataclass(frozen=True, slots=True)
class Documents:
    """The documents of the register, as they lie here."""

    as_issued: int = 0
    missing: tuple[str, ...] = ()
    """Where they should lie; gone, or not readable."""
    changed: tuple[str, ...] = ()
    stamped: tuple[str, ...] = ()
    """As issued but for a time stamp that the register does not name: it was put on them after the last backup, or by a
    program that was ended at it."""
    unknown: tuple[str, ...] = ()
    """Pages that lie with them and that no record knows; given up by a restoration, or put there by somebody."""


def look_at(home: Home, store: "RunReader", told: Told = nobody) -> Documents:
    """Hold every document of the register against its SHA-256: as issued, or as stamped afterwards.

    Args:
        home: the bench.
        store: its records.
        told: is called with how many were looked at, of how many.
    """
    as_issued, missing, changed, stamped = 0, [], [], []
    of, lying = store.document_count(), set(home.certificates.glob("*.pdf"))
    for count, known in enumerate(by_path(store.documents()), start=1):
        told(count, of)
        place = home.certificates / Path(known[-1].path).name
        data, lies = _data_of(place), str(place)
        lying.discard(place)
        if data is None:
            missing.append(lies)
            continue
        match how_it_lies(data, [one.sha256 for one in known]):
            case "as issued":
                as_issued += 1
            case "stamped":
                stamped.append(lies)
            case _:
                changed.append(lies)
    return Documents(as_issued, tuple(missing), tuple(changed), tuple(stamped), tuple(map(str, sorted(lying))))


def by_path(documents: "Iterator[StoredDocument]") -> "Iterator[list[StoredDocument]]":
    """The rows of one document each: as it was issued, then as it was stamped."""
    for _, group in groupby(documents, key=lambda one: one.path):
        yield list(group)


def how_it_lies(data: bytes, digests: Sequence[str]) -> str:
    """Whether a file with these SHA-256 in the register is "as issued", "stamped" since, or "changed"."""
    from testbench.certificate.issue import without_stamp

    if sha256(data) in digests:
        return "as issued"
    return "stamped" if sha256(without_stamp(data)) in digests else "changed"


def _data_of(place: Path) -> bytes | None:
    try:
        return place.read_bytes()
    except OSError:
        return None


def place_of(home: Home, document: "StoredDocument") -> Path | None:
    """Where a document lies, in this home wherever it was put when it was issued; None where it is gone."""
    place = home.certificates / Path(document.path).name
    return place if place.is_file() else None


def check_issuable(home: Home, store: "RunReader", record: "RunRecord") -> None:
    """See that a run has no document yet: by the register, whatever lies in the folder.

    Raises:
        DocumentExistsError, DocumentLostError: it has one, here or no longer here.
        DocumentWithdrawnError: it had one.
        DocumentStrayError: none is known, but its place is taken.
        NoCertificateError: the run is void or inconclusive.
    """
    from testbench.certificate.content import number_of
    from testbench.certificate.issue import file_name
    from testbench.station.withdrawals import in_force

    number, place = number_of(record), home.certificates / file_name(record)
    withdrawn = in_force(store.withdrawals(), number)
    if withdrawn is not None:
        raise DocumentWithdrawnError(number, withdrawn.sentence)
    for known in store.documents_of(record.run)[-1:]:
        found = place_of(home, known)
        if found is None:
            raise DocumentLostError(number, str(place.with_name(Path(known.path).name)), known.sha256)
        raise DocumentExistsError(number, str(found))
    if place.exists():
        raise DocumentStrayError(number, str(place))


def finish(home: Home, store: "RunReader") -> list[Path]:
    """Give documents their names that the register has and a program that was ended did not; forget its other leavings.

    Returns:
        The documents that appeared. Nothing is done while another program writes one.
    """
    from testbench.certificate.publishing import left_behind, nobody_writes

    if not home.certificates.is_dir() or not any(left_behind(home.certificates)):
        return []
    appeared = []
    with nobody_writes(home.certificates) as alone:
        for pending in left_behind(home.certificates) if alone else ():
            known = store.has_document(pending.sha256)
            if known and sha256(pending.path.read_bytes()) == pending.sha256:
                pending.appear()
                appeared.append(pending.place)
            elif not known:
                pending.path.unlink(missing_ok=True)
    return appeared
