"""What a customer gets of a bench with two channels that are compared: every reading of both."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from testbench.certificate.attach import attachments_of, trace_of
from testbench.certificate.issue import issue, sealed_document
from testbench.certificate.keys import load_station_key
from testbench.certificate.verify import verify
from testbench.errors import RecordDamagedError


@pytest.fixture(scope="module")
def compared(bench: SimpleNamespace) -> Any:
    return bench.tell(bench.replace(bench.accepted_nps_4, compared=True))


def test_the_readings_of_both_channels_are_attached(compared: Any) -> None:
    """By number, whatever the tag; each says which channel it is."""
    files = {file.name: file for file in attachments_of(compared.record, compared.traces)}
    assert sorted(files) == [
        "record.json", "trace-01-shell-test-attempt-1-beside-1.csv", "trace-01-shell-test-attempt-1.csv",
        "trace-02-seat-test-attempt-1-beside-1.csv", "trace-02-seat-test-attempt-1.csv",
    ]  # fmt: skip
    beside = files["trace-01-shell-test-attempt-1-beside-1.csv"]
    assert beside.description == "Readings of the shell test, attempt 1, channel PT-102"
    assert trace_of(beside.data).sha256() == compared.record.stages[0].beside[0].trace.sha256


def test_a_document_with_both_is_intact(compared: Any, bench: SimpleNamespace, keys: Any, at: Any) -> None:
    """And one that lacks the second channel's readings, or has others, is not."""
    key = load_station_key(keys)

    def judged(record: Any, traces: Any) -> Any:
        data = sealed_document(record, compared.sha256, traces, works=bench.works, paper="A4", key=key, at=at)
        return verify(data, [key.certificate])

    assert judged(compared.record, compared.traces).trusted
    (beside,) = compared.traces[0].beside
    other = replace(compared.traces[0], beside=(replace(beside, counts=beside.counts + 1),))
    assert judged(compared.record, (other, compared.traces[1])).reasons == (
        "The readings trace-01-shell-test-attempt-1-beside-1.csv are not those of the record.",
    )


def test_nothing_is_issued_from_readings_that_are_not_those_of_the_record(
    compared: Any, bench: SimpleNamespace, keys: Any, at: Any, tmp_path: Any
) -> None:
    """Of whichever channel."""
    (beside,) = compared.traces[1].beside
    other = replace(compared.traces[1], beside=(replace(beside, at=beside.at + 1),))
    with pytest.raises(RecordDamagedError, match="the trace of the seat test, attempt 1,"):
        issue(
            compared.record, compared.sha256, (compared.traces[0], other), works=bench.works, paper="A4",
            key_folder=keys, out_folder=tmp_path, at=at,
        )  # fmt: skip
    assert list(tmp_path.iterdir()) == []
