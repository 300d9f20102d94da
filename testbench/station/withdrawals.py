"""The register of withdrawn documents: which number no longer counts, why, and what takes its place. Pure.

A document that left is never changed or deleted: a new one says that it replaces it (ISO/IEC 17025:2017, 7.8.8, from
memory: a new report is uniquely identified and refers to the one that it replaces).

What other registers say against a document (a recall in force, a nonconformity opened for its run, a row of a lot that
does not count any more) is told in the same form, so that a program from before understands a list that holds it. It
follows from these registers and is never entered here.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath
from typing import Annotated, Literal, Self

from pydantic import Field

from testbench.errors import WithdrawalRefusedError
from testbench.procedure.valve import Text, Value
from testbench.run.nonconformity import Entry
from testbench.run.recall import Recall
from testbench.run.signature import Sha256
from testbench.station.summed_up import Kind, SummedUp

LONGEST_WORDS = 300
Why = Annotated[str, Field(min_length=1, max_length=LONGEST_WORDS)]
WITHDRAWN, REPLACED, RECALLED, IN_QUESTION, IN_FORCE = "withdrawn", "replaced", "recalled", "in question", "in force"
STATES = (REPLACED, WITHDRAWN, RECALLED, IN_QUESTION, IN_FORCE)
"""How a document can stand; where several things are said, the first of these counts."""
_BROUGHT = re.compile(rf"({RECALLED}|{IN_QUESTION}) \(([^)]+)\): (.+)")
"""How a reason begins that another register brings: in which state the document is then, and by what."""
MOST_TOLD = 5


class Withdrawal(Value):
    """A document that no longer counts."""

    format: Literal[1] = 1
    number: Text
    """Of the document."""
    serial: Text
    """Of a lot certificate or shift summary its order or shift."""
    run: Text
    """Of a lot certificate or shift summary its number once more."""
    record_sha256: Sha256
    """Of a lot certificate or shift summary the hash over all its records."""
    files: tuple[Sha256, ...]
    """SHA-256 of the file as it was issued, and as it was stamped afterwards."""
    why: Why
    by: Text
    person: str
    """Id of who was authenticated; empty where nobody is registered: named, not authenticated."""
    at: Text
    """UTC, ISO 8601."""
    replaced_by: str = ""
    """Number of the document that takes its place; empty where none does."""

    @property
    def state(self) -> str:
        """In which state the document is by this word: one of ``STATES``."""
        brought = _BROUGHT.fullmatch(self.why)
        return brought[1] if brought else REPLACED if self.replaced_by else WITHDRAWN

    @property
    def brought_by(self) -> str:
        """Number of the recall or nonconformity, or of the documents that a row names; else empty."""
        brought = _BROUGHT.fullmatch(self.why)
        return brought[2] if brought else ""

    @property
    def line(self) -> str:
        """The same with its first word in capitals."""
        first = self.state if self.brought_by else WITHDRAWN
        return f"{first.upper()}: {self.sentence}"

    @property
    def sentence(self) -> str:
        """What a person reads."""
        day, why = self.at[:10], self.why.rstrip(".")
        if brought := _BROUGHT.fullmatch(why):
            if brought[1] == RECALLED:
                return f"{self.number} was recalled by {brought[2]} on {day} by {self.by}: {brought[3]}."
            return f"{self.number} is in question since {day} because of {brought[2]}: {brought[3]}."
        what = f"replaced by {self.replaced_by}" if self.replaced_by else "withdrawn"
        return f"{self.number} was {what} on {day} by {self.by}: {why}."


@dataclass(frozen=True, slots=True)
class IssuedDocument:
    """A document of the register."""

    number: str
    run: str
    """Of a lot certificate or shift summary its own number."""
    serial: str
    """Of a lot certificate or shift summary its order or shift."""
    order: str
    """Empty for a shift summary."""
    kind: str
    path: str
    issued: datetime
    record_sha256: str
    files: tuple[str, ...]
    """SHA-256 of the file as it was issued, and as it was stamped afterwards."""
    waiting: str = ""
    """Why it left without the time stamp that it still waits for; empty where it waits for none."""
    listed: SummedUp | None = None
    """Of a lot certificate or shift summary."""

    @classmethod
    def of_page(cls, listed: SummedUp, path: str, files: tuple[str, ...], waiting: str = "") -> Self:
        """A lot certificate or shift summary."""
        order = listed.subject if listed.kind is Kind.LOT else ""
        issued = datetime.fromisoformat(listed.issued)
        return cls(
            listed.number, listed.number, listed.subject, order, listed.kind, path, issued, listed.records_sha256,
            files, waiting, listed,
        )  # fmt: skip

    def word(self, why: str, by: str, at: str, person: str = "", replaced_by: str = "") -> Withdrawal:
        """Something said against it."""
        return Withdrawal(
            number=self.number, serial=self.serial, run=self.run, record_sha256=self.record_sha256, files=self.files,
            why=why[:LONGEST_WORDS], by=by, person=person, at=at, replaced_by=replaced_by,
        )  # fmt: skip


def number_of(path: str) -> str:
    """The number of the document that lies in a file."""
    return PurePosixPath(path).stem.partition("_")[0]


def words_on(withdrawals: Sequence[Withdrawal], number: str, record_sha256: str) -> tuple[Withdrawal, ...]:
    """What a register says of a document, in the order of entry; nothing where it counts."""
    return tuple(one for one in withdrawals if (one.number, one.record_sha256) == (number, record_sha256))


def in_force(withdrawals: Sequence[Withdrawal], number: str) -> Withdrawal | None:
    """The newest word on a document; None where it counts."""
    return next((one for one in reversed(withdrawals) if one.number == number), None)


def foremost(words: Sequence[Withdrawal]) -> Withdrawal | None:
    """The word by which a document stands as it does; None where it is in force."""
    return min(reversed(words), key=lambda one: STATES.index(one.state), default=None)


def check_withdrawal(known: Sequence[Withdrawal], new: Withdrawal) -> None:
    """Refuse what says nothing new.

    Args:
        known: the register, in the order of entry.
        new: what is to be added to it.

    Raises:
        WithdrawalRefusedError: the document is withdrawn already, or is replaced for the reason that withdrew it.
    """
    before = in_force(known, new.number)
    if before is None:
        return
    if before.replaced_by or not new.replaced_by:
        raise WithdrawalRefusedError(new.number, f"it is withdrawn already. {before.sentence}".rstrip("."))
    if _folded(before.why) == _folded(new.why):
        raise WithdrawalRefusedError(
            new.number, "what it was withdrawn for is no reason to issue it again; say what was put right"
        )


def _folded(text: str) -> str:
    return " ".join(text.casefold().split()).rstrip(".")


def is_brought(why: str) -> bool:
    """Whether a reason begins as one that another register brings."""
    return why.startswith((f"{RECALLED} (", f"{IN_QUESTION} ("))


# What other registers say against documents -------------------------------------------------------


def word_of_recall(recall: Recall, document: IssuedDocument) -> Withdrawal:
    """That a recall in force names the run of a document. Its reason in words stays in the works."""
    detail = f", revision {recall.detail}" if recall.of == "procedure" else f" of {recall.detail}"
    what = f"{recall.of} {recall.subject}{detail if recall.detail else ''}"
    why = f"{RECALLED} ({recall.number}): on account of {' '.join(what.split())}"
    return document.word(why, recall.by, recall.at, recall.by_id)


def word_of_nonconformity(opened: Entry, document: IssuedDocument) -> Withdrawal:
    """That a nonconformity was opened for the accepted run of a document."""
    why = f"{IN_QUESTION} ({opened.number}): a nonconformity was opened for its run"
    return document.word(why, opened.by, opened.at, opened.by_id)


def words_on_page(words: Sequence[Withdrawal], listed: SummedUp) -> tuple[Withdrawal, ...]:
    """What is said against a lot certificate or shift summary: against itself, what follows from its rows, these.

    Args:
        words: against documents; also of a list, which may hold what follows already.
        listed: what the page lists.
    """
    own = [one for one in words_on(words, listed.number, listed.records_sha256) if one.state != IN_QUESTION]
    rows = _on_rows(_by_document(words), listed)
    page = IssuedDocument.of_page(listed, "", ())
    return (*own, *([word_of_rows(page, rows)] if rows else []), *rows)


def words_on_pages(words: Sequence[Withdrawal], pages: Sequence[IssuedDocument]) -> Iterator[Withdrawal]:
    """What follows for lot certificates and shift summaries: a newer one was issued, or rows changed since.

    Args:
        words: against documents.
        pages: all lot certificates and shift summaries.
    """
    newest: dict[tuple[str, str, str, str], SummedUp] = {}
    for page in pages:
        if page.listed is not None and page.listed.count >= newest.get(page.listed.what, page.listed).count:
            newest[page.listed.what] = page.listed
    by_document = _by_document(words)
    for page in pages:
        if page.listed is None:
            continue
        newer = newest[page.listed.what]
        if newer.number != page.number:
            why = "a newer page of the same was issued"
            yield page.word(why, f"bench {page.number.split('-', 1)[1].rpartition('-')[0]}", newer.issued,
                            replaced_by=newer.number)  # fmt: skip
        if found := _on_rows(by_document, page.listed):
            yield word_of_rows(page, found)


def word_of_rows(page: IssuedDocument, found: Sequence[Withdrawal]) -> Withdrawal:
    """That rows of a page changed since it was issued, by what is said against their documents."""
    numbers = list(dict.fromkeys(one.number for one in found))
    more = f" and {len(numbers) - MOST_TOLD} more" if len(numbers) > MOST_TOLD else ""
    which, first = f"{', '.join(numbers[:MOST_TOLD])}{more}", min(found, key=lambda one: one.at)
    rows = 0 if page.listed is None else len(page.listed.rows)
    changed = "its only row" if rows == 1 else f"{len(numbers)} of its {rows} rows"
    why = f"{IN_QUESTION} ({which}): {changed} changed since it was issued"
    return page.word(why, first.by, first.at, first.person)


def _by_document(words: Sequence[Withdrawal]) -> Mapping[tuple[str, str], list[Withdrawal]]:
    found: dict[tuple[str, str], list[Withdrawal]] = defaultdict(list)
    for one in words:
        found[one.number, one.record_sha256].append(one)
    return found


def _on_rows(words: Mapping[tuple[str, str], list[Withdrawal]], listed: SummedUp) -> list[Withdrawal]:
    rows = (row for row in listed.rows if row.doubt is None and row.document)
    return [one for row in rows for one in words.get((row.document, row.record_sha256), ())]
