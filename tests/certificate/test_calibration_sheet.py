"""The calibration sheet and the residual picture: one page, every word readable, nothing off the paper."""

import shutil
import subprocess
import xml.etree.ElementTree as ET
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from pypdf import PdfReader

from testbench.certificate.calibration_sheet import sheet_pdf
from testbench.certificate.residual_plot import residual_svg
from testbench.station.bench import ChannelEntry, Works
from testbench.station.register import Assessment, assess
from tests.station.certificates import readings, report, up_and_down, worked_example

WORKS = Works(name="Harrow Lane Valve Works")
ENTRY = ChannelEntry.model_validate({
    "tag": "PT-101", "instrument": "pressure transmitter", "serial": "T-0042", "line": {"port": "/dev/null"},
    "unit": "psi", "decimals": 2,
})  # fmt: skip
BEFORE = report(certificate_number="SCL-25-0388", calibrated_on="2025-06-01", due_on="2026-05-31")
needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils is not installed")


def assessed(**changes: Any) -> Assessment:
    return assess(report(points=worked_example(), **changes), (BEFORE,), ENTRY)


def text_of(pdf: bytes) -> str:
    pages = PdfReader(BytesIO(pdf)).pages
    assert len(pages) == 1
    return " ".join(pages[0].extract_text().split())


def test_the_sheet_says_all_of_a_calibration():
    """Identity, result, every point, and the budget where U is largest: CAL-1, the worked transmitter."""
    came = readings((0, 0), (500, 502.5), (1000, 1003))
    text = text_of(sheet_pdf(assessed(as_found=came, tolerance="2.4 psi", resolution="0.025 psi"), WORKS, "A4"))
    for part in (
        "Calibration sheet SCL-26-0411", "Saltmarsh Calibration Laboratory", "2026-06-02, 2027-06-01",
        "psi = −0.272572 + 1.000002 × indication", "44 points, residuals SD 0.18 psi beside the line",
        "0.585 psi at most, at 500 psi (95 %, k = 2.00)", "FAILED; error 3 psi at 1000 psi, 2.4 psi allowed",
        "500 0.166 0.050 0.300 0.184 2.00 0.401 0.585", "Uncertainty budget at 500 psi", "since SCL-25-0388",
        "U = 0.184 psi (k = 2.00)",
    ):  # fmt: skip
        assert part in text


def test_what_a_certificate_does_not_show_is_said():
    """A single series, nothing before it, nothing as found."""
    found = assess(report(points=readings(*((p, p + 0.1 * (p % 3)) for p in range(0, 1001, 100)))), (), ENTRY)
    text = text_of(sheet_pdf(found, WORKS, "Letter"))
    for part in ("no points of a calibration before are known", "Zero deviation not seen", "As found not stated"):
        assert part in text


def test_a_bent_curve_is_written_out():
    """Where the points earned it."""
    found = assess(report(points=up_and_down(bow=3.0), tolerance="1 psi"), (), ENTRY)
    assert "× indication²" in text_of(sheet_pdf(found, WORKS, "A4"))


@needs_poppler
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("levels", [3, 11, 51])
def test_nothing_leaves_the_paper(tmp_path: Path, paper: str, levels: int):
    """The margin stays white, also with more pressures than a page holds and the longest texts; grey as in colour."""
    rows = [(1000 * i / (levels - 1), 1000.5 * i / (levels - 1), way) for way in ("up", "down") for i in range(levels)]
    more = {"environment": "x" * 100 + " " + "y" * 100, "reference_instrument": "pressure balance " * 6}
    found = assess(report(points=readings(*rows), as_found=readings(*rows), drift_allowance="0.1 psi", **more),
                   (BEFORE,), ENTRY)  # fmt: skip
    (tmp_path / "sheet.pdf").write_bytes(sheet_pdf(found, WORKS, paper))
    command = ["pdftoppm", "-r", "72", "-gray", "-png", str(tmp_path / "sheet.pdf"), str(tmp_path / "sheet")]
    subprocess.run(command, check=True)
    picture = Image.open(next(tmp_path.glob("sheet*.png"))).convert("L")
    width, height = picture.size
    for box in ((0, height - 26, width, height), (0, 0, 26, height), (width - 26, 0, width, height), (0, 0, width, 26)):
        assert picture.crop(box).getextrema()[0] > 250


def test_the_same_calibration_gives_the_same_bytes():
    """The file is dated by its entry."""
    assert sheet_pdf(assessed(), WORKS, "A4") == sheet_pdf(assessed(), WORKS, "A4")


def test_the_picture_shows_every_reading():
    """Well-formed SVG: a triangle a reading (filled going up), the band, a title, no face that only we have."""
    text = residual_svg(assessed(certificate_number="SCL <26> & 0411"))
    tree = ET.fromstring(text)
    shapes = list(tree.iter("{http://www.w3.org/2000/svg}polygon"))
    filled = [shape for shape in shapes if "fill: none" not in (shape.get("style") or "")]
    assert len(shapes) == 44 + 2 + 1  # the readings, the legend, the band
    assert len(filled) == 22 + 1 + 1
    assert tree.find("{http://www.w3.org/2000/svg}title").text == "Residuals: SCL <26> & 0411"
    assert "Bench-Regular" not in text
