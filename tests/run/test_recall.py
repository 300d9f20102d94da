"""Recalls: entered, in force, lifted."""

import pytest

from testbench.errors import RecalledInUseError, RunRecalledError
from testbench.run.recall import (
    Lifting,
    Recall,
    RecalledRun,
    check_fit_for_use,
    check_not_recalled,
    in_force,
    recalls_of,
)
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


# What is recalled is not used --------------------------------------------------------------------

SWING = ("waterworks-swing-check", "2")
BEFORE, AFTER = "2026-11-20T09:00:00.000Z", "2026-11-26T09:00:00.000Z"
WITHDRAWN = ONE.model_copy(update={"unfit": True})
PROCEDURE = WITHDRAWN.model_copy(update={"of": "procedure", "subject": SWING[0], "detail": ""})


def begin(*kept, procedure=SWING, adopted_at=BEFORE, calibrations=(("SCL-26-0411", "T-0042"),)):
    check_fit_for_use(recalls_of(kept), procedure, adopted_at, calibrations)


def test_no_run_begins_on_a_withdrawn_calibration():
    """Of this instrument; one that only found earlier ones out is itself good."""
    with pytest.raises(RecalledInUseError) as refusal:
        begin(WITHDRAWN)
    assert str(refusal.value) == ("Calibration SCL-26-0411 of T-0042 is recalled by RC-B1-000001: Out of tolerance.")
    begin(ONE)
    begin(WITHDRAWN, lifting("RC-B1-000001"))
    begin(WITHDRAWN, calibrations=(("SCL-26-0411", "T-0043"), ("SCL-26-0500", "T-0042")))
    with pytest.raises(RecalledInUseError):
        begin(WITHDRAWN.model_copy(update={"detail": ""}), calibrations=(("X", "Y"), ("SCL-26-0411", "T-0043")))


def test_no_run_begins_under_a_recalled_procedure_until_it_is_adopted_anew():
    """Every revision, or the one that is named; an adoption after the recall counts; a trial was never adopted."""
    with pytest.raises(RecalledInUseError) as refusal:
        begin(PROCEDURE)
    assert str(refusal.value) == (
        "Procedure waterworks-swing-check, revision 2, is recalled by RC-B1-000001: Out of tolerance."
    )
    begin(PROCEDURE, adopted_at=AFTER)
    begin(PROCEDURE, adopted_at=None)
    begin(PROCEDURE, lifting("RC-B1-000001"))
    begin(PROCEDURE, procedure=("our-swing-check", "2"))
    begin(PROCEDURE.model_copy(update={"detail": "1"}))
    with pytest.raises(RecalledInUseError):
        begin(PROCEDURE.model_copy(update={"detail": "2"}))
