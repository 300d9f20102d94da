"""What is enclosed in a document: whether it agrees, and what follows from it.

Enclosed are facts, the record, the readings of every channel, signatures of people, the ledger's checkpoint, and the
form of the page.
Nothing here believes what the file states of itself: the record is hashed again, the readings are hashed again, and the
run is judged again from both. What the page prints is held against all this by ``certificate/printed``.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from testbench import __version__
from testbench.certificate.attach import CHECKPOINT, FORM, RECORD, REPLACES, SUMMARY, beside_name, trace_of
from testbench.certificate.facts import DocumentFacts
from testbench.certificate.filed import filed_in
from testbench.certificate.ledger_key import is_signed
from testbench.certificate.listed import faults_of_summary
from testbench.certificate.objects import faults_of_objects
from testbench.certificate.signed import faults_of_signatures, in_a_line, signatures_in
from testbench.run.evaluation import rejudged, same_decision
from testbench.run.following import differences
from testbench.run.ledger import Checkpoint
from testbench.run.record import Origin, RunRecord, StageRecord, sha256
from testbench.run.samples import Trace
from testbench.run.signature import Meaning, Signature
from testbench.station.summed_up import SummedUp
from testbench.station.withdrawals import Withdrawal


@dataclass(slots=True)
class Enclosed:
    """What was read so far, and every fault."""

    faults: list[str] = field(default_factory=list)
    facts: DocumentFacts | None = None
    listed: SummedUp | None = None
    """Of a lot certificate or shift summary, in the place of facts and record."""
    specimen: bool = False
    signed: tuple[str, ...] = ()
    """Which people signed the record, in words."""
    people: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Who performed the run, and who released it where somebody did: printed names by meaning."""
    checkpoint: Checkpoint | None = None
    replaces: str = ""
    """Which document it takes the place of, and why, in words."""
    rejudged: str = ""
    """The verdict that follows from the attached record and readings; empty where they were not judged."""
    follows: bool = False
    """Whether it is the stated one, with every value that follows from record and readings."""
    unfounded: str = ""
    """The first value that does not, in words; empty where all do."""
    wording: str = ""
    """The first sentence that this version words otherwise, where another one wrote the record."""
    record: RunRecord | None = None
    """None where it has a form that this version cannot read."""
    traces: tuple[Trace, ...] = ()
    signatures: tuple[Signature, ...] = ()
    replaced: Withdrawal | None = None
    records: dict[str, RunRecord] = field(default_factory=dict)
    """Of a lot certificate with the pages of valves, by their runs."""
    form: bytes | None = None
    """Of the page, as it is attached."""


def enclosed_in(reader: Any) -> Enclosed:
    """Read and compare everything that a document encloses."""
    found = Enclosed()
    found.faults.extend(faults_of_objects(reader))
    files: dict[str, bytes] = {}
    found.faults.extend(filed_in(reader.root, files))
    subject = str(reader.trailer["/Info"].get("/Subject", ""))
    found.form = files.pop(FORM, None)
    if SUMMARY in files and RECORD not in files:
        found.faults.extend(_faults_of_list(files, subject, found))
    else:
        found.faults.extend(_faults_of_content(files, subject, found))
    return found


def _faults_of_list(files: dict[str, bytes], subject: str, found: Enclosed) -> Iterator[str]:
    for told in faults_of_summary(files, subject):
        if isinstance(told, str):
            yield told
        elif isinstance(told, RunRecord):
            found.records[told.run] = told
        else:
            found.listed, found.specimen = told, told.specimen
    yield from _faults_of_checkpoint(files.pop(CHECKPOINT, None), found)
    yield from _faults_of_strangers(files)


def _faults_of_content(files: dict[str, bytes], subject: str, found: Enclosed) -> Iterator[str]:
    facts = DocumentFacts.read(subject)
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
        yield "The attached record is not the one whose hash the file states."
    stated = (facts.serial, facts.verdict, facts.specimen)
    if stated != (record["valve"]["serial"], record["verdict"], found.specimen):
        yield "File and attached record state different facts."
    signed = signatures_in(files)
    found.signatures, found.signed = signed, tuple(map(in_a_line, signed))
    found.people = {one.meaning: (one.printed_name,) for one in signed} | {Meaning.PERFORMED: (record["operator"],)}
    yield from faults_of_signatures(record, sha256(data), signed)
    yield from _faults_of_checkpoint(files.pop(CHECKPOINT, None), found)
    yield from _faults_of_replacing(files.pop(REPLACES, None), found, facts)
    traces: list[Trace] = []
    faults = list(_faults_of_traces(record["stages"], files, traces))
    if not faults:
        _judge(data, traces, facts, found)
    yield from faults


def _faults_of_checkpoint(data: bytes | None, found: Enclosed) -> Iterator[str]:
    if data is None:  # the ledger came later than the first documents
        return
    found.checkpoint = Checkpoint.model_validate_json(data)
    if not is_signed(found.checkpoint):
        yield "The attached checkpoint of the ledger is not signed by the key that it names."


def _faults_of_replacing(data: bytes | None, found: Enclosed, facts: DocumentFacts) -> Iterator[str]:
    if data is None:
        return
    found.replaced = old = Withdrawal.model_validate_json(data)
    found.replaces = f"{old.number}, withdrawn on {old.at[:10]} by {old.by}: {old.why}"
    if (old.replaced_by, old.serial) != (facts.number, facts.serial):
        yield "What it says that it replaces was replaced by another document."


def _faults_of_traces(stages: list[dict[str, Any]], files: dict[str, bytes], traces: list[Trace]) -> Iterator[str]:
    for index, stage in enumerate(stages):
        name = f"trace-{index + 1:02d}-{stage['stage'].replace(' ', '-')}-attempt-{stage['attempt']}.csv"
        expected = {name: stage["trace"]["sha256"]}
        for number, beside in enumerate(stage.get("beside", ()), start=1):
            expected[beside_name(name, number)] = beside["trace"]["sha256"]
        read: list[Trace] = []
        yield from _faults_of_readings(expected, files, read)
        if len(read) == len(expected):
            traces.append(replace(read[0], beside=tuple(read[1:])))
    yield from _faults_of_strangers(files)


def _faults_of_strangers(files: dict[str, bytes]) -> Iterator[str]:
    if files:
        yield f"Files are attached that do not belong to the document: {', '.join(sorted(files))}."


def _faults_of_readings(expected: dict[str, str], files: dict[str, bytes], read: list[Trace]) -> Iterator[str]:
    for name, digest in expected.items():
        data = files.pop(name, None)
        if data is None:
            yield f"The readings {name} are not attached."
            continue
        read.append(trace_of(data))
        if read[-1].sha256() != digest:
            yield f"The readings {name} are not those of the record."


def _judge(data: bytes, traces: list[Trace], facts: DocumentFacts, found: Enclosed) -> None:
    """Decide the attached run again; a record that this version cannot read is left undecided."""
    try:
        record = RunRecord.model_validate_json(data)
    except ValueError:
        return
    found.record = record
    found.traces = tuple(_with_gaps(*one) for one in zip(traces, record.stages, strict=True))
    again = rejudged(record, list(found.traces))
    found.rejudged = again.verdict or "void"
    _compare(record, again, found)
    found.follows = same_decision(again, record) and found.rejudged == facts.verdict and not found.unfounded


def _compare(record: RunRecord, again: RunRecord, found: Enclosed) -> None:
    """Value by value.

    Sentences of this very version are compared word for word, those of another by their numbers.
    """
    for one in differences(record, again, found.traces):
        if one.worded and record.software != __version__:
            found.wording = found.wording or one.sentence
        else:
            found.unfounded = one.sentence
            return


def _with_gaps(trace: Trace, stage: StageRecord) -> Trace:
    """The readings of every channel with the gaps that the record keeps."""
    beside = tuple(one.with_gaps(of.gaps) for one, of in zip(trace.beside, stage.beside, strict=True))
    return replace(trace, gaps=stage.gaps, beside=beside)
