"""The whole life of one serial number on one page: a value that a terminal or a browser shows. Decides nothing."""

from collections.abc import Mapping, Sequence
from typing import Protocol

from testbench.errors import SerialNeverSeenError
from testbench.procedure.serials import compared
from testbench.procedure.valve import Order, Value
from testbench.run.nonconformity import Nonconformity
from testbench.run.recall import RecallLine, in_force
from testbench.run.signature import Signature
from testbench.station.ports import RunSummary
from testbench.station.withdrawals import Withdrawal, number_of
from testbench.station.withdrawals import in_force as word_on


class OrderOfValve(Value):
    """The line of an order."""

    order: str
    customer: str
    customer_order: str
    procedure: str
    valve: str
    product: str
    drawing: str
    heat_numbers: str


class SignatureLine(Value):
    """Who signed a run."""

    meaning: str
    name: str
    at: str


class DocumentLine(Value):
    """What was issued of a run."""

    kind: str
    file: str
    issued: str
    sha256: str
    withdrawn: str = ""
    """That it was withdrawn or replaced, and why; empty where it counts."""


class RunOfValve(Value):
    """One visit to the bench."""

    run: str
    started: str
    order: str
    origin: str
    verdict: str
    """Or "void"."""
    ended: str
    stages: str
    reason: str
    signatures: tuple[SignatureLine, ...]
    documents: tuple[DocumentLine, ...]
    recalled_by: tuple[str, ...]
    """Recalls in force."""


class ValvePage(Value):
    """Everything that is known of one serial number, oldest first."""

    serial: str
    orders: tuple[OrderOfValve, ...]
    runs: tuple[RunOfValve, ...]
    nonconformities: tuple[Nonconformity, ...]
    recalls: tuple[RecallLine, ...]
    """Those that ever named a run of it, with the runs of this valve only."""
    refused: tuple[str, ...] = ()
    """Files of orders that could not be read: what stands in them is missing here."""


class Document(Protocol):
    """A stored document."""

    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def path(self) -> str: ...  # noqa: D102
    @property
    def sha256(self) -> str: ...  # noqa: D102
    @property
    def issued(self) -> object: ...  # noqa: D102


class LifeStore(Protocol):
    """What the page is read from."""

    def runs_of(self, serial: str) -> tuple[RunSummary, ...]:
        """The closed runs of this very serial number, oldest first."""

    def nonconformities_of(self, serial: str) -> tuple[Nonconformity, ...]:
        """Its nonconformities, in the order of their opening."""

    def recalls(self) -> tuple[RecallLine, ...]:
        """Every recall."""

    def signatures_of(self, subject: str) -> tuple[Signature, ...]:
        """The signatures under a run."""

    def documents_of(self, run: str) -> Sequence[Document]:
        """What was issued of a run."""

    def withdrawals(self) -> tuple[Withdrawal, ...]:
        """Every withdrawal of a document, in the order of entry."""


def life_of(
    serial: str, orders: Sequence[Order], store: LifeStore, where: str, refused: Sequence[str] = ()
) -> ValvePage:
    """The page of a serial number; letters count alike in either case.

    Args:
        serial: its number.
        orders: on file.
        store: the runs, and what is kept beside them.
        where: what was searched, for a refusal.
        refused: files of orders that could not be read.

    Raises:
        SerialNeverSeenError: it stands on no order and in no run.
    """
    lines = tuple(_lines_of(serial, orders))
    runs, kept = store.runs_of(serial), store.recalls()
    if not lines and not runs:
        raise SerialNeverSeenError(serial, where)
    forced, withdrawn = in_force(kept), store.withdrawals()
    return ValvePage(
        serial=runs[-1].serial if runs else serial,
        orders=lines,
        runs=tuple(_run(one, store, forced, withdrawn) for one in runs),
        nonconformities=store.nonconformities_of(serial),
        recalls=tuple(_its_own(kept, {one.run for one in runs})),
        refused=tuple(refused),
    )


def _lines_of(serial: str, orders: Sequence[Order]) -> list[OrderOfValve]:
    return [
        OrderOfValve(
            order=order.number,
            customer=order.customer,
            customer_order=order.customer_order,
            procedure=order.procedure,
            valve=valve.in_one_line,
            product=valve.product,
            drawing=valve.drawing,
            heat_numbers=valve.heat_numbers,
        )
        for order in orders
        for valve in order.valves
        if compared(valve.serial) == compared(serial)
    ]


def _run(
    run: RunSummary, store: LifeStore, forced: Mapping[str, tuple[str, ...]], withdrawn: Sequence[Withdrawal]
) -> RunOfValve:
    its_own = [one for one in withdrawn if one.run == run.run]
    return RunOfValve(
        run=run.run,
        started=run.started,
        order=run.order,
        origin=run.origin,
        verdict=run.verdict or "void",
        ended=run.ended,
        stages=run.stages,
        reason=run.reason,
        signatures=tuple(
            SignatureLine(meaning=one.meaning, name=one.printed_name, at=one.signed_at)
            for one in store.signatures_of(run.run)
        ),
        documents=tuple(
            DocumentLine(
                kind=one.kind,
                file=one.path,
                issued=f"{one.issued}",
                sha256=one.sha256,
                withdrawn=word.sentence if (word := word_on(its_own, number_of(one.path))) else "",
            )
            for one in store.documents_of(run.run)
        ),
        recalled_by=forced.get(run.run, ()),
    )


def _its_own(kept: Sequence[RecallLine], runs: set[str]) -> list[RecallLine]:
    found = []
    for line in kept:
        named = tuple(one for one in line.recall.runs if one.run in runs)
        if named:
            found.append(line.model_copy(update={"recall": line.recall.model_copy(update={"runs": named})}))
    return found
