"""The record as bytes, and what the core may not load."""

import hashlib
import json
import subprocess
import sys

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from testbench.run.record import RunRecord, canonical, sha256

CORE = (
    "testbench.quantities", "testbench.metrology.leakage", "testbench.metrology.trend", "testbench.framing.lines",
    "testbench.procedure.stages", "testbench.run.machine", "testbench.run.progress", "testbench.run.samples",
    "testbench.run.evaluation", "testbench.run.record",
)  # fmt: skip


@pytest.fixture(scope="module")
def record(shop, accepted_shell, accepted_seat) -> RunRecord:
    stopped = shop.seat_test().holding().read(25300, after_s=3).ask("stop", "hose burst").released().judged()
    return shop.run(accepted_shell.judged(), stopped, accepted_seat.judged(attempt=2))


def test_a_record_is_written_as_rfc_8785_demands(record):
    """The rfc8785 package, an independent implementation of canonical JSON, gives the same bytes."""
    assert canonical(record) == rfc8785.dumps(record.model_dump(mode="json"))


@given(text=st.text(max_size=60), number=st.integers(-720, 840))
def test_whatever_a_name_holds_the_bytes_are_canonical(record, text: str, number: int):
    """Quotes, control characters, emoji, right-to-left: one way of writing each."""
    changed = record.model_copy(update={"operator": text, "utc_offset_minutes": number})
    assert canonical(changed) == rfc8785.dumps(changed.model_dump(mode="json"))


def test_a_record_holds_no_floating_point_number(record):
    """A number that two programs print differently would break the hash."""

    def refuse(number: str) -> float:
        raise AssertionError(number)

    json.loads(canonical(record), parse_float=refuse)


def test_a_record_reads_back_as_it_was(record):
    """From the bytes alone, for whoever judges again in ten years."""
    again = RunRecord.model_validate_json(canonical(record))
    assert again == record
    assert canonical(again) == canonical(record)


def test_the_record_hash_is_the_sha_256_of_its_bytes(record):
    """Anybody can compute it with sha256sum."""
    assert sha256(canonical(record)) == hashlib.sha256(canonical(record)).hexdigest()


def test_another_record_has_another_hash(record):
    """A single letter changes it."""
    assert sha256(canonical(record.model_copy(update={"operator": "Mara Quil"}))) != sha256(canonical(record))


def test_a_record_with_a_key_that_nobody_knows_is_refused(record):
    """Nothing can be slipped in."""
    written = json.loads(canonical(record)) | {"approved": True}
    with pytest.raises(ValidationError, match="Extra inputs are not permitted"):
        RunRecord.model_validate(written)


def test_a_record_cannot_be_changed(record):
    """A correction is a new record."""
    with pytest.raises(ValidationError, match="Instance is frozen"):
        record.verdict = None


def test_the_core_loads_no_port_no_database_no_screen_and_no_paper():
    """Judging needs none of them: checked in a process of its own."""
    forbidden = ["serial", "sqlalchemy", "textual", "reportlab", "asyncio", "pikepdf", "pyhanko", "cryptography"]
    program = f"import sys, {', '.join(CORE)}\nprint([name for name in {forbidden} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
