"""The page as a thing to be read: sizes, contrast, long and foreign names, printers without grey, scanners."""

import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image
from pypdf import PdfReader

from testbench.certificate.content import IssueFacts, content_of, number_of
from testbench.certificate.data import layout
from testbench.certificate.languages import words_of
from testbench.certificate.lot_certificate import Known, LotRun, draw_lot
from testbench.certificate.page import draw
from testbench.certificate.pen import printable
from testbench.errors import GlyphMissingError
from testbench.procedure.report_form import ReportForm
from testbench.procedure.valve import CertificateType, Order
from testbench.run.record import Origin, canonical, sha256

needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils is not installed")
needs_zbar = pytest.mark.skipif(shutil.which("zbarimg") is None, reason="zbar-tools is not installed")
needs_fallback = pytest.mark.skipif(
    not any(Path(file).is_file() for file in layout().fonts.fallback), reason="no fallback face is installed"
)
LANGUAGES = ["en", "de", "es"]
LONG = "Northern Estuary Water and Pumping Stations Board of Trustee"
DIGITS, SERIAL = "0123456789" * 6, "8" * 40


def drawn(bench: SimpleNamespace, run: Any, language: str = "en", paper: str = "A4", **more: Any) -> bytes:
    form = ReportForm(language=language, units=more.get("units"))
    asked = CertificateType.INSPECTION_CERTIFICATE_3_2 if more.get("asked") else None
    record = run.record.model_copy(update={"report": form, "certificate_type": asked})
    at = datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC)
    facts = IssueFacts(
        more.get("works", bench.works), at, "Station seal, bench B1", " ".join(["A1B2"] * 16), run.signed
    )
    words = words_of(form)
    return draw(content_of(record, sha256(canonical(record)), run.traces, facts, words), layout(), words, paper)


def drawn_lot(bench: SimpleNamespace, serial: str, language: str, paper: str) -> bytes:
    run = bench.tell(bench.replace(bench.accepted_nps_4, serial=serial, origin=Origin.LIVE))
    order = Order(number="HL-2041", customer=LONG, procedure="waterworks-swing-check", valves=(run.record.valve,))
    facts = IssueFacts(bench.works, datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC), "Station seal", "A1B2")
    words = words_of(ReportForm(language=language))
    lot = LotRun(run.record, Known(number_of(run.record), "0" * 64), run.traces)
    return draw_lot(order, [lot], "L-B1-000001", facts, words, layout=layout(), paper=paper, with_pages=True)


def boxes(pdf: bytes, folder: Path) -> Iterator[tuple[float, float, list[tuple[float, float, float, float, str]]]]:
    """Of each page its width, height and word boxes, as poppler finds them."""
    file = folder / "page.pdf"
    file.write_bytes(pdf)
    told = subprocess.run(["pdftotext", "-bbox", str(file), "-"], capture_output=True, text=True, check=True).stdout
    shape = r'xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>'
    for width, height, body in re.findall(r'<page width="([\d.]+)" height="([\d.]+)">(.*?)</page>', told, re.DOTALL):
        found = [(*(float(edge) for edge in box[:4]), box[4]) for box in re.findall(shape, body)]
        yield float(width), float(height), found  # type: ignore[misc]


def text_of(pdf: bytes) -> str:
    return "".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).replace("\n", "")


# Size and contrast ------------------------------------------------------------------------------


def shown(pdf: bytes) -> Iterator[tuple[float, tuple[float, float, float]]]:
    """Size and colour of every text that is filled, read from the content streams."""
    for page in PdfReader(BytesIO(pdf)).pages:
        size, colour, mode = 0.0, (0.0, 0.0, 0.0), 0
        for line in page.get_contents().get_data().decode("latin-1").split("\n"):
            if found := re.search(r"([\d.]+) ([\d.]+) ([\d.]+) rg\b", line):
                colour = tuple(map(float, found.groups()))  # type: ignore[assignment]
            if found := re.search(r"/F\d+\+?\d* ([\d.]+) Tf", line):
                size = float(found[1])
            if found := re.search(r"(\d) Tr\b", line):
                mode = int(found[1])
            if re.search(r"(^| )Q\b", line):  # the mode before the word across the page
                mode = 0
            if re.search(r"\) Tj", line) and mode == 0:
                yield size, colour


def luminance(colour: tuple[float, float, float]) -> float:
    """Relative luminance of WCAG 2 (formula from memory)."""
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("story", ["accepted_nps_4", "rejected_nps_6"])
def test_no_text_is_below_seven_points_or_a_contrast_of_seven(
    bench: SimpleNamespace, language: str, story: str
) -> None:
    """Every text that is drawn; white text stands on the accepted green or on ink alone."""
    pdf = drawn(bench, bench.tell(getattr(bench, story)), language, "Letter", units="bar", asked=True)
    found = list(shown(pdf))
    assert len(found) > 150
    assert min(size for size, _ in found) >= 7.0
    # Small print in grey dissolves into dots where a printer has black only: it is near-black.
    small = [colour for size, colour in found if size < 8 and colour != (1.0, 1.0, 1.0)]
    assert min(1.05 / (luminance(colour) + 0.05) for colour in small) >= 11
    white = [colour for _, colour in found if colour == (1.0, 1.0, 1.0)]
    others = [colour for _, colour in found if colour != (1.0, 1.0, 1.0)]
    assert min(1.05 / (luminance(colour) + 0.05) for colour in others) >= 7
    assert len(white) <= 3  # the word ACCEPTED and that of a specimen below it, the length of a collection on its bar
    for ground in (layout().colours.accepted, layout().colours.ink):
        parts = tuple(int(ground[at : at + 2], 16) / 255 for at in (1, 3, 5))
        assert 1.05 / (luminance(parts) + 0.05) >= 7  # type: ignore[arg-type]


# Long names -------------------------------------------------------------------------------------


@needs_poppler
@pytest.mark.parametrize(("paper", "units"), [("A4", "psi"), ("Letter", "psi"), ("A4", "bar"), ("Letter", "bar")])
@pytest.mark.parametrize("language", LANGUAGES)
def test_long_names_and_numbers_wrap_and_never_leave_the_page(
    bench: SimpleNamespace, language: str, paper: str, units: str, tmp_path: Path
) -> None:
    """Sixty characters for works, customer, product, drawing; the longest serial number; every language and unit."""
    works = bench.works.model_copy(update={"name": "W" * 60, "address": (LONG, LONG)})
    assert len(LONG) == len(DIGITS) == 60
    story = bench.replace(bench.accepted_nps_4, customer=LONG, customer_order=DIGITS, serial=SERIAL, people=True,
                          origin=Origin.LIVE, valve={"product": LONG, "drawing": DIGITS})  # fmt: skip
    run = bench.tell(story)
    for pdf in (
        drawn(bench, run, language, paper, works=works, asked=True, units=units),
        drawn_lot(bench, SERIAL, language, paper),
    ):
        for width, height, found in boxes(pdf, tmp_path):
            outside = [
                box for box in found if box[0] < 28 or box[2] > width - 28 or box[1] < 20 or box[3] > height - 20
            ]
            assert outside == []
            assert [(one[4], two[4]) for i, one in enumerate(found) for two in found[:i] if _overlap(one, two)] == []
        told = text_of(pdf)
        assert told.count(SERIAL) >= 1
        assert LONG in told


def _overlap(one: Any, two: Any) -> bool:
    """Whether the inner parts of two boxes meet; a box holds room above and below its letters."""
    across = min(one[2], two[2]) - max(one[0], two[0])
    (top, bottom), (other_top, other_bottom) = _inner(one), _inner(two)
    return bool(across > 0.3 and min(bottom, other_bottom) - max(top, other_top) > 0.3)


def _inner(box: Any) -> tuple[float, float]:
    room = (box[3] - box[1]) * 0.26
    return box[1] + room, box[3] - room


# Other scripts ----------------------------------------------------------------------------------


@needs_fallback
def test_han_and_kana_are_printed_in_the_fallback_face(bench: SimpleNamespace) -> None:
    """Mixed with Latin letters, wrapped where there is no space, embedded as a subset."""
    name = "東京都水道局カナガワ Harrow 支所"
    run = bench.tell(bench.replace(bench.accepted_nps_4, customer=name, valve={"product": "水" * 60}))
    pdf = drawn(bench, run)
    assert name in text_of(pdf)
    assert text_of(pdf).count("水") >= 61
    fonts = PdfReader(BytesIO(pdf)).pages[0]["/Resources"]["/Font"]
    embedded = [font.get_object()["/FontDescriptor"].get_object() for font in fonts.values()]
    assert all("/FontFile2" in descriptor for descriptor in embedded)
    assert any("Droid" in descriptor["/FontName"] for descriptor in embedded)
    assert pdf == drawn(bench, run)


@needs_fallback
def test_a_loaded_fallback_changes_no_page_that_needs_none(bench: SimpleNamespace) -> None:
    """The same bytes before and after, in one process."""
    from testbench.certificate import pen

    run = bench.tell(bench.accepted_nps_4)
    loaded = set(pen._FALLBACK)
    pen._FALLBACK.clear()
    before = drawn(bench, run)
    pen._FALLBACK.update(loaded)
    printable("水", layout())
    assert pen._FALLBACK
    assert drawn(bench, run) == before


@pytest.mark.parametrize("text", ["مياه", "מים", "ประปา", "जल", "수도국"])
def test_a_script_that_would_be_drawn_wrong_is_refused(text: str) -> None:
    """Right to left, joined letters, stacked marks, or no glyph: one sentence, nothing dropped."""
    with pytest.raises(GlyphMissingError) as refusal:
        printable(text, layout())
    assert (
        str(refusal.value) == f"'{text}' holds the character U+{ord(text[0]):04X}, which no installed font can print."
    )


def test_without_a_fallback_face_han_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the file is not there."""
    from testbench.certificate import pen

    monkeypatch.setattr(pen, "_FALLBACK", set())
    bare = layout().model_copy(update={"fonts": layout().fonts.model_copy(update={"fallback": ("/nowhere.ttf",)})})
    with pytest.raises(GlyphMissingError):
        printable("水", bare)


# Screen readers ---------------------------------------------------------------------------------


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_is_said_is_tagged_in_reading_order(bench: SimpleNamespace, language: str) -> None:
    """One title, a heading for each section, figures with words; every piece belongs to one element of its page."""
    run = bench.tell(bench.replace(bench.rejected_nps_6, customer=LONG))
    reader = PdfReader(BytesIO(drawn(bench, run, language, "Letter", asked=True)))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    tree = root["/StructTreeRoot"]
    elements = list(below(tree["/K"]))
    roles = [one["/S"] for one in elements]
    assert roles.count("/H1") == 1
    assert roles.count("/H2") >= 8
    figures = [one["/Alt"] for one in elements if one["/S"] == "/Figure"]
    words = words_of(ReportForm(language=language))
    assert figures[:2] == [words("plot.alt", stage=words(f"stage.{stage}")) for stage in ("shell_test", "seat_test")]
    assert figures[2].startswith("QR: R-B1-2026-0002 | HL-6-0118 | rejected | ")
    parents = dict(zip(tree["/ParentTree"]["/Nums"][::2], tree["/ParentTree"]["/Nums"][1::2], strict=True))
    for number, page in enumerate(reader.pages):
        assert page["/StructParents"] == number
        marked = re.findall(rb"/MCID (\d+)>> BDC", page.get_contents().get_data())
        assert [int(one) for one in marked] == list(range(len(parents[number].get_object())))
    for element in (one for one in elements if "/Pg" in one):
        page = element["/Pg"].get_object()
        of_page = parents[page["/StructParents"]].get_object()
        assert all(of_page[piece].get_object() == element for piece in element["/K"])


def below(element: Any) -> Iterator[Any]:
    """The elements under one, in reading order."""
    for kid in element["/K"]:
        if not isinstance(kid, int):
            yield kid.get_object()
            yield from below(kid.get_object())


@pytest.mark.parametrize("story", ["accepted_nps_4", "rejected_nps_6", "extended_nps_4"])
def test_a_table_is_read_as_rows_of_cells(bench: SimpleNamespace, story: str) -> None:
    """As many cells in each row, the empty ones too; headings of columns and of rows (ISO 32000-1, 14.8.4.3.4)."""
    reader = PdfReader(BytesIO(drawn(bench, bench.tell(getattr(bench, story)), units="bar")))
    top = reader.trailer["/Root"]["/StructTreeRoot"]["/K"]
    tables = [one for one in below(top) if one["/S"] == "/Table"]
    assert len(tables) == 2
    for table in tables:
        rows = [[cell.get_object() for cell in row["/K"]] for row in below(table) if row["/S"] == "/TR"]
        spans = [sum(cell.get("/A", {}).get("/ColSpan", 1) for cell in row) for row in rows]
        assert spans == [8] * len(rows)
        scopes = [[cell.get("/A", {}).get("/Scope") for cell in row if cell["/S"] == "/TH"] for row in rows]
        assert scopes[0] == ["/Column"] * 8
        assert all(scope in ([], ["/Row"]) for scope in scopes[1:])
        assert sum(scope == ["/Row"] for scope in scopes) == 5


def test_marks_are_balanced_and_nothing_is_drawn_outside_of_them(bench: SimpleNamespace) -> None:
    """Each begins where the one before ended: an element's piece or an artifact, never one inside the other."""
    for page in PdfReader(BytesIO(drawn(bench, bench.tell(bench.accepted_nps_4)))).pages:
        stream = page.get_contents().get_data()
        marks = re.findall(rb"\b(BMC|BDC|EMC)\b", stream)
        assert marks[0::2] == [mark for mark in marks if mark != b"EMC"]
        assert marks[1::2] == [b"EMC"] * (len(marks) // 2)
        first, last = re.search(rb"/Artifact BMC", stream), stream.rindex(b"EMC")
        assert first is not None
        drawing = rb"(\) Tj|\bre\b|\bl S\b| f\b)"
        assert not re.search(drawing, stream[: first.start()])
        assert not re.search(drawing, stream[last:])


@needs_poppler
def test_another_program_reads_the_structure(bench: SimpleNamespace, tmp_path: Path) -> None:
    """Outside source: pdfinfo of poppler."""
    file = tmp_path / "page.pdf"
    file.write_bytes(drawn(bench, bench.tell(bench.accepted_nps_4), "de"))
    told = subprocess.run(["pdfinfo", "-struct-text", str(file)], capture_output=True, text=True, check=True).stdout
    title, serial, shell, seat = (
        told.index(f'"{text}"')
        for text in (
            "Zeugnis über die Wasserdruckprüfung",
            "HL-4-0117",
            "Gehäusefestigkeitsprüfung",
            "Sitzdichtheitsprüfung",
        )
    )
    assert title < serial < shell < seat
    assert "MUSTER\n" not in told  # the word across the page is an artifact; its sentence is read


# A specimen -------------------------------------------------------------------------------------


def specimen_and_bare(bench: SimpleNamespace, story: str, folder: Path, dpi: int, option: str) -> list[Image.Image]:
    """The page of a specimen as it prints, and the same page with the word across it in white."""
    run, form = bench.tell(getattr(bench, story)), ReportForm()
    facts = IssueFacts(bench.works, datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC), "Station seal", "A1B2")
    told = content_of(run.record, run.sha256, run.traces, facts, words_of(form))
    white = layout().colours.model_copy(update={"specimen": "#ffffff"})
    drawn_by = (layout(), layout().model_copy(update={"colours": white}))
    pictures = []
    for number, form_of_page in enumerate(drawn_by):
        file = folder / f"{number}.pdf"
        file.write_bytes(draw(told, form_of_page, words_of(form), "A4"))
        command = ["pdftoppm", "-r", str(dpi), option, str(file), str(folder / str(number))]
        subprocess.run(command, check=True)
        with Image.open(folder / f"{number}-1.{'pgm' if option == '-gray' else 'pbm'}") as picture:
            pictures.append(picture.convert("L"))
    return pictures


@needs_poppler
@pytest.mark.parametrize("story", ["accepted_nps_4", "rejected_nps_6"])
@pytest.mark.parametrize(("dpi", "option"), [(100, "-gray"), (150, "-gray"), (100, "-mono"), (150, "-mono")])
def test_the_word_across_a_specimen_touches_no_text(
    bench: SimpleNamespace, story: str, dpi: int, option: str, tmp_path: Path
) -> None:
    """Every word prints as it would without it, to the pixel; and yet it is seen in every ninth of the page."""
    with_word, bare = specimen_and_bare(bench, story, tmp_path, dpi, option)
    ((width, height, found),) = boxes((tmp_path / "0.pdf").read_bytes(), tmp_path)
    found = [box for box in found if box[3] - box[1] < 40]  # but the word itself
    assert len(found) > 300
    for x0, top, x1, bottom, word in found:
        inner = (x0, top + 0.3 * (bottom - top), x1, bottom - 0.3 * (bottom - top))
        place = tuple(round(edge * dpi / 72) for edge in inner)
        assert with_word.crop(place).tobytes() == bare.crop(place).tobytes(), word
    for across in range(3):
        for down in range(3):
            ninth = (across * width / 3, down * height / 3, (across + 1) * width / 3, (down + 1) * height / 3)
            place = tuple(round(edge * dpi / 72) for edge in ninth)
            assert with_word.crop(place).tobytes() != bare.crop(place).tobytes(), (across, down)


@needs_poppler
@pytest.mark.parametrize(("language", "mark"), [("en", "SPECIMEN"), ("de", "MUSTER"), ("es", "MUESTRA")])
@pytest.mark.parametrize("story", ["accepted_nps_4", "rejected_nps_6"])
def test_the_verdict_of_a_specimen_cannot_be_cut_out_without_its_mark(
    bench: SimpleNamespace, story: str, language: str, mark: str, tmp_path: Path
) -> None:
    """It stands right below the word of the verdict, in the same block; on a live page it does not."""
    for origin, marks in ((Origin.SIMULATED, 1), (Origin.LIVE, 0)):
        run = bench.tell(bench.replace(getattr(bench, story), origin=origin))
        ((_, _, found),) = boxes(drawn(bench, run, language), tmp_path)
        word = words_of(ReportForm(language=language))(f"verdict.{run.record.verdict}")
        (verdict,) = (box for box in found if box[4] == word)
        near = [box for box in found if box[4] == mark and abs(box[1] - verdict[3]) < 8 and box[0] - verdict[0] < 4]
        assert len(near) == marks


# Printers and scanners --------------------------------------------------------------------------


@needs_poppler
@needs_zbar
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_scanner_reads_the_code_from_a_grey_copy(bench: SimpleNamespace, paper: str, tmp_path: Path) -> None:
    """Outside source: zbar, on a grey render at 150 dpi; also from a specimen, whose word lies over the page."""
    for name, origin in (("live", Origin.LIVE), ("specimen", Origin.SIMULATED)):
        run = bench.tell(bench.replace(bench.accepted_nps_4, origin=origin))
        file = tmp_path / f"{name}.pdf"
        file.write_bytes(drawn(bench, run, paper=paper))
        subprocess.run(["pdftoppm", "-r", "150", "-gray", str(file), str(tmp_path / name)], check=True)
        command = ["zbarimg", "-q", "--raw", str(tmp_path / f"{name}-1.pgm")]
        read = subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
        subject = PdfReader(BytesIO(file.read_bytes())).metadata
        assert subject is not None
        assert read == subject["/Subject"]


@needs_poppler
@pytest.mark.parametrize("option", ["-gray", "-mono"])
def test_every_text_survives_a_printer_without_grey(bench: SimpleNamespace, option: str, tmp_path: Path) -> None:
    """At 300 dpi each word keeps dark pixels of its own: ink on at least a twelfth of its box."""
    pdf = drawn(bench, bench.tell(bench.replace(bench.rejected_nps_6, origin=Origin.LIVE)))
    ((_, _, found),) = boxes(pdf, tmp_path)
    subprocess.run(["pdftoppm", "-r", "300", option, str(tmp_path / "page.pdf"), str(tmp_path / "copy")], check=True)
    with Image.open(tmp_path / f"copy-1.{'pgm' if option == '-gray' else 'pbm'}") as picture:
        grey = picture.convert("L")
    for x0, y0, x1, y1, word in found:
        if re.fullmatch(r"[A-Za-z0-9]{3,}", word):
            block = grey.crop(tuple(round(edge * 300 / 72) for edge in (x0, y0, x1, y1)))
            pixels = block.tobytes()
            assert sum(pixel < 110 for pixel in pixels) > len(pixels) / 12, word
