"""Lot certificates and shift summaries of a home: what is summed up is looked up, numbered, sealed and kept."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from testbench.custody import checkpoint_now
from testbench.documents import finish
from testbench.errors import (
    DocumentExistsError,
    DocumentStrayError,
    NothingToIssueError,
    NotSignedError,
    ShiftNotOverError,
)
from testbench.stamping import time_stamps
from testbench.station.summed_up import Doubt, Kind, SummedUp, number_in
from testbench.wiring import Home, fit_key, open_store

if TYPE_CHECKING:
    from testbench.certificate.content import IssueFacts
    from testbench.certificate.languages import Words
    from testbench.certificate.lot_certificate import Known, LotRun
    from testbench.certificate.passphrases import Passphrases
    from testbench.certificate.shift_summary import Shift
    from testbench.certificate.summary_issue import Drawn, IssuedSummary
    from testbench.procedure.report_form import ReportForm
    from testbench.procedure.valve import Order
    from testbench.run.record import RunRecord
    from testbench.store.register import KeptSummary
    from testbench.store.repository import SqliteStore

FOR_EVER = "9999"
"""A time that no run ends after, as text."""
TRIES = 5
"""How often a page is drawn anew because another program took its number."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How a page is wanted."""

    language: str | None = None
    """None: that of the order or of the bench."""
    ask: "Passphrases | None" = None
    """For the passphrase of the station key; None: the system, or whoever sits at the terminal."""


def issue_lot(home: Home, order: "Order", asked: Asked, *, with_pages: bool = False) -> "IssuedSummary":
    """Sum an order up in a lot certificate; it takes the place of an older one of the same order.

    Args:
        home: the bench.
        order: with all its valves.
        asked: how it is wanted.
        with_pages: whether the page of each decided valve follows.

    Raises:
        NothingToIssueError: no run was closed for this order.
        BenchError: see ``certificate/summary_issue``.
    """
    from testbench.certificate.data import layout
    from testbench.certificate.lot_certificate import draw_lot, following_of, lot_content, with_page
    from testbench.certificate.summary_form import summary_form
    from testbench.certificate.summary_issue import Drawn

    with open_store(home) as store:
        runs = _runs(store, store.runs_on(order.number), with_traces=with_pages)
        if not runs:
            raise NothingToIssueError(order.number, str(home.folder))
        form = _form(home, asked.language or order.language)

        def drawn(number: str, replaces: str, facts: "IssueFacts", words: "Words") -> Drawn:
            paper = form.page or home.bench().paper
            page = draw_lot(
                order, runs, number, facts, words, layout=layout(), paper=paper, with_pages=with_pages,
                replaces=replaces,
            )  # fmt: skip
            content = lot_content(order, runs, number, facts, words, replaces=replaces, with_pages=with_pages)
            records = tuple(one.record for one in with_page(order, runs)) if with_pages else ()
            following = following_of(order, runs) if with_pages else ()
            return Drawn(page, content.listed, summary_form(content, facts, form, paper, following), records)

        job = _Job(Kind.LOT, (Kind.LOT, order.number, "", ""), form, drawn)
        return _issue(home, store, job, runs, asked)


def issue_shift(home: Home, shift: "Shift", asked: Asked) -> "IssuedSummary":
    """Sum a shift up; the page takes the place of an older one of the same shift.

    Args:
        home: the bench.
        shift: whole seconds.
        asked: how it is wanted.

    Raises:
        ShiftNotOverError: it ends after now.
        BenchError: see ``certificate/summary_issue``.
    """
    from testbench.certificate.data import layout
    from testbench.certificate.shift_summary import in_utc, shift_content
    from testbench.certificate.summary import draw_summary
    from testbench.certificate.summary_form import summary_form
    from testbench.certificate.summary_issue import Drawn

    with open_store(home) as store:
        _check_over(store, shift.until)
        since, until = in_utc(shift.since), in_utc(shift.until)
        runs = _runs(store, store.runs_ended(since.rstrip("Z"), until.rstrip("Z")), with_traces=False)
        form = _form(home, asked.language)

        def drawn(number: str, replaces: str, facts: "IssueFacts", words: "Words") -> Drawn:
            content = shift_content(shift, runs, number, facts, words, replaces=replaces)
            paper = form.page or home.bench().paper
            page = draw_summary(content, layout(), words, paper)
            return Drawn(page, content.listed, summary_form(content, facts, form, paper))

        what = (Kind.SHIFT, shift.name, since, until)
        return _issue(home, store, _Job(Kind.SHIFT, what, form, drawn), runs, asked)


def _check_over(store: "SqliteStore", until: datetime) -> None:
    """Refuse an end to come: runs would be missing from a page that looks whole. A rig's clock runs ahead of ours."""
    from testbench.certificate.shift_summary import in_utc
    from testbench.instruments.clocks import SystemClock
    from testbench.run.record import Origin

    now = SystemClock().utc()
    if until <= now:
        return
    records = map(store.record_of, store.runs_ended(in_utc(now).rstrip("Z"), FOR_EVER))
    ended = [datetime.fromisoformat(one.ended) for one in records if one.origin is not Origin.LIVE]
    latest = max((now, *(at + timedelta(seconds=1) for at in ended)))  # the end itself does not belong to a shift
    if until > latest:
        raise ShiftNotOverError(in_utc(until), in_utc(latest))


def newer_than(known: "Sequence[KeptSummary]", listed: SummedUp) -> SummedUp | None:
    """The page that took the place of one, by the register; None where it is the newest, or none of this bench."""
    newest = _newest(known, listed.what)
    ours = any(one.listed == listed for one in known)
    return newest if ours and newest != listed else None


def _newest(known: "Sequence[KeptSummary]", what: tuple[str, str, str, str]) -> SummedUp | None:
    return max((one.listed for one in known if one.listed.what == what), key=lambda one: one.count, default=None)


@dataclass(frozen=True, slots=True)
class _Job:
    """What is to be drawn, once its number is known."""

    kind: Kind
    what: tuple[str, str, str, str]
    form: "ReportForm"
    drawn: "Callable[[str, str, IssueFacts, Words], Drawn]"


def _issue(home: Home, store: "SqliteStore", job: _Job, runs: "Sequence[LotRun]", asked: Asked) -> "IssuedSummary":
    finish(home, store)
    fit_key(home)
    for left in reversed(range(TRIES)):
        try:
            return _issue_next(home, store, job, runs, asked)
        except DocumentExistsError:  # another program was quicker
            if not left:
                raise
    raise AssertionError


def _issue_next(home: Home, store: "SqliteStore", job: _Job, runs: "Sequence[LotRun]", asked: Asked) -> "IssuedSummary":
    """Under the number that is next now."""
    from testbench.certificate.content import IssueFacts
    from testbench.certificate.hands import of_station
    from testbench.certificate.keys import load_station_key
    from testbench.certificate.languages import words_of
    from testbench.certificate.summary_issue import IssuedSummary, issue_summary, summary_place
    from testbench.store.register import KeptSummary

    bench, at, checkpoint = home.bench(), _now(runs), checkpoint_now(home, store)
    number = number_in(job.kind, bench.name, store.next_summary(job.kind))
    older = _newest(store.summaries(), job.what)
    place = summary_place(home.certificates, number, job.what[1])
    if place.exists():
        raise DocumentStrayError(number, str(place))
    hands = of_station(load_station_key(home.keys, asked.ask))
    facts = IssueFacts(
        bench.works, at, hands.signer, hands.fingerprint, checkpoint=checkpoint, under_root=hands.under_root
    )
    drawn = job.drawn(number, older.number if older else "", facts, words_of(job.form))

    def register(issued: IssuedSummary) -> None:
        kept = KeptSummary(str(issued.path), issued.sha256, issued.listed)
        store.add_summary(kept, unstamped=issued.waiting)

    return issue_summary(
        drawn, hands, home.certificates, at, checkpoint=checkpoint, stamps=time_stamps(bench), register=register
    )


def _now(runs: "Sequence[LotRun]") -> datetime:
    """The time of day; a rig's clock runs ahead of ours, and a page is dated after its tests."""
    from testbench.instruments.clocks import SystemClock
    from testbench.run.record import Origin
    from testbench.station.sign_off import latest_of

    ahead = [latest_of(one.record, one.signed) for one in runs if one.record.origin is not Origin.LIVE]
    return max((SystemClock().utc(), *ahead))


def _form(home: Home, language: str | None) -> "ReportForm":
    from testbench.procedure.report_form import ReportForm

    form = home.bench().report or ReportForm()
    return form if language is None else form.model_copy(update={"language": language})


def _runs(store: "SqliteStore", runs: Sequence[str], *, with_traces: bool) -> "list[LotRun]":
    from testbench.certificate.lot_certificate import LotRun

    found = []
    for run in runs:
        record, traces = store.load(run) if with_traces else (store.record_of(run), ())
        found.append(LotRun(record, _known(store, record), traces, store.signatures_of(run)))
    return found


def _known(store: "SqliteStore", record: "RunRecord") -> "Known":
    """What the registers say of a run: its newest document, and what speaks against it."""
    from testbench.certificate.lot_certificate import Known
    from testbench.run.mentioned import mentioned

    documents = store.issued_of(record.run)
    doubt, told = _doubt(store, record)
    if not documents:
        return Known(doubt=doubt, told=told)
    number, withdrawals = documents[-1].number, store.withdrawals()
    if doubt is None and any(one.number == number for one in withdrawals):
        doubt, told = Doubt.WITHDRAWN, number
    replaces = [one for one in withdrawals if (one.run, one.replaced_by) == (record.run, number)]
    of_serial = mentioned(store.nonconformities_of(record.valve.serial), trial=record.specimen)
    return Known(number, documents[-1].files[-1], doubt, told, replaces[-1] if replaces else None, of_serial)


def _doubt(store: "SqliteStore", record: "RunRecord") -> tuple[Doubt | None, str]:
    from testbench.run.record import Verdict
    from testbench.station.sign_off import check_signed

    if recalls := store.recalled().get(record.run):
        return Doubt.RECALLED, ", ".join(recalls)
    if record.verdict is not Verdict.ACCEPTED:
        return None, ""
    opened = [one.number for one in store.nonconformities_of(record.valve.serial) if one.opened.run == record.run]
    if opened:
        return Doubt.NONCONFORMING, ", ".join(opened)
    try:
        check_signed(record, store.signatures_of(record.run))
    except NotSignedError:
        return Doubt.NOT_RELEASED, ""
    return None, ""
