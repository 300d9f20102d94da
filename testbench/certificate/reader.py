"""A strict reader of documents that unpacks only so much, and each object stream once."""

from functools import cache
from io import BytesIO
from typing import Any

MIB = 1024 * 1024
LARGEST_STREAM, MOST_DECODED = 64 * MIB, 200 * MIB
LARGEST_OBJECTS = MIB
"""Of an object stream: a hundred objects of ours have some ten thousand bytes."""


def reader_of(data: bytes) -> Any:
    """A reader of a document's bytes; what is wrong with them it refuses, at once or when that part is asked for."""
    from pyhanko.pdf_utils.decode_limits import DecodeLimits, DocumentDecodeBudget, StreamDecodeLimits

    limits = DecodeLimits(
        per_stream=StreamDecodeLimits(max_output_size=LARGEST_STREAM),
        document_budget=DocumentDecodeBudget(base_allowance=MOST_DECODED, max_ratio=0),
    )
    return _class()(BytesIO(data), strict=True, decode_limits=limits)


def text_of(name: Any) -> str:
    """A string of a file as text; the library gives bytes where it knows no encoding for them."""
    return name.decode("latin-1") if isinstance(name, bytes) else str(name)


def _places(data: bytes, first: int, count: int) -> dict[int, tuple[int, int]]:
    """Of each object of an unpacked object stream its index and where it begins; of two of one number the first counts.

    Raises:
        ValueError: the stream does not begin with so many pairs of numbers, or is too large.
    """
    if len(data) > LARGEST_OBJECTS:
        raise ValueError("an object stream is too large")
    told = data[: max(first, 0)].split()
    if not 0 <= 2 * count <= len(told) or not all(map(bytes.isdigit, told)):
        raise ValueError("the index of an object stream is damaged")
    numbers = [int(one) for one in told]
    places: dict[int, tuple[int, int]] = {}
    for index in range(count):
        places.setdefault(numbers[2 * index], (index, first + numbers[2 * index + 1]))
    return places


@cache
def _class() -> Any:
    """The library's reader, which would read the whole index of an object stream for each of its hundred objects."""
    from pyhanko.pdf_utils import generic, misc
    from pyhanko.pdf_utils.decode_limits import DecodePurpose
    from pyhanko.pdf_utils.reader import PdfFileReader

    class Reader(PdfFileReader):
        """Always strict. It overrides one private name, for which the version of the library is pinned."""

        def __init__(self, *given: Any, **named: Any) -> None:
            self._unpacked: dict[int, tuple[BytesIO, dict[int, tuple[int, int]]]] = {}
            super().__init__(*given, **named)

        def _get_object_from_stream(self, idnum: int, stmnum: int, idx: int) -> Any:
            """One object of an object stream (ISO 32000-1, 7.5.7), where the cross-references say that it is."""
            if stmnum not in self._unpacked:
                packed: Any = generic.Reference(stmnum, 0, self).get_object()
                if packed["/Type"] != "/ObjStm":
                    raise misc.PdfStrictReadError(f"Object {stmnum} is no object stream.")
                data = packed.read_data(DecodePurpose.OBJECT_STREAM)
                self._unpacked[stmnum] = BytesIO(data), _places(data, int(packed["/First"]), int(packed["/N"]))
            stream, places = self._unpacked[stmnum]
            index, start = places.get(idnum, (-1, 0))
            if index != idx:
                raise misc.PdfStrictReadError(f"Object {idnum} is not at {idx} of object stream {stmnum}.")
            stream.seek(start)
            try:
                found = generic.read_object(stream, generic.Reference(idnum, 0, self))
            except (misc.PdfStreamError, misc.PdfReadError) as failure:
                raise misc.PdfStrictReadError(f"Object {idnum} cannot be read: {failure}") from failure
            if isinstance(found, (generic.StreamObject, generic.IndirectObject)):
                raise misc.PdfStrictReadError(f"Object {idnum} may not be in an object stream.")
            return found

    return Reader
