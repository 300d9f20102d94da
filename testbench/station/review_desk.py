"""A reviewer at work over the records: queue, page, acts. What the screens ask goes through ``ReviewDesk`` only."""

from collections.abc import Callable, Mapping, Sequence, Set
from functools import partial
from typing import Protocol

from pydantic import SecretStr

from testbench.errors import (
    BenchError,
    NonconformityOpenError,
    NoRegisterError,
    PersonDisabledError,
    ReturnedToError,
)
from testbench.procedure.valve import Order
from testbench.run.evaluation import rejudged
from testbench.run.nonconformity import Nonconformity
from testbench.run.record import RunRecord
from testbench.run.samples import Trace
from testbench.run.signature import Meaning, Method, Role, Signature
from testbench.station.board import board
from testbench.station.desk import Desk, Given
from testbench.station.life import LifeStore, ValvePage, life_of
from testbench.station.people import Person, check_role
from testbench.station.ports import JournalLine, WaitingRun
from testbench.station.review import (
    Bearing,
    Borne,
    Case,
    Step,
    check_batch,
    check_decides,
    check_release,
    check_return,
    waits_for,
    why_not,
)
from testbench.station.review_models import (
    Act,
    BoardPage,
    Done,
    EnterNonconformity,
    Offer,
    OpenNonconformity,
    QueueLine,
    QueuePage,
    Return,
    RunPage,
    Sign,
)
from testbench.station.review_page import run_page
from testbench.station.sign_off import owed_by_persons

NONCONFORMITIES = "nonconformities"
HERE = "the records of this bench"
Orders = Callable[[], tuple[Sequence[Order], Sequence[Exception]]]
"""The orders on file, and a refusal for each file that could not be read."""


class Waiting(Protocol):
    """Where what waits can be asked for, also beside a recorder that writes."""

    def waiting(self, order: str = "", after: str = "", limit: int = 200) -> tuple[WaitingRun, ...]:
        """Closed runs whose signatures are not complete, oldest first."""

    def waiting_by_order(self) -> dict[str, int]:
        """How many runs wait, by order."""


class ReviewStore(Waiting, LifeStore, Protocol):
    """Where the runs lie."""

    def states_of(self, orders: Sequence[Order]) -> dict[tuple[str, str], str]:
        """(order, serial) → verdict or "void" of the newest closed run."""

    def released_of(self, orders: Sequence[Order]) -> frozenset[tuple[str, str]]:
        """(order, serial) of the valves with a run that was released."""

    def recalled_valves(self, orders: Sequence[Order]) -> Set[tuple[str, str]]:
        """(order, serial) of the valves whose newest run is recalled."""

    def without_certificate(self, orders: Sequence[Order]) -> frozenset[tuple[str, str]]:
        """(order, serial) of the valves whose newest run was accepted and has no certificate that counts."""

    def load(self, run: str) -> tuple[RunRecord, tuple[Trace, ...]]:
        """A closed run as it was sealed, one trace for each stage."""

    def journal_of(self, run: str) -> tuple[JournalLine, ...]:
        """The journal of a run."""

    def borne_by(self, run: str) -> Borne:
        """What a closed run bears beside its record."""


class Papers(Protocol):
    """Writes the document that a signature was waited for with."""

    def check(self, record: RunRecord) -> None:
        """Refuse, before anybody signs, what could not be written."""

    def write(self, record: RunRecord, signature: Signature) -> str:
        """Write it; gives where it lies, empty where other persons must sign it first.

        Raises:
            PageOwedError: the signature is kept, the document could not be written.
        """


class Nonconformities(Protocol):
    """The register of nonconformities, where the bench keeps one."""

    def open(self, record: RunRecord, reviewer: Person, why: str) -> str:
        """Open one on the evidence of a run, by a reviewer who was just authenticated; gives its number."""

    def add(self, number: str, facts: Mapping[str, str], reviewer: Callable[[], Person]) -> Nonconformity:
        """Add an entry; who enters it is asked for once it can be read and may follow.

        Raises:
            BenchError: it cannot or may not, or nobody was authenticated; nothing was entered.
        """

    def opened_on(self, record: RunRecord) -> str:
        """Number of the one that was opened on this run; empty where none was."""

    def lines_of(self, serial: str) -> tuple[str, ...]:
        """Those of a serial number, a line each."""

    def against(self, run: str) -> str:
        """What of recalls, nonconformities and later runs stands against a release; empty where nothing does."""


class RecordsDesk:
    """A ``ReviewDesk`` over the records of a bench.

    Args:
        store: the runs.
        desk: where persons identify themselves and sign.
        reviewer: who was authenticated when the desk was taken; what is signed wants the password anew.
        papers: writes documents.
        nonconformities: their register; None where there is none.
        orders: those on file.
    """

    def __init__(
        self,
        store: ReviewStore,
        desk: Desk,
        reviewer: Person,
        papers: Papers,
        nonconformities: Nonconformities | None = None,
        *,
        orders: Orders = lambda: ((), ()),
    ) -> None:
        self._store, self._desk, self._papers, self._orders = store, desk, papers, orders
        self._reviewer, self._register = reviewer.id, nonconformities

    def queue(self, order: str = "", after: str = "") -> QueuePage:
        """See ``ReviewDesk``."""
        return queue_of(self._store, self._person().id, order, after)

    def page(self, run: str) -> RunPage:
        """See ``ReviewDesk``."""
        reviewer = self._person()
        case, traces = self._case(run)
        record, borne = case.record, case.borne
        open_still = waits_for(record.verdict, {one.meaning for one in borne.signed}) is not None
        if open_still and not borne.opened_by(reviewer.id, case.record_sha256):
            self._desk.note(record, reviewer, Method.PASSWORD, Step.OPENED, lambda _: None)
            case = Case(record, self._store.borne_by(run), case.again, case.against)
        lines = self._register.lines_of(record.valve.serial) if self._register else ()
        return run_page(case, traces, self._store.journal_of(run), self._offers(case, reviewer), lines)

    def statement(self, runs: tuple[str, ...]) -> tuple[str, ...]:
        """See ``ReviewDesk``."""
        return tuple(self._statement(self._store.load(run)[0], Meaning.RELEASED) for run in runs)

    def life(self, serial: str) -> ValvePage:
        """See ``ReviewDesk``."""
        orders, refused = self._orders()
        return life_of(serial, orders, self._store, HERE, tuple(map(str, refused)))

    def board(self) -> BoardPage:
        """See ``ReviewDesk``."""
        store, (orders, refused) = self._store, self._orders()
        states, released, recalled = store.states_of(orders), store.released_of(orders), store.recalled_valves(orders)
        lines = board(orders, states, released, recalled, store.without_certificate(orders))
        return BoardPage(lines=lines, refused=tuple(map(str, refused)))

    def act(self, act: Act) -> Done:
        """See ``ReviewDesk``."""
        match act:
            case Sign():
                return self._sign(act)
            case Return():
                return self._return(act)
            case OpenNonconformity():
                return self._open_nonconformity(act)
            case EnterNonconformity():
                return self._enter(act)

    # What is shown -------------------------------------------------------------------------------

    def _person(self) -> Person:
        """The reviewer as the register has them now.

        Raises:
            PersonDisabledError, RoleMissingError: no longer a reviewer.
        """
        person = self._desk.people()[self._reviewer]
        if not person.enabled:
            raise PersonDisabledError(person.id)
        check_role(person, Role.REVIEWER)
        return person

    def _case(self, run: str) -> tuple[Case, tuple[Trace, ...]]:
        record, traces = self._store.load(run)
        against = self._register.against(run) if self._register else ""
        return Case(record, self._store.borne_by(run), rejudged(record, traces), against), traces

    def _statement(self, record: RunRecord, meaning: Meaning) -> str:
        return self._desk.statement(meaning, run=record.run, serial=record.valve.serial, verdict=record.verdict)

    def _offers(self, case: Case, reviewer: Person) -> tuple[Offer, ...]:
        record, borne = case.record, case.borne
        return (
            Offer(
                act="released",
                why_not=why_not(partial(check_release, case, reviewer)),
                statement=self._statement(record, Meaning.RELEASED),
            ),
            Offer(
                act="reviewed",
                why_not=why_not(partial(check_decides, record, borne, reviewer, Meaning.REVIEWED)),
                statement=self._statement(record, Meaning.REVIEWED),
            ),
            Offer(act="returned", why_not=why_not(partial(check_return, record, borne, reviewer))),
            Offer(act="nonconformity", why_not=self._no_nonconformity(record)),
        )

    def _no_nonconformity(self, record: RunRecord) -> str:
        """Why none can be opened on a run."""
        if self._register is None:
            return str(NoRegisterError(NONCONFORMITIES))
        number = self._register.opened_on(record)
        return str(NonconformityOpenError(record.run, number)) if number else ""

    # Acts ----------------------------------------------------------------------------------------

    def _authenticated(self, password: SecretStr) -> Person:
        given = Given(self._reviewer, password.get_secret_value())
        return self._desk.in_role(given, Role.REVIEWER, Method.PASSWORD)

    def _sign(self, act: Sign) -> Done:
        meaning, cases = Meaning(act.act), [self._case(run)[0] for run in dict.fromkeys(act.runs)]
        released = meaning is Meaning.RELEASED
        check = partial(_check_released, cases, self._person()) if released else _nothing_more
        check({case.record.run: case.borne for case in cases})  # said before a secret is asked for nothing
        for case in cases:
            if released:
                self._papers.check(case.record)
        reviewer = self._authenticated(act.password)
        records = [case.record for case in cases]
        signatures = self._desk.sign_runs(reviewer, records, meaning, check)
        said = [f"Run {one.subject_id} is {meaning} by {one.printed_name} at {one.signed_at}." for one in signatures]
        documents: list[str] = []
        if released:
            for record, signature in zip(records, signatures, strict=True):
                try:
                    written = self._papers.write(record, signature)
                    (documents if written else said).append(written or owed_by_persons(record))
                except BenchError as owed:  # what is signed is signed; the others are still written
                    said.append(str(owed))
        return Done(sentences=tuple(said), documents=tuple(documents))

    def _return(self, act: Return) -> Done:
        (record, _), person = self._store.load(act.run), self._authenticated(act.password)
        to = self._whom(record, act.to)
        self._desk.note(
            record, person, Method.PASSWORD, Step.RETURNED, lambda borne: check_return(record, borne, person),
            to=to, note=act.why,
        )  # fmt: skip
        return Done(sentences=(f"Run {record.run} is returned to {to}: {act.why}",))

    def _whom(self, record: RunRecord, to: str) -> str:
        """Printed name of whom a run is returned to: its operator or an engineer."""
        if to in {"", record.operator_id}:
            return record.operator
        person = self._desk.people().get(to)
        if person is None or not person.may(Role.ENGINEER):
            raise ReturnedToError(record.run, to)
        return person.name

    def _open_nonconformity(self, act: OpenNonconformity) -> Done:
        if self._register is None:
            raise NoRegisterError(NONCONFORMITIES)
        record, _ = self._store.load(act.run)
        number = self._register.open(record, self._authenticated(act.password), act.why)
        return Done(sentences=(f"Nonconformity {number} is opened on run {act.run}.",))

    def _enter(self, act: EnterNonconformity) -> Done:
        if self._register is None:
            raise NoRegisterError(NONCONFORMITIES)
        # A note decides nothing: it is by whom the desk was taken by.
        reviewer = self._person if act.step == "noted" else partial(self._authenticated, act.password)
        found = self._register.add(act.number, act.facts, reviewer)
        return Done(sentences=(f"Nonconformity {found.number} is {act.step}; it stands as '{found.standing}'.",))


def _check_released(cases: Sequence[Case], person: Person, borne: Bearing) -> None:
    """The rule for one run, or for several at once, on what they bear by now."""
    now = [Case(one.record, borne[one.record.run], one.again, one.against) for one in cases]
    if len(now) == 1:
        check_release(now[0], person)
    else:
        check_batch(now, person)


def _nothing_more(_: Bearing) -> None:
    """A review by itself has no rule beside those of the signature."""


def queue_of(store: Waiting, reviewer: str, order: str = "", after: str = "") -> QueuePage:
    """What waits, oldest first.

    Args:
        store: the records.
        reviewer: id of who looks; empty: nobody in particular, so nothing counts as opened.
        order: of this order only; empty: of all.
        after: those behind this run; empty: from the oldest on.
    """
    lines = tuple(_line(run, reviewer) for run in store.waiting(order, after))
    return QueuePage(reviewer=reviewer, lines=lines, orders=store.waiting_by_order())


def _line(run: WaitingRun, reviewer: str) -> QueueLine:
    borne = Borne(entries=run.entries)
    returned = borne.returned
    answers = [one for one in run.entries if one.step is Step.ANSWERED]
    return QueueLine(
        run=run.run,
        serial=run.serial,
        order=run.order,
        operator=run.operator,
        verdict=run.verdict or "void",
        reason=run.reason,
        started=run.started,
        origin=run.origin,
        waits_for=run.waits_for,
        opened=borne.opened_by(reviewer, run.record_sha256),
        returned=f"{returned.printed_name} to {returned.to}: {returned.note}" if returned else "",
        answered=f"{answers[-1].printed_name}: {answers[-1].note}" if answers and not returned else "",
    )
