"""Does the page print what is attached? Every lie here is sealed with the station's own key; nothing else tells.

The ways to lie with a page are our own list: other words, other shapes, something laid over, something laid beside.
"""

import dataclasses
import re
from collections.abc import Callable
from io import BytesIO
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from fontTools.ttLib import TTFont
from hypothesis import given, settings
from hypothesis import strategies as st
from pikepdf import Array, Dictionary, Name, Operator, Stream, String
from pyhanko.pdf_utils import generic

from testbench import __version__
from testbench.certificate import ink, signing
from testbench.certificate.attach import attach, attachments_of
from testbench.certificate.checking import verify_apart
from testbench.certificate.content import Content, IssueFacts, content_of
from testbench.certificate.data import layout
from testbench.certificate.filed import STRANGE
from testbench.certificate.ink import differences
from testbench.certificate.issue import unsealed_document
from testbench.certificate.keys import grouped
from testbench.certificate.languages import words
from testbench.certificate.marks import LINES, SIGNS
from testbench.certificate.objects import OTHER_DOCUMENT, STRAY
from testbench.certificate.page import draw
from testbench.certificate.page_form import PageForm, facts_of, form_of
from testbench.certificate.printed import NO_FORM, STRANGE_FORM
from testbench.certificate.signing import FIELD, OPERATOR, seal
from testbench.certificate.verify import Verification, in_words, verify
from testbench.run.record import canonical
from testbench.station.bench import Works

BY_BYTES, BY_MARKS = ink.BY_BYTES.format("record"), ink.BY_MARKS.format("record")
MEASURED, LIMIT = "507.3", "≥ 500.0"


@pytest.fixture(scope="module")
def facts(bench: SimpleNamespace, authority: SimpleNamespace, at: Any) -> IssueFacts:
    station = authority.station
    return IssueFacts(bench.works, at, station.signer, grouped(station.fingerprint), checkpoint=bench.checkpoint)


def reworded(value: Any, old: str, new: str) -> Any:
    """The same words and numbers of a page but for one text."""
    if type(value) is str:
        return value.replace(old, new)
    if isinstance(value, Works):
        return value.model_copy(update={"address": reworded(value.address, old, new)})
    if isinstance(value, tuple):
        told = [reworded(one, old, new) for one in value]
        return type(value)(*told) if hasattr(value, "_fields") else tuple(told)
    if dataclasses.is_dataclass(value) and not isinstance(value, type) and type(value).__module__.startswith("testb"):
        told = {one.name: reworded(getattr(value, one.name), old, new) for one in dataclasses.fields(value) if one.init}
        return dataclasses.replace(value, **{key: one for key, one in told.items() if key not in {"plot", "facts"}})
    return value


def drawn_otherwise(
    run: Any, facts: IssueFacts, change: Callable[[Content], Content] = lambda found: found, language: str = "en",
    issued: IssueFacts | None = None,
) -> bytes:  # fmt: skip
    """A page with other words than its attachments give, and all its attachments as they should be."""
    said = words(language)
    content = change(content_of(run.record, run.sha256, run.traces, issued or facts, said))
    page = draw(content, layout(), said, "A4")
    files = attachments_of(run.record, run.traces, facts.signed, facts.checkpoint, None, form_of(facts, "A4"))
    return attach(page, files, content.dated)


def changed(data: bytes, change: Callable[[Any], None], **told: Any) -> bytes:
    out = BytesIO()
    with pikepdf.open(BytesIO(data)) as pdf:
        change(pdf)
        pdf.save(out, **told)
    return out.getvalue()


def checked(data: bytes, authority: SimpleNamespace, at: Any) -> Verification:
    return verify(seal(data, authority.station, at), authority.anchors)


def is_found(found: Verification) -> None:
    """Intact and following, and yet never called good."""
    assert (found.intact, found.follows, found.prints, found.printed, found.trusted) == (True, True, False, "", False)
    assert in_words(found)[0] == (
        "DOES NOT PRINT ITS RECORD: C-B1-2026-0001 for valve HL-4-0117, verdict accepted. Nothing was changed since it "
        "was sealed, but the page is not shown to say what is attached to it."
    )


# Honest -----------------------------------------------------------------------------------------


def test_an_honest_page_is_the_one_drawn_anew_to_the_byte(
    unsealed: bytes, certified: bytes, locked: bytes, authority: SimpleNamespace, at: Any
) -> None:
    """Under the station's seal, and under an operator's and a reviewer's signature."""
    for data in (seal(unsealed, authority.station, at), certified, locked):
        found = verify(data, authority.anchors)
        assert (found.prints, found.printed) == (True, BY_BYTES)
    assert f"  printed      {BY_BYTES}" in in_words(found)


def test_a_page_that_names_another_seal_than_its_own_is_not_trusted(
    unsealed: bytes, authority: SimpleNamespace, at: Any
) -> None:
    """A reader compares the printed fingerprint with the one that the works publishes."""
    station, person = authority.station, authority.operator
    found = verify(seal(unsealed, person, at), authority.anchors)
    assert (found.intact, found.follows, found.prints, found.trusted) == (True, True, False, False)
    assert found.reasons[0] == (
        f"The page says that it was signed by {station.signer} with the certificate {grouped(station.fingerprint)}; "
        f"it was by {person.signer} with {grouped(person.fingerprint)}."
    )


def test_a_rejection_in_another_language_and_its_replacement_are_drawn_anew(
    bench: SimpleNamespace, authority: SimpleNamespace, at: Any, facts: IssueFacts
) -> None:
    """With a second channel, signatures of people, German words, units and paper of its own."""
    from testbench.procedure.report_form import ReportForm

    run = bench.tell(bench.replace(bench.rejected_nps_6, compared=True))
    form = ReportForm(language="de", units="bar", page="Letter")
    record = run.record.model_copy(update={"report": form})
    run = dataclasses.replace(run, record=record)
    data = unsealed_document(record, run.sha256, run.traces, facts, "A4")
    assert checked(data, authority, at).printed == BY_BYTES


def test_the_child_process_draws_too(unsealed: bytes, authority: SimpleNamespace, at: Any) -> None:
    """It may write no file and start nothing; drawing needs neither."""
    found = verify_apart(seal(unsealed, authority.station, at), authority.anchors)
    assert (found.trusted, found.printed, found.reasons) == (True, BY_BYTES, ())


def unpacked(pdf: Any) -> None:
    for page in pdf.pages:
        page.obj.Contents = Stream(pdf, page.obj.Contents.read_bytes())


def numbers_written_otherwise(pdf: Any) -> None:
    """Three decimals; of a matrix that turns as many as there were."""
    from decimal import Decimal

    for page in pdf.pages:
        told = []
        for order in pikepdf.parse_content_stream(page):
            plain = str(order.operator) != "cm"
            sides = [round(one, 3) if plain and isinstance(one, Decimal) else one for one in order.operands]
            told.append((sides, order.operator))
        page.obj.Contents = Stream(pdf, pikepdf.unparse_content_stream(told))


def faces_named_otherwise(pdf: Any) -> None:
    page = pdf.pages[0].obj
    text = page.Contents.read_bytes()
    for number, name in enumerate(sorted(page.Resources.Font.keys())):
        page.Resources.Font[f"/Face{number}"] = page.Resources.Font[name]
        del page.Resources.Font[name]
        text = text.replace(name.encode() + b" ", f"/Face{number} ".encode())
    page.Contents = Stream(pdf, text)


def drawn_under_a_matrix(pdf: Any) -> None:
    page = pdf.pages[0].obj
    text = b"q 2 0 0 2 10 10 cm .5 0 0 .5 -5 -5 cm\n" + page.Contents.read_bytes() + b"\nQ"
    page.Contents = Stream(pdf, text)


@pytest.mark.parametrize(
    ("write", "told"),
    [
        (lambda _: None, {"object_stream_mode": pikepdf.ObjectStreamMode.disable}),
        (lambda _: None, {"compress_streams": False, "stream_decode_level": pikepdf.StreamDecodeLevel.generalized}),
        (unpacked, {}), (numbers_written_otherwise, {}), (faces_named_otherwise, {}), (drawn_under_a_matrix, {}),
    ],
    ids=["other order of objects", "not packed", "page not packed", "numbers", "names", "matrix"],
)  # fmt: skip
def test_the_same_page_written_by_another_version_prints_its_record(
    unsealed: bytes, authority: SimpleNamespace, at: Any, write: Callable[[Any], None], told: dict[str, Any]
) -> None:
    """Other bytes, the same signs at the same places: said so, and as good."""
    found = checked(changed(unsealed, write, **told), authority, at)
    assert (found.trusted, found.prints, found.printed, found.reasons) == (True, True, BY_MARKS, ())


# Other words ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (MEASURED, "509.9"), (LIMIT, "≥ 400.0"), ("ACCEPTED", "REJECTED"), ("12 Harrow Lane", "14 Harrow Lane"),
        ("Ellery Water Board", "Ellery Water Bored"), ("Mara Quill", "Tobin Ashe"),
    ],
    ids=["measured", "limit", "verdict", "letterhead", "customer", "operator"],
)  # fmt: skip
def test_another_word_or_number_is_found_and_named(
    accepted: Any, facts: IssueFacts, authority: SimpleNamespace, at: Any, old: str, new: str
) -> None:
    """The page, what stands there, and what the record gives."""
    found = checked(drawn_otherwise(accepted, facts, lambda one: reworded(one, old, new)), authority, at)
    is_found(found)
    (reason,) = found.reasons
    shown, wanted = reason.removesuffix("”.").split("”, where its record gives “")
    assert shown.startswith("Page 1: it shows “")
    assert new in shown
    assert old in wanted


def test_the_same_words_drawn_by_this_suite_are_honest(
    accepted: Any, facts: IssueFacts, authority: SimpleNamespace, at: Any
) -> None:
    """What finds the lies below is the lie, not the way in which they are made."""
    assert checked(drawn_otherwise(accepted, facts), authority, at).printed == BY_BYTES


def test_another_serial_number_in_the_head_alone_is_found(
    accepted: Any, facts: IssueFacts, authority: SimpleNamespace, at: Any
) -> None:
    """The document's own facts stay true, and the big letters lie."""

    def lie(found: Content) -> Content:
        return dataclasses.replace(found, facts=dataclasses.replace(found.facts, serial="HL-4-0999"))

    def as_it_was(pdf: Any) -> None:
        pdf.docinfo["/Subject"] = str(pdf.docinfo["/Subject"]).replace("HL-4-0999", "HL-4-0117")
        pdf.Root.Metadata.write(pdf.Root.Metadata.read_bytes().replace(b"HL-4-0999", b"HL-4-0117"))

    found = checked(changed(drawn_otherwise(accepted, facts, lie), as_it_was), authority, at)
    is_found(found)
    assert found.reasons == (
        "A screen reader is told something else.",
        "Page 1: it shows “HL-4-0999”, where its record gives “HL-4-0117”.",
    )


def test_another_language_letterhead_or_time_than_enclosed_is_found(
    accepted: Any, facts: IssueFacts, bench: SimpleNamespace, authority: SimpleNamespace, at: Any
) -> None:
    """The language is that of the record; letterhead, time, signer and fingerprint are those of the form."""
    is_found(checked(drawn_otherwise(accepted, facts, language="de"), authority, at))
    for told in (
        {"works": bench.works.model_copy(update={"contact": "sales@harrow-lane.example"})},
        {"issued": at.replace(hour=11)}, {"signer": "Station seal, bench B2, Harrow Lane Valve Works"},
        {"fingerprint": "0000"},
    ):  # fmt: skip
        issued = dataclasses.replace(facts, **told)
        is_found(checked(drawn_otherwise(accepted, facts, issued=issued), authority, at))


# Something laid over, beside, or cut off ----------------------------------------------------------


def appended(text: bytes) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        page = pdf.pages[0].obj
        page.Contents = Stream(pdf, page.Contents.read_bytes() + b"\n" + text)

    return change


def prepended(pdf: Any) -> None:
    page = pdf.pages[0].obj
    page.Contents = Stream(pdf, b"q 0 0 20 20 re W n\n" + page.Contents.read_bytes() + b"\nQ")


def another_sheet(pdf: Any) -> None:
    pdf.pages.append(pdf.pages[0])


def no_sheet(pdf: Any) -> None:
    pdf.pages[0].obj.Contents = Stream(pdf, b"")


def other_place(pdf: Any) -> None:
    """A click on the seal's line would show the signature of somebody else."""
    places = pdf.Root.Dests
    places[f"/{FIELD}"], places[f"/{OPERATOR}"] = places[f"/{OPERATOR}"], places[f"/{FIELD}"]


def picture(pdf: Any) -> None:
    page = pdf.pages[0].obj
    image = Stream(pdf, b"\xff", Type=Name.XObject, Subtype=Name.Image, Width=1, Height=1, BitsPerComponent=8,
                   ColorSpace=Name.DeviceGray)  # fmt: skip
    page.Resources.XObject = Dictionary({"/Im0": image})
    appended(b"q 200 0 0 20 100 400 cm /Im0 Do Q")(pdf)


def pasted_in(pdf: Any) -> None:
    appended(b"q 200 0 0 20 100 400 cm BI /W 1 /H 1 /BPC 8 /CS /G ID \xff EI Q")(pdf)


def note(pdf: Any) -> None:
    paper = Stream(pdf, b"1 1 1 rg 0 0 200 20 re f", Type=Name.XObject, Subtype=Name.Form, BBox=Array([0, 0, 200, 20]))
    box = Dictionary(Type=Name.Annot, Subtype=Name.Stamp, Rect=Array([100, 400, 300, 420]), F=4,
                     AP=Dictionary(N=pdf.make_indirect(paper)))  # fmt: skip
    pdf.pages[0].obj.Annots = Array([pdf.make_indirect(box)])


def cropped(pdf: Any) -> None:
    pdf.pages[0].obj.CropBox = Array([0, 400, 595, 842])


def turned(pdf: Any) -> None:
    pdf.pages[0].obj.Rotate = 180


def scaled(pdf: Any) -> None:
    pdf.pages[0].obj.UserUnit = 2


def portfolio(pdf: Any) -> None:
    pdf.Root.Collection = Dictionary(View=Name.T, D=String("record.json"))


def other_title(pdf: Any) -> None:
    pdf.docinfo["/Title"] = "Hydrostatic test certificate C-B1-2026-0009"


def told_to_a_screen_reader(pdf: Any) -> None:
    for one in pdf.Root.StructTreeRoot.K.K:
        if "/Alt" in one:
            one.Alt = String("pressure never fell")


def lines_stretched(pdf: Any) -> None:
    """The same points, and a pen that is fifty times as thick upwards."""
    page = pdf.pages[0].obj

    def stretched(found: re.Match[bytes]) -> bytes:
        x0, y0, x1, y1 = (float(one) for one in found.groups())
        return f"1 0 0 50 0 0 cm n {x0} {y0 / 50} m {x1} {y1 / 50} l S".encode()

    line = rb"n ([0-9.]+) ([0-9.]+) m ([0-9.]+) ([0-9.]+) l S"
    page.Contents = Stream(pdf, re.sub(line, stretched, page.Contents.read_bytes(), count=1))


def operand_too_many(pdf: Any) -> None:
    page = pdf.pages[0].obj
    page.Contents = Stream(pdf, page.Contents.read_bytes().replace(b"\n1.6 w\n", b"\n1.6 90 w\n", 1))


def text_outside(pdf: Any) -> None:
    page = pdf.pages[0].obj
    page.Contents = Stream(pdf, page.Contents.read_bytes().replace(b"BT 1 0 0 1", b"1 0 0 1", 1))


def area_under_another_matrix(pdf: Any) -> None:
    """The points are set under one matrix and painted under another; who moves them sees an area over the page."""
    page = pdf.pages[0].obj

    def moved_area(found: re.Match[bytes]) -> bytes:
        x, y, width, height = (float(one) for one in found.groups())
        across, up = width / 535, height / 330
        matrix = f"{across:.9f} 0 0 {up:.9f} {x - 30 * across:.6f} {y - 380 * up:.6f}"
        return f"q {matrix} cm 30 380 535 330 re Q f*\n".encode()

    area = rb"n ([0-9.]+) ([0-9.]+) ([0-9.]+) ([0-9.]+) re f\*\n"
    page.Contents = Stream(pdf, re.sub(area, moved_area, page.Contents.read_bytes(), count=1))


def other_metadata(pdf: Any) -> None:
    pdf.Root.Metadata.write(pdf.Root.Metadata.read_bytes().replace(b"C-B1-2026-0001", b"C-B1-2026-0009"))


def further_information(pdf: Any) -> None:
    pdf.docinfo["/Keywords"] = "released by the purchaser"


def pages_in_a_branch(pdf: Any) -> None:
    """What a branch of the tree says (ISO 32000-1, 7.7.3.4) its pages inherit."""
    root = pdf.Root.Pages
    branch = Dictionary(Type=Name.Pages, Count=len(pdf.pages), Kids=Array(list(root.Kids)), Parent=root)
    root.Kids = Array([pdf.make_indirect(branch)])


def other_colours(pdf: Any) -> None:
    white = Dictionary(FunctionType=4, Domain=Array([0, 1] * 3), Range=Array([0, 1] * 3))
    space = Array([Name.DeviceN, Array([Name.R, Name.G, Name.B]), Name.DeviceRGB, Stream(pdf, b"{}", white)])
    pdf.pages[0].obj.Resources.ColorSpace = Dictionary(DefaultRGB=space)


OVERLAID = [
    lines_stretched, operand_too_many, text_outside, other_colours, area_under_another_matrix, other_metadata,
    further_information, appended(b"q W n Q"), appended(b"q 0 0 m 9 9 l W n Q"), appended(b"q 9 9 m W n Q"),
    appended(b"1 1 1 rg 100 400 200 20 re f"), appended(b"1 1 1 RG 30 w 100 400 m 300 400 l S"),
    appended(b"BT 3 Tr 1 0 0 1 100 100 Tm /F1+0 8 Tf (REJECTED) Tj ET"),
    appended(b"BT 1 0 0 1 100 100 Tm /F1+0 8 Tf (REJECTED) Tj ET"),
    appended(b"BT 7 Tr 1 0 0 1 100 100 Tm /F1+0 8 Tf (REJECTED) Tj ET"),
    appended(b"/Shade sh"), appended(b"/G0 gs"), prepended, another_sheet, no_sheet, other_place, picture, pasted_in,
    note, cropped, turned, scaled, portfolio, other_title, told_to_a_screen_reader,
]  # fmt: skip
OVER = [
    "stretched", "operand", "text outside", "colours", "matrix in a path", "metadata", "information",
    "clip without a path", "clip to a line", "clip to a point",
    "white box", "white line", "invisible text", "text", "clipping text", "shading", "transparency", "clip",
    "another sheet", "no sheet", "other place", "picture", "picture in place", "note", "cropped",
    "turned", "scaled", "portfolio", "title", "alternative text",
]  # fmt: skip


@pytest.mark.parametrize("lie", OVERLAID, ids=OVER)
def test_whatever_is_laid_over_or_cut_off_is_found(
    unsealed: bytes, authority: SimpleNamespace, at: Any, lie: Callable[[Any], None]
) -> None:
    """The text layer is what it was, or a text search finds nothing new; the page does not look like its record."""
    is_found(checked(changed(unsealed, lie), authority, at))


def test_a_page_stands_in_no_branch_of_the_tree(unsealed: bytes) -> None:
    """It would inherit from there."""
    assert "Its pages inherit what no page of ours does." in differences(changed(unsealed, pages_in_a_branch), unsealed)


# Other shapes -----------------------------------------------------------------------------------


def in_face(change: Callable[[TTFont], None]) -> Callable[[Any], None]:
    def swap(pdf: Any) -> None:
        for font in pdf.pages[0].obj.Resources.Font.values():
            face = TTFont(BytesIO(font.FontDescriptor.FontFile2.read_bytes()))
            change(face)
            out = BytesIO()
            face.save(out)
            font.FontDescriptor.FontFile2 = Stream(pdf, out.getvalue(), Length1=len(out.getvalue()))

    return swap


def digits(face: TTFont) -> tuple[str, str]:
    """Glyph names of 6 and 8, if the face has both."""
    known = face["cmap"].tables[0].cmap
    return known.get(ord("6"), ".notdef"), known.get(ord("8"), ".notdef")


def swapped_outlines(face: TTFont) -> None:
    six, eight = digits(face)
    table = face["glyf"]
    table[six], table[eight] = table[eight], table[six]


def swapped_codes(face: TTFont) -> None:
    known = face["cmap"].tables[0].cmap
    known[ord("6")], known[ord("8")] = known[ord("8")], known[ord("6")]


def moved_aside(face: TTFont) -> None:
    six, _ = digits(face)
    width, bearing = face["hmtx"][six]
    face["hmtx"][six] = width, bearing + 400


def instructed(face: TTFont) -> None:
    from fontTools.ttLib import newTable
    from fontTools.ttLib.tables.ttProgram import Program

    face["prep"] = newTable("prep")
    face["prep"].program = Program()
    face["prep"].program.fromBytecode(b"\x4f" * 4)  # our faces have none


def further_table(face: TTFont) -> None:
    from fontTools.ttLib import newTable

    face["kern"] = newTable("kern")
    face["kern"].version, face["kern"].kernTables = 0, []


def text_layer(pdf: Any) -> None:
    for font in pdf.pages[0].obj.Resources.Font.values():
        text = font.ToUnicode.read_bytes()
        six, eight = (f"<{ord(one):02X}> <{ord(one):04X}>".encode() for one in "68")
        font.ToUnicode = Stream(pdf, text.replace(six, six[:6] + eight[6:]))


def second_text(pdf: Any) -> None:
    """A range after the table (ISO 32000-1, 9.10.3), which some readers take for the last word."""
    for font in pdf.pages[0].obj.Resources.Font.values():
        more = b"1 beginbfrange\n<36>\t<36>\t<0038>\nendbfrange\nendcmap"
        font.ToUnicode = Stream(pdf, font.ToUnicode.read_bytes().replace(b"endcmap", more))


def text_twice(pdf: Any) -> None:
    for font in pdf.pages[0].obj.Resources.Font.values():
        table = font.ToUnicode.read_bytes()
        font.ToUnicode = Stream(pdf, table.replace(b"endbfchar", b"<36> <0038>\nendbfchar"))


def widths(pdf: Any) -> None:
    for font in pdf.pages[0].obj.Resources.Font.values():
        font.Widths[ord("6")] = int(font.Widths[ord("6")]) + 40


def other_encoding(pdf: Any) -> None:
    for font in pdf.pages[0].obj.Resources.Font.values():
        font.Encoding = Dictionary(Type=Name.Encoding, Differences=Array([ord("6"), Name.eight]))


def face_of_the_reader(pdf: Any) -> None:
    for font in pdf.pages[0].obj.Resources.Font.values():
        del font.FontDescriptor.FontFile2


SHAPES = [
    in_face(swapped_outlines), in_face(swapped_codes), in_face(moved_aside), in_face(instructed),
    in_face(further_table), text_layer, second_text, text_twice,
    widths, other_encoding, face_of_the_reader,
]  # fmt: skip
SHAPED = [
    "outlines",
    "codes",
    "bearing",
    "instructions",
    "further table",
    "text layer",
    "second text",
    "text twice",
    "widths",
    "encoding",
    "not embedded",
]


@pytest.mark.parametrize("lie", SHAPES, ids=SHAPED)
def test_a_face_that_draws_other_signs_than_it_says_is_found(
    unsealed: bytes, authority: SimpleNamespace, at: Any, lie: Callable[[Any], None]
) -> None:
    """A text search still finds the true value; a reader sees another."""
    is_found(checked(changed(unsealed, lie), authority, at))


def test_a_face_is_the_same_to_the_byte(unsealed: bytes, authority: SimpleNamespace, at: Any) -> None:
    """Packed otherwise, with the same outlines: two readers may take the same table for two things."""
    is_found(checked(changed(unsealed, in_face(lambda _: None)), authority, at))


def with_two_outlines(face: bytes) -> bytes:
    """A second table of outlines under the same name, and no readers who agree which one counts."""
    import struct

    (count,) = struct.unpack_from(">H", face, 4)
    entries = [struct.unpack_from(">4sLLL", face, 12 + 16 * index) for index in range(count)]
    (start, length), body = next(one[2:] for one in entries if one[0] == b"glyf"), face[12 + 16 * count :]
    moved = [(tag, total, at + 16, size) for tag, total, at, size in entries]
    twice = sorted([*moved, (b"glyf", 0, len(face) + 16, length)])
    told = b"".join(struct.pack(">4sLLL", *one) for one in twice)
    return face[:4] + struct.pack(">H", count + 1) + face[6:12] + told + body + face[start : start + length]


def test_a_face_with_two_tables_of_one_name_is_refused_where_faces_may_differ(unsealed: bytes) -> None:
    """As on the pages behind a lot certificate, whose faces hold other signs; so is any other kind of font file."""
    from testbench.certificate.marks import marks_of
    from testbench.certificate.shapes import NotOursError

    def packed(pdf: Any, change: Callable[[bytes], bytes]) -> None:
        for font in pdf.pages[0].obj.Resources.Font.values():
            font.FontDescriptor.FontFile2 = Stream(pdf, change(font.FontDescriptor.FontFile2.read_bytes()))

    for change, alike in (
        (lambda face: face, True), (with_two_outlines, False), (lambda face: b"OTTO" + face[4:], False),
        (lambda face: face[:-200], False),
    ):  # fmt: skip
        with pikepdf.open(BytesIO(unsealed)) as pdf:
            packed(pdf, change)
            if alike:
                assert marks_of(pdf.pages[0].obj, whole=False)
            else:
                with pytest.raises(NotOursError):
                    marks_of(pdf.pages[0].obj, whole=False)


# Both sides of the tolerance ----------------------------------------------------------------------


def moved(operator: str, index: int, by: float) -> Callable[[Any], None]:
    """One text or one point of a line of the page, so far aside."""

    def change(pdf: Any) -> None:
        told, seen = [], 0
        for order in pikepdf.parse_content_stream(pdf.pages[0]):
            sides = list(order.operands)
            if str(order.operator) == operator:
                if seen == index:
                    sides[-2] = float(sides[-2]) + by
                seen += 1
            told.append((sides, order.operator))
        pdf.pages[0].obj.Contents = Stream(pdf, pikepdf.unparse_content_stream(told))

    return change


@pytest.mark.parametrize(
    ("operator", "by", "alike"),
    [("Td", 0.9 * SIGNS, True), ("Td", 1.1 * SIGNS, False), ("l", 0.9 * LINES, True), ("l", 1.1 * LINES, False)],
)
def test_places_may_differ_by_what_nobody_sees(unsealed: bytes, operator: str, by: float, alike: bool) -> None:
    """A text by a fiftieth of a point, a point of a curve by a tenth."""
    assert (not list(differences(changed(unsealed, moved(operator, 40, by)), unsealed))) is alike


@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_no_single_operand_of_a_page_can_be_changed(unsealed: bytes, data: st.DataObject) -> None:
    """Any number of any operator that draws, by more than the tolerance; any sign of any text."""

    def change(pdf: Any) -> None:
        orders = [(list(one.operands), one.operator) for one in pikepdf.parse_content_stream(pdf.pages[0])]
        drawing = [
            index
            for index, (sides, name) in enumerate(orders)
            if str(name) in {"Td", "Tm", "Tj", "m", "l", "c", "re", "cm"} and sides
        ]
        index = data.draw(st.sampled_from(drawing))
        sides, name = orders[index]
        which = data.draw(st.integers(0, len(sides) - 1))
        if str(name) == "Tj":
            text = bytearray(bytes(sides[0]))
            at = data.draw(st.integers(0, len(text) - 1))
            text[at] = ord("7") if text[at] != ord("7") else ord("4")
            sides[which] = String(bytes(text))
        else:
            sides[which] = float(sides[which]) + data.draw(st.sampled_from([-0.5, 0.15, 3.0]))
        orders[index] = (sides, Operator(str(name)))
        pdf.pages[0].obj.Contents = Stream(pdf, pikepdf.unparse_content_stream(orders))

    assert list(differences(changed(unsealed, change), unsealed))


# In the revision of the seal itself ----------------------------------------------------------------


def test_a_page_replaced_in_the_revision_of_the_seal_is_found(
    unsealed: bytes, authority: SimpleNamespace, at: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file begins with just what was drawn, and the seal's own revision draws over it."""
    honest = signing._writer

    def lying(document: bytes) -> Any:
        writer = honest(document)
        page = writer.root["/Pages"]["/Kids"][0].get_object()
        more = writer.add_object(generic.StreamObject(stream_data=b"\n1 1 1 rg 100 400 200 20 re f"))
        page[generic.pdf_name("/Contents")] = generic.ArrayObject([page.raw_get("/Contents"), more])
        writer.update_container(page)
        return writer

    monkeypatch.setattr(signing, "_writer", lying)
    data = seal(unsealed, authority.station, at)
    assert data.startswith(unsealed)
    found = verify(data, authority.anchors)
    is_found(found)
    assert found.reasons == ("Page 1: it shows a line or an area otherwise than its record gives.",)


def test_what_was_drawn_must_be_the_document_and_not_only_lie_in_its_file(
    unsealed: bytes, authority: SimpleNamespace, at: Any
) -> None:
    """The true bytes stand first, and a whole other document after them, whose tables know nothing of the first."""
    other = changed(unsealed, other_title, object_stream_mode=pikepdf.ObjectStreamMode.disable)
    table = other.rindex(b"xref\n0 ")
    if other[table - 5 : table] == b"start":
        table = other.rindex(b"xref\n0 ", 0, table - 5)
    lines = other[table:].split(b"\n")
    moved_lines = [
        b"%010d%s" % (int(line[:10]) + len(unsealed), line[10:]) if line.endswith(b" n ") else line for line in lines
    ]
    text = other[:table] + b"\n".join(moved_lines)
    start = text.rindex(b"startxref\n") + 10
    shifted = text[:start] + b"%d\n%%%%EOF\n" % (table + len(unsealed))
    data = unsealed + shifted
    found = verify(seal(data, authority.station, at), authority.anchors)
    assert not found.prints
    assert not found.trusted


def sealed_with(
    monkeypatch: pytest.MonkeyPatch, document: bytes, key: Any, at: Any, change: Callable[[Any], None]
) -> bytes:
    """Sealed by a station that writes more into its own revision than the seal."""
    honest = signing._writer

    def lying(one: bytes) -> Any:
        writer = honest(one)
        change(writer)
        return writer

    monkeypatch.setattr(signing, "_writer", lying)
    return seal(document, key, at)


def copied(found: Any) -> Any:
    return generic.DictionaryObject({key: found.raw_get(key) for key in found})


def another_catalogue(writer: Any) -> None:
    """With a page of its own; the one that was drawn stays in the file, and nobody sees it."""
    catalogue, tree = copied(writer.root), copied(writer.root["/Pages"])
    page = copied(tree["/Kids"][0])
    page["/Contents"] = writer.add_object(generic.StreamObject(stream_data=b""))
    kid = writer.add_object(page)
    tree["/Kids"] = generic.ArrayObject([kid])
    catalogue["/Pages"] = page["/Parent"] = writer.add_object(tree)
    places = catalogue["/Dests"]
    catalogue["/Dests"] = generic.DictionaryObject({
        name: generic.ArrayObject([kid, *list(places[name])[1:]]) for name in places
    })
    writer._root = writer.trailer["/Root"] = writer.add_object(catalogue)


def another_information(writer: Any) -> None:
    told = copied(writer.prev.trailer["/Info"])
    told["/Title"] = generic.pdf_string("Hydrostatic test certificate C-B1-2026-0009")
    writer.set_info(writer.add_object(told))


def stray_object(writer: Any) -> None:
    writer.add_object(generic.StreamObject(stream_data=b"another page"))


@pytest.mark.parametrize(
    ("change", "reasons"),
    [
        (another_catalogue, (OTHER_DOCUMENT, STRAY)), (another_information, (OTHER_DOCUMENT, STRAY)),
        (stray_object, (STRAY,)),
    ],
    ids=["catalogue", "information", "stray object"],
)  # fmt: skip
def test_the_revision_of_the_seal_adds_nothing_but_the_seal(
    unsealed: bytes, authority: SimpleNamespace, at: Any, monkeypatch: pytest.MonkeyPatch,
    change: Callable[[Any], None], reasons: tuple[str, ...],
) -> None:  # fmt: skip
    """What was drawn stands first, untouched; the seal's own part of the file names something else."""
    data = sealed_with(monkeypatch, unsealed, authority.station, at, change)
    assert data.startswith(unsealed)
    found = verify(data, authority.anchors)
    assert (found.intact, found.reasons) == (False, reasons)


@pytest.mark.parametrize("said", ["reason", "location", "contact_info", "name"])
def test_a_seal_says_nothing_but_its_signer(
    unsealed: bytes, authority: SimpleNamespace, at: Any, monkeypatch: pytest.MonkeyPatch, said: str
) -> None:
    """A reader of PDF shows these words beside the signature, as the signer's own."""
    from pyhanko.sign import signers

    own = signers.PdfSignatureMetadata
    monkeypatch.setattr(
        signers, "PdfSignatureMetadata", lambda **told: own(**{**told, said: "Witnessed by the purchaser"})
    )
    found = verify(seal(unsealed, authority.station, at), authority.anchors)
    assert (found.intact, found.reasons) == (False, ("The seal says of itself what its certificate does not.",))


# Attached files ---------------------------------------------------------------------------------


def entry(pdf: Any, name: str = "record.json") -> Any:
    told = list(pdf.Root.Names.EmbeddedFiles.Names)
    return told[[str(one) for one in told[::2]].index(name) * 2 + 1]


def another_file(pdf: Any, name: str = "record.json") -> Any:
    body = pdf.make_indirect(Stream(pdf, b'{"verdict":"rejected"}', Type=Name.EmbeddedFile))
    told = Dictionary(Type=Name.Filespec, F=name, UF=name, AFRelationship=Name.Data, EF=Dictionary(F=body, UF=body))
    return pdf.make_indirect(told)


def listed_beside(pdf: Any) -> None:
    pdf.Root.AF.append(another_file(pdf))


def twice_in_the_tree(pdf: Any) -> None:
    told = list(pdf.Root.Names.EmbeddedFiles.Names)
    one = another_file(pdf)
    pdf.Root.Names.EmbeddedFiles.Names = Array([String("record.json"), one, *told])
    pdf.Root.AF.append(one)


def shown_as(key: str) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        entry(pdf)[key] = String("approval.json")

    return change


def body_under(key: str) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        entry(pdf).EF[key] = another_file(pdf).EF.F

    return change


def other_names(pdf: Any) -> None:
    pdf.Root.Names.Templates = Dictionary(Names=Array([]))


TWICE = "The file record.json is attached twice, or under more than one name."


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (listed_beside, STRANGE), (twice_in_the_tree, TWICE), (shown_as("/F"), TWICE), (shown_as("/UF"), TWICE),
        (shown_as("/DOS"), TWICE), (body_under("/UF"), TWICE), (body_under("/Unix"), TWICE), (other_names, STRANGE),
    ],
    ids=["listed", "twice", "name", "shown name", "third name", "body", "third body", "other names"],
)  # fmt: skip
def test_a_file_is_attached_once_under_one_name(
    unsealed: bytes, authority: SimpleNamespace, at: Any, change: Callable[[Any], None], reason: str
) -> None:
    """Whichever list a reader shows, whichever name, and whichever content it opens."""
    found = checked(changed(unsealed, change), authority, at)
    assert (found.intact, found.reasons) == (False, (reason,))


# The form ---------------------------------------------------------------------------------------


def without_form(pdf: Any) -> None:
    del pdf.attachments["page.json"]


def with_form(data: bytes) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        pdf.attachments["page.json"] = pikepdf.AttachedFileSpec(pdf, data, filename="page.json")

    return change


def test_a_document_without_its_form_is_not_shown_to_print_its_record(
    unsealed: bytes, facts: IssueFacts, authority: SimpleNamespace, at: Any
) -> None:
    """Nor with one that this version cannot read, or that is not written as a station writes it."""
    found = checked(changed(unsealed, without_form), authority, at)
    is_found(found)
    assert found.reasons == (NO_FORM,)
    form = canonical(form_of(facts, "A4"))
    for data in (b"{}", form + b" ", form.replace(b'"A4"', b'"A0"'), form.replace(b'"format":1', b'"format":2')):
        found = checked(changed(unsealed, with_form(data)), authority, at)
        is_found(found)
        assert found.reasons == (STRANGE_FORM,)


def test_a_page_in_a_language_that_is_not_here_cannot_be_shown(
    accepted: Any, facts: IssueFacts, authority: SimpleNamespace, at: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reader's program lacks what drew it: said so, and not called good."""
    from testbench.certificate import printed
    from testbench.errors import LanguageUnknownError

    def refuse(*_: object) -> bytes:
        raise LanguageUnknownError("cs", ("en", "de"))

    data = drawn_otherwise(accepted, facts)
    monkeypatch.setattr(printed, "unsealed_document", refuse)
    found = checked(data, authority, at)
    is_found(found)
    assert found.reasons == (f"Its page cannot be drawn anew here. {LanguageUnknownError('cs', ('en', 'de'))}",)


def test_a_difference_under_another_version_of_the_program_names_it(
    accepted: Any, facts: IssueFacts, authority: SimpleNamespace, at: Any
) -> None:
    """Wording may have changed since; the reader is told where to ask, and the page is not called good."""
    form = form_of(facts, "A4")
    older = form.model_copy(update={"drawn_with": {**form.drawn_with, "testbench": "0.0.9"}})
    lie = drawn_otherwise(accepted, facts, lambda one: reworded(one, MEASURED, "509.9"))
    found = checked(changed(lie, with_form(canonical(older))), authority, at)
    is_found(found)
    assert found.reasons[-1] == (
        f"It was drawn with testbench 0.0.9; here are testbench {__version__}. Where wording or layout has changed "
        "since, check it with what drew it."
    )


def test_every_fact_of_issue_is_attached(facts: IssueFacts) -> None:
    """By itself, or in the form: what is printed and not attached could not be drawn anew."""
    attached = {"signed", "checkpoint", "replaces"}
    assert {one.name for one in dataclasses.fields(IssueFacts)} - attached <= set(PageForm.model_fields)
    form = form_of(facts, "A4")
    again = PageForm.model_validate_json(canonical(form))
    assert facts_of(again, facts.signed, facts.checkpoint, facts.replaces) == facts


def test_pressures_that_a_spreadsheet_shows_are_those_of_the_readings(
    unsealed: bytes, authority: SimpleNamespace, at: Any
) -> None:
    """The column of pressures is not hashed, the integers beside it are; both must be as a station writes them."""
    name = "trace-01-shell-test-attempt-1.csv"

    def change(pdf: Any) -> None:
        head, *lines = pdf.attachments[name].get_file().read_bytes().splitlines()
        columns = lines[40].split(b",")
        lines[40] = b",".join((columns[0], b"999.0000", *columns[2:]))
        data = b"\n".join((head, *lines, b""))
        pdf.attachments[name] = pikepdf.AttachedFileSpec(pdf, data, filename=name)

    found = checked(changed(unsealed, change), authority, at)
    is_found(found)
    assert found.reasons == (f"The attached file {name} is not as a station writes it.",)
