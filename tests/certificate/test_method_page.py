"""The page of evidence of the method: one sheet that stands alone, in colour or grey."""

import re
import shutil
import subprocess
from datetime import UTC, datetime
from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from testbench.certificate.data import layout
from testbench.certificate.languages import Words, words
from testbench.certificate.method_page import Study, draw_method_page, percent
from testbench.metrology.studies import CASES, NOISES, method_study

needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils is not installed")


@cache
def study() -> Study:
    return Study(method_study(12, np.random.default_rng(5)), 5, "9.8.7", datetime(2026, 11, 25, 10, tzinfo=UTC))


@cache
def page() -> bytes:
    return draw_method_page(study(), layout(), words())


@cache
def text() -> str:
    (sheet,) = PdfReader(BytesIO(page())).pages
    return " ".join(sheet.extract_text().split())


def test_it_is_one_sheet_that_says_how_it_came_about():
    """Version, date, holds, seed, the command, the Monte-Carlo standard error: √(0.95·0.05/12) is 6.3 %."""
    for told in (
        "testbench 9.8.7, computed 2026-11-25",
        "12 for each figure, seed 5",
        "testbench measure method --runs 12 --seed 5",
        "Monte-Carlo standard error: 6.3 % at 95 %, 14 % at 50 %",
        "0 and 100 stand for less than 25 % off",
    ):
        assert told in text()


def test_it_defines_what_it_speaks_of():
    """Every noise, every case, and the words that a reader may not know."""
    for noise in NOISES:
        assert noise.name in text()
    for case in CASES:
        assert text().count(case.name) >= 2
        assert f"limit {case.limit}" in text()
    for word in ("AR(1) r:", "1/f:", "SD 0.2 LSB:", "'As if white' is", "Curved:", "False accept:", "False reject:"):
        assert word in text()
    assert text().count("Gate: can decide, in ") == 4
    assert "Gate: cannot decide; temperature dominates." in text()


def test_it_prints_the_figures_of_the_study():
    """Each row of coverage, and each row of wrong decisions, guarded beside simple."""
    for noise in NOISES:
        row = [found for found in study().found.coverages if found.noise == noise.name]
        figures = [percent(count, 12) for found in row for count in (found.as_if_white, found.ours)]
        curved = percent(max(found.curved for found in row), 12)
        assert " ".join([noise.name, *figures, curved]) in text()
    for decided in study().found.decided:
        above = [(of.accepted, of.simply_accepted) for of in map(decided.at, (1.0, 1.05, 1.25))]
        below = [(of.rejected, of.simply_rejected) for of in map(decided.at, (0.8, 0.95, 1.0))]
        cells = [f"{percent(guarded, 12)} | {percent(simple, 12)}" for guarded, simple in (*above, *below)]
        assert " ".join([decided.case.name, *cells]) in text()


@pytest.mark.parametrize(
    ("count", "of", "said"),
    [(0, 12, "0"), (12, 12, "100"), (1, 12, "8.3"), (9999, 10000, "100.0"), (4, 10000, "0.0")],
)
def test_a_share_in_words(count: int, of: int, said: str):
    """None and all without a decimal, so that they differ from nearly none and nearly all."""
    assert percent(count, of) == said


def test_every_word_of_its_own_is_printed():
    """A text that nobody prints is a text that nobody corrects."""
    used = set()

    class Counting(Words):
        def __call__(self, key: str, **facts: object) -> str:
            used.add(key)
            return super().__call__(key, **facts)

    draw_method_page(study(), layout(), Counting(words().language, words().texts))
    assert used == {key for key in words().texts if key.startswith("method.")}


def test_the_same_study_gives_the_same_bytes():
    """Nothing else gets into the file."""
    assert draw_method_page(study(), layout(), words()) == page()


def test_nothing_is_printed_smaller_than_seven_points_or_left_to_the_viewers_fonts():
    """Small grey print dissolves on a bad printer."""
    (sheet,) = PdfReader(BytesIO(page())).pages
    sizes = [float(size) for size in re.findall(rb"/F\d+\+?\d* ([\d.]+) Tf", sheet.get_contents().get_data())]
    assert sizes
    assert min(sizes) >= 7
    fonts = [font.get_object()["/FontDescriptor"].get_object() for font in sheet["/Resources"]["/Font"].values()]
    assert all("/FontFile2" in font for font in fonts)


@needs_poppler
def test_no_two_words_are_printed_over_each_other_or_off_the_page(tmp_path: Path):
    """Outside source: the word boxes that poppler finds."""
    (tmp_path / "page.pdf").write_bytes(page())
    boxes = subprocess.run(
        ["pdftotext", "-bbox", str(tmp_path / "page.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    shape = r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)</word>'
    found = [(*map(float, box[:4]), box[4]) for box in re.findall(shape, boxes)]
    assert len(found) > 300
    assert all(x0 >= 28 and x1 <= 595.3 - 28 and y0 >= 20 and y1 <= 841.9 - 28 for x0, y0, x1, y1, _ in found)
    assert [(one[4], two[4]) for i, one in enumerate(found) for two in found[:i] if overlap(one, two)] == []


def overlap(one: tuple, two: tuple) -> bool:
    """Whether the inner parts of two boxes meet; a box holds room above and below its letters."""
    rooms = [0.26 * (box[3] - box[1]) for box in (one, two)]
    across = min(one[2], two[2]) - max(one[0], two[0])
    up = min(one[3] - rooms[0], two[3] - rooms[1]) - max(one[1] + rooms[0], two[1] + rooms[1])
    return across > 0.3 and up > 0.3


@needs_poppler
def test_the_areas_differ_as_a_photocopy(tmp_path: Path):
    """The squares of the key in grey: rejected is a flat grey, inconclusive is hatched, accepted is white."""
    (tmp_path / "page.pdf").write_bytes(page())
    subprocess.run(["pdftoppm", "-r", "144", "-gray", str(tmp_path / "page.pdf"), str(tmp_path / "page")], check=True)
    squares = {}
    for name, top in key_squares().items():
        with Image.open(tmp_path / "page-1.pgm") as picture:
            inner = picture.crop((2 * 398, 2 * top - 6, 2 * 411, 2 * top + 6))
            squares[name] = np.asarray(inner, dtype=float)
    assert squares["rejected:"].mean() < 200
    assert squares["rejected:"].std() < 5
    assert squares["inconclusive:"].std() > 15
    assert squares["accepted:"].mean() > 250


def key_squares() -> dict[str, float]:
    """Where the words of the key stand [pt from above]; the squares stand left of them."""
    found = {}

    def visit(told: str, _cm: object, matrix: list[float], _font: object, _size: float) -> None:
        for name in ("rejected:", "inconclusive:", "accepted:"):
            if told.strip().startswith(name):
                found[name] = 841.9 - matrix[5] - 3

    PdfReader(BytesIO(page())).pages[0].extract_text(visitor_text=visit)
    return found
