"""Lot certificate and shift summary: what they sum up, and that they claim no more."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from types import SimpleNamespace
from typing import Any

import pytest
from pypdf import PdfReader

from testbench.certificate.content import IssueFacts, number_of
from testbench.certificate.data import layout
from testbench.certificate.hands import of_station
from testbench.certificate.ink import BY_BYTES
from testbench.certificate.languages import words, words_of
from testbench.certificate.lot_certificate import (
    Known,
    LotRun,
    deciding_runs,
    draw_lot,
    following_of,
    lot_content,
    with_page,
)
from testbench.certificate.printed import WITH_PAGES
from testbench.certificate.shift_summary import Shift, shift_content
from testbench.certificate.signing import seal
from testbench.certificate.summary import draw_summary
from testbench.certificate.summary_form import summary_form
from testbench.certificate.summary_issue import Drawn, unsealed_summary
from testbench.certificate.verify import verify
from testbench.procedure.report_form import ReportForm
from testbench.procedure.valve import Order
from testbench.run.machine import Ending
from testbench.run.mentioned import Mentioned
from testbench.run.nonconformity import Standing
from testbench.run.record import Origin, RunRecord, Verdict, canonical, sha256
from testbench.station.summed_up import Doubt

FIRST = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)


def facts(bench: SimpleNamespace) -> IssueFacts:
    return IssueFacts(bench.works, datetime(2026, 11, 25, 15, 0, tzinfo=UTC), "Station seal", "A1B2 C3D4")


def issued(record: RunRecord) -> Known:
    """A run that is decided has its document, and nothing is said against it."""
    return Known(number_of(record), "0" * 64) if record.decided else Known()


def lot_run(
    bench: SimpleNamespace, n: int, serial: str = "", what: str = "accepted", known: Known | None = None, **more: Any
) -> LotRun:
    leak = bench.Attempt(above=4.0, decay_per_min=0.2, caught="6.2 mL", collect_s=40)
    fine = bench.Attempt(above=4.0, decay_per_min=0.2)
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: hose leaked.")
    story = bench.Story(
        serial=serial or f"HL-4-{116 + n:04d}", number=n, people=True, started=FIRST + timedelta(minutes=12 * n),
        seat_test=(leak if what == "rejected" else fine,), shell=(stopped if what == "void" else bench.Attempt(),),
        **{"origin": Origin.LIVE, **more},
    )  # fmt: skip
    run = bench.tell(story)
    return LotRun(run.record, known or issued(run.record), run.traces, run.signed)


def order_of(runs: list[LotRun], *untested: str) -> Order:
    valves = {run.record.valve.serial: run.record.valve for run in runs}
    one = runs[0].record.valve
    valves |= {serial: one.model_copy(update={"serial": serial}) for serial in untested}
    return Order(
        number="HL-2041", customer="Ellery Water Board", customer_order="EWB-7733",
        procedure="waterworks-swing-check", valves=tuple(valves.values()),
    )  # fmt: skip


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


@pytest.fixture(scope="module")
def lot(bench: SimpleNamespace) -> list[LotRun]:
    """Accepted, rejected, accepted after a rejection, void."""
    return [
        lot_run(bench, 1), lot_run(bench, 2, what="rejected"), lot_run(bench, 3, what="rejected"),
        lot_run(bench, 4, what="void"), lot_run(bench, 5, serial="HL-4-0119"),
    ]  # fmt: skip


# Lot --------------------------------------------------------------------------------------------


def test_every_valve_ordered_has_a_row_tested_or_not(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """With the document that holds the evidence, or the word that there is none."""
    found = lot_content(order_of(lot, "HL-4-0199"), lot, "L-B1-000001", facts(bench), words())
    assert [(row.cells[1], row.cells[3], row.judged) for row in found.rows] == [
        ("HL-4-0117", "C-B1-2026-0001", "accepted"),
        ("HL-4-0118", "R-B1-2026-0002", "rejected"),
        ("HL-4-0119", "C-B1-2026-0005", "accepted"),
        ("HL-4-0120", "none", "void"),
        ("HL-4-0199", "none", "not tested"),
    ]
    assert found.reasons == ("2 accepted, 1 rejected, 2 without a verdict, of 5 ordered.",)
    assert (found.word, found.good) == ("NOT COMPLETE", False)


def test_the_first_failure_stays_on_the_lot(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """A valve that was accepted in the end still shows the run that rejected it."""
    found = lot_content(order_of(lot), lot, "L-1", facts(bench), words())
    assert found.rows[2].details[-1] == "Other run B1-2026-0003: rejected."
    assert found.rows[1].details[1].endswith("leakage rate 18.87 US fl oz/h (allowed ≤ 4.00, U = 0.78), not met.")
    assert found.rows[0].details[0].startswith("Shell test, accepted: lowest pressure 507.")


@pytest.mark.parametrize("last", ["accepted", "rejected", "void"])
def test_a_lot_is_complete_only_when_every_valve_was_accepted(bench: SimpleNamespace, last: str) -> None:
    """One short of it is not complete, in word, shape and colour."""
    runs = [lot_run(bench, 1), lot_run(bench, 2, what=last)]
    found = lot_content(order_of(runs), runs, "L-1", facts(bench), words())
    assert found.good is (last == "accepted")
    assert found.word == ("COMPLETE" if found.good else "NOT COMPLETE")
    assert ("Every valve of the order was tested and accepted." in found.reasons) is found.good


def test_runs_of_another_order_do_not_count(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """The same serial number on another order is another matter."""
    other = replace(lot[0], record=lot[0].record.model_copy(update={"order": "HL-9999"}))
    assert deciding_runs(order_of(lot), [other])["HL-4-0117"] == []


def test_a_specimen_among_the_runs_marks_the_lot(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """On the page, across it, and in its code."""
    runs = [lot[0], lot_run(bench, 2, origin=Origin.SIMULATED)]
    found = lot_content(order_of(runs), runs, "L-1", facts(bench), words())
    assert found.specimen.startswith("SPECIMEN: 1 of these runs")
    assert found.code.endswith(" | SPECIMEN")
    live = draw_lot(order_of(lot), lot, "L-1", facts(bench), words(), layout=layout(), paper="A4")
    assert "SPECIMEN" not in text_of(live)


def test_a_lot_names_the_hash_of_all_its_records(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """Of those that count, in the order of the rows; another record gives another hash."""
    found = lot_content(order_of(lot), lot, "L-1", facts(bench), words())
    counting = [lot[0], lot[1], lot[4], lot[3]]
    digest = sha256("".join(sha256(canonical(one.record)) for one in counting).encode())
    assert found.closing[0].value == digest
    assert found.code == f"L-1 | HL-2041 | not complete | {digest}"


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_lot_flows_over_pages_and_is_numbered_through(bench: SimpleNamespace, paper: str) -> None:
    """Sixty valves untested; every page names the lot, x of y; the valves' own pages follow on request."""
    runs = [lot_run(bench, 1), lot_run(bench, 2, what="rejected")]
    order = order_of(runs, *(f"HL-4-{number:04d}" for number in range(200, 260)))
    plain = draw_lot(order, runs, "L-B1-000001", facts(bench), words(), layout=layout(), paper=paper)
    pages = [page.extract_text() for page in PdfReader(BytesIO(plain)).pages]
    assert len(pages) > 1
    for number, text in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in text
        assert "L-B1-000001" in text
        assert ("HL-4-0" in text) == ("Type and size" in text)  # the labels of the columns stand again above the rows
    assert "Pressure can stay locked" in pages[-1]  # what closes the page is not parted from its end
    assert len(re.findall(r"HL-4-02\d\d", " ".join(pages))) == 60
    more = draw_lot(order, runs, "L-1", facts(bench), words(), layout=layout(), paper=paper, with_pages=True)
    behind = [page.extract_text() for page in PdfReader(BytesIO(more)).pages][len(pages) :]
    assert [("C-B1-2026-0001" in text, "R-B1-2026-0002" in text) for text in behind] == [(True, False), (False, True)]
    assert "The page of each valve follows that is accepted or rejected here with nothing said against it." in text_of(
        more
    )
    assert f"page {len(pages) + 2} of {len(pages) + 2}, end" in text_of(more)


def test_the_page_of_a_valve_behind_a_lot_names_its_nonconformities(bench: SimpleNamespace) -> None:
    """As the valve's own document does, as they stand at the issue of the lot."""
    one = lot_run(bench, 2, what="rejected")
    told = Mentioned(number="N-B1-000001", run=one.record.run, standing=Standing.UNDECIDED)
    known = replace(one, known=replace(one.known, nonconformities=(told,)))
    drawn = draw_lot(
        order_of([one]), [known], "L-1", facts(bench), words(), layout=layout(), paper="A4", with_pages=True
    )
    said = f"Nonconformity N-B1-000001 of run {one.record.run}; when this page was issued: no disposition yet."
    assert text_of(drawn).count(said) == 1


@pytest.mark.parametrize("language", ["en", "de", "es"])
def test_the_same_lot_gives_the_same_bytes(bench: SimpleNamespace, lot: list[LotRun], language: str) -> None:
    """In whatever order its runs are handed over."""
    one, two = (
        draw_lot(
            order_of(lot), runs, "L-1", facts(bench), words(language), layout=layout(), paper="A4", with_pages=True
        )
        for runs in (lot, lot[::-1])
    )
    assert one == two


def test_the_page_with_its_list_is_the_same_bytes_each_time(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """Before it is sealed: page, list, records and checkpoint; and the attached list is what the page shows."""

    def unsealed(runs: list[LotRun]) -> bytes:
        told = replace(facts(bench), checkpoint=bench.checkpoint)
        page = draw_lot(order_of(lot), runs, "L-B1-000001", told, words(), layout=layout(), paper="A4")
        found = lot_content(order_of(lot), runs, "L-B1-000001", told, words())
        form = summary_form(found, told, ReportForm(), "A4")
        return unsealed_summary(Drawn(page, found.listed, form, (lot[0].record,)), bench.checkpoint)

    assert unsealed(lot) == unsealed(lot[::-1])


@pytest.mark.parametrize(
    ("language", "units", "paper", "pages", "told"),
    [("en", None, "A4", True, WITH_PAGES), ("de", "bar", "Letter", True, WITH_PAGES),
     ("es", None, "A4", False, BY_BYTES.format("list"))],
)  # fmt: skip
def test_a_lot_of_every_kind_of_row_is_drawn_anew_from_what_it_encloses(
    bench: SimpleNamespace, lot: list[LotRun], authority: SimpleNamespace, at: datetime, language: str,
    units: str | None, paper: str, pages: bool, told: str,
) -> None:  # fmt: skip
    """Accepted, rejected, void, recalled, simulated, not tested; every page that follows, but for its plots."""
    recalled = lot_run(bench, 6, known=Known("C-B1-2026-0006", "0" * 64, Doubt.RECALLED, "RC-1"))
    runs = [*lot, recalled, lot_run(bench, 7, origin=Origin.SIMULATED, channel=bench.registered)]
    hands = of_station(authority.station)
    issue = replace(facts(bench), signer=hands.signer, fingerprint=hands.fingerprint, checkpoint=bench.checkpoint)
    order = order_of(runs, "HL-4-0199")
    form = ReportForm(language=language, units=units)
    said, number = words_of(form), "L-B1-000001"
    page = draw_lot(order, runs, number, issue, said, layout=layout(), paper=paper, with_pages=pages)
    found = lot_content(order, runs, number, issue, said, with_pages=pages)
    following = following_of(order, runs) if pages else ()
    records = tuple(one.record for one in with_page(order, runs)) if pages else ()
    drawn = Drawn(page, found.listed, summary_form(found, issue, form, paper, following), records)
    checked = verify(seal(unsealed_summary(drawn, bench.checkpoint), authority.station, at), authority.anchors)
    assert (checked.reasons, checked.trusted, checked.printed) == ((), True, told)


@pytest.mark.parametrize("doubt", list(Doubt))
@pytest.mark.parametrize("language", ["en", "de", "es"])
def test_a_run_in_doubt_shows_the_doubt_in_place_of_its_verdict(
    bench: SimpleNamespace, doubt: Doubt, language: str
) -> None:
    """It counts neither as accepted nor as rejected, and the lot is not complete."""
    told = words(language)
    runs = [lot_run(bench, 1), lot_run(bench, 2, known=Known("C-B1-2026-0002", "0" * 64, doubt, "X-1"))]
    found = lot_content(order_of(runs), runs, "L-1", facts(bench), told)
    assert (found.good, found.rows[1].verdict, found.rows[1].judged) == (False, None, told(f"results.{doubt}"))
    assert found.rows[1].details[0] == told(f"results.told_{doubt}", told="X-1")
    assert found.reasons == (
        told("lot.counted", accepted=1, rejected=0, undecided=0, valves=2), told("lot.in_doubt", count=1),
    )  # fmt: skip
    text = text_of(
        draw_lot(order_of(runs), runs, "L-1", facts(bench), told, layout=layout(), paper="A4", with_pages=True)
    )
    assert "B1-2026-0001" in text.replace("C-B1-2026-0002", "")
    assert text.count("C-B1-2026-0002") == 1


def test_a_rejected_run_stays_rejected_whatever_is_said_against_it(bench: SimpleNamespace) -> None:
    """A recall takes an acceptance away, never a rejection."""
    runs = [lot_run(bench, 1, what="rejected", known=Known("R-B1-2026-0001", "0" * 64, Doubt.RECALLED, "RC-1"))]
    found = lot_content(order_of(runs), runs, "L-1", facts(bench), words())
    assert (found.rows[0].verdict, found.rows[0].judged) == (Verdict.REJECTED, "rejected")
    assert found.rows[0].details[0] == "Recalled by RC-1: the works does not stand by this run any more."


def test_a_lot_says_what_counts(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """The valve's own document; codes and the purchaser's engineer; trapped pressure."""
    told = text_of(draw_lot(order_of(lot), lot, "L-1", facts(bench), words(), layout=layout(), paper="A4"))
    for said in (
        "where the two differ the valve's own document counts",
        "the purchaser's engineer",
        "Pressure can stay locked behind a closed disc",
        "The results relate only to the valves named.",
    ):
        assert said in told


# Shift ------------------------------------------------------------------------------------------


def shift(bench: SimpleNamespace, since: datetime = FIRST) -> Shift:
    return Shift("2026-11-25, early", "B1", since, since + timedelta(hours=8))


def test_a_shift_shows_every_run_that_ended_in_it(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """Void ones with their reason; it certifies nothing and gives no verdict of its own."""
    found = shift_content(shift(bench), lot, "S-1", facts(bench), words())
    assert [row.judged for row in found.rows] == ["accepted", "rejected", "rejected", "void", "accepted"]
    assert found.reasons == ("Runs: 5; accepted 2, rejected 2, inconclusive 0, void 1.",)
    assert found.rows[3].details[-1].endswith("Stopped by the operator: hose leaked.")
    assert found.word == ""
    told = text_of(draw_summary(found, layout(), words(), "A4"))
    assert "For the works' own use: this page certifies nothing and releases no valve." in told
    assert "ACCEPTED" not in told


def test_a_run_belongs_to_the_shift_in_which_it_ended(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """The first moment is in, the last is not; another bench is another shift."""
    record = lot[0].record
    ended = datetime.fromisoformat(record.ended)

    def rows(since: datetime, until: datetime, name: str = "B1") -> int:
        return len(shift_content(Shift("x", name, since, until), [lot[0]], "S-1", facts(bench), words()).rows)

    hour = timedelta(hours=1)
    assert (rows(ended, ended + hour), rows(ended - hour, ended), rows(ended, ended + hour, "B2")) == (1, 0, 0)


def test_a_shift_without_a_run_says_so(bench: SimpleNamespace) -> None:
    """And is drawn all the same."""
    found = shift_content(shift(bench), [], "S-1", facts(bench), words("es"))
    assert "En este turno no se cerró ninguna prueba." in text_of(draw_summary(found, layout(), words("es"), "Letter"))


def test_verdicts_of_rows_are_those_of_the_records(bench: SimpleNamespace, lot: list[LotRun]) -> None:
    """A row can never be accepted whose record is not."""
    for language in ("en", "de", "es"):
        found = lot_content(order_of(lot), lot, "L-1", facts(bench), words(language))
        assert [row.verdict for row in found.rows] == [Verdict.ACCEPTED, Verdict.REJECTED, Verdict.ACCEPTED, None]
