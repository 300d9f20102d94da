"""What the metadata of a document say (XMP, ISO 16684-1), however they are written; readers show them."""

from collections import Counter
from collections.abc import Iterator
from typing import Any

CHANGES_BY_SIGNING = frozenset({"xmptk", "ModifyDate", "MetadataDate", "Producer"})
"""Who wrote them last, with what, and when."""


def says(metadata: bytes) -> Counter[tuple[str, str]]:
    """Every text with the path of its element, a property as attribute or as element alike; empty where unreadable."""
    from xml.etree import ElementTree

    if b"<!" in metadata:  # entities and comments, which nobody writes here
        return Counter()
    try:
        return Counter(_texts(ElementTree.fromstring(metadata), ""))  # noqa: S314 - without entities
    except ElementTree.ParseError:
        return Counter()


def _texts(node: Any, above: str) -> Iterator[tuple[str, str]]:
    path = f"{above}/{node.tag}"
    pairs = [(path, node.text), (above, node.tail), *((f"{path}/{name}", text) for name, text in node.attrib.items())]
    for where, text in pairs:
        if text and text.strip() and where.rpartition("/")[2].rpartition("}")[2] not in CHANGES_BY_SIGNING:
            yield where, text.strip()
    for one in node:
        yield from _texts(one, path)
