"""The sample pages in reports/samples/ are what the program draws today.

``pytest tests/certificate/test_samples.py --update-samples`` draws and seals them again with a throw-away key. The
drawn bytes depend on the pinned font package and on the versions of the drawing libraries; texts and pictures are
compared, so that another version of a library that draws the same does not matter.
"""

import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image, ImageChops
from pypdf import PdfReader

from testbench.certificate.content import IssueFacts, number_of
from testbench.certificate.data import layout, reports
from testbench.certificate.hands import of_station
from testbench.certificate.issue import sealed_document, unsealed_document
from testbench.certificate.keys import (
    fingerprint_of,
    grouped,
    load_station_key,
    make_station_key,
    read_certificate,
    signer_of,
)
from testbench.certificate.languages import words
from testbench.certificate.lot_certificate import Known, LotRun, draw_lot, following_of, lot_content, with_page
from testbench.certificate.shift_summary import Shift, shift_content
from testbench.certificate.summary import draw_summary
from testbench.certificate.summary_form import summary_form
from testbench.certificate.summary_issue import Drawn, unsealed_summary
from testbench.certificate.verify import verify
from testbench.procedure.report_form import ReportForm
from testbench.procedure.valve import Order
from testbench.run.machine import Ending
from testbench.run.record import RunRecord, canonical, sha256
from testbench.station.summed_up import Doubt

SAMPLES = reports() / "samples"
CERTIFICATE = SAMPLES / "sample-station-cert.pem"
AT = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)
NAMES = {
    "accepted-nps-4-a4": ("accepted_nps_4", "A4", {}),
    "accepted-nps-4-letter": ("accepted_nps_4", "Letter", {"certificate_type": "3.1"}),
    "rejected-nps-6-letter": ("rejected_nps_6", "Letter", {}),
    "accepted-nps-8-after-venting-again-a4": ("accepted_nps_8", "A4", {}),
    "accepted-nps-4-a4-de": ("accepted_nps_4", "A4", {"certificate_type": "3.1", "report": {"language": "de"}}),
    "rejected-nps-6-a4-es": ("rejected_nps_6", "A4", {"report": {"language": "es", "units": "bar"}}),
}
"""Of each sample its story, its paper, and what its order and bench ask for beside."""
LOT, SHIFT = "lot-a4", "shift-a4"


@pytest.fixture(scope="module", autouse=True)
def updated(request: pytest.FixtureRequest, bench: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Draw the samples again where asked to."""
    if not request.config.getoption("--update-samples", default=False):
        return
    SAMPLES.mkdir(parents=True, exist_ok=True)
    folder = tmp_path_factory.mktemp("throw-away")
    make_station_key(folder, "B1", bench.works.name, AT)
    key = load_station_key(folder)
    shutil.copy(folder / "station-cert.pem", CERTIFICATE)
    for name, (_, paper, _) in NAMES.items():
        run = told(bench, name)
        data = sealed_document(
            run.record, run.sha256, run.traces, works=bench.works, paper=paper, key=key, at=AT, signed=run.signed,
            checkpoint=bench.checkpoint,
        )  # fmt: skip
        (SAMPLES / f"{name}.pdf").write_bytes(data)
        picture(data, folder).save(SAMPLES / f"{name}.png", optimize=True)
    for name, draw_now in SUMMARIES.items():
        data = of_station(key).sign(unsealed_summary(draw_now(bench), bench.checkpoint), AT)
        (SAMPLES / f"{name}.pdf").write_bytes(data)
        picture(data, folder).save(SAMPLES / f"{name}.png", optimize=True)


def told(bench: SimpleNamespace, name: str) -> SimpleNamespace:
    """The run of a sample, signed by its people."""
    story, _, more = NAMES[name]
    run = bench.tell(bench.replace(getattr(bench, story), people=True))
    if not more:
        return SimpleNamespace(record=run.record, sha256=run.sha256, traces=run.traces, signed=run.signed)
    asked = RunRecord.model_validate(run.record.model_dump(mode="json") | more)
    again = tuple(
        bench.signed_by(asked, one.person, one.printed_name, one.meaning, minutes)
        for one, minutes in zip(run.signed, (1, 9), strict=False)
    )
    return SimpleNamespace(record=asked, sha256=sha256(canonical(asked)), traces=run.traces, signed=again)


def runs_of_a_day(bench: SimpleNamespace) -> list[LotRun]:
    """Accepted, rejected, rejected, void, accepted; and the third accepted at last. All but the void one documented."""
    leak = bench.Attempt(above=4.0, decay_per_min=0.2, caught="6.2 mL", collect_s=40)
    fine = bench.Attempt(above=4.0, decay_per_min=0.2)
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: hose leaked.")
    stories = [
        ("HL-4-0117", fine, bench.Attempt()), ("HL-4-0118", leak, bench.Attempt()),
        ("HL-4-0119", leak, bench.Attempt()), ("HL-4-0120", fine, stopped), ("HL-4-0121", fine, bench.Attempt()),
        ("HL-4-0119", fine, bench.Attempt()),
    ]  # fmt: skip
    runs = [
        bench.tell(bench.Story(serial=serial, number=n, people=True, seat_test=(seat,), shell=(shell,),
                               started=datetime(2026, 11, 25, 7, 12 * n - 12, tzinfo=UTC)))
        for n, (serial, seat, shell) in enumerate(stories[:5], start=1)
    ]  # fmt: skip
    serial, seat, shell = stories[5]
    again = bench.Story(serial=serial, number=6, people=True, seat_test=(seat,), shell=(shell,),
                        started=datetime(2026, 11, 25, 8, 30, tzinfo=UTC))  # fmt: skip
    runs.append(bench.tell(again))
    return [
        LotRun(run.record, Known(number_of(run.record)) if run.record.decided else Known(), run.traces, run.signed)
        for run in runs
    ]


def facts_now(bench: SimpleNamespace) -> IssueFacts:
    certificate = read_certificate(CERTIFICATE)
    return IssueFacts(
        bench.works, AT, signer_of(certificate), grouped(fingerprint_of(certificate)), checkpoint=bench.checkpoint
    )


def lot_now(bench: SimpleNamespace) -> Drawn:
    """An order of six: accepted, rejected, rejected and then accepted, void, not tested; with pages."""
    runs = runs_of_a_day(bench)
    valves = [run.record.valve for run in runs[:5]]
    valves.append(valves[0].model_copy(update={"serial": "HL-4-0122"}))
    order = Order(number="HL-2041", customer="Ellery Water Board", customer_order="EWB-7733",
                  procedure="waterworks-swing-check", certificate_type="3.1", valves=tuple(valves))  # fmt: skip
    facts, number = facts_now(bench), "L-B1-000001"
    page = draw_lot(order, runs, number, facts, words(), layout=layout(), paper="A4", with_pages=True)
    found = lot_content(order, runs, number, facts, words(), with_pages=True)
    form = summary_form(found, facts, ReportForm(), "A4", following_of(order, runs))
    return Drawn(page, found.listed, form, tuple(one.record for one in with_page(order, runs)))


def shift_now(bench: SimpleNamespace) -> Drawn:
    """The same runs as a shift; the first was recalled since, the last is not released yet."""
    first, *others, last = runs_of_a_day(bench)
    recalled = replace(first, known=replace(first.known, doubt=Doubt.RECALLED, told="RC-B1-000001"))
    waiting = replace(last, known=Known(doubt=Doubt.NOT_RELEASED))
    shift = Shift("early", "B1", datetime(2026, 11, 25, 6, tzinfo=UTC), datetime(2026, 11, 25, 10, tzinfo=UTC))
    facts = facts_now(bench)
    found = shift_content(shift, [recalled, *others, waiting], "S-B1-000002", facts, words(), replaces="S-B1-000001")
    return Drawn(
        draw_summary(found, layout(), words(), "A4"), found.listed, summary_form(found, facts, ReportForm(), "A4")
    )


SUMMARIES = {LOT: lot_now, SHIFT: shift_now}


def picture(data: bytes, folder: Path) -> Image.Image:
    (folder / "page.pdf").write_bytes(data)
    subprocess.run(["pdftoppm", "-r", "100", "-png", str(folder / "page.pdf"), str(folder / "page")], check=True)
    with Image.open(folder / "page-1.png") as found:
        return found.convert("RGB").quantize(colors=96, method=Image.Quantize.MAXCOVERAGE)


def drawn_now(bench: SimpleNamespace, name: str) -> bytes:
    paper = NAMES[name][1]
    run = told(bench, name)
    certificate = read_certificate(CERTIFICATE)
    facts = IssueFacts(
        bench.works, AT, signer_of(certificate), grouped(fingerprint_of(certificate)), run.signed, bench.checkpoint
    )
    return unsealed_document(run.record, run.sha256, run.traces, facts, paper)


def text_of(data: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(BytesIO(data)).pages)


@pytest.mark.parametrize("name", NAMES)
def test_a_sample_says_what_the_program_says_today(bench: SimpleNamespace, name: str) -> None:
    """If this fails after a wanted change: run with --update-samples, look at the pictures, commit them."""
    assert text_of((SAMPLES / f"{name}.pdf").read_bytes()) == text_of(drawn_now(bench, name))


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils is not installed")
@pytest.mark.parametrize("name", NAMES)
def test_a_sample_looks_as_the_program_draws_today(bench: SimpleNamespace, name: str, tmp_path: Path) -> None:
    """Fewer than one pixel in two hundred may differ, for another version of the program that renders."""
    with Image.open(SAMPLES / f"{name}.png") as stored:
        before, now = stored.convert("L"), picture(drawn_now(bench, name), tmp_path).convert("L")
    assert before.size == now.size
    difference = ImageChops.difference(before, now).point(lambda value: 255 if value > 64 else 0)
    changed = difference.histogram()[255]
    assert changed / (now.width * now.height) < 0.005


@pytest.mark.parametrize("name", [*NAMES, *SUMMARIES])
def test_a_sample_is_intact_and_a_specimen(name: str) -> None:
    """Sealed with a throw-away key whose certificate lies beside it; nobody can take it for a certificate."""
    found: Any = verify(SAMPLES / f"{name}.pdf", [read_certificate(CERTIFICATE)])
    assert (found.intact, found.trusted, found.specimen) == (True, True, True)
    assert not verify(SAMPLES / f"{name}.pdf", []).trusted


def test_the_sample_of_a_lot_is_what_the_program_draws_today(bench: SimpleNamespace) -> None:
    """Its row sheet and the page of each decided valve."""
    now = lot_now(bench).page
    assert text_of((SAMPLES / f"{LOT}.pdf").read_bytes()) == text_of(now)
    assert "NOT COMPLETE" in text_of(now)
    assert len(PdfReader(BytesIO(now)).pages) == 5


def test_the_sample_of_a_shift_is_what_the_program_draws_today(bench: SimpleNamespace) -> None:
    """What was recalled or is not released shows that in place of its verdict."""
    now = text_of(shift_now(bench).page)
    assert text_of((SAMPLES / f"{SHIFT}.pdf").read_bytes()) == now
    assert "Recalled by RC-B1-000001: the works does not stand by this run any more." in now
    assert "Accepted in its run, and not released yet." in now
    assert "2 accepted in their run do not count as accepted; the rows say why." in now
