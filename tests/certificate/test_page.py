"""The page as a thing that is printed, photocopied and read."""

import pickle
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image
from pypdf import PdfReader

from testbench.certificate.content import IssueFacts, content_of
from testbench.certificate.data import layout, reports
from testbench.certificate.issue import unsealed_document
from testbench.certificate.languages import words
from testbench.certificate.page import draw
from testbench.certificate.pen import Pen
from testbench.errors import GlyphMissingError
from testbench.quantities import Pressure
from testbench.run.channels import Atmosphere
from testbench.run.machine import Ending
from testbench.run.observations import Seen
from testbench.run.record import Origin

needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils is not installed")
FACTS = ("Station seal, bench B1, Harrow Lane Valve Works", " ".join(["A1B2"] * 16))


def facts(bench: SimpleNamespace) -> IssueFacts:
    return IssueFacts(bench.works, datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC), *FACTS, checkpoint=bench.checkpoint)


def page(bench: SimpleNamespace, run: Any, paper: str = "A4", works: Any = None) -> bytes:
    issue = facts(bench) if works is None else replace(facts(bench), works=works)
    content = content_of(run.record, run.sha256, run.traces, issue, words())
    return draw(content, layout(), words(), paper)


def text_of(pdf: bytes) -> str:
    return "\n".join(sheet.extract_text() for sheet in PdfReader(BytesIO(pdf)).pages)


def pages_of(pdf: bytes) -> int:
    return len(PdfReader(BytesIO(pdf)).pages)


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2 (formula from memory)."""
    parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize(
    ("colour", "least"),
    [("ink", 7), ("label", 7), ("accepted", 7), ("rejected", 7), ("trace", 7), ("specimen", 3)],
)  # fmt: skip
def test_what_is_read_stands_out_from_white(colour: str, least: float) -> None:
    """At least 7:1 for text, 3:1 for strokes that mean something."""
    assert 1.05 / (luminance(getattr(layout().colours, colour)) + 0.05) >= least


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["accepted_nps_4", "rejected_nps_6", "accepted_nps_8", "extended_nps_4"])
def test_a_run_of_two_stages_fits_one_page(bench: SimpleNamespace, name: str, paper: str) -> None:
    """Simulated or live, on either paper."""
    for origin in (Origin.SIMULATED, Origin.LIVE):
        pdf = page(bench, bench.tell(bench.replace(getattr(bench, name), origin=origin)), paper)
        assert pages_of(pdf) == 1
        assert "page 1 of 1" in text_of(pdf)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["accepted_nps_4", "rejected_nps_6", "accepted_nps_8", "extended_nps_4"])
def test_a_run_with_a_registered_calibration_fits_one_page_too(bench: SimpleNamespace, name: str, paper: str) -> None:
    """Correction, U where it counted, and the second gauge; also with the longest names that are likely."""
    run = bench.tell(bench.replace(getattr(bench, name), channel=bench.registered))
    pdf = page(bench, run, paper)
    assert pages_of(pdf) == 1
    told = " ".join(text_of(pdf).split())
    for part in ("corrected by its line, × 0.9980039", "0.31 at 500; 0.25 at 250 psi (g)", "250.31 psi beside 250 psi"):
        assert part in told


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["accepted_nps_4", "rejected_nps_6", "accepted_nps_8"])
@pytest.mark.parametrize("registered", [False, True])
def test_a_run_with_a_compared_channel_fits_one_page_too(
    bench: SimpleNamespace, name: str, paper: str, registered: bool
) -> None:
    """The other instrument with its calibration, and the largest difference beside what is allowed."""
    channel = bench.registered if registered else bench.channel
    run = bench.tell(bench.replace(getattr(bench, name), compared=True, channel=channel))
    pdf = page(bench, run, paper)
    assert pages_of(pdf) == 1
    told = " ".join(text_of(pdf).split())
    allowed = "1.53" if registered else "1.80"  # at 1.5 psi beside 0.304 or 1 psi
    assert (
        "PT-101 with PT-102 (pressure transmitter 0–1000 psi, T-0043; CAL-26-0312, due 2027-03-10): at most "
    ) in told
    assert f"psi apart in a hold, {allowed} psi is allowed." in told


def test_an_absolute_transmitter_says_so(bench: SimpleNamespace) -> None:
    """What was taken off, who stated it, and its zero as gauge pressure."""
    of_bench = Atmosphere.model_validate({
        "pressure": "1013 hPa", "expanded_uncertainty": "10 hPa", "stated": "works barometer, Mara Quill, 2026-11-25",
    })  # fmt: skip
    channel = bench.channel.model_copy(update={"atmosphere": of_bench})
    told = " ".join(text_of(page(bench, bench.tell(bench.replace(bench.accepted_nps_4, channel=channel)))).split())
    assert "1013 hPa, U = 10 hPa: works barometer, Mara Quill, 2026-11-25" in told


def test_a_gauge_that_disagreed_while_the_run_was_open_is_the_one_on_the_page(bench: SimpleNamespace) -> None:
    """Leakage that was seen rejects all the same; the page does not tell of the earlier check that agreed."""
    bad = bench.registered.second_gauge.model_copy(update={"indicated": Pressure.parse("253.5 psi")})
    channel = bench.registered.model_copy(update={"checked_since": (bad,)})
    told = " ".join(text_of(page(bench, bench.tell(bench.replace(bench.rejected_nps_6, channel=channel)))).split())
    assert "253.50 psi beside 250 psi on test gauge G-07, 2026-11-25: DISAGREES" in told
    assert "250.31 psi" not in told


@pytest.mark.parametrize("times", ["", "Times are arrivals, within 20 ms", "Times are arrivals, within 20 ms" * 9])
def test_how_times_are_known_stands_beside_the_attempt_or_below_where_it_is_too_long(
    bench: SimpleNamespace, accepted: Any, times: str
) -> None:
    """Beside it there is room for the usual words, without a line of its own; nothing is cut."""
    content = content_of(accepted.record, accepted.sha256, accepted.traces, facts(bench), words())
    shell = replace(content.stages[0], times=times)
    told = " ".join(text_of(draw(replace(content, stages=(shell,)), layout(), words(), "Letter")).split())
    beside = len(times) < 100
    head = f"accepted {times} · attempt 1, 09:14:22" if times and beside else "accepted attempt 1, 09:14:22"
    assert head in told
    assert beside or f"(95 %). {times}." in told


def test_identity_and_verdict_stand_in_the_top_fifth(bench: SimpleNamespace, accepted: Any) -> None:
    """The reader's first question is answered first."""
    found: dict[str, float] = {}

    def visit(text: str, _cm: Any, tm: list[float], _font: Any, _size: float) -> None:
        for wanted in ("C-B1-2026-0001", "HL-4-0117", "ACCEPTED"):
            if wanted in text:
                found.setdefault(wanted, tm[5])

    PdfReader(BytesIO(page(bench, accepted))).pages[0].extract_text(visitor_text=visit)
    assert set(found) == {"C-B1-2026-0001", "HL-4-0117", "ACCEPTED"}
    assert min(found.values()) > 841.89 * 0.8


def test_nothing_is_printed_smaller_than_seven_points(bench: SimpleNamespace, accepted: Any) -> None:
    """Small grey print dissolves on a bad printer."""
    content = PdfReader(BytesIO(page(bench, accepted))).pages[0].get_contents().get_data()
    sizes = [float(size) for size in re.findall(rb"/F\d+\+?\d* ([\d.]+) Tf", content)]
    assert sizes
    assert min(sizes) >= 7


def test_only_embedded_fonts_are_used(bench: SimpleNamespace, accepted: Any) -> None:
    """A page must look the same in ten years; nothing is left to the viewer's own fonts."""
    fonts = PdfReader(BytesIO(page(bench, accepted))).pages[0]["/Resources"]["/Font"]
    descriptors = [font.get_object()["/FontDescriptor"].get_object() for font in fonts.values()]
    assert all("/FontFile2" in descriptor for descriptor in descriptors)
    assert all("SourceSansPro" in descriptor["/FontName"] for descriptor in descriptors)


def test_a_specimen_says_so_on_the_page_and_a_live_run_does_not(bench: SimpleNamespace, accepted: Any) -> None:
    """Across the page, below the verdict and at the foot."""
    text = text_of(page(bench, accepted))
    assert text.count("SPECIMEN: simulated run. No valve was tested; this page certifies nothing.") == 2
    assert "\nSPECIMEN\n" in f"\n{text}\n"
    live = bench.tell(bench.replace(bench.accepted_nps_4, origin=Origin.LIVE))
    assert "SPECIMEN" not in text_of(page(bench, live))


def test_a_rejected_page_shows_the_failed_criterion_with_value_and_limit(bench: SimpleNamespace, rejected: Any) -> None:
    """Recolouring would not be enough."""
    text = text_of(page(bench, rejected))
    assert "REJECTED" in text
    assert "leakage rate 18.87 US fl oz/h (U = 0.78 US fl oz/h); at most 6.00 US fl oz/h is allowed." in text
    assert "not met" in text
    assert "ACCEPTED" not in text


def test_the_hash_and_the_fingerprint_are_printed_in_full(bench: SimpleNamespace, accepted: Any) -> None:
    """A shortened hash proves nothing."""
    text = text_of(page(bench, accepted))
    assert accepted.sha256 in text
    assert FACTS[1] in text


def test_names_of_sixty_characters_are_printed_whole(bench: SimpleNamespace) -> None:
    """They shrink down to 7 pt and then wrap; nothing is cut off."""
    works = bench.works.model_copy(update={"name": "W" * 60})
    customer = "Northern Estuary Water and Pumping Stations Board of Trustee"
    assert len(customer) == 60
    run = bench.tell(bench.replace(bench.accepted_nps_4, customer=customer, serial="S" * 40))
    for paper in ("A4", "Letter"):
        pdf = page(bench, run, paper, works)
        text = text_of(pdf).replace("\n", "")
        assert ("W" * 60 in text, customer in text, "S" * 40 in text) == (True, True, True)
        assert pages_of(pdf) == 1


def test_many_void_attempts_flow_onto_a_second_page(bench: SimpleNamespace) -> None:
    """Every attempt is listed; the second page is headed with number, serial number and verdict."""
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: the blank flange leaked.")
    story = bench.replace(bench.accepted_nps_4, shell=(*[stopped] * 30, bench.Attempt()))
    pdf = page(bench, bench.tell(story), "Letter")
    first, second = (sheet.extract_text() for sheet in PdfReader(BytesIO(pdf)).pages)
    assert (first + second).count("void (stopped)") == 30
    assert "page 1 of 2" in first
    for shown in ("page 2 of 2", "C-B1-2026-0001", "HL-4-0117", "ACCEPTED", "Record SHA-256"):
        assert shown in second
    assert "Record SHA-256" not in first


@needs_poppler
def test_no_two_words_are_printed_over_each_other(bench: SimpleNamespace, tmp_path: Path) -> None:
    """Outside source: the word boxes that poppler finds, on both papers and for every kind of page."""
    leak = bench.Attempt(concluded=True, seen=Seen.LEAKAGE, where="cover joint")
    gap = bench.Attempt(gap=(20, 20.6), rejected_lines=2, restarts=1)
    live = [
        bench.replace(story, origin=Origin.LIVE)
        for story in (
            bench.accepted_nps_4, bench.rejected_nps_6, bench.accepted_nps_8,
            bench.replace(bench.accepted_nps_8, shell=(leak,), seat_test=()),
            bench.replace(bench.accepted_nps_4, shell=(gap,)), bench.extended_nps_4,
        )
    ]  # fmt: skip
    for number, (story, paper) in enumerate([*((story, "Letter") for story in live), (live[0], "A4")]):
        file = tmp_path / f"{number}.pdf"
        file.write_bytes(page(bench, bench.tell(story), paper))
        boxes = subprocess.run(
            ["pdftotext", "-bbox", str(file), "-"], capture_output=True, text=True, check=True
        ).stdout
        shape = r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)</word>'
        found = [(*(float(edge) for edge in box[:4]), box[4]) for box in re.findall(shape, boxes)]
        width, height = (595.3, 841.9) if paper == "A4" else (612.0, 792.0)
        assert all(box[0] >= 28 and box[2] <= width - 28 and box[1] >= 20 and box[3] <= height - 20 for box in found)
        assert [(one[4], two[4]) for i, one in enumerate(found) for two in found[:i] if _overlap(one, two)] == []


def _overlap(one: Any, two: Any) -> bool:
    """Whether the inner parts of two boxes meet; a box holds room above and below its letters."""
    across = min(one[2], two[2]) - max(one[0], two[0])
    lowest, highest = max(_inner(one)[0], _inner(two)[0]), min(_inner(one)[1], _inner(two)[1])
    return bool(across > 0.3 and highest - lowest > 0.3)


def _inner(box: Any) -> tuple[float, float]:
    room = (box[3] - box[1]) * 0.26
    return box[1] + room, box[3] - room


@needs_poppler
def test_accepted_and_rejected_differ_as_a_photocopy(
    bench: SimpleNamespace, accepted: Any, rejected: Any, tmp_path: Path
) -> None:
    """Grey or pure black and white: the verdict block is mostly dark when accepted, mostly white when rejected."""
    for option, suffix in (("-gray", "pgm"), ("-mono", "pbm")):
        darkness = []
        for run in (accepted, rejected):
            file = tmp_path / "page.pdf"
            file.write_bytes(page(bench, run))
            subprocess.run(["pdftoppm", "-r", "100", option, str(file), str(tmp_path / "page")], check=True)
            with Image.open(tmp_path / f"page-1.{suffix}") as picture:
                block = picture.convert("L").crop((44, 95, 318, 147))
                pixels = block.tobytes()
            darkness.append(sum(255 - pixel for pixel in pixels) / 255 / len(pixels))
        assert darkness[0] > 0.55
        assert darkness[1] < 0.45


def test_a_character_that_no_font_has_is_refused(bench: SimpleNamespace) -> None:
    """A missing glyph would be drawn as nothing, without a word."""
    run = bench.tell(bench.replace(bench.accepted_nps_4, customer="수도국"))
    with pytest.raises(GlyphMissingError) as refusal:
        page(bench, run)
    assert str(refusal.value) == "'수도국, EWB-7733' holds the character U+C218, which no installed font can print."


@pytest.mark.parametrize("hidden", ["\u202e", "\u200b", "\u00ad", "\ufeff"])
def test_a_character_that_prints_nothing_is_refused(bench: SimpleNamespace, hidden: str) -> None:
    """What turns text around or hides in it has no place on a certificate."""
    with pytest.raises(GlyphMissingError):
        page(bench, bench.tell(bench.replace(bench.accepted_nps_4, serial=f"HL{hidden}-4")))


def test_accented_greek_and_cyrillic_names_are_printed(bench: SimpleNamespace) -> None:
    """Composed or decomposed, the same letter is printed."""
    run = bench.tell(bench.replace(bench.accepted_nps_4, customer="Wodociągi Łódź, ΔΕΥΑ, Водоканал, Cafe\u0301"))
    assert "Wodociągi Łódź, ΔΕΥΑ, Водоканал, Café" in text_of(page(bench, run))


def test_the_same_record_gives_the_same_bytes(
    bench: SimpleNamespace, accepted: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the hash seed, the time zone, the locale, the day: the unsealed file depends on its arguments alone."""
    arguments = (accepted.record, accepted.sha256, accepted.traces, facts(bench), "A4")
    here = unsealed_document(*arguments)
    (tmp_path / "arguments").write_bytes(pickle.dumps(arguments))
    script = (
        "import pickle, sys; from testbench.certificate.issue import unsealed_document as draw;"
        "sys.stdout.buffer.write(draw(*pickle.load(open(sys.argv[1], 'rb'))))"
    )
    for seed, zone, locale in (("1", "Asia/Kolkata", "C"), ("2", "America/St_Johns", "C.utf8")):
        monkeypatch.setenv("PYTHONHASHSEED", seed)
        monkeypatch.setenv("TZ", zone)
        monkeypatch.setenv("LC_ALL", locale)
        command = [sys.executable, "-c", script, str(tmp_path / "arguments")]
        assert subprocess.run(command, capture_output=True, check=True).stdout == here
    info = PdfReader(BytesIO(here)).metadata
    assert info is not None
    assert info["/CreationDate"].startswith("D:20261125081940")


def test_every_text_of_the_wording_is_used() -> None:
    """A text that nobody prints is a text that nobody corrects."""
    source = "\n".join(file.read_text() for file in (Path(draw.__code__.co_filename).parent).glob("*.py"))
    parts = [
        "unit",
        "valve_type",
        "seat",
        "specimen",
        "verdict",
        "stage",
        "weep",
        "identity",
        "instrument",
        "table",
        "kind",
        "calibration",
        "signed",
        "stage_named",
        "ending",
        "point",
        "role",
        "rule",
        "document",
        "results",
        "nonconformity",
    ]
    built = tuple(f"{part}." for part in parts)  # keys that the code puts together
    named = set(re.findall(r"""["']([a-z_]+\.[a-z_0-9]+)["']""", source))
    assert [key for key in words().texts if key not in named and not key.startswith(built)] == []


def test_wording_and_layout_lie_where_the_package_finds_them() -> None:
    """In a working copy beside the package, in a wheel inside it."""
    assert (reports() / "languages" / "en.toml").is_file()
    assert (reports() / "layout.toml").is_file()


def test_a_colour_is_said_once_and_again_after_a_drawing_that_had_its_own() -> None:
    """The canvas keeps which colour is set, across what it saves and restores: two private names of reportlab."""
    pen = Pen(layout(), "A4", datetime(2026, 11, 25, tzinfo=UTC))
    pen.ink("#ff0000")
    pen.ink("#ff0000")
    pen.canvas.saveState()
    pen.ink("#0000ff")
    pen.canvas.restoreState()
    pen.ink("#ff0000")
    pen.text(100, 100, "(\\) é", colour="#0000ff")
    pen.canvas.showPage()
    pen.ink("#ff0000")
    told = PdfReader(BytesIO(pen.finished())).pages
    first, second = (sheet.get_contents().get_data().decode().split("\n") for sheet in told)
    red, blue = "1 0 0 rg", "0 0 1 rg"
    assert [line for line in first if line in {red, blue, "q", "Q"}] == [red, "q", blue, "Q", blue]
    assert red in second
    assert told[0].extract_text().splitlines() == ["(\\) é"]
