"""The record and every reading, attached to the page: who holds the file can judge the run again.

The file is archived as PDF/A-3b (ISO 19005-3), the part that allows such attachments, and is checked before it is
signed. The check is the library's own: an allow-list on the published veraPDF rules for level b, of which it implements
two thirds and refuses the rest on sight. It is not veraPDF, and it does not look at signed revisions.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from typing import Any

import numpy as np

from testbench.errors import ArchiveProfileError
from testbench.procedure.valve import Value
from testbench.run.ledger import Checkpoint
from testbench.run.record import RunRecord, canonical
from testbench.run.samples import TICKS_PER_S, Scale, Trace
from testbench.run.signature import Signature
from testbench.station.summed_up import SummedUp
from testbench.station.withdrawals import Withdrawal

RECORD, CHECKPOINT, REPLACES, PROFILE = "record.json", "ledger-checkpoint.json", "replaces.json", "3b"
SUMMARY, FORM = "summary.json", "page.json"
MOST_RECORDS = 150
"""For how many pages of valves a lot certificate encloses the records; beyond, it encloses none. Their number alone
decides: who checks it can tell from the list whether they should be there."""
CSV_HEAD = "time_s,pressure_{unit},ticks,counts"
ASKED = ",asked_ticks"
"""The last column, where each reading was asked for: when."""


@dataclass(frozen=True, slots=True)
class Attachment:
    """One attached file."""

    name: str
    data: bytes
    mime: str
    description: str


def attachments_of(  # noqa: PLR0917 - one for each kind of attachment
    record: RunRecord,
    traces: tuple[Trace, ...],
    signed: tuple[Signature, ...] = (),
    checkpoint: Checkpoint | None = None,
    replaces: Withdrawal | None = None,
    form: Value | None = None,
) -> tuple[Attachment, ...]:
    """The canonical record, each attempt's samples as CSV, signatures, checkpoint, what it replaces, its form."""
    found = [Attachment(RECORD, canonical(record), "application/json", "Record of the run, canonical JSON")]
    for index, (stage, trace) in enumerate(zip(record.stages, traces, strict=True)):
        described = f"Readings of the {stage.stage}, attempt {stage.attempt}"
        scale = record.channel.scale.for_fluid(stage.requirement.fluid)
        found.append(Attachment(trace_name(record, index), csv_of(trace, scale), "text/csv", described))
        for number, (beside, read) in enumerate(zip(record.beside, trace.beside, strict=True), start=1):
            name, scale = beside_name(trace_name(record, index), number), beside.channel.scale
            data = csv_of(read, scale.for_fluid(stage.requirement.fluid))
            found.append(Attachment(name, data, "text/csv", f"{described}, channel {beside.channel.tag}"))
    for number, one in enumerate(signed, start=1):
        described = f"Signed as {one.meaning} by {one.printed_name}"
        found.append(Attachment(signature_name(number, one), canonical(one), "application/json", described))
    found += attached_checkpoint(checkpoint)
    if replaces is not None:
        described = f"Why this document replaces {replaces.number}"
        found.append(Attachment(REPLACES, canonical(replaces), "application/json", described))
    return (*found, *attached_form(form))


def attached_form(form: Value | None) -> list[Attachment]:
    """The form of the page; nothing where there is none."""
    if form is None:
        return []
    return [Attachment(FORM, canonical(form), "application/json", "Form of the page, canonical JSON")]


def attached_checkpoint(checkpoint: Checkpoint | None) -> list[Attachment]:
    """The checkpoint of the ledger; nothing where there is none."""
    if checkpoint is None:
        return []
    described = "How far the ledger of the bench had come, signed"
    return [Attachment(CHECKPOINT, checkpoint.text.encode(), "application/json", described)]


def attachments_of_summary(
    listed: SummedUp, records: Sequence[RunRecord], checkpoint: Checkpoint | None, form: Value | None = None
) -> tuple[Attachment, ...]:
    """The list of what is summed up, records of the pages that follow where these are not many, checkpoint, form."""
    found = [Attachment(SUMMARY, canonical(listed), "application/json", "What is summed up, canonical JSON")]
    if len(records) <= MOST_RECORDS:
        found += [
            Attachment(
                record_name(one.run), canonical(one), "application/json", f"Record of run {one.run}, canonical JSON"
            )
            for one in records
        ]
    return (*found, *attached_checkpoint(checkpoint), *attached_form(form))


def record_name(run: str) -> str:
    """File name of the record of one run among several."""
    return f"record-{run}.json"


def trace_name(record: RunRecord, index: int) -> str:
    """File name of one stage attempt's samples."""
    stage = record.stages[index]
    return f"trace-{index + 1:02d}-{stage.stage.replace(' ', '-')}-attempt-{stage.attempt}.csv"


def beside_name(deciding: str, number: int) -> str:
    """File name of another channel's samples, from that of the deciding one's; counted from 1."""
    return f"{deciding.removesuffix('.csv')}-beside-{number}.csv"


def signature_name(number: int, signature: Signature) -> str:
    """File name of a signature, numbered from 1."""
    return f"signature-{number:02d}-{signature.meaning}.json"


def csv_of(trace: Trace, scale: Scale) -> bytes:
    """Samples as text: time since the run began, corrected pressure, and the exact integers both come from."""
    seconds, pressures = trace.at / TICKS_PER_S, scale.pressures(trace.counts)
    columns = [seconds, pressures, trace.at, trace.counts]
    row, head = f"%.4f,%.{scale.decimals + 2}f,%d,%d", CSV_HEAD.format(unit=scale.unit)
    if trace.asked is not None:
        columns, row, head = [*columns, trace.asked], f"{row},%d", head + ASKED
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return "\n".join((head, *map(row.__mod__, rows), "")).encode()


def trace_of(data: bytes) -> Trace:
    """The samples of an attached CSV; gaps are in the record.

    Raises:
        ValueError: the text is no such table.
    """
    head, _, body = data.decode("ascii").partition("\n")
    width = 5 if head.endswith(ASKED) else 4
    cells = body.replace("\n", ",").split(",")[:-1]  # the last line ends as well
    if len(cells) != width * body.count("\n"):
        raise ValueError(f"not {width} numbers in each line")
    at, counts, *asked = (np.array(list(map(int, cells[place::width])), dtype=np.int64) for place in range(2, width))
    return Trace(at, counts, asked=asked[0] if asked else None)


def attach(page: bytes, files: tuple[Attachment, ...], dated: datetime, *, checked: bool = True) -> bytes:
    """Put files into a PDF.

    Args:
        page: the drawn PDF.
        files: what to attach.
        dated: date of the attachments; nothing else in here depends on the time.
        checked: False where a document is only made again to be compared; it is then the same to the byte.

    Returns:
        A PDF 1.7, PDF/A-3b; the same bytes for the same arguments.

    Raises:
        ArchiveProfileError: it is not PDF/A-3b as far as can be checked.
    """
    import pikepdf
    from pikepdf import pdfa

    stamp = f"D:{dated.astimezone(UTC):%Y%m%d%H%M%S}Z"
    with pikepdf.open(BytesIO(page)) as pdf:
        for sheet in pdf.pages:
            if "/Trans" in sheet.obj:  # an empty page transition that the drawing library writes
                del sheet.obj["/Trans"]
        for file in files:
            spec = pikepdf.AttachedFileSpec(
                pdf, file.data, filename=file.name, description=file.description, mime_type=file.mime,
                creation_date=stamp, mod_date=stamp, relationship=pikepdf.Name.Data,
            )  # fmt: skip
            pdf.attachments[file.name] = spec
        pdfa.prepare(pdf, PROFILE)
        _date_metadata(pdf, dated)
        out = BytesIO()
        told = pdfa.resolve_save_kwargs(
            PROFILE, deterministic_id=True, force_version="1.7", object_stream_mode=pikepdf.ObjectStreamMode.generate
        )
        pdf.save(out, **told)
    if checked:
        report = pdfa.validate_written(out, PROFILE, told)
        if report.verdict != "pass":
            raise ArchiveProfileError(PROFILE, tuple(str(one) for one in report.findings))
    return out.getvalue()


def _date_metadata(pdf: Any, dated: datetime) -> None:
    """The library dates the metadata with the time it was made, in the zone it was made in."""
    moment = f"{dated.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}".encode()
    metadata = pdf.Root.Metadata
    text, count = re.subn(rb"(<xmp:MetadataDate>)[^<]*", rb"\g<1>" + moment, metadata.read_bytes())
    assert count == 1
    metadata.write(text)


def safe_name(text: str) -> str:
    """A text as part of a file name: letters, digits, dot, underscore, hyphen; changed ones get a short hash."""
    from hashlib import sha256

    cleaned = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._-")[:60]
    if cleaned == text:
        return text
    return f"{cleaned or 'valve'}-{sha256(text.encode()).hexdigest()[:8]}"
