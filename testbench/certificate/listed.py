"""The list that a lot certificate or shift summary encloses, and the records beside it: read, and held together.

What the page prints is held against both by ``certificate/printed``.
"""

import json
from collections.abc import Iterator

from testbench.certificate.attach import SUMMARY, record_name
from testbench.run.record import RunRecord, canonical, sha256
from testbench.station.summed_up import VOID, SummedRow, SummedUp, faults_of_list


def faults_of_summary(files: dict[str, bytes], subject: str) -> Iterator[SummedUp | RunRecord | str]:
    """Take a list and its records out of the attached files.

    Args:
        files: what is attached; what belongs to a summary is taken out.
        subject: what the metadata state.

    Yields:
        The list first, then every record that this version can read, and every fault.
    """
    attached = files.pop(SUMMARY)
    found = SummedUp.model_validate_json(attached)
    yield found
    if canonical(found) != attached:
        yield "The attached list is not as a station writes it."
    if found.code != subject:
        yield "Page and attached list state different facts."
    yield from faults_of_list(found)
    for row in found.rows:
        record = files.pop(record_name(row.run), None) if row.run else None
        if record is not None:
            yield from _of_record(record, row)


def _of_record(data: bytes, row: SummedRow) -> Iterator[RunRecord | str]:
    told = json.loads(data)
    if (sha256(data), told["run"]) != (row.record_sha256, row.run):
        yield f"The attached record of run {row.run} is not the one that is listed."
    elif (told["valve"]["serial"], told["verdict"] or VOID) != (row.serial, row.verdict):
        yield f"The attached record of run {row.run} is of another valve or verdict than is listed."
    else:
        try:
            yield RunRecord.model_validate_json(data)
        except ValueError:  # of a later form: its row is taken as it is listed
            return
