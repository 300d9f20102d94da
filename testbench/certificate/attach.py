"""The record and every reading, attached to the page: who holds the file can judge the run again."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO

import numpy as np

from testbench.run.ledger import Checkpoint
from testbench.run.record import RunRecord, canonical
from testbench.run.samples import TICKS_PER_S, Scale, Trace

RECORD, CHECKPOINT = "record.json", "ledger-checkpoint.json"
CSV_HEAD = "time_s,pressure_{unit},ticks,counts"


@dataclass(frozen=True, slots=True)
class Attachment:
    """One attached file."""

    name: str
    data: bytes
    mime: str
    description: str


def attachments_of(
    record: RunRecord, traces: tuple[Trace, ...], checkpoint: Checkpoint | None = None
) -> tuple[Attachment, ...]:
    """The canonical record, the samples of each stage attempt as CSV, and the checkpoint of the ledger."""
    found = [Attachment(RECORD, canonical(record), "application/json", "Record of the run, canonical JSON")]
    for index, (stage, trace) in enumerate(zip(record.stages, traces, strict=True)):
        described = f"Readings of the {stage.stage}, attempt {stage.attempt}"
        scale = record.channel.scale.for_fluid(stage.requirement.fluid)
        found.append(Attachment(trace_name(record, index), csv_of(trace, scale), "text/csv", described))
    if checkpoint is not None:
        described = "How far the ledger of the bench had come, signed"
        found.append(Attachment(CHECKPOINT, checkpoint.text.encode(), "application/json", described))
    return tuple(found)


def trace_name(record: RunRecord, index: int) -> str:
    """File name of one stage attempt's samples."""
    stage = record.stages[index]
    return f"trace-{index + 1:02d}-{stage.stage.replace(' ', '-')}-attempt-{stage.attempt}.csv"


def csv_of(trace: Trace, scale: Scale) -> bytes:
    """Samples as text: time since the run began, corrected pressure, and the exact integers both come from."""
    seconds, pressures = trace.at / TICKS_PER_S, scale.pressures(trace.counts)
    decimals = scale.decimals + 2
    rows = (
        f"{second:.4f},{pressure:.{decimals}f},{tick},{count}"
        for second, pressure, tick, count in zip(
            seconds.tolist(), pressures.tolist(), trace.at.tolist(), trace.counts.tolist(), strict=True
        )
    )
    return "\n".join((CSV_HEAD.format(unit=scale.unit), *rows, "")).encode()


def trace_of(data: bytes) -> Trace:
    """The samples of an attached CSV; gaps are in the record.

    Raises:
        ValueError: the text is no such table.
    """
    rows = [line.split(",") for line in data.decode("ascii").splitlines()[1:]]
    integers = [(int(tick), int(counts)) for _, _, tick, counts in rows]
    table = np.array(integers, dtype=np.int64).reshape(-1, 2)
    return Trace(table[:, 0].copy(), table[:, 1].copy())


def attach(page: bytes, files: tuple[Attachment, ...], dated: datetime) -> bytes:
    """Put files into a PDF.

    Args:
        page: the drawn PDF.
        files: what to attach.
        dated: date of the attachments; nothing else in here depends on the time.

    Returns:
        A PDF 1.7; the same bytes for the same arguments.
    """
    import pikepdf

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
        # This is the place for the archive profile (output intent, XMP), before the file is saved and sealed.
        out = BytesIO()
        pdf.save(
            out, deterministic_id=True, force_version="1.7",
            object_stream_mode=pikepdf.ObjectStreamMode.disable, compress_streams=True,
        )  # fmt: skip
    return out.getvalue()


def safe_name(text: str) -> str:
    """A text as part of a file name: letters, digits, dot, underscore, hyphen; changed ones get a short hash."""
    from hashlib import sha256

    cleaned = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._-")[:60]
    if cleaned == text:
        return text
    return f"{cleaned or 'valve'}-{sha256(text.encode()).hexdigest()[:8]}"
