"""PDF/A-3b: checked before anybody signs; the same bytes whatever clock and hash seed the process has."""

import os
import shutil
import subprocess
import sys
from datetime import datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from pikepdf import pdfa

from testbench.certificate.attach import Attachment, attach
from testbench.errors import ArchiveProfileError
from testbench.run.record import canonical

STORY = """
import hashlib, importlib.util, sys
from datetime import UTC, datetime
from io import BytesIO
from reportlab.pdfgen.canvas import Canvas
from testbench.certificate.attach import Attachment, attach
from testbench.certificate.data import layout
from testbench.certificate.pen import Pen
at = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)
pen = Pen(layout(), "A4", at)
pen.text(60, 700, "one page")
pen.canvas.showPage()
files = tuple(Attachment(f"file-{n}.json", b"{}", "application/json", f"File {n}") for n in range(5))
print(hashlib.sha256(attach(pen.finished(), files, at)).hexdigest())
"""


def test_every_kind_of_page_is_pdf_a_3b(bench: SimpleNamespace, at: datetime) -> None:
    """Outside source: pikepdf's validator, an allow-list on veraPDF's rules (96 of 146 for part 3 implemented)."""
    from testbench.certificate.content import IssueFacts
    from testbench.certificate.issue import unsealed_document

    facts = IssueFacts(bench.works, at, "Station seal", "0000")
    for story, paper in ((bench.accepted_nps_4, "A4"), (bench.rejected_nps_6, "Letter"), (bench.accepted_nps_8, "A4")):
        run = bench.tell(story)
        data = unsealed_document(run.record, run.sha256, run.traces, facts, paper)
        report = pdfa.validate_written(BytesIO(data), "3b")
        assert (report.verdict, report.findings) == ("pass", [])


def test_the_attachments_are_declared_as_data(unsealed: bytes) -> None:
    """ISO 19005-3, 6.8: media type, relationship, and an entry in the document's /AF."""
    with pikepdf.open(BytesIO(unsealed)) as pdf:
        assert len(pdf.Root.AF) == len(pdf.attachments) == 5
        for spec in pdf.Root.AF:
            assert spec.AFRelationship == "/Data"
            assert str(spec.EF.F.Subtype) in {"/application/json", "/text/csv"}


def _without_font(pdf: Any) -> None:
    for font in pdf.pages[0].Resources.Font.values():
        del font.FontDescriptor["/FontFile2"]


@pytest.mark.parametrize(
    ("breach", "rule"),
    [
        (lambda pdf: pdf.Root.__setitem__("/OpenAction", pikepdf.Dictionary(S=pikepdf.Name.Launch)), "/OpenAction"),
        (_without_font, "6.2.11"),
        (lambda pdf: pdf.pages[0].__setitem__("/AA", pikepdf.Dictionary()), "6.5"),
    ],
)
def test_a_page_that_breaks_the_profile_is_not_attached_to(
    unsealed: bytes, at: datetime, breach: Any, rule: str
) -> None:
    """A launch action, a face that is not embedded, an action of a page: each is named with its clause."""
    page = BytesIO()
    with pikepdf.open(BytesIO(unsealed)) as pdf:
        breach(pdf)
        pdf.save(page)
    with pytest.raises(ArchiveProfileError) as refusal:
        attach(page.getvalue(), (), at)
    assert str(refusal.value).startswith("The document is not PDF/A-3b: ")
    assert rule in str(refusal.value)


@pytest.mark.parametrize(("seed", "zone"), [("1", "UTC"), ("2", "Asia/Kolkata"), ("3", "America/St_Johns")])
def test_the_bytes_depend_on_neither_hash_seed_nor_time_zone(seed: str, zone: str) -> None:
    """Half-hour zones among them: a drawing library wrote their dates wrongly once."""
    told = [_hash_under("0", "UTC"), _hash_under(seed, zone)]
    assert told[0] == told[1]
    assert len(told[0]) == 65


def _hash_under(seed: str, zone: str) -> str:
    environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone}
    environment["PYTHONPATH"] = str(Path(__file__).parents[2])
    command = [sys.executable, "-P", "-c", STORY]
    return subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout


def test_no_date_is_that_of_the_computer(at: datetime) -> None:
    """The metadata carries the document's date alone."""
    made = _page_with_date(at)
    with pikepdf.open(BytesIO(made)) as pdf:
        dates = {line.strip() for line in pdf.Root.Metadata.read_bytes().decode().splitlines() if "Date>" in line}
    assert {date.split(">")[1][:19] for date in dates} == {"2026-11-25T10:02:03"}


def _page_with_date(at: datetime) -> bytes:
    from testbench.certificate.data import layout
    from testbench.certificate.pen import Pen

    pen = Pen(layout(), "A4", at)
    pen.canvas.showPage()
    return attach(pen.finished(), (Attachment("a.json", b"{}", "application/json", "A"),), at)


@pytest.mark.skipif(shutil.which("pdfdetach") is None, reason="poppler-utils is not installed")
def test_pdfdetach_takes_out_what_was_put_in(locked: bytes, accepted: Any, tmp_path: Path) -> None:
    """Outside source: pdfdetach of poppler, from a document with two signatures."""
    (tmp_path / "file.pdf").write_bytes(locked)
    subprocess.run(["pdfdetach", "-saveall", "file.pdf"], cwd=tmp_path, check=True)
    assert (tmp_path / "record.json").read_bytes() == canonical(accepted.record)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "file.pdf", "ledger-checkpoint.json", "page.json", "record.json", "trace-01-shell-test-attempt-1.csv",
        "trace-02-seat-test-attempt-1.csv",
    ]  # fmt: skip


@pytest.mark.skipif(shutil.which("qpdf") is None, reason="qpdf is not installed")
def test_qpdf_finds_no_error_in_any_revision(unsealed: bytes, certified: bytes, locked: bytes, tmp_path: Path) -> None:
    """Outside source: qpdf --check, for the structure alone; it says nothing about signatures."""
    for data in (unsealed, certified, locked):
        (tmp_path / "file.pdf").write_bytes(data)
        command = ["qpdf", "--check", str(tmp_path / "file.pdf")]
        said = subprocess.run(command, capture_output=True, text=True, check=False)
        assert said.returncode == 0
        assert "PDF Version: 1.7" in said.stdout
