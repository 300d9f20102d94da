"""Lot certificate and shift summary as issued pages: numbered once, sealed, checkable, and never more than they are."""

import json
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import pikepdf
import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from testbench.certificate import summary_again
from testbench.certificate.anchors import anchors_of
from testbench.certificate.attach import CHECKPOINT, FORM, SUMMARY, Attachment, attach, attachments_of_summary
from testbench.certificate.data import layout
from testbench.certificate.ink import BY_BYTES, BY_MARKS
from testbench.certificate.keys import load_station_key
from testbench.certificate.languages import words
from testbench.certificate.printed import WITH_PAGES, WITHOUT_PAGES
from testbench.certificate.signing import seal
from testbench.certificate.summary import draw_summary
from testbench.certificate.summary_again import row_again
from testbench.certificate.summary_form import SummaryForm, summary_of
from testbench.certificate.verify import Verification, in_words, verify
from testbench.cli.main import cli
from testbench.custody import issue_document
from testbench.errors import (
    DocumentExistsError,
    DocumentStrayError,
    NothingToIssueError,
    OrderUnknownError,
    ShiftNotOverError,
)
from testbench.instruments.clocks import SystemClock
from testbench.procedure.valve import Order
from testbench.procedure_files.order_files import order_text
from testbench.run.ledger import Checkpoint
from testbench.run.record import Origin, RunRecord, canonical, sha256
from testbench.run.signature import Meaning
from testbench.station.summed_up import Doubt, Kind, SummedRow, SummedUp, faults_of_list
from testbench.store.register import KeptSummary
from testbench.wiring import Home, make_home, open_store, read_store
from tests.certificate.conftest import signed_by
from tests.records.make import example_run, keep_closed, valve
from tests.without_home import without_home

ORDER = "HL-2041"
VALVES = (valve("HL-4-0117", "NPS 4"), valve("HL-4-0118", "NPS 4"))
AT = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)


def pages_of(page: bytes) -> list[str]:
    """The text of each page without spaces: where a line was broken is not told."""
    return ["".join(one.extract_text().split()) for one in PdfReader(BytesIO(page)).pages]


def said(home: Home, *words: str | Path):
    return CliRunner().invoke(cli, [*map(str, words), "--home", str(home.folder)])


def write_order(home: Home, *valves) -> None:
    order = Order(number=ORDER, customer="Ellery Water Board", procedure="waterworks-swing-check", valves=valves)
    (home.folder / "orders" / "order.toml").write_text(order_text(order))


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Home:
    """An order of two valves, both accepted and with their certificates."""
    made = make_home(tmp_path_factory.mktemp("made") / "home")
    with open_store(made) as store:
        for one in VALVES:
            keep_closed(store, *example_run("", one))
    for run in ("B1-000001", "B1-000002"):
        issue_document(made, run)
    write_order(made, *VALVES)
    return made


@pytest.fixture
def home(made, tmp_path) -> Home:
    """A copy of it."""
    shutil.copytree(made.folder, tmp_path / "home")
    return Home(tmp_path / "home")


def lot(home: Home, *more: str) -> dict:
    told = said(home, "certificate", "lot", ORDER, "--json", *more)
    assert told.exit_code == 0, told.output
    return json.loads(told.output)


def judged(home: Home, file: str | Path | bytes) -> Verification:
    found = file if isinstance(file, bytes) else Path(file)
    return verify(found, anchors_of(home.keys, (), (), ()))


def sealed(home: Home, page: bytes, listed: SummedUp, beside: tuple[Attachment, ...], records=()) -> bytes:
    """A page and a list put together by somebody who has the station's key."""
    files = (*attachments_of_summary(listed, records, None), *beside)
    return seal(attach(page, files, AT), load_station_key(home.keys), AT)


def page_alone(file: str) -> bytes:
    """The drawn page of a document without what is attached to it, and without its seal."""
    import io

    import pikepdf

    with pikepdf.open(file) as pdf:
        for name in list(pdf.attachments):
            del pdf.attachments[name]
        del pdf.Root.AcroForm
        for key in ("/Perms", "/AF", "/Extensions"):
            if key in pdf.Root:
                del pdf.Root[key]
        for sheet in pdf.pages:
            if "/Annots" in sheet.obj:
                del sheet.obj["/Annots"]
        out = io.BytesIO()
        pdf.save(out)
    return out.getvalue()


# What is issued -----------------------------------------------------------------------------------


def test_a_lot_certificate_is_written_numbered_and_checked(home):
    """It says what it holds, and where the verdict is told that it does not tell itself."""
    told = said(home, "certificate", "lot", ORDER)
    place = home.certificates / "L-B1-000001_HL-2041.pdf"
    assert told.output.splitlines() == [
        f"L-B1-000001 for order HL-2041, complete, 2 valves: written to {place}.",
        "  HL-4-0117  accepted, C-B1-000001",
        "  HL-4-0118  accepted, C-B1-000002",
    ]
    checked = said(home, "certificate", "verify", place)
    lines = checked.output.splitlines()
    assert checked.exit_code == 0
    assert lines[0] == (
        "INTACT: L-B1-000001 for order HL-2041, complete, 2 valves. Nothing was changed since it was sealed."
    )
    assert lines[2] == "  printed      as drawn anew from the attached list, byte for byte"
    assert lines[3] == "  rows         in the attached list: 2 accepted"
    assert lines[4] == (
        "  judged again not here: this page only sums up; whether a verdict follows is told by each valve's own "
        "document"
    )
    assert "  signed       by nobody" not in checked.output
    stranger = without_home("certificate", "verify", place)
    assert stranger.exit_code == 3
    assert stranger.output.startswith("UNKNOWN SIGNER: L-B1-000001 for order HL-2041, complete, 2 valves.")


def test_a_lot_certificate_encloses_its_list_and_a_checkpoint(home):
    """Runs, hashes, verdicts, documents; with the pages the small records as well."""
    plain, paged = lot(home), lot(home, "--pages", "--out-language", "de")
    attached = PdfReader(plain["document"]).attachments
    assert sorted(attached) == [CHECKPOINT, FORM, SUMMARY]
    listed = SummedUp.model_validate_json(attached[SUMMARY][0])
    assert canonical(listed) == attached[SUMMARY][0]
    with read_store(home) as store:
        for row in listed.rows:
            record, document = store.record_of(row.run), store.documents_of(row.run)[-1]
            assert (row.record_sha256, row.document_sha256) == (sha256(canonical(record)), document.sha256)
    assert sorted(PdfReader(paged["document"]).attachments) == [
        CHECKPOINT, FORM, "record-B1-000001.json", "record-B1-000002.json", SUMMARY,
    ]  # fmt: skip
    assert len(PdfReader(paged["document"]).pages) == 3
    assert "Sammelzeugnis" in PdfReader(paged["document"]).pages[0].extract_text()


def test_a_newer_lot_certificate_names_the_one_that_it_replaces(home):
    """On the page, in its list, and whoever checks the old one in its home is told."""
    first, second = lot(home), lot(home)
    assert (first["replaces"], second["replaces"]) == ("", "L-B1-000001")
    assert "ReplacesL-B1-000001" in pages_of(Path(second["document"]).read_bytes())[0]
    old = said(home, "certificate", "verify", first["document"])
    assert old.exit_code == 5
    assert old.output.splitlines()[0] == "REPLACED: a newer page of the same was issued, L-B1-000002."
    assert said(home, "certificate", "verify", second["document"]).exit_code == 0


def test_numbers_are_given_out_once(home):
    """Two series; the register refuses a number that another program has taken, and an older backup frees none."""
    assert said(home, "backup", "--to", home.folder / "copies").exit_code == 0
    shift = ("certificate", "shift", "--since", "2026-11-20T00:00Z", "--until", "2026-11-21T00:00Z", "--name", "early")
    numbers = [lot(home)["number"], lot(home)["number"], json.loads(said(home, *shift, "--json").output)["number"]]
    assert numbers == ["L-B1-000001", "L-B1-000002", "S-B1-000001"]
    with open_store(home) as store:
        taken = replace(store.summaries()[0], path="elsewhere.pdf")
        with pytest.raises(DocumentExistsError) as refusal:
            store.add_summary(taken)
    assert str(refusal.value) == ("Document L-B1-000001 was already issued as elsewhere.pdf; it is not overwritten.")
    (copy,) = (home.folder / "copies").glob("*.db")
    told = said(home, "restore", copy, "--discard-newer", "the disk was full")
    assert told.exit_code == 0, told.output
    assert sorted(path.name[:11] for path in home.certificates.glob("*given-up*")) == sorted(numbers)
    assert lot(home)["number"] == "L-B1-000003"
    assert json.loads(said(home, *shift, "--json").output)["number"] == "S-B1-000002"


def test_the_ledger_holds_the_files_of_summaries_as_well(home):
    """As issued, changed, missing: like every other document."""
    file = Path(lot(home)["document"])
    assert "3 documents lie here as they were issued." in said(home, "ledger", "verify").output
    data = file.read_bytes()
    file.write_bytes(data + b"\n")
    told = said(home, "ledger", "verify")
    assert told.exit_code == 1
    assert f"CHANGED: document {file} is not the file that was issued." in told.output
    file.unlink()
    assert f"Document {file} is not here" in said(home, "ledger", "verify").output


def test_a_shift_summary_holds_the_runs_that_ended_in_it(home):
    """It certifies nothing; the same shift again replaces it, another one does not."""
    times = ("--since", "2026-11-20T08:00+00:00", "--until", "2026-11-20T16:00+00:00")
    told = said(home, "certificate", "shift", *times, "--name", "early", "--out-language", "es")
    place = home.certificates / "S-B1-000001_early.pdf"
    assert told.output.splitlines()[0] == (f"S-B1-000001 for shift early of bench B1, 2 runs: written to {place}.")
    assert said(home, "certificate", "verify", place).exit_code == 0
    assert SummedUp.model_validate_json(PdfReader(place).attachments[SUMMARY][0]).complete is False
    same = ("--since", "2026-11-20T09:00+01:00", "--until", "2026-11-20T17:00+01:00")
    again = json.loads(said(home, "certificate", "shift", *same, "--name", "early", "--json").output)
    other = json.loads(said(home, "certificate", "shift", *times, "--name", "late", "--json").output)
    assert (again["replaces"], other["replaces"]) == ("S-B1-000001", "")
    none = ("--since", "2026-11-19T08:00Z", "--until", "2026-11-19T16:00Z", "--name", "early", "--json")
    assert json.loads(said(home, "certificate", "shift", *none).output)["rows"] == []


def test_a_shift_that_is_not_over_is_refused(home):
    """Its page would look whole without the runs to come. Nothing is written, and no number is used up."""
    words = ("certificate", "shift", "--since", "2026-11-20T08:00Z", "--name", "early", "--until")
    ahead = SystemClock().utc() + timedelta(hours=2)
    refused = said(home, *words, ahead.isoformat(timespec="seconds")).exception
    assert isinstance(refused, ShiftNotOverError)
    found = re.fullmatch(
        rf"The shift ends at {ahead:%Y-%m-%dT%H:%M:%SZ}, which is to come; runs up to (\S+) can be summed up\.",
        str(refused),
    )
    assert found is not None
    assert refused.remedy == "Give --until a time that is past, or the same command again when the shift is over."
    assert said(home, *words, found[1], "--json").exit_code == 0
    assert [path.name for path in home.certificates.glob("S-*")] == ["S-B1-000001_early.pdf"]


@pytest.mark.parametrize("origin", [Origin.SIMULATED, Origin.LIVE])
def test_the_clock_of_a_rig_may_run_ahead(home, origin):
    """A simulated shift is over with its newest run, whatever time it is here; a live run moves no clock."""
    ended = (SystemClock().utc() + timedelta(hours=2)).replace(microsecond=0)
    record, traces = example_run("", valve("HL-4-0119", "NPS 4"))
    times = {"started": (ended - timedelta(minutes=20)).isoformat(), "ended": ended.isoformat(timespec="milliseconds")}
    with open_store(home) as store:
        keep_closed(store, record.model_copy(update={**times, "origin": origin}), traces)
    words = ("certificate", "shift", "--since", "2026-11-20T08:00Z", "--name", "early", "--json", "--until")
    at_its_end = said(home, *words, (ended + timedelta(seconds=1)).isoformat())
    if origin is Origin.LIVE:
        assert isinstance(at_its_end.exception, ShiftNotOverError)
        return
    assert len(json.loads(at_its_end.output)["rows"]) == 3
    refused = said(home, *words, (ended + timedelta(seconds=2)).isoformat()).exception
    assert str(refused).endswith(f"runs up to {ended + timedelta(seconds=1):%Y-%m-%dT%H:%M:%SZ} can be summed up.")


def test_one_is_counted_as_one(home):
    """One valve, one run, one row."""
    write_order(home, VALVES[0])
    assert said(home, "certificate", "lot", ORDER).output.startswith(
        f"L-B1-000001 for order {ORDER}, complete, 1 valve:"
    )
    listed = SummedUp.model_validate(lot(home) | {"kind": "shift", "bench": "B1"}, extra="ignore")
    assert listed.about == f"shift {ORDER} of bench B1, 1 run"
    said(home, "certificate", "withdraw", "C-B1-000001", "--why", "The heat number was misread", "--by", "Tobin Ashe")
    told = said(home, "certificate", "verify", home.certificates / "L-B1-000002_HL-2041.pdf").output.splitlines()[0]
    assert told.endswith(" because of C-B1-000001: its only row changed since it was issued.")


def test_the_help_of_a_shift_speaks_of_no_order(home):
    """Nor do the lines above it leave a command out."""
    assert "order" not in said(home, "certificate", "shift", "--help").output
    group, whole = (
        " ".join(CliRunner().invoke(cli, [*words, "--help"]).output.split()) for words in (["certificate"], [])
    )
    assert " Issue, verify, time-stamp, withdraw, replace or list certificates; sum up a lot or a shift. " in group
    assert " Issue, verify, stamp, withdraw or list certificates; sum up a lot or a shift. " in whole


def test_what_cannot_be_summed_up_is_refused(home):
    """An order that nobody knows, one of which nothing was tested, times that are none; a stray file is left alone."""
    unknown = said(home, "certificate", "lot", "HL-9999").exception
    assert isinstance(unknown, OrderUnknownError)
    text = (home.folder / "orders" / "order.toml").read_text()
    (home.folder / "orders" / "other.toml").write_text(text.replace(ORDER, "HL-2042"))
    assert isinstance(said(home, "certificate", "lot", "HL-2042").exception, NothingToIssueError)
    swapped = said(home, "certificate", "shift", "--since", "2026-11-20", "--until", "2026-11-19", "--name", "early")
    assert "--until must be after --since." in swapped.output
    nothing = said(home, "certificate", "shift", "--since", "today", "--until", "2026-11-19", "--name", "early")
    assert "'today' is no time; write it as 2026-11-25T06:00 or 2026-11-25T06:00+01:00." in nothing.output
    stray = home.certificates / "L-B1-000001_HL-2041.pdf"
    stray.write_bytes(b"a letter")
    refused = said(home, "certificate", "lot", ORDER).exception
    assert isinstance(refused, DocumentStrayError)
    assert stray.read_bytes() == b"a letter"


# What keeps a lot from being complete -------------------------------------------------------------


def rows(home: Home) -> tuple[bool, list[str]]:
    found = lot(home)
    return found["complete"], [SummedRow.model_validate(row).state for row in found["rows"]]


def test_a_missing_valve_keeps_a_lot_from_being_complete(home):
    """It was ordered, so it has a row."""
    write_order(home, *VALVES, valve("HL-4-0199", "NPS 4"))
    assert rows(home) == (False, ["accepted", "accepted", "not tested"])


def test_a_rejected_valve_keeps_a_lot_from_being_complete(home):
    """The report of its rejection stands in its row."""
    rejected = valve("HL-6-0118", "NPS 6")
    with open_store(home) as store:
        run = keep_closed(store, *example_run("", rejected, "6 mL"))
    issue_document(home, run)
    write_order(home, *VALVES, rejected)
    assert rows(home) == (False, ["accepted", "accepted", "rejected"])


def test_a_valve_without_its_own_document_keeps_a_lot_from_being_complete(home):
    """The evidence would be nowhere."""
    third = valve("HL-4-0119", "NPS 4")
    with open_store(home) as store:
        keep_closed(store, *example_run("", third))
    write_order(home, *VALVES, third)
    assert rows(home) == (False, ["accepted", "accepted", "accepted but not issued"])


def test_a_withdrawn_certificate_shows_in_its_row(home):
    """Whoever holds the lot certificate from before is told; a replaced one counts under its new number."""
    before = lot(home)
    assert before["complete"]
    by = ("--by", "Tobin Ashe")
    said(home, "certificate", "withdraw", "C-B1-000002", "--why", "The heat number was misread", *by)
    told = said(home, "certificate", "verify", before["document"])
    assert told.exit_code == 5
    question, withdrawn, *_ = told.output.splitlines()
    assert question.startswith("IN QUESTION: L-B1-000001 is in question since ")
    assert question.endswith(" because of C-B1-000002: 1 of its 2 rows changed since it was issued.")
    assert withdrawn.startswith("WITHDRAWN: C-B1-000002 was withdrawn on ")
    assert rows(home) == (False, ["accepted", "accepted but withdrawn (C-B1-000002)"])
    said(home, "certificate", "replace", "C-B1-000002", "--why", "The heat number was read again", *by)
    after = lot(home, "--pages")
    assert (after["complete"], after["rows"][1]["document"]) == (True, "C-B1-000002-2")
    assert "C-B1-000002-2" in pages_of(Path(after["document"]).read_bytes())[2]


def test_a_recalled_run_shows_in_its_row(home):
    """Also on a page from before, in the home that knows of the recall; its own page does not follow any more."""
    before = lot(home)
    why = ("--why", "Its table of limits had a misprint.", "--by", "Tobin Ashe")
    recalled = said(home, "recall", "procedure", "waterworks-swing-check", *why)
    assert recalled.exit_code == 0, recalled.output
    told = said(home, "certificate", "verify", before["document"])
    assert told.exit_code == 5
    question, *rest = told.output.splitlines()
    assert question.endswith(" because of C-B1-000001, C-B1-000002: 2 of its 2 rows changed since it was issued.")
    assert [line.partition(" on ")[0] for line in rest[:2]] == [
        "RECALLED: C-B1-000001 was recalled by RC-B1-000001",
        "RECALLED: C-B1-000002 was recalled by RC-B1-000001",
    ]
    assert json.loads(said(home, "certificate", "verify", before["document"], "--json").output)["recalled_by"] == [
        "RC-B1-000001"
    ]
    complete, states = rows(home)
    assert not complete
    assert states == ["accepted but recalled (RC-B1-000001)"] * 2
    paged = lot(home, "--pages")
    assert len(PdfReader(paged["document"]).pages) == 1
    assert "Recalled by RC-B1-000001" in PdfReader(paged["document"]).pages[0].extract_text()


# What is wrong with a page ------------------------------------------------------------------------


@pytest.fixture
def issued(home) -> tuple[bytes, SummedUp, tuple[Attachment, ...]]:
    """The drawn page of a lot certificate, its list, and what is enclosed beside it."""
    file = lot(home)["document"]
    attached = PdfReader(file).attachments
    beside = tuple(Attachment(name, attached[name][0], "application/json", name) for name in (CHECKPOINT, FORM))
    return page_alone(file), SummedUp.model_validate_json(attached[SUMMARY][0]), beside


def test_page_and_list_put_together_again_are_intact(home, issued):
    """So that the refusals below have no other reason."""
    found = judged(home, sealed(home, *issued))
    assert (found.reasons, found.trusted, found.printed) == ((), True, BY_MARKS.format("list"))


def test_a_list_that_is_not_the_printed_one_is_found(home, issued):
    """Another result, another order of the rows, a row more: the key of the station makes none of it right."""
    page, listed, beside = issued
    first, second = listed.rows
    told = tuple(text.replace("0.79", "0.12") for text in first.printed)
    assert told != first.printed
    found = judged(
        home, sealed(home, page, with_rows(listed, first.model_copy(update={"printed": told}), second), beside)
    )
    assert (found.intact, found.prints, found.trusted) == (True, False, False)
    assert in_words(found)[0] == (
        "DOES NOT PRINT ITS RECORD: L-B1-000001 for order HL-2041, complete, 2 valves. Nothing was changed since it "
        "was sealed, but the page is not shown to say what is attached to it."
    )
    (reason,) = found.reasons
    shown, given = reason.split(", where its record gives ")
    assert "0.79" in shown
    assert "0.12" in given
    assert not judged(home, sealed(home, page, with_rows(listed, second, first), beside)).intact


def with_rows(listed: SummedUp, *rows_: SummedRow) -> SummedUp:
    return listed.model_copy(update={"rows": rows_})


def drawn_anew(listed: SummedUp, beside: tuple[Attachment, ...], change=lambda found: found) -> bytes:
    """The page of a list, with other words where ``change`` puts them, under the title and code of that list."""
    checkpoint, form = Checkpoint.model_validate_json(beside[0].data), SummaryForm.model_validate_json(beside[1].data)
    told = words()
    drawn = [row_again(n, one, None, listed.kind, told) for n, one in enumerate(listed.rows, start=1)]
    found = change(summary_of(listed, drawn, form.told, form.facts(checkpoint), told))
    return draw_summary(found, layout(), told, form.paper)


def test_whatever_the_page_says_beside_its_list_is_found(home, issued):
    """A row more after the last one, a row less, another verdict, result, count, customer or word for the whole."""
    _, listed, beside = issued

    def check(change) -> Verification:
        return judged(home, sealed(home, drawn_anew(listed, beside, change), listed, beside))

    assert check(lambda found: found).trusted
    one = listed.rows[0]

    def third(found):
        more = replace(found.rows[1], cells=("3", "HL-4-0119", *found.rows[1].cells[2:]))
        return replace(found, rows=(*found.rows, more))

    for change in (
        third,
        lambda found: replace(found, rows=found.rows[:1]),
        lambda found: replace(found, rows=(replace(found.rows[0], judged="rejected"), found.rows[1])),
        lambda found: replace(found, rows=(replace(found.rows[0], details=("all fine",)), found.rows[1])),
        lambda found: replace(found, reasons=("3 accepted, 0 rejected, 0 without a verdict, of 3 ordered.",)),
        lambda found: replace(found, word="RELEASED"),
        lambda found: replace(found, left=found.left[1:]),
        lambda found: replace(found, notes=()),
    ):
        found = check(change)
        assert (found.intact, found.prints, found.trusted) == (True, False, False), found
        assert found.reasons
    assert one.counts


def test_a_row_says_what_its_attached_record_holds(home):
    """With the pages of valves the records are attached: a list that says otherwise is not printed from them."""
    file = lot(home, "--pages")["document"]
    found = judged(home, file)
    assert (found.reasons, found.trusted, found.printed) == ((), True, WITH_PAGES)
    attached = PdfReader(file).attachments
    listed = SummedUp.model_validate_json(attached[SUMMARY][0])
    with read_store(home) as store:
        records = [store.record_of(one.run) for one in listed.rows]
    beside = tuple(Attachment(name, attached[name][0], "application/json", name) for name in (CHECKPOINT, FORM))
    first, second = listed.rows
    told = first.model_copy(update={"printed": tuple(text.replace("0.79", "0.12") for text in first.printed)})
    lie = with_rows(listed, told, second)
    found = judged(home, sealed(home, page_alone(file), lie, beside, records))
    assert found.prints  # the page says what the records hold, and the list is no evidence beside them
    found = judged(home, sealed(home, drawn_anew(lie, beside), lie, beside, records))
    assert (found.intact, found.prints, found.trusted) == (True, False, False)
    other = with_rows(listed, first.model_copy(update={"verdict": "rejected", "document": "R-B1-000001"}), second)
    other = other.model_copy(update={"complete": False})
    found = judged(home, sealed(home, drawn_anew(other, beside), other, beside, records))
    assert found.reasons == ("The attached record of run B1-000001 is of another valve or verdict than is listed.",)


@pytest.fixture
def paged(home) -> tuple[bytes, SummedUp, tuple[Attachment, ...], list[RunRecord]]:
    """The drawn lot certificate with the pages of its valves, and everything enclosed."""
    file = lot(home, "--pages")["document"]
    attached = PdfReader(file).attachments
    beside = tuple(Attachment(name, attached[name][0], "application/json", name) for name in (CHECKPOINT, FORM))
    with read_store(home) as store:
        records = [store.record_of(run) for run in ("B1-000001", "B1-000002")]
    return page_alone(file), SummedUp.model_validate_json(attached[SUMMARY][0]), beside, records


def on_page(page: bytes, number: int, change) -> bytes:
    """The same pages, the drawing of one of them changed."""
    out = BytesIO()
    with pikepdf.open(BytesIO(page)) as pdf:
        sheet = pdf.pages[number].obj
        sheet.Contents = pikepdf.Stream(pdf, change(sheet.Contents.read_bytes()))
        pdf.save(out)
    return out.getvalue()


def test_the_pages_of_valves_behind_a_lot_are_those_of_their_records_but_for_the_plots(home, paged):
    """Their text is drawn anew; a curve needs readings, which are not there; nothing of a plot may leave its place."""
    page, listed, beside, records = paged

    def check(change, number: int = 2) -> Verification:
        return judged(home, sealed(home, on_page(page, number, change), listed, beside, records))

    assert check(lambda text: text).printed == WITH_PAGES
    assert check(lambda text: in_first_plot(text, None)).printed == WITH_PAGES
    assert check(lambda text: in_first_plot(text, (30, 30))).reasons == (
        "Page 3: something of a plot lies elsewhere than its record gives.",
    )
    for label, fits in ((b"512.4", True), (b"lowest 499.9 psi", True), (b"REJECTED", False), (b"HL-4-0118", False)):
        written = b"BT %g %g Td /F3+0 7 Tf (" + label + b") Tj ET"
        assert check(lambda text, written=written: in_first_plot(text, None, written)).prints is fits
    for lie in (
        b"q 30 w %g %g m 200 300 l S Q",
        b"BT %g %g Td /F3+0 300 Tf (1) Tj ET",
        b"BT %g %g Td 1 Tr /F3+0 7 Tf (1) Tj ET",
    ):
        assert not check(lambda text, lie=lie: in_first_plot(text, None, lie)).prints
    found = check(lambda text: text.replace(b"(HL-4-0118)", b"(HL-4-0188)", 1))
    assert found.reasons == ("Page 3: it shows “HL-4-0188”, where its record gives “HL-4-0118”.",)
    assert not check(lambda text: text + b"\n1 1 1 rg 100 400 200 20 re f").prints
    assert not check(lambda text: text + b"\n1 1 1 rg 100 400 200 20 re f", 0).prints
    more = BytesIO()
    with pikepdf.open(BytesIO(page)) as pdf:
        pdf.pages.append(pdf.pages[1])
        pdf.save(more)
    found = judged(home, sealed(home, more.getvalue(), listed, beside, records))
    assert found.reasons[0] == "It has 4 pages, where its record gives 3."


SQUARE = b"q 0 0 0 rg %g %g 2 2 re f Q"


def in_first_plot(text: bytes, place: tuple[int, int] | None, drawn: bytes = SQUARE) -> bytes:
    """A black square, or something else, in the first figure: at a place of the page, or where its first label is."""
    at = text.index(b"BDC", text.index(b"/Figure")) + 3
    label = re.search(rb"BT ([0-9.]+) ([0-9.]+) Td", text[at:])
    assert label is not None
    x, y = place or (float(label[1]), float(label[2]))
    return text[:at] + b"\n" + drawn % (x, y) + b"\n" + text[at:]


def test_pages_whose_records_are_not_attached_are_not_compared_and_that_is_said(home, paged, monkeypatch):
    """As of an order so large that its records do not travel; of a smaller one they must be there."""
    page, listed, beside, _ = paged
    found = judged(home, sealed(home, page, listed, beside))
    assert (found.trusted, found.reasons) == (
        False, ("The record of a page that follows is not attached, or not one that this version can read.",),
    )  # fmt: skip
    monkeypatch.setattr(summary_again, "MOST_RECORDS", len(listed.rows) - 1)
    found = judged(home, sealed(home, page, listed, beside))
    assert (found.trusted, found.printed) == (True, WITHOUT_PAGES)
    lie = on_page(page, 0, lambda text: text + b"\n1 1 1 rg 100 400 200 20 re f")
    assert not judged(home, sealed(home, lie, listed, beside)).prints
    with pikepdf.open(BytesIO(page)) as pdf:
        del pdf.pages[-1]
        fewer = BytesIO()
        pdf.save(fewer)
    assert not judged(home, sealed(home, fewer.getvalue(), listed, beside)).prints


def test_the_form_names_just_the_pages_that_follow_from_the_list(home, paged):
    """Else a form could name so many that none of them is compared."""
    page, listed, beside, records = paged
    form = SummaryForm.model_validate_json(beside[1].data)
    for told in ({"following": form.following[:1]}, {"following": form.following * 2}, {"pages": False}):
        lie = replace(beside[1], data=canonical(form.model_copy(update=told)))
        found = judged(home, sealed(home, page, listed, (beside[0], lie), records))
        assert found.reasons[0] == "List and form of its page name different pages that follow."


def test_a_signature_on_a_valves_page_behind_a_lot_is_of_its_record(home, paged):
    """The form carries it, and it binds the attached record."""
    page, listed, beside, records = paged
    form = SummaryForm.model_validate_json(beside[1].data)
    signed = signed_by(records[0], "quill", "Mara Quill", Meaning.PERFORMED, 1)
    for run, strange in ((0, False), (1, True)):
        following = list(form.following)
        following[run] = following[run].model_copy(update={"signed": (signed,)})
        lie = canonical(form.model_copy(update={"following": tuple(following)}))
        found = judged(home, sealed(home, page, listed, (beside[0], replace(beside[1], data=lie)), records))
        assert not found.prints
        said_so = found.reasons == ("A signature on the page of run B1-000002 was made under another record.",)
        assert said_so is strange


def test_a_shift_is_drawn_anew_from_its_list(home):
    """In the zone in which it was asked for, with operators and counts that follow from the rows."""
    span = ("--since", "2026-01-01T06:00+01:00", "--until", "2026-11-26T06:00+01:00", "--name", "a year")
    made = said(home, "certificate", "shift", *span, "--json")
    assert made.exit_code == 0, made.output
    found = judged(home, json.loads(made.output)["document"])
    assert (found.trusted, found.printed, found.reasons) == (True, BY_BYTES.format("list"), ())


def test_a_list_whose_hash_is_not_the_printed_one_is_found(home, issued):
    """The rows look the same, and name another record."""
    page, listed, beside = issued
    other = listed.rows[0].model_copy(update={"record_sha256": "0" * 64})
    found = judged(home, sealed(home, page, with_rows(listed, other, listed.rows[1]), beside))
    assert found.reasons == ("Page and attached list state different facts.",)


def test_an_attached_record_that_is_not_the_listed_one_is_found(home, issued):
    """It would be taken for the evidence of a row."""
    with read_store(home) as store:
        record = store.record_of("B1-000001").model_copy(update={"operator": "Somebody Else"})
    found = judged(home, sealed(home, *issued, records=[record]))
    assert found.reasons == ("The attached record of run B1-000001 is not the one that is listed.",)


def row(**facts) -> SummedRow:
    return SummedRow(**{
        "serial": "HL-4-0117", "run": "B1-000001", "record_sha256": "0" * 64, "verdict": "accepted",
        "document": "C-B1-000001", "printed": ("1", "HL-4-0117", "accepted"), **facts,
    })  # fmt: skip


def listed(*rows: SummedRow, complete: bool = True) -> SummedUp:
    return SummedUp(
        kind=Kind.LOT, number="L-B1-000001", subject=ORDER, issued="2026-11-26T08:00:00Z", complete=complete,
        specimen=False, rows=rows,
    )  # fmt: skip


@pytest.mark.parametrize(
    "against", [{"verdict": "rejected"}, {"verdict": "void"}, {"document": ""}, *({"doubt": one} for one in Doubt)]
)
def test_no_list_is_complete_with_a_row_that_does_not_count(against):
    """Whatever it is: every one that counts, and one that does not."""
    good, bad = row(), row(serial="HL-4-0118", printed=("2", "HL-4-0118"), **against)
    wrong = "It says that the lot is complete, and its rows do not, or the other way round."
    assert list(faults_of_list(listed(good))) == []
    assert list(faults_of_list(listed(good, bad))) == [wrong]
    assert list(faults_of_list(listed(good, bad, complete=False))) == []
    assert list(faults_of_list(listed(good, complete=False))) == [wrong]
    assert list(faults_of_list(listed())) == [wrong]


def test_a_list_names_nothing_twice_and_every_valve_in_its_printed_row():
    """Two rows of a serial number would count one valve twice."""
    assert list(faults_of_list(listed(row(), row()))) == ["It lists something twice."]
    assert list(faults_of_list(listed(row(printed=("1", "HL-4-0118"))))) == ["A printed row does not name its valve."]


def test_the_register_takes_a_stamped_page_once_more(home):
    """Under its number, with the hash that the time stamp gave it; it stays the same page."""
    lot(home)
    with open_store(home) as store:
        (kept,) = store.summaries()
        store.add_summary(KeptSummary(kept.path, "1" * 64, kept.listed), again=True)
        assert store.next_summary(Kind.LOT) == 2
        assert store.document_count() == 3
        assert store.has_document("1" * 64)
