"""Does a signed file print what was drawn anew? Two ways: by the bytes of its first revision, else mark by mark.

**By its bytes**: the file begins with just what was drawn anew, and its signatures have only added what signatures add:
fields without an appearance, and nothing that replaces a page, a face or a drawing.

**Mark by mark**, where another version of a library wrote the file: the same attached files, the same pages, and on
each of them the same signs with the same shapes, the same lines and areas, in the same order, at the same places.
"""

import re
from collections.abc import Iterator
from io import BytesIO
from itertools import zip_longest
from typing import Any

from testbench.certificate.marks import Mark, marks_of, signs_of, texts_of
from testbench.certificate.metadata import says
from testbench.certificate.plot_room import is_no_plot
from testbench.certificate.shapes import NotOursError

BY_BYTES = "as drawn anew from the attached {}, byte for byte"
BY_MARKS = "the same signs and lines at the same places as drawn anew from the attached {} (written by another version)"
ADDED_BY_SIGNING = {
    "/Catalog": frozenset({"/AcroForm", "/Perms", "/Extensions"}),
    "/Page": frozenset({"/Annots"}),
    "": frozenset({"/ModDate", "/Producer"}),
}
"""Which keys of which dictionaries signatures add or change; without a type: the document information."""
PAGE_KEYS = frozenset({
    "/Type", "/Parent", "/Contents", "/Resources", "/MediaBox", "/CropBox", "/Rotate", "/StructParents", "/Tabs",
    "/Annots",
})  # fmt: skip
FIELD_KEYS = frozenset({"/AP", "/F", "/FT", "/P", "/Rect", "/Subtype", "/T", "/TU", "/Type", "/V", "/Lock", "/SV"})
OF_CATALOGUE = ("/Lang", "/PageMode", "/ViewerPreferences", "/MarkInfo", "/OutputIntents")


# By its bytes -----------------------------------------------------------------------------------


def begins_with(reader: Any, data: bytes, drawn: bytes) -> bool:
    """Whether a file is what was drawn and signatures that draw nothing.

    Args:
        reader: of the file.
        data: its bytes.
        drawn: what was drawn anew.
    """
    table, later = reader.xrefs, range(1, reader.xrefs.total_revisions)
    if not data.startswith(drawn) or table.hybrid_xrefs_present:
        return False
    if f"startxref\n{table.get_startxref_for_revision(0)}\n%%EOF\n".encode() != drawn[drawn.rindex(b"startxref") :]:
        return False  # what was drawn lies in the file, but is no part of the document
    if any(table.refs_freed_in_revision(number) for number in later):
        return False
    first = {one.idnum for one in table.explicit_refs_in_revision(0)}
    changed = {one for number in later for one in table.explicit_refs_in_revision(number) if one.idnum in first}
    return all(one.generation == 0 and _only_signed(reader, one) for one in changed)


def _only_signed(reader: Any, reference: Any) -> bool:
    """Whether signing has changed no more of an object than it must."""
    before, now = reader.get_object(reference, revision=0), reader.get_object(reference)
    kind = str(now.get("/Type", ""))
    if kind == "/Metadata":  # written anew by the signing library
        return before.get("/Type") == kind and before.get("/Subtype") == now.get("/Subtype") and _same(now, before)
    if not hasattr(now, "raw_get") or hasattr(now, "data"):
        return False
    changed = {
        str(key)
        for key in {*before, *now}
        if key not in before or key not in now or repr(before.raw_get(key)) != repr(now.raw_get(key))
    }
    return changed <= ADDED_BY_SIGNING.get(kind, frozenset()) and _draws_nothing(now)


def _same(one: Any, other: Any) -> bool:
    """Whether two metadata say the same."""
    return says(_content(one)) == says(_content(other))


def _draws_nothing(found: Any) -> bool:
    """Whether the fields of a page and of its form are signatures without an appearance."""
    form, fields = (found[key] if key in found else {} for key in ("/AcroForm", "/Annots"))  # noqa: SIM401 - resolves
    return set(form) <= {"/Fields", "/SigFlags"} and all(_is_bare(one) for one in fields)


def _is_bare(field: Any) -> bool:
    """A signature's field that draws nothing; ``certificate/seals`` looks at where it lies."""
    field = field.get_object() if hasattr(field, "get_object") else field
    kind = (str(field.get("/Subtype", "")), str(field.get("/FT", "")))
    look = field["/AP"] if "/AP" in field else {}  # noqa: SIM401 - resolves
    drawn = b"".join(_content(look[key]) for key in look.keys())  # noqa: SIM118 - of two libraries' dictionaries
    return set(field.keys()) <= FIELD_KEYS and kind == ("/Widget", "/Sig") and not drawn.strip()


def _content(look: Any) -> bytes:
    """What an appearance draws, read by either library."""
    return bytes(look.read_bytes() if hasattr(look, "read_bytes") else look.data)


# Mark by mark -----------------------------------------------------------------------------------


def differences(data: bytes, drawn: bytes, *, labels: re.Pattern[str] | None = None, behind: int = 0) -> Iterator[str]:
    """What a file prints otherwise than what was drawn anew, the first thing of each page; nothing where it is alike.

    Args:
        data: the file.
        drawn: what was drawn anew.
        labels: what plots may say, where it was drawn without readings: then they are not compared, but see
            ``certificate/plot_room``; nor is what a screen reader is told, nor the attached files, which
            ``certificate/listed`` has looked at.
        behind: how many pages at least follow that were not drawn anew; 0: none may.
    """
    import pikepdf

    with pikepdf.open(BytesIO(data)) as file, pikepdf.open(BytesIO(drawn)) as anew:
        yield from _of_document(file, anew)
        if labels is None:
            yield from _of_structure(file, anew)
            yield from _of_attached(file, anew)
        count, wanted = len(file.pages), len(anew.pages)
        if count < wanted + behind or (count > wanted and not behind):
            yield f"It has {count} pages, where its record gives {wanted}."
        for number, (found, given) in enumerate(zip(file.pages, anew.pages, strict=False), start=1):
            yield from (f"Page {number}: {told}" for told in _of_page(found.obj, given.obj, labels))


def _of_document(file: Any, anew: Any) -> Iterator[str]:
    extra = set(file.Root.keys()) - set(anew.Root.keys()) - ADDED_BY_SIGNING["/Catalog"]
    if extra:
        yield f"The document holds what none of ours does: {', '.join(sorted(extra))}."
    yield from (
        f"The document says something else under {key[1:]}."
        for key in OF_CATALOGUE
        if not _alike(file.Root.get(key), anew.Root.get(key))
    )
    yield from (
        f"The document says something else under {key[1:]}."
        for key in sorted({*file.docinfo.keys(), *anew.docinfo.keys()} - ADDED_BY_SIGNING[""])
        if file.docinfo.get(key) != anew.docinfo.get(key)
    )
    if "/Metadata" not in file.Root or not _same(file.Root.Metadata, anew.Root.Metadata):
        yield "The document says something else in its metadata."
    if _places(file) != _places(anew):
        yield "The places of its signatures lie elsewhere."
    if set(file.Root.get("/AcroForm", {}).keys()) - {"/Fields", "/SigFlags"}:
        yield "Its form could draw something."
    nodes = [one for one in file.Root.Pages.Kids if one.get("/Type") != "/Page"]
    if nodes or set(file.Root.Pages.keys()) - {"/Type", "/Kids", "/Count"}:
        yield "Its pages inherit what no page of ours does."


def _places(pdf: Any) -> list[tuple[Any, ...]]:
    """The named places: on which page, and where on it."""
    pages = [page.objgen for page in pdf.pages]
    kept = sorted(pdf.Root.get("/Dests", {}).items())
    return [(name, pages.index(place[0].objgen), *(str(one) for one in list(place)[1:])) for name, place in kept]


def _of_structure(file: Any, anew: Any) -> Iterator[str]:
    told = (_spoken(pdf.Root.get("/StructTreeRoot")) for pdf in (file, anew))
    if any(one != other for one, other in zip_longest(*told)):  # the first one ends it: a tree may lead to itself
        yield "A screen reader is told something else."


def _spoken(node: Any, deep: int = 8) -> Iterator[Any]:
    """What a screen reader is told, in its order."""
    import pikepdf

    if isinstance(node, pikepdf.Array) and deep:
        for one in node:
            yield from _spoken(one, deep - 1)
    elif isinstance(node, pikepdf.Dictionary) and deep:
        keys = sorted(set(node.keys()) - {"/K", "/P", "/Pg"})
        yield [(key, str(node[key])) for key in keys if key != "/ParentTree"], "/ParentTree" in keys
        yield from _spoken(node.get("/K"), deep - 1)
    else:
        yield str(node)


def _of_attached(file: Any, anew: Any) -> Iterator[str]:
    given = {name: anew.attachments[name].get_file().read_bytes() for name in anew.attachments}
    for name, body in given.items():
        if name not in file.attachments or file.attachments[name].get_file().read_bytes() != body:
            yield f"The attached file {name} is not as a station writes it."


def _of_page(found: Any, given: Any, labels: re.Pattern[str] | None) -> Iterator[str]:
    strange = set(found.keys()) - PAGE_KEYS or set(found.Resources.keys()) - {"/Font", "/ProcSet"}
    if strange or not all(_is_bare(one) for one in found.get("/Annots", ())):
        yield "something lies on it that none of our pages has."
    if _box(found) != _box(given):
        yield "it has another size."
    try:
        marks = marks_of(found, whole=labels is None)
    except NotOursError as failure:
        yield f"it cannot be read as a page of ours. {failure}"
        return
    except (ValueError, LookupError, TypeError, AttributeError):
        yield "it cannot be read as a page of ours."
        return
    wanted = marks_of(given, whole=labels is None)
    if labels is not None:
        known = signs_of(given)
        (marks, shown), (wanted, free) = _without_plots(marks), _without_plots(wanted)
        pairs = zip(shown, free, strict=False)
        if len(shown) != len(free) or any(is_no_plot(one, room, known, labels) for one, room in pairs):
            yield "something of a plot lies elsewhere than its record gives."
    yield from _first_difference(marks, wanted)


def _without_plots(marks: list[Mark]) -> tuple[list[Mark], list[list[Mark]]]:
    """The marks of a page beside its plots, and those of each plot: a figure with writing; a QR code has none."""
    rest: list[Mark] = []
    plots: list[list[Mark]] = []
    figure: list[Mark] | None = None
    for mark in marks:
        if figure is None:
            rest.append(mark)
            figure = [] if mark.what[:2] == ("BDC", "/Figure") else None
        elif mark.what[0] != "EMC":
            figure.append(mark)
        else:
            plain = not any(one.text for one in figure)
            rest += [*figure, mark] if plain else [mark]
            plots += [] if plain else [figure]
            figure = None
    return rest, plots


def _box(page: Any) -> tuple[Any, ...]:
    boxes = [[round(float(side), 1) for side in page.get(key, page.MediaBox)] for key in ("/MediaBox", "/CropBox")]
    return *boxes, int(page.get("/Rotate", 0))


def _first_difference(found: list[Mark], given: list[Mark]) -> Iterator[str]:
    """In words, the first one; a text before a line, for it tells a reader more."""
    pairs = zip_longest(found, given)
    unlike = next(((a, b) for a, b in pairs if a is None or b is None or not a.like(b)), None)
    if unlike is None:
        return
    texts = zip_longest(texts_of(found), texts_of(given))
    shown, wanted = next(((a, b) for a, b in texts if a != b), (None, None))
    if shown is not None or wanted is not None:
        yield f"it shows {_quoted(shown)}, where its record gives {_quoted(wanted)}."
    elif unlike[0] is not None and unlike[0].text:
        yield f"it shows {_quoted(unlike[0].text)} in other signs or elsewhere than its record gives."
    else:
        yield "it shows a line or an area otherwise than its record gives."


def _quoted(text: str | None) -> str:
    return "nothing more" if text is None else f"“{text}”"


def _alike(one: Any, other: Any) -> bool:
    """Whether two small things are the same, however they were numbered and packed."""
    import pikepdf

    if isinstance(one, pikepdf.Stream) and isinstance(other, pikepdf.Stream):
        return bytes(one.read_bytes()) == bytes(other.read_bytes())
    if isinstance(one, pikepdf.Dictionary) and isinstance(other, pikepdf.Dictionary):
        return set(one.keys()) == set(other.keys()) and all(_alike(one[key], other[key]) for key in set(one.keys()))
    if isinstance(one, pikepdf.Array) and isinstance(other, pikepdf.Array):
        return len(one) == len(other) and all(_alike(a, b) for a, b in zip(one, other, strict=True))
    return bool(one == other)
