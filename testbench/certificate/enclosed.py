"""What is enclosed in a document: facts, record and readings; whether they agree, and what follows from them.

Nothing here believes the page: the record is hashed again, the readings are hashed again, and the run is judged again
from both. Whatever could act by itself (a script, an action, a layer that can be switched) makes a file suspect.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from testbench.certificate.attach import RECORD, trace_of
from testbench.certificate.facts import DocumentFacts
from testbench.run.evaluation import rejudged, same_decision
from testbench.run.record import Origin, RunRecord, sha256
from testbench.run.samples import Trace

MOST_FILES, MOST_OBJECTS, DEEPEST = 1000, 100_000, 8
ACTIVE_KEYS = frozenset({"/OpenAction", "/AA", "/JS", "/JavaScript", "/XFA", "/OCProperties", "/RichMediaContent"})
ACTIVE_KINDS = frozenset({
    "/JavaScript", "/Launch", "/SubmitForm", "/ImportData", "/GoToR", "/GoToE", "/URI", "/Rendition", "/Movie",
    "/Sound", "/Hide", "/SetOCGState", "/ResetForm", "/RichMediaExecute", "/Named", "/Thread", "/Trans", "/GoTo3DView",
})  # fmt: skip


@dataclass(slots=True)
class Enclosed:
    """What was read so far, and every fault."""

    faults: list[str] = field(default_factory=list)
    facts: DocumentFacts | None = None
    specimen: bool = False
    rejudged: str = ""
    """The verdict that follows from the attached record and readings; empty where they were not judged."""
    follows: bool = False
    """Whether it is the printed one, with every measured value and limit."""


def enclosed_in(reader: Any) -> Enclosed:
    """Read and compare everything that a document encloses."""
    found = Enclosed()
    found.faults.extend(_active(reader))
    found.faults.extend(_faults_of_content(reader, found))
    return found


def _faults_of_content(reader: Any, found: Enclosed) -> Iterator[str]:
    files = dict(_attached(reader.root))
    facts = DocumentFacts.read(str(reader.trailer["/Info"].get("/Subject", "")))
    if facts is None:
        yield "It does not state number, serial number, verdict and record hash."
        return
    found.facts = facts
    data = files.pop(RECORD, None)
    if data is None:
        yield "The record is not attached."
        return
    record = json.loads(data)
    found.specimen = record["origin"] != Origin.LIVE or record.get("adoption") is None
    if sha256(data) != facts.record_sha256:
        yield "The attached record is not the one whose hash is printed."
    stated = (facts.serial, facts.verdict, facts.specimen)
    if stated != (record["valve"]["serial"], record["verdict"], found.specimen):
        yield "Page and attached record state different facts."
    traces: list[Trace] = []
    faults = list(_faults_of_traces(record["stages"], files, traces))
    if not faults:
        _judge(data, traces, facts, found)
    yield from faults


def _faults_of_traces(stages: list[dict[str, Any]], files: dict[str, bytes], traces: list[Trace]) -> Iterator[str]:
    for index, stage in enumerate(stages):
        name = f"trace-{index + 1:02d}-{stage['stage'].replace(' ', '-')}-attempt-{stage['attempt']}.csv"
        data = files.pop(name, None)
        if data is None:
            yield f"The readings {name} are not attached."
            continue
        trace = trace_of(data)
        traces.append(trace)
        if trace.sha256() != stage["trace"]["sha256"]:
            yield f"The readings {name} are not those of the record."
    if files:
        yield f"Files are attached that do not belong to the document: {', '.join(sorted(files))}."


def _judge(data: bytes, traces: list[Trace], facts: DocumentFacts, found: Enclosed) -> None:
    """Decide the attached run again; a record that this version cannot read is left undecided."""
    try:
        record = RunRecord.model_validate_json(data)
    except ValueError:
        return
    with_gaps = [Trace(one.at, one.counts, stage.gaps) for one, stage in zip(traces, record.stages, strict=True)]
    again = rejudged(record, with_gaps)
    found.rejudged = again.verdict or "void"
    found.follows = same_decision(again, record) and found.rejudged == facts.verdict


# Attached files ---------------------------------------------------------------------------------


def _attached(root: Any) -> Iterator[tuple[str, bytes]]:
    """Names and contents of the attached files."""
    names = root.get("/Names")
    if names is None or "/EmbeddedFiles" not in names:
        return
    for count, (name, spec) in enumerate(_leaves(names["/EmbeddedFiles"], DEEPEST)):
        if count >= MOST_FILES:
            raise ValueError("too many attached files")
        yield str(name), bytes(spec["/EF"]["/F"].data)


def _leaves(node: Any, depth: int) -> Iterable[tuple[Any, Any]]:
    """Pairs of a name tree, at most ``depth`` levels down."""
    if depth == 0:
        raise ValueError("the tree of attached files is too deep")
    flat = node.get("/Names", [])
    for index in range(0, len(flat) - 1, 2):
        yield flat[index], flat[index + 1]
    for kid in node.get("/Kids", []):
        yield from _leaves(kid.get_object(), depth - 1)


# Active content ---------------------------------------------------------------------------------


def _active(reader: Any) -> Iterator[str]:
    """Whatever a reader of PDF might do by itself, or show one moment and hide the next."""
    found = sorted({name for value in _dictionaries(reader) for name in _active_names(value)})
    if found:
        yield f"It holds what could act or hide by itself: {', '.join(found)}."


def _active_names(value: Any) -> Iterator[str]:
    yield from (str(key) for key in value if key in ACTIVE_KEYS)
    kind = value.raw_get("/S") if "/S" in value else None
    if isinstance(kind, str) and kind in ACTIVE_KINDS:
        yield str(kind)


def _dictionaries(reader: Any) -> Iterator[Any]:
    """Every dictionary that the file's root leads to, each object once."""
    from pyhanko.pdf_utils import generic

    seen, waiting = set(), [reader.trailer.raw_get("/Root")]
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
