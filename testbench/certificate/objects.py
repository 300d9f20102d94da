"""The objects of a file: one document in every revision, nothing beside it, and nothing that could act by itself.

Whatever could act (a script, an action, a layer that can be switched) makes a file suspect, and so does an object that
nothing leads to: a program that repairs a file, or reads it otherwise, may find there what no check has looked at.
"""

from collections.abc import Iterator
from typing import Any

MOST_OBJECTS = 100_000
ACTIVE_KEYS = frozenset({"/OpenAction", "/AA", "/JS", "/JavaScript", "/XFA", "/OCProperties", "/RichMediaContent"})
ACTIVE_KINDS = frozenset({
    "/JavaScript", "/Launch", "/SubmitForm", "/ImportData", "/GoToR", "/GoToE", "/URI", "/Rendition", "/Movie",
    "/Sound", "/Hide", "/SetOCGState", "/ResetForm", "/RichMediaExecute", "/Named", "/Thread", "/Trans", "/GoTo3DView",
})  # fmt: skip
OTHER_DOCUMENT = "A later part of the file makes another document of it."
STRAY = "It holds objects that do not belong to the document."
CONTAINERS = frozenset({"/ObjStm", "/XRef"})
"""Kinds of objects that hold others, or say where they are; nothing leads to them."""


def faults_of_objects(reader: Any) -> Iterator[str]:
    """Everything that a station would not have written so; nothing where there is none."""
    if not _one_document(reader):
        yield OTHER_DOCUMENT
    seen: set[Any] = set()
    found = sorted({name for value in _dictionaries(reader, seen) for name in _active_names(value)})
    if found:
        yield f"It holds what could act or hide by itself: {', '.join(found)}."
    if any(_is_stray(reader, one) for one in _all(reader) - seen):
        yield STRAY


def _one_document(reader: Any) -> bool:
    """Whether each revision names by itself the same catalogue and the same document information as the first."""
    parts = reader.trailer._trailer_revisions  # noqa: SLF001 - else what a part leaves out is taken from an older one
    named = [tuple(one.raw_get(key).reference for key in ("/Root", "/Info")) for one in parts]
    return len(set(named)) == 1


def _all(reader: Any) -> set[Any]:
    """Every object that any revision has."""
    table = reader.xrefs
    return {one for number in range(table.total_revisions) for one in table.explicit_refs_in_revision(number)}


def _is_stray(reader: Any, reference: Any) -> bool:
    found = reader.get_object(reference)
    return not (hasattr(found, "data") and str(found.get("/Type", "")) in CONTAINERS)


def _active_names(value: Any) -> Iterator[str]:
    yield from (str(key) for key in value if key in ACTIVE_KEYS)
    kind = value.raw_get("/S") if "/S" in value else None
    if isinstance(kind, str) and kind in ACTIVE_KINDS:
        yield str(kind)


def _dictionaries(reader: Any, seen: set[Any]) -> Iterator[Any]:
    """Every dictionary that the file's trailer leads to, each object once; ``seen`` gets their references."""
    from pyhanko.pdf_utils import generic

    waiting = [reader.trailer.raw_get(key) for key in ("/Root", "/Info")]
    while waiting:
        value = waiting.pop()
        if isinstance(value, generic.IndirectObject):
            if value.reference in seen:
                continue
            seen.add(value.reference)
            if len(seen) > MOST_OBJECTS:
                raise ValueError("too many objects")
            value = value.get_object()  # type: ignore[no-untyped-call]
        if isinstance(value, generic.DictionaryObject):
            yield value
            waiting.extend(value.raw_get(key) for key in value)
        elif isinstance(value, generic.ArrayObject):
            waiting.extend(value.raw_get(index) for index in range(len(value)))
