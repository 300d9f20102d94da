"""The sample pages in reports/samples/ are what the program draws today.

``pytest tests/certificate/test_samples.py --update-samples`` draws and seals them again with a throw-away key. The
drawn bytes depend on the pinned font package and on the versions of the drawing libraries; texts and pictures are
compared, so that another version of a library that draws the same does not matter.
"""

import shutil
import subprocess
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image, ImageChops
from pypdf import PdfReader

from testbench.certificate.content import IssueFacts
from testbench.certificate.data import reports
from testbench.certificate.issue import sealed_document, unsealed_document
from testbench.certificate.keys import grouped, load_station_key, make_station_key, read_certificate
from testbench.certificate.verify import verify

SAMPLES = reports() / "samples"
CERTIFICATE = SAMPLES / "sample-station-cert.pem"
AT = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)
NAMES = {
    "accepted-nps-4-a4": ("accepted_nps_4", "A4"),
    "rejected-nps-6-letter": ("rejected_nps_6", "Letter"),
    "accepted-nps-8-after-venting-again-a4": ("accepted_nps_8", "A4"),
}


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
    for name, (story, paper) in NAMES.items():
        run = told(bench, story)
        data = sealed_document(
            run.record, run.sha256, run.traces, works=bench.works, paper=paper, key=key, at=AT, signed=run.signed,
            checkpoint=bench.checkpoint,
        )  # fmt: skip
        (SAMPLES / f"{name}.pdf").write_bytes(data)
        picture(data, folder).save(SAMPLES / f"{name}.png", optimize=True)


def told(bench: SimpleNamespace, story: str) -> SimpleNamespace:
    """The run of a sample, signed by its people."""
    found: SimpleNamespace = bench.tell(bench.replace(getattr(bench, story), people=True))
    return found


def picture(data: bytes, folder: Path) -> Image.Image:
    (folder / "page.pdf").write_bytes(data)
    subprocess.run(["pdftoppm", "-r", "100", "-png", str(folder / "page.pdf"), str(folder / "page")], check=True)
    with Image.open(folder / "page-1.png") as found:
        return found.convert("RGB").quantize(colors=96, method=Image.Quantize.MAXCOVERAGE)


def drawn_now(bench: SimpleNamespace, name: str) -> bytes:
    from testbench.certificate.keys import fingerprint_of, signer_of

    story, paper = NAMES[name]
    run = told(bench, story)
    certificate = read_certificate(CERTIFICATE)
    facts = IssueFacts(
        bench.works, AT, signer_of(certificate), grouped(fingerprint_of(certificate)), run.signed, bench.checkpoint
    )
    return unsealed_document(run.record, run.sha256, run.traces, facts, paper)


def text_of(data: bytes) -> str:
    return PdfReader(BytesIO(data)).pages[0].extract_text()


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


@pytest.mark.parametrize("name", NAMES)
def test_a_sample_is_intact_and_a_specimen(name: str) -> None:
    """Sealed with a throw-away key whose certificate lies beside it; nobody can take it for a certificate."""
    found: Any = verify(SAMPLES / f"{name}.pdf", [read_certificate(CERTIFICATE)])
    assert (found.intact, found.trusted, found.specimen) == (True, True, True)
    assert not verify(SAMPLES / f"{name}.pdf", []).trusted
