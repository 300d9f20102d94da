"""The files that are attached to a document, each of them once, under one name, wherever a reader looks for it.

A reader may list the files of the name tree (ISO 32000-1, 7.7.4) or those of the catalogue (ISO 19005-3, 6.8), show one
of up to five names of a file, and take its bytes from one of as many streams. All of them must tell the same.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from testbench.certificate.reader import text_of

MOST_FILES, DEEPEST = 1000, 8
OF_FILE = frozenset({"/Type", "/F", "/UF", "/EF", "/Desc", "/AFRelationship"})
STRANGE = "Its files are attached otherwise than a station attaches them."


def filed_in(root: Any, files: dict[str, bytes]) -> Iterator[str]:
    """Put names and contents of the attached files into ``files``, and say what is wrong with how they are attached.

    Raises:
        ValueError: too many, or too deep.
    """
    names: Any = root["/Names"] if "/Names" in root else {}  # noqa: SIM401 - resolves
    tree = names.raw_get("/EmbeddedFiles").get_object() if "/EmbeddedFiles" in names else {}
    found = []
    for count, (name, entry) in enumerate(_leaves(tree, DEEPEST)):
        if count >= MOST_FILES:
            raise ValueError("too many attached files")
        found.append(entry)
        said = text_of(name)
        strange = said in files or not _is_plain(entry.get_object(), said)
        files[said] = bytes(entry.get_object()["/EF"]["/F"].data)
        if strange:
            yield f"The file {said} is attached twice, or under more than one name."
    listed: Any = root["/AF"] if "/AF" in root else []  # noqa: SIM401 - resolves
    given = [listed.raw_get(index) for index in range(len(listed))]
    if set(names) - {"/EmbeddedFiles"} or sorted(map(repr, given)) != sorted(map(repr, found)):
        yield STRANGE


def _is_plain(spec: Any, name: str) -> bool:
    """Whether a file has one name and one content, however a reader asks for them."""
    bodies = spec["/EF"]
    return (
        {"/F", "/UF"} <= set(spec) <= OF_FILE
        and {text_of(spec[key]) for key in ("/F", "/UF")} == {name}
        and set(bodies) == {"/F", "/UF"}
        and repr(bodies.raw_get("/F")) == repr(bodies.raw_get("/UF"))
    )


def _leaves(node: Any, depth: int) -> Iterable[tuple[Any, Any]]:
    """Pairs of a name tree, at most ``depth`` levels down; the second as it is written: a reference."""
    if depth == 0:
        raise ValueError("the tree of attached files is too deep")
    flat = node.get("/Names", [])
    for index in range(0, len(flat) - 1, 2):
        yield flat[index], flat.raw_get(index + 1)
    for kid in node.get("/Kids", []):
        yield from _leaves(kid.get_object(), depth - 1)
