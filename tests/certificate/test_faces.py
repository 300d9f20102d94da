"""A face loses what no page needs, and nothing else. Outside source: fontTools reads both."""

from importlib.resources import files
from io import BytesIO

import pytest
from fontTools.pens.recordingPen import RecordingPen
from fontTools.ttLib import TTFont
from pypdf import PdfReader

from testbench.certificate.data import layout
from testbench.certificate.faces import LEFT_OUT, lean

FONTS = layout().fonts


def outline(font, name):
    """Moves and lines of a glyph, its parts put together."""
    pen = RecordingPen()
    font.getGlyphSet()[name].draw(pen)
    return pen.value


@pytest.mark.parametrize("file", [FONTS.regular, FONTS.strong, FONTS.bold])
def test_every_outline_and_width_of_a_face_stays(file):
    """Also those put together of others: two thirds of the face."""
    whole = (files("font_source_sans_pro") / "files" / file).read_bytes()
    had, has = TTFont(BytesIO(whole)), TTFont(BytesIO(lean(whole)))
    assert len(had.getGlyphOrder()) > 1500
    assert sum(had["glyf"][name].isComposite() for name in had.getGlyphOrder()) > 1000
    assert [outline(has, name) for name in had.getGlyphOrder()] == [outline(had, name) for name in had.getGlyphOrder()]
    assert has["hmtx"].metrics == had["hmtx"].metrics
    assert not LEFT_OUT & set(has.keys())


def test_a_face_without_instructions_is_not_cut():
    """What was lean is lean, to the byte."""
    once = lean((files("font_source_sans_pro") / "files" / FONTS.bold).read_bytes())
    assert lean(once) == once


def test_no_document_embeds_an_instruction(unsealed):
    """Nor bytes behind the end of a glyph, of which fontTools would warn."""
    fonts = PdfReader(BytesIO(unsealed)).pages[0]["/Resources"]["/Font"]
    embedded = [
        TTFont(BytesIO(font.get_object()["/FontDescriptor"]["/FontFile2"].get_data())) for font in fonts.values()
    ]
    assert len(embedded) == 3
    for font in embedded:
        assert not LEFT_OUT & set(font.keys())
        for name in font.getGlyphOrder():
            program = getattr(font["glyf"][name], "program", None)
            assert program is None or not program.getBytecode()
