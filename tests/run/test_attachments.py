"""Attached files: what they are is told by their content, their names are for people only."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.run.attachments import LONGEST_NAME, displayed_name, media_type_of


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "image/jpeg"),
        (b"\x89PNG\r\n\x1a\n\x00", "image/png"),
        (b"%PDF-1.7\n", "application/pdf"),
        ("Ø 3 mm, an der Dichtfläche\r\n".encode(), "text/plain"),
        (b"MZ\x90\x00", "application/octet-stream"),
        (b"text\x00with a zero", "application/octet-stream"),
        (b"\xff\xfet\x00", "application/octet-stream"),
    ],
)
def test_the_beginning_tells_what_it_is(data, found):
    """Signatures of JPEG (ISO 10918), PNG (ISO 15948), PDF (ISO 32000), from memory; UTF-8 without controls is text."""
    assert media_type_of(data) == found


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("seat.jpg", "seat.jpg"),
        ("../../etc/passwd", "passwd"),
        ("..\\..\\windows\\seat.jpg", "seat.jpg"),
        ("/", "without a name"),
        ("..", "without a name"),
        ("", "without a name"),
        ("seat\n\x1b[2Jof.jpg", "seat [2Jof.jpg"),
        ("seat\u202egpj.exe", "seat gpj.exe"),
        ("a" * 5000 + ".jpeg", "a" * 94 + "….jpeg"),
        ("a" * 5000, "a" * 99 + "…"),
        (".hidden", "hidden"),
    ],
)
def test_a_hostile_name_is_shown_as_one_plain_line(name, shown):
    """No folders, no controls, nothing that turns the line round, at most 100 signs."""
    assert displayed_name(name) == shown


@given(name=st.text(max_size=300))
def test_no_name_comes_through_with_anything_in_it_that_means_something(name):
    """Also for names nobody thought of; a name that was cleaned stays as it is."""
    shown = displayed_name(name)
    assert 0 < len(shown) <= LONGEST_NAME
    assert not set("/\\") & set(shown)
    assert not any(unicodedata.category(sign)[0] == "C" for sign in shown)
    assert shown not in {".", ".."}
    assert displayed_name(shown) == shown
