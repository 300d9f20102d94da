"""The reviewer's desk of a home put together, and answers to what was returned."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from testbench.documents import check_issuable
from testbench.identity import desk_of, statement_for, write_owed
from testbench.nonconforming import checked, entered_by, entry_of, not_before
from testbench.procedure_files.loader import OrderShelf
from testbench.run.nonconformity import check_step
from testbench.wiring import Home, open_store

if TYPE_CHECKING:
    from testbench.run.nonconformity import Nonconformity
    from testbench.run.record import RunRecord
    from testbench.run.signature import Signature
    from testbench.station.desk import Given
    from testbench.station.life import ValvePage
    from testbench.station.people import Person
    from testbench.station.review import ReviewEntry
    from testbench.station.review_desk import RecordsDesk
    from testbench.station.searching import FoundRun, Search
    from testbench.store.reading import RunReader
    from testbench.store.repository import SqliteStore


class _Certificates:
    """Certificates of a home; written in this process, for the recorder is not needed for them."""

    def __init__(self, home: Home, store: "SqliteStore") -> None:
        self._home, self._store = home, store

    def check(self, record: "RunRecord") -> None:
        """Refuse what could not be written."""
        check_issuable(self._home, self._store, record)

    def write(self, record: "RunRecord", signature: "Signature") -> str:
        """Write it; gives where it lies, empty where persons sign it with keys of their own first."""
        written = write_owed(self._home, record, signature)
        return str(written.path) if written else ""


class _Register:
    """Nonconformities and recalls of a home, as a reviewer meets them."""

    def __init__(self, store: "SqliteStore") -> None:
        self._store = store

    def open(self, record: "RunRecord", reviewer: "Person", why: str) -> str:
        """Open one by hand; gives its number."""
        return self._store.open_nonconformity(record, checked(why, "nonconformity"), entered_by(reviewer)).number

    def add(self, number: str, facts: Mapping[str, str], reviewer: "Callable[[], Person]") -> "Nonconformity":
        """Add an entry; who enters it is asked for once it can be read and may follow."""
        what, found = entry_of(facts), self._store.nonconformity(number)
        check_step(found, what.step)
        return self._store.add_to_nonconformity(number, what, not_before(found, entered_by(reviewer())))

    def opened_on(self, record: "RunRecord") -> str:
        """Number of the one that was opened on this run; empty where none was."""
        found = self._store.nonconformities_of(record.valve.serial)
        return next((one.number for one in found if one.opened.run == record.run), "")

    def lines_of(self, serial: str) -> tuple[str, ...]:
        """Those of a serial number, newest last."""
        found = self._store.nonconformities_of(serial)
        return tuple(f"{one.number}, run {one.opened.run}: {one.standing}. {one.opened.reason}" for one in found)

    def against(self, run: str) -> str:
        """What stands against its release."""
        return self._store.against(run)


class HomeHistory:
    """A ``History``: runs from the records of a home, orders from its files."""

    def __init__(self, home: Home, store: "RunReader") -> None:
        self._store, self._orders = store, OrderShelf(home.folder)

    def search(self, asked: "Search", limit: int = 50, before: str | None = None) -> "list[FoundRun]":
        """See ``History``."""
        return self._store.search(asked, limit, before)

    def record_of(self, run: str) -> "RunRecord":
        """See ``History``."""
        return self._store.record_of(run)

    def life(self, serial: str) -> "ValvePage":
        """See ``History``."""
        from testbench.station.life import life_of
        from testbench.station.review_desk import HERE

        orders, refused = self._orders()
        return life_of(serial, orders, self._store, HERE, tuple(map(str, refused)))


@contextmanager
def review_desk(home: Home, given: "Given") -> "Iterator[RecordsDesk]":
    """A desk for one reviewer, who shows the password once to sit down and again for whatever is signed.

    Raises:
        NotAuthenticatedError, PersonLockedError, PersonDisabledError, RoleMissingError: nobody sits down.
    """
    from testbench.run.signature import Method, Role
    from testbench.station.review_desk import RecordsDesk

    with open_store(home) as store:
        desk = desk_of(home, store)
        reviewer = desk.in_role(given, Role.REVIEWER, Method.PASSWORD)
        yield RecordsDesk(
            store, desk, reviewer, _Certificates(home, store), _Register(store), orders=OrderShelf(home.folder)
        )


def statements_of(home: Home, runs: tuple[str, ...]) -> tuple[str, ...]:
    """What a release of these runs agrees to, word for word, shown before the password is asked for."""
    from testbench.run.signature import Meaning

    return tuple(statement_for(home, run, Meaning.RELEASED)[2] for run in runs)


def answer_return(home: Home, run: str, given: "Given", note: str) -> "ReviewEntry":
    """Answer a returned run: its operator by PIN, an engineer by password.

    Raises:
        AnswerRefusedError: nobody waits for it, or not from this person.
        EntryRefusedError: it says nothing.
        BenchError: the person is not authenticated; nothing is kept.
    """
    from testbench.run.signature import Method
    from testbench.station.review import Step, check_answer, checked_why

    note = checked_why(note, "answer")
    with open_store(home) as store:
        record, _ = store.load(run)
        own = given.person in {record.operator_id, record.operator}
        desk, method = desk_of(home, store), Method.PIN if own else Method.PASSWORD
        person = desk.authenticate(given, method)
        return desk.note(
            record, person, method, Step.ANSWERED, lambda borne: check_answer(record, borne, person), note=note
        )
