"""What is derived from a record: normalised numbers, reasons that runs have in common, what many runs share."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.quantities import LeakageRate, Pressure
from testbench.run.evaluation import rejudged
from testbench.run.findings import PRESSURE_LOSS, Facets, FoundLine, clause, facets_of, found_in

EXAMPLES = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "records" / "make.py")))


def run_of(caught: str = "0.2 mL", *, stopped: bool = False):
    return EXAMPLES.example_run("B1-000001", EXAMPLES.valve("HL-4-0117", "NPS 4"), caught, stopped=stopped)


def test_an_accepted_run_tells_its_rate_its_limit_and_the_pressure_lost():
    """In mL/min and kPa, whatever the record is written in; instrument and hold conform and are left out."""
    record, _ = run_of()
    lines = {(line.stage, line.criterion): line for line in found_in(record)}
    assert set(lines) == {
        ("shell test", "no-visible-leakage"), ("shell test", PRESSURE_LOSS), ("seat test", "largest-leakage-rate"),
    }  # fmt: skip
    rate = lines["seat test", "largest-leakage-rate"]
    written = next(one for one in record.stages[1].finding.criteria if one.criterion == "largest-leakage-rate")
    assert written.measured.endswith("fl_oz/h")
    assert rate.measured == pytest.approx(LeakageRate.parse(written.measured).to("mL/min"))
    assert rate.most == pytest.approx(4 * 29.5735295625 / 60)  # 4 US fluid ounces (exact, NIST SP 811) an hour
    assert (rate.verdict, rate.reason) == ("conforms", None)
    lost = lines["shell test", PRESSURE_LOSS]
    slope = Pressure.parse(record.stages[0].finding.decay.slope_per_min)
    assert lost.measured == pytest.approx(-slope.to("kPa") * record.stages[0].finding.held_ms / 60_000)
    assert lost.measured > 0  # a loss is a fall


def test_a_rejected_run_says_why_in_words_that_runs_share():
    """The reason holds no number, so that two runs of one kind are counted together."""
    reasons = [line for line in found_in(run_of("60 mL")[0]) if line.reason]
    assert [(line.stage, line.verdict, line.reason) for line in reasons] == [
        ("seat test", "does not conform", "leakage rate above the limit")
    ]


def test_a_void_stage_says_what_ended_it():
    """Without the operator's own words behind the colon."""
    (line,) = found_in(run_of(stopped=True)[0])
    assert line == FoundLine("shell test", 1, "", "void", "stopped by the operator")


def test_a_void_run_without_a_void_stage_has_a_line_of_its_own():
    """A demanded stage was never begun."""
    record, _ = run_of()
    halved = record.model_copy(
        update={"stages": record.stages[:1], "verdict": None, "reason": "The seat test was not carried out."}
    )
    assert found_in(halved)[-1] == FoundLine("run", 1, "", "void", "the seat test was not carried out")


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("Pressure rose above the upper limit of 550 psi; an engineer must look at this valve.",
         "pressure rose above the upper limit"),
        ("Signal lost.", "signal lost"),
        ("Stopped by the operator: hose fitting drips.", "stopped by the operator"),
        ("", "no reason given"),
    ],
)  # fmt: skip
def test_the_first_clause_of_a_sentence(sentence, said):
    """What the case alone had, such as the pressure, is left out."""
    assert clause(sentence) == said


@given(st.text(max_size=60))
def test_a_clause_is_never_empty(sentence):
    assert clause(sentence)


def test_judged_again_a_record_tells_the_same():
    """What is derived can be derived again: nothing but the record is needed."""
    record, traces = run_of("60 mL")
    assert found_in(rejudged(record, traces)) == found_in(record)
    assert facets_of(record) == Facets(
        product="not stated", procedure="waterworks-swing-check", standard="AWWA C508 2017", verdict="rejected",
        operator="Mara Quill", bench="B1", origin="simulated",
    )  # fmt: skip
