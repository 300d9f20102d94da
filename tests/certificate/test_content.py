"""Record → words: what a document says, and what it refuses to be made from."""

from datetime import UTC, date, datetime
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from testbench.certificate.content import Content, IssueFacts, Kind, content_of, number_of
from testbench.certificate.facts import DocumentFacts
from testbench.certificate.languages import words
from testbench.errors import NoCertificateError
from testbench.metrology.decision_rule import Conformity, DecisionRule
from testbench.run.machine import Ending
from testbench.run.observations import Seen
from testbench.run.record import EarlierRun, Origin, Verdict, WaterTemperature


def content(bench: SimpleNamespace, run: Any) -> Content:
    facts = IssueFacts(bench.works, datetime(2026, 11, 25, 10, 2, 3, tzinfo=UTC), "Station seal", "ABCD 1234")
    return content_of(run.record, run.sha256, run.traces, facts, words())


def line(found: Content, stage: int, name: str) -> Any:
    return next(line for line in found.stages[stage].table.lines if line.criterion.startswith(name))


def test_an_accepted_run_becomes_a_certificate(bench: SimpleNamespace, accepted: Any) -> None:
    """Number, serial number and verdict are those of the record."""
    found = content(bench, accepted)
    assert (found.kind, found.verdict_word) == (Kind.CERTIFICATE, "ACCEPTED")
    assert found.facts == DocumentFacts("C-B1-2026-0001", "HL-4-0117", "accepted", accepted.sha256, specimen=True)
    assert found.reasons == (
        "Every test that the procedure demands was carried out and accepted: shell test and seat test.",
    )


def test_a_rejected_run_names_the_criterion_with_value_and_limit(bench: SimpleNamespace, rejected: Any) -> None:
    """6.2 mL in 40 s is 18.87 US fl oz/h; NPS 6 is allowed 6 (1 US fl oz per hour and inch)."""
    found = content(bench, rejected)
    assert (found.kind, found.facts.number) == (Kind.REJECTION_REPORT, "R-B1-2026-0002")
    assert found.reasons == (
        "Seat test: leakage rate 18.87 US fl oz/h (U = 0.78 US fl oz/h); at most 6.00 US fl oz/h is allowed.",
    )
    rate = line(found, 1, "Leakage rate")
    assert (rate.required, rate.met_at, rate.measured, rate.uncertainty) == ("≤ 6.00", "≤ 5.23", "18.87", "0.78")
    assert (rate.conformity, rate.judged) == (Conformity.DOES_NOT_CONFORM, "not met")


def test_leakage_that_was_seen_is_named_with_its_place(bench: SimpleNamespace) -> None:
    """A valve that leaks at the cover is rejected there, and the stage that was not reached is said to be missing."""
    leak = bench.Attempt(concluded=True, seen=Seen.LEAKAGE, where="cover joint")
    found = content(bench, bench.tell(bench.replace(bench.accepted_nps_8, shell=(leak,), seat_test=())))
    assert found.reasons == ("Shell test: leakage was seen at cover joint; none is allowed.",)
    assert "The seat test was not carried out." in found.course
    assert line(found, 0, "Hold time").measured == "not completed"
    assert found.stages[0].undecided == ("There is no hold in the samples.",)


@pytest.mark.parametrize(
    ("origin", "specimen"), [(Origin.LIVE, False), (Origin.SIMULATED, True), (Origin.REPLAYED, True)]
)
def test_only_a_live_run_is_no_specimen(bench: SimpleNamespace, origin: Origin, specimen: bool) -> None:
    """A simulated or replayed run can only ever yield a page marked SPECIMEN."""
    found = content(bench, bench.tell(bench.replace(bench.accepted_nps_4, origin=origin)))
    assert (found.specimen != "", found.facts.specimen) == (specimen, specimen)
    assert found.specimen.startswith("SPECIMEN") is specimen


def test_a_live_run_by_a_procedure_that_nobody_adopted_is_a_specimen(bench: SimpleNamespace) -> None:
    """The page names who adopted the procedure, or says that nobody did."""
    live = bench.replace(bench.accepted_nps_4, origin=Origin.LIVE)
    adopted, unadopted = (content(bench, bench.tell(bench.replace(live, adopted=said))) for said in (True, False))
    assert (adopted.specimen, unadopted.specimen) == (
        "",
        "SPECIMEN: the works has not adopted this procedure; this page certifies nothing.",
    )
    standards = [next(f.value for f in found.order if f.label == "Standard") for found in (adopted, unadopted)]
    assert standards == [
        "AWWA C508, 2017; adopted by Tobin Ashe on 2026-09-01",
        "AWWA C508, 2017; not adopted by the works yet",
    ]


def test_a_void_run_becomes_no_document(bench: SimpleNamespace) -> None:
    """What was not completed shows nothing, neither good nor bad."""
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: hose leaked.")
    run = bench.tell(bench.replace(bench.accepted_nps_4, seat_test=(stopped,)))
    with pytest.raises(NoCertificateError) as refusal:
        content(bench, run)
    assert str(refusal.value) == (
        "Run B1-2026-0001 gets neither certificate nor rejection report: it is void. The seat test is void (stopped): "
        "Stopped by the operator: hose leaked."
    )


def test_an_inconclusive_run_becomes_no_document(bench: SimpleNamespace) -> None:
    """A rate within the guard band decides nothing: 1.4 mL in 45 s is 3.79 US fl oz/h with U = 0.55, 4 are allowed."""
    near = bench.Attempt(above=4.0, decay_per_min=0.2, caught="1.4 mL")
    with pytest.raises(NoCertificateError) as refusal:
        content(bench, bench.tell(bench.replace(bench.accepted_nps_4, seat_test=(near,))))
    assert str(refusal.value) == (
        "Run B1-2026-0001 gets neither certificate nor rejection report: it is inconclusive. "
        "The seat test is inconclusive."
    )


def test_the_first_failure_and_every_void_attempt_stay_on_the_page(bench: SimpleNamespace) -> None:
    """Void attempts, broken holds, gaps and unreadable lines are told, although the valve was accepted in the end."""
    stopped = bench.Attempt(ended=Ending.STOPPED, reason="Stopped by the operator: hose leaked.")
    broken = bench.Attempt(restarts=2, gap=(20, 20.6), rejected_lines=1)
    found = content(bench, bench.tell(bench.replace(bench.accepted_nps_4, shell=(stopped, broken))))
    assert found.course == (
        "Shell test, attempt 1, 09:14:22 to 09:16:31: void (stopped). Stopped by the operator: hose leaked.",
        "Shell test, attempt 2: the hold was broken off 2 times; no time of it was counted.",
        "Shell test, attempt 2: 1 gap without a reading, the longest 0.6 s (1 s is allowed in the hold).",
        "Shell test, attempt 2: 1 line from the transmitter that could not be read and was left out.",
    )
    assert found.stages[0].attempt.startswith("attempt 2, ")


def test_a_run_without_incidents_says_so(bench: SimpleNamespace, accepted: Any) -> None:
    """No field stays empty."""
    nothing = "No earlier run of this serial number, no void attempt, no broken hold, no gap, no unreadable line."
    assert content(bench, accepted).course == (nothing,)


def test_evidence_is_complete(bench: SimpleNamespace, accepted: Any) -> None:
    """Instrument with certificate, due date and uncertainty; rule with U and k; procedure; sources; operator; hash."""
    found = content(bench, accepted)
    instrument = dict(found.instrument)
    assert instrument["Channel, serial number"] == "PT-101: pressure transmitter 0–1000 psi, T-0042"
    assert instrument["Calibration certificate"] == "CAL-26-0311, Saltmarsh Calibration Laboratory"
    assert instrument["Calibrated, due"] == "2026-03-11, 2027-03-10"
    assert instrument["U (k = 2)"] == "1 psi (g)"
    assert instrument["Zero check"] == "0.08 psi (g), passed"
    assert found.rule[0] == DecisionRule.GUARDED.in_words
    order = dict(found.order)
    assert order["Standard"] == "AWWA C508, 2017; adopted by Tobin Ashe on 2026-09-01"
    assert order["Procedure"].startswith("waterworks-swing-check, revision 2 (SHA-256 ")
    assert accepted.record.procedure_sha256[:12] in order["Procedure"]
    assert any("AWWA C508 (2017) [memory]" in source for source in found.sources)
    assert "Verify figures marked 'memory' in your own standard." in found.cautions
    assert dict(found.closing)["Tested by"] == "Mara Quill, bench B1; named, not authenticated"
    assert dict(found.closing)["Record SHA-256"] == accepted.sha256
    assert found.cautions[-1] == "Verify figures marked 'memory' in your own standard."
    assert "Pressure can stay locked behind a closed disc" in found.cautions[2]
    assert "Local codes" in found.cautions[1]


def test_every_decision_is_told_with_its_risk(bench: SimpleNamespace, accepted: Any) -> None:
    """Beside the pressure and the rate that were compared with a limit; times and eyes carry no probability."""
    for stage in content(bench, accepted).stages:
        risks = {line.criterion: line.risk for line in stage.table.lines if line.risk}
        compared = {"Lowest pressure of the hold", "Leakage rate, collected at open inlet"}
        assert set(risks) == compared & {line.criterion for line in stage.table.lines}
        assert set(risks.values()) == {"< 0.01 %"}


def test_the_rule_of_the_procedure_is_printed_and_decides_what_is_met_at(bench: SimpleNamespace, accepted: Any) -> None:
    """Simple acceptance takes no guard band, and the page says what that means."""
    record = accepted.record
    simple = {"decision_rule": DecisionRule.SIMPLE}
    stages = tuple(
        stage.model_copy(update={"requirement": stage.requirement.model_copy(update=simple)}) for stage in record.stages
    )
    asked = record.requirements.model_copy(update={"stages": tuple(stage.requirement for stage in stages)})
    changed = record.model_copy(update={"stages": stages, "requirements": asked})
    found = content(bench, SimpleNamespace(record=changed, sha256=accepted.sha256, traces=accepted.traces))
    assert found.rule[0] == DecisionRule.SIMPLE.in_words
    assert found.stages[0].table.lines[0].met_at == "≥ 500.0"


def test_the_temperature_of_the_water_is_told_where_it_was_measured(bench: SimpleNamespace, accepted: Any) -> None:
    """From the beginning of the stage to its end."""
    record = accepted.record
    water = WaterTemperature(
        tag="TT-101", instrument="resistance thermometer", serial="W-0007", unit="degC", decimals=1,
        expanded_uncertainty_k="0.5", readings=((0, 181), (600_000, 184)),
    )  # fmt: skip
    first = record.stages[0].model_copy(update={"water": water})
    changed = record.model_copy(update={"stages": (first, *record.stages[1:])})
    found = content(bench, SimpleNamespace(record=changed, sha256=accepted.sha256, traces=accepted.traces))
    assert found.stages[0].conditions.endswith(" Water 18.1 to 18.4 °C (U = 0.5 K).")
    assert "Water" not in found.stages[1].conditions


def test_what_was_not_stated_says_so(bench: SimpleNamespace) -> None:
    """An empty field would leave open whether it was forgotten."""
    run = bench.tell(bench.replace(bench.accepted_nps_4, customer_order="", valve={"ends": " "}))
    found = content(bench, run)
    assert dict(found.order)["Customer, order"] == "Ellery Water Board, not stated"
    assert dict(found.valve)["Not stated"] == "Ends; Drawing; Heat numbers"
    everything = (*found.valve, *found.order, *found.instrument, *found.closing)
    assert all(fact.label.strip() and fact.value.strip() for fact in everything)


def test_lowest_pressure_stands_beside_what_is_required(bench: SimpleNamespace, accepted: Any) -> None:
    """500 psi required, U = 1 psi: met from 501 psi on."""
    lowest = line(content(bench, accepted), 0, "Lowest pressure")
    assert (lowest.unit, lowest.required, lowest.met_at, lowest.uncertainty) == ("psi (g)", "≥ 500.0", "≥ 501.0", "1.0")
    stage = accepted.record.stages[0]
    assert abs(Fraction(lowest.measured) - stage.finding.lowest.value) <= Fraction("0.05")


def test_every_collection_is_on_the_page(bench: SimpleNamespace) -> None:
    """1.4 mL in 45 s is undecided; with 3.2 mL in 120 s it is 4.6 mL in 165 s, 3.39 US fl oz/h with U = 0.30."""
    found = content(bench, bench.tell(bench.extended_nps_4))
    assert found.course == (
        "Seat test, attempt 1: collected 1.4 mL in 45.0 s, undecided; collected 3.2 mL in 120.0 s.",
    )
    rate = line(found, 1, "Leakage rate")
    assert (rate.met_at, rate.measured, rate.uncertainty, rate.judged) == ("≤ 3.70", "3.39", "0.30", "met")
    assert rate.detail == "Collected 4.6 mL (U = 0.4 mL) in 165.0 s. The sum of 2 collections."
    assert [until - since for since, until in found.stages[1].plot.collected] == [450_000, 1_200_000]


def test_collections_that_contradict_each_other_stay_beside_the_retest(bench: SimpleNamespace) -> None:
    """3.79 ± 0.55 and then 0.41 ± 0.20 US fl oz/h decide nothing; the stage was repeated."""
    doubtful = bench.Attempt(above=4.0, decay_per_min=0.2, caught="1.4 mL", then=(("0.4 mL", 120.0),))
    story = bench.replace(bench.accepted_nps_4, seat_test=(doubtful, bench.Attempt(above=4.0, decay_per_min=0.2)))
    found = content(bench, bench.tell(story))
    assert found.course == (
        "Seat test, attempt 1: collected 1.4 mL in 45.0 s, undecided; collected 0.4 mL in 120.0 s.",
    )
    rate = line(found, 1, "Leakage rate")
    assert (rate.measured, rate.uncertainty, rate.judged) == ("contradicting", "not applicable", "undecided")
    (said,) = found.stages[1].undecided
    assert said == (
        "1.4 mL in 45.0 s is 3.79 fl_oz/h with U = 0.55 fl_oz/h but 0.4 mL in 120.0 s is 0.41 fl_oz/h with "
        "U = 0.21 fl_oz/h: they contradict each other, 3.38 fl_oz/h apart where 0.58 fl_oz/h is allowed. "
        "Find out what changed, then repeat the stage."
    )


def test_a_rejection_does_not_hide_what_was_collected_before_it(bench: SimpleNamespace) -> None:
    """The row tells the collection that rejects; the course tells both."""
    leaking = bench.Attempt(above=4.0, decay_per_min=0.2, caught="1.4 mL", then=(("20 mL", 60.0),))
    found = content(bench, bench.tell(bench.replace(bench.accepted_nps_4, seat_test=(leaking,))))
    assert found.course == ("Seat test, attempt 1: collected 1.4 mL in 45.0 s, undecided; collected 20 mL in 60.0 s.",)
    assert line(found, 1, "Leakage rate").detail == "Collected 20 mL (U = 0.2 mL) in 60.0 s."


def test_counted_drops_are_told_with_their_convention(bench: SimpleNamespace) -> None:
    """API 598 and ISO 5208 count 16 drops to a millilitre (from memory)."""
    drops = bench.Attempt(above=4.0, decay_per_min=0.2, drops=8)
    found = content(bench, bench.tell(bench.replace(bench.accepted_nps_4, seat_test=(drops,))))
    detail = line(found, 1, "Leakage rate").detail
    assert detail == "Collected 0.5 mL (U = 0.2 mL) in 45.0 s. Counted: 8, at 16 per mL."


def test_a_document_number_does_not_repeat_the_bench(bench: SimpleNamespace, accepted: Any) -> None:
    """B1-2026-0001 and plain 2026-0001 on bench B1 are numbered alike."""
    assert number_of(accepted.record) == "C-B1-2026-0001"
    assert number_of(accepted.record.model_copy(update={"run": "2026-0001"})) == "C-B1-2026-0001"


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(microlitres=st.integers(0, 4000))
def test_the_page_never_contradicts_the_verdict(bench: SimpleNamespace, microlitres: int) -> None:
    """Whoever judges the printed leakage rate by the printed rule finds the printed verdict."""
    attempt = bench.Attempt(above=4.0, decay_per_min=0.2, caught=f"{microlitres / 1000} mL")
    run = bench.tell(bench.replace(bench.accepted_nps_4, shell=(bench.Attempt(),), seat_test=(attempt,)))
    if run.record.verdict is Verdict.INCONCLUSIVE:
        return
    rate = line(content(bench, run), 1, "Leakage rate")
    measured, uncertainty = Fraction(rate.measured), Fraction(rate.uncertainty)
    limit, met_at = (Fraction(text.removeprefix("≤ ")) for text in (rate.required, rate.met_at))
    printed = measured + uncertainty <= limit and measured <= met_at
    assert printed is (run.record.verdict is Verdict.ACCEPTED)
    assert (measured - uncertainty > limit) is (run.record.verdict is Verdict.REJECTED)


def test_a_hold_close_to_the_limit_is_printed_with_enough_digits(bench: SimpleNamespace) -> None:
    """A lowest pressure just above 501 psi that conforms is never printed as if it lay below."""
    near = bench.Attempt(above=1.25, decay_per_min=0.0)
    run = bench.tell(bench.replace(bench.accepted_nps_4, shell=(near,)))
    lowest = line(content(bench, run), 0, "Lowest pressure")
    assert Fraction(lowest.measured) >= Fraction(lowest.met_at.removeprefix("≥ "))


def test_facts_are_read_back_whatever_the_serial_number_holds() -> None:
    """The separator may occur in a serial number."""
    for serial in ("HL-4-0117", "A | B", "x | accepted | y", "Ж-17"):
        for specimen in (False, True):
            facts = DocumentFacts("C-B1-1", serial, "rejected", "0" * 64, specimen)
            assert DocumentFacts.read(facts.text) == facts
    assert DocumentFacts.read("C-B1-1 | HL | accepted") is None


def test_calibration_dates_are_those_of_the_record(bench: SimpleNamespace) -> None:
    """A document shows the calibration as of the day of the run."""
    channel = bench.channel.model_copy(update={"due_on": date(2026, 12, 31)})
    found = content(bench, bench.tell(bench.replace(bench.accepted_nps_4, channel=channel)))
    assert dict(found.instrument)["Calibrated, due"] == "2026-03-11, 2026-12-31"


def test_a_retest_names_the_run_that_failed_before(bench: SimpleNamespace) -> None:
    """The first failure stays: on the page of the retest, too."""
    run = bench.tell(bench.accepted_nps_4)
    earlier = EarlierRun(
        run="B1-000005", verdict=Verdict.REJECTED, reason="The seat test was rejected.", record_sha256="ab" * 32
    )
    retest = type(run)(run.record.model_copy(update={"earlier": (earlier,)}), run.traces)
    assert content(bench, retest).course[0] == (
        "Earlier run B1-000005 of this serial number (record abababababab…): rejected. The seat test was rejected."
    )


# Times ------------------------------------------------------------------------------------------


def test_how_the_times_of_a_hold_are_known_is_said(bench: SimpleNamespace, accepted: Any) -> None:
    """Arrivals stay arrivals; the derived line is named as such, with its residual."""
    assert content(bench, accepted).stages[0].times == (
        "Times are arrivals, within 20 ms; hold known to 0.11 s; sample time derived by line fit, residual 3.4 ms rms"
    )


def test_a_polled_hold_says_how_long_answers_took(bench: SimpleNamespace) -> None:
    """And the page, table and plot, gives the time from the first answer to the last query: 60.0 s, not 60.1."""
    run = bench.tell(bench.replace(bench.accepted_nps_4, answered_in=900))
    found = content(bench, run)
    assert found.stages[0].times == ("Times are those of answers, asked for within 90 ms before; hold known to 0.29 s")
    assert line(found, 0, "Hold time").measured == "60.0"
    assert found.stages[0].plot.held_ms == run.record.stages[0].finding.held_ms < 60_050


def test_a_record_from_before_says_nothing_of_its_times(bench: SimpleNamespace, accepted: Any) -> None:
    """Nor does a stage without a hold."""
    stages = tuple(
        stage.model_copy(update={"finding": stage.finding.model_copy(update={"timing": None})})
        for stage in accepted.record.stages
    )
    before = type(accepted)(accepted.record.model_copy(update={"stages": stages}), accepted.traces)
    assert [stage.times for stage in content(bench, before).stages] == ["", ""]
    leak = bench.Attempt(concluded=True, seen=Seen.LEAKAGE, where="cover joint")
    concluded = bench.tell(bench.replace(bench.accepted_nps_8, shell=(leak,), seat_test=()))
    assert content(bench, concluded).stages[0].times == ""
