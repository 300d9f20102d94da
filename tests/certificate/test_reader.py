"""The reader of documents reads as its library does, and unpacks an object stream once."""

from io import BytesIO

import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.misc import PdfStrictReadError
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.pdf_utils.xref import ObjStreamRef

from testbench.certificate.reader import _places, reader_of


def written(reader, number):
    out = BytesIO()
    reader.get_object(generic.Reference(number, 0, reader)).write_to_stream(out, None)
    return out.getvalue()


def packed(reader):
    """Of each object in a stream its number, stream and index."""
    found = {}
    for number in range(1, int(reader.trailer["/Size"])):
        place = reader.xrefs[generic.Reference(number, 0, reader)]
        if isinstance(place, ObjStreamRef):
            found[number] = (place.obj_stream_id, place.ix_in_stream)
    return found


def test_every_object_is_the_one_that_the_library_reads(locked):
    """Outside source: pyHanko's own reader, which looks each one up in the whole index."""
    ours, theirs = reader_of(locked), PdfFileReader(BytesIO(locked))
    places = packed(ours)
    assert places == packed(theirs)
    assert len(places) > 50
    assert [written(ours, number) for number in places] == [written(theirs, number) for number in places]


def test_an_object_stream_is_unpacked_once(locked, monkeypatch):
    """However many objects are in it."""
    reader, unpacked = reader_of(locked), []
    monkeypatch.setattr("testbench.certificate.reader._places", lambda *given: unpacked.append(1) or _places(*given))
    places = packed(reader)
    for number in places:
        reader.get_object(generic.Reference(number, 0, reader))
    assert len(unpacked) == len({stream for stream, _ in places.values()})


@pytest.mark.parametrize("wrong", ["another index", "another number"])
def test_an_object_that_is_not_where_the_cross_references_say_is_refused(locked, wrong):
    """As the library does."""
    for reader in (reader_of(locked), PdfFileReader(BytesIO(locked))):
        number, (stream, index) = next(iter(packed(reader).items()))
        asked = (number, stream, index + 1) if wrong == "another index" else (10_000, stream, index)
        with pytest.raises(PdfStrictReadError):
            reader._get_object_from_stream(*asked)


def test_an_index_gives_places_and_the_first_of_two_counts():
    """Numbers and offsets in turns, counted from where the objects begin (ISO 32000-1, 7.5.7)."""
    assert _places(b"7 0 9 4\n<<>>[]", 8, 2) == {7: (0, 8), 9: (1, 12)}
    assert _places(b"7 0 7 4\n<<>>[]", 8, 2) == {7: (0, 8)}
    assert _places(b"", 0, 0) == {}


@pytest.mark.parametrize("index", [b"7 0 9", b"7 0 9 x ", b"7 0 9 -4", b"7 0 9 4_0"])
def test_a_damaged_index_is_refused(index):
    """Too short, or with something that is no number."""
    with pytest.raises(ValueError, match=r"^the index of an object stream is damaged$"):
        _places(index, len(index), 2)


def test_an_index_that_claims_too_much_is_refused():
    """Also less than nothing."""
    for count in (3, -1):
        with pytest.raises(ValueError, match=r"^the index of an object stream is damaged$"):
            _places(b"7 0 9 4 ", 8, count)
