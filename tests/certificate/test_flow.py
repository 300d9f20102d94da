"""How a document flows over its pages: one where one is enough, else parted where a reader expects it."""

from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pypdf import PdfReader

from testbench.certificate.content import IssueFacts, content_of
from testbench.certificate.data import layout
from testbench.certificate.languages import words_of
from testbench.certificate.page import draw, opened, sheets_of
from testbench.procedure.report_form import ReportForm
from testbench.procedure.valve import CertificateType
from testbench.run.machine import Ending
from testbench.run.record import Origin, canonical, sha256
from testbench.run.signature import Meaning
from tests.certificate.test_design import _overlap, boxes, needs_poppler

LANGUAGES = ["en", "de", "es"]
TYPES = [None, *CertificateType]
TWO = "Mara Quill, Harrow Lane Valve Works; Tobin Ashe, Harrow Lane Valve Works"
PRINTS = "; ".join(2 * [" ".join(["A1B2"] * 16)])


def content(bench: SimpleNamespace, story: Any, language: str = "en", kind: str | None = None, **form: Any) -> Any:
    """Signed by two persons, with a checkpoint; of type 3.2 by a witness, too."""
    run = bench.tell(bench.replace(story, people=True, origin=form.pop("origin", Origin.LIVE)))
    said = ReportForm(language=language, **form)
    record = run.record.model_copy(update={"report": said, "certificate_type": kind})
    signed = run.signed
    if kind == CertificateType.INSPECTION_CERTIFICATE_3_2:
        signed = (*signed, bench.signed_by(record, "vane", "Orla Vane", Meaning.WITNESSED, 20))
    at = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)
    facts = IssueFacts(bench.works, at, TWO, PRINTS, signed, bench.checkpoint)
    return content_of(record, sha256(canonical(record)), run.traces, facts, words_of(said))


def pages(found: Any, language: str, paper: str) -> list[str]:
    pdf = draw(found, layout(), words_of(ReportForm(language=language)), paper)
    return [page.extract_text() for page in PdfReader(BytesIO(pdf)).pages]


def sheets(found: Any, language: str, paper: str) -> Any:
    said = words_of(ReportForm(language=language))
    pen = opened(layout(), said, paper, found.dated, ("", "", "", ""))
    return pen, sheets_of(pen, found, said)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", TYPES)
@pytest.mark.parametrize("registered", [False, True])
def test_two_stages_fit_one_page_whatever_the_language_the_paper_and_the_type(
    bench: SimpleNamespace, kind: str | None, language: str, paper: str, registered: bool
) -> None:
    """Two signatures, a witness for 3.2, the checkpoint, and a calibration from the register with its second gauge."""
    channel = bench.registered if registered else bench.channel
    for story in (bench.accepted_nps_4, bench.rejected_nps_6):
        found = content(bench, bench.replace(story, channel=channel), language, kind)
        _, drawn = sheets(found, language, paper)
        assert len(drawn) == 1


@needs_poppler
@pytest.mark.parametrize("story", ["accepted_nps_4", "rejected_nps_6", "accepted_nps_8", "extended_nps_4"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_low_plots_print_no_two_words_over_each_other(
    bench: SimpleNamespace, language: str, story: str, tmp_path: Path
) -> None:
    """The fullest page, on the shorter paper, by the word boxes of poppler; the lowest pressure is named too."""
    story = bench.replace(getattr(bench, story), channel=bench.registered)
    found = content(bench, story, language, CertificateType.INSPECTION_CERTIFICATE_3_2)
    said = words_of(ReportForm(language=language))
    ((_, _, printed),) = boxes(draw(found, layout(), said, "Letter"), tmp_path)
    assert [(one[4], two[4]) for i, one in enumerate(printed) for two in printed[:i] if _overlap(one, two)] == []
    told = " ".join(box[4] for box in printed)
    for stage in found.stages:
        lowest = stage.table.lines[0]
        assert said("plot.lowest", value=f"{lowest.measured} psi") in told
    assert told.count(said("plot.collecting", seconds="")[:8]) >= (1 if found.stages[1].plot.collected else 0)


@pytest.mark.parametrize("language", LANGUAGES)
def test_where_two_pages_are_needed_the_evidence_stands_whole_on_the_second(
    bench: SimpleNamespace, language: str
) -> None:
    """A second unit below the first: the results on one page with tall plots, all the evidence on the next."""
    story = bench.replace(bench.accepted_nps_8, channel=bench.registered)
    found = content(bench, story, language, CertificateType.INSPECTION_CERTIFICATE_3_2, units="bar")
    pen, (first, second) = sheets(found, language, "Letter")
    evidence = words_of(ReportForm(language=language))
    said = [" ".join(page.split()) for page in pages(found, language, "Letter")]
    for key in ("course", "instrument", "rule", "sources", "document", "cautions"):
        assert f" {evidence(f'{key}.heading')} " in said[1]
    assert evidence("course.nothing") in said[1]
    assert evidence("course.nothing") not in said[0]
    full = pen.top - pen.bottom
    assert sum(block.height for block in first.blocks) > 0.75 * full
    assert sum(block.height for block in second.blocks) + second.closing.height > 0.3 * full


@pytest.mark.parametrize(("attempts", "on"), [(2, 1), (30, 2), (150, 3)])
def test_many_attempts_flow_and_each_page_names_the_section(bench: SimpleNamespace, attempts: int, on: int) -> None:
    """Every attempt is told; the label stands again where the course goes on; the closing block is on the last page."""
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: the blank flange leaked.")
    story = bench.replace(bench.accepted_nps_4, shell=(*[stopped] * attempts, bench.Attempt()))
    told = pages(content(bench, story), "en", "A4")
    assert len(told) == on
    assert sum(page.count("void (stopped)") for page in told) == attempts
    assert [f"page {n} of {on}" in page for n, page in enumerate(told, start=1)] == [True] * on
    for page in told:
        lines = page.splitlines()
        assert any("void (stopped)" in line for line in lines) == ("Course" in lines)
    assert ["Record SHA-256" in page for page in told] == [False] * (on - 1) + [True]


def test_a_section_that_goes_on_is_one_heading_for_a_screen_reader(bench: SimpleNamespace) -> None:
    """The repeated label is an artifact."""
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: the blank flange leaked.")
    found = content(bench, bench.replace(bench.accepted_nps_4, shell=(*[stopped] * 150, bench.Attempt())))
    once = content(bench, bench.accepted_nps_4)
    headings = []
    for one in (found, once):
        pdf = draw(one, layout(), words_of(None), "A4")
        tree = PdfReader(BytesIO(pdf)).trailer["/Root"]["/StructTreeRoot"]["/K"]["/K"]
        headings.append(sum(kid.get_object()["/S"] == "/H2" for kid in tree))
    assert headings[0] == headings[1]
