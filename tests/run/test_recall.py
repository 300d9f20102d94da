"""Recalls: entered, in force, lifted."""

import pytest

from testbench.errors import RunRecalledError
from testbench.run.recall import Lifting, Recall, RecalledRun, check_not_recalled, in_force, recalls_of
from testbench.run.record import canonical

AT = "2026-11-25T09:00:00.000Z"


def recall(number, *runs):
    named = [
        RecalledRun(
            run=run, record_sha256="0" * 64, serial="HL-4-0117", order="HL-2041", verdict="accepted",
            why="measured on it", documents=(f"C-{run}",),
        )
        for run in runs
    ]  # fmt: skip
    return Recall(
        number=number, of="calibration", subject="SCL-26-0411", detail="T-0042", why="Out of tolerance.", at=AT,
        by="Tobin Ashe", runs=tuple(named),
    )  # fmt: skip


def lifting(number):
    return Lifting(number=number, why="The reference was wrong.", at=AT, by="Tobin Ashe")


ONE, OTHER = recall("RC-B1-000001", "B1-000001", "B1-000002"), recall("RC-B1-000002", "B1-000002")


def test_a_run_is_recalled_until_the_last_of_its_recalls_is_lifted():
    """Two recalls may name the same run."""
    assert in_force(recalls_of([ONE, OTHER])) == {
        "B1-000001": ("RC-B1-000001",),
        "B1-000002": ("RC-B1-000001", "RC-B1-000002"),
    }
    assert in_force(recalls_of([ONE, OTHER, lifting("RC-B1-000001")])) == {"B1-000002": ("RC-B1-000002",)}
    assert in_force(recalls_of([ONE, lifting("RC-B1-000001")])) == {}


def test_a_recalled_run_is_not_released():
    """One sentence with the numbers."""
    lines = recalls_of([ONE, OTHER])
    with pytest.raises(RunRecalledError) as refusal:
        check_not_recalled("B1-000002", lines, "cannot be released")
    assert str(refusal.value) == ("Run B1-000002 cannot be released: it is recalled by RC-B1-000001, RC-B1-000002.")
    check_not_recalled("B1-000003", lines, "cannot be released")


def test_a_recall_tells_which_documents_had_left():
    """By the numbers printed on them."""
    (line,) = recalls_of([ONE])
    assert line.documents == ("C-B1-000001", "C-B1-000002")


def test_a_recall_names_a_run_at_least():
    """One that names none would be a sentence without a meaning."""
    with pytest.raises(ValueError, match="runs"):
        recall("RC-B1-000001")


def test_a_recall_is_read_as_it_was_written():
    assert Recall.model_validate_json(canonical(ONE)) == ONE
