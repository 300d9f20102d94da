"""A run from serial number to sealed record, through the same door as a screen."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from testbench.certificate.languages import check_language
from testbench.procedure.report_form import ReportForm
from testbench.procedure.valve import CertificateType
from testbench.run.evaluation import rejudged
from testbench.run.recall import Recall, RecalledRun, recalls_of
from testbench.run.record import Verdict, canonical
from testbench.station.acquisition import PortLost
from testbench.station.ports import JournalLine, OpenRun
from testbench.station.recovery import lost_record


def test_a_tight_metal_seated_valve_is_accepted(at_hand):
    """Shell dry at 500 psi, seat leakage well below 4 fl oz/h: both stages accepted, so the valve is."""
    at_hand.shell()
    at_hand.seat(volume="0.7 mL")
    record, traces = at_hand.store.sealed[0]
    assert record.verdict is Verdict.ACCEPTED
    assert [stage.ended for stage in record.stages] == ["completed", "completed"]
    assert at_hand.desk.asked == ["B1-000001"]
    assert rejudged(record, traces) == record
    assert at_hand.see().run.sentence == "Every demanded stage was accepted."


def test_too_much_seat_leakage_rejects_and_the_sentence_says_by_how_much(at_hand):
    """NPS 4 metal seat: 4 fl oz/h = 118.29 mL/h allowed; 12.0 mL in 60 s are 720 mL/h."""
    at_hand.shell()
    at_hand.seat(volume="12.0 mL")
    record, _ = at_hand.store.sealed[0]
    assert record.verdict is Verdict.REJECTED
    assert record.reason == "The seat test was rejected."
    collected = next(f for f in record.stages[1].finding.criteria if f.criterion == "largest-leakage-rate")
    assert collected.sentence == (
        "12 mL in 60.0 s is 24.35 fl_oz/h with U = 0.58 fl_oz/h; 4 fl_oz/h is allowed: above the limit."
    )


def test_drops_are_counted_with_the_stated_convention(at_hand):
    """16 drops = 1 mL (API 598, ISO 5208)."""
    at_hand.shell()
    at_hand.seat(drops=8)
    caught = at_hand.store.sealed[0][0].stages[1].collections[0]
    assert (str(caught.volume), caught.drops, caught.drops_per_ml) == ("0.5 mL", 8, "16")


def test_leakage_too_near_the_limit_is_inconclusive_and_gets_no_document(at_hand):
    """Within U of the limit nothing is proved; the stage may be repeated."""
    at_hand.shell()
    at_hand.seat(volume="1.9 mL")
    update = at_hand.see()
    assert update.stage.finding.verdict is Verdict.INCONCLUSIVE
    assert [action.request for action in update.actions] == ["start_stage", "end_run"]
    at_hand.do("end_run")
    assert at_hand.store.sealed[0][0].verdict is Verdict.INCONCLUSIVE
    assert at_hand.desk.asked == []


def test_a_stopped_stage_is_void_and_can_be_repeated_in_the_same_run(at_hand):
    """The first attempt stays in the record; the second one decides."""
    at_hand.start("HL-8-0119")
    at_hand.do("start_stage")
    at_hand.do("stop", reason="blind flange leaks")
    at_hand.hold(0.2, 2)
    at_hand.to_hold(505)
    at_hand.hold(505, 125)
    at_hand.do("observe", criterion=0, seen="no leakage")
    at_hand.hold(0.2, 2)
    at_hand.to_hold(253)
    at_hand.hold(253, 125)
    at_hand.do("observe", criterion=0, seen="no leakage")
    at_hand.hold(0.2, 2)
    record, _ = at_hand.store.sealed[0]
    assert [(s.stage, s.attempt, s.ended) for s in record.stages] == [
        ("shell test", 1, "stopped"),
        ("shell test", 2, "completed"),
        ("seat test", 1, "completed"),
    ]
    assert record.stages[0].reason == "Stopped by the operator: blind flange leaks."
    assert record.verdict is Verdict.ACCEPTED


def test_closing_a_run_early_leaves_it_void(at_hand):
    """Nothing is accepted by default: the seat test was not carried out."""
    at_hand.shell()
    at_hand.do("end_run")
    record, _ = at_hand.store.sealed[0]
    assert record.verdict is None
    assert record.reason == "The seat test was not carried out."
    assert record.ending == "stopped"


def test_leakage_seen_while_raising_ends_in_a_rejection(at_hand):
    """A valve that cannot hold pressure is rejected on what was plainly seen, not left void."""
    at_hand.start("HL-4-0117")
    at_hand.do("start_stage")
    at_hand.do("vent_closed")
    at_hand.hold(300, 5)
    at_hand.do("observe", criterion=0, seen="leakage", where="cover joint")
    at_hand.do("conclude")
    at_hand.hold(0.2, 2)
    record, _ = at_hand.store.sealed[0]
    assert record.verdict is Verdict.REJECTED
    assert "Leakage was seen at cover joint; none is allowed." in [
        found.sentence for found in record.stages[0].finding.criteria
    ]


# Refusals ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "sentence"),
    [
        ({"serial": "HL-4-9999"}, "Serial number HL-4-9999 is not on order HL-2041."),
        ({"order": "HL-1"}, "There is no order HL-1; open orders are HL-2041."),
        ({"operator": "Nobody"}, "'Nobody' is not an operator of this bench; operators are Mara Quill."),
    ],
)
def test_a_wrong_name_is_refused_and_nothing_is_opened(at_hand, facts, sentence):
    """What was typed wrong is said, with what is allowed."""
    at_hand.hold(0.2, 3)
    answer = at_hand.ask("start_run", **{"order": "HL-2041", "serial": "HL-4-0117", "operator": "Mara Quill", **facts})
    assert (answer.done, answer.sentence) == (False, sentence)
    assert at_hand.store.opened == []


def start(at_hand):
    return at_hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")


def test_a_serial_number_that_was_accepted_is_not_tested_again(at_hand):
    """One serial number, one acceptance."""
    at_hand.store.accepted["HL-4-0117"] = "B1-000009"
    at_hand.hold(0.2, 3)
    assert start(at_hand).sentence == "Serial number HL-4-0117 was already accepted in run B1-000009."


def test_a_run_does_not_begin_on_a_withdrawn_calibration(at_hand):
    """The recall stands in the register; the bench hears of it when it begins."""
    at_hand.store.recalled = recalls_of([
        Recall(
            number="RC-B1-000001", of="calibration", subject="CAL-26-0311", why="The laboratory withdrew it.",
            at="2026-11-25T09:00:00.000Z", by="Tobin Ashe", unfit=True,
            runs=(
                RecalledRun(
                    run="B1-000001", record_sha256="0" * 64, serial="A", order="O", verdict="accepted", why="on it"
                ),
            ),
        )
    ])  # fmt: skip
    at_hand.hold(0.2, 3)
    assert start(at_hand).sentence == (
        "Calibration CAL-26-0311 of T-0042 is recalled by RC-B1-000001: The laboratory withdrew it."
    )
    assert at_hand.store.opened == []


@pytest.mark.parametrize(
    ("day", "done"), [(datetime(2027, 3, 10, tzinfo=UTC), True), (datetime(2027, 3, 11, tzinfo=UTC), False)]
)
def test_a_channel_is_good_on_its_due_date_and_not_a_day_longer(at_hand, day, done):
    """Calibration due 2027-03-10."""
    at_hand.clock.start = day
    at_hand.hold(0.2, 3)
    answer = start(at_hand)
    assert answer.done is done
    if not done:
        assert answer.sentence == "Channel PT-101: calibration was due on 2027-03-10, today is 2027-03-11."


@pytest.mark.parametrize(("zero", "done"), [(2.4, True), (2.6, False)])
def test_the_zero_check_allows_one_percent_of_the_smallest_required_pressure(at_hand, zero, done):
    """1 % of 250 psi is 2.5 psi."""
    at_hand.hold(zero, 3)
    answer = start(at_hand)
    assert answer.done is done
    if not done:
        assert answer.sentence == "Channel PT-101 reads 2.60 psi at atmosphere; at most 2.50 psi is allowed."


@pytest.mark.parametrize(("fall", "done"), [(1.8, True), (1.9, False)])
def test_a_zero_is_taken_only_where_the_reading_stands_still(at_hand, fall, done):
    """A line that empties: of 21 readings the last ten lie 0.55 of the fall below the first ten; U is 1.0 psi.

    Every single reading would pass the zero check.
    """
    for step in range(21):
        at_hand.clock.seconds += 0.1
        at_hand.noise = 0
        at_hand.line(fall * (1 - step / 20))
    answer = at_hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    assert answer.done is done
    if not done:
        assert answer.sentence == (
            "Channel PT-101 moved by 1.04 psi while its zero was taken; at most 1.01 psi is allowed."
        )


def test_a_zero_that_was_found_is_taken_off_every_reading(at_hand):
    """A reading of 502.0 at a zero of 2.0 is 500.0 psi: below the acceptance limit of 501 psi."""
    at_hand.hold(2.0, 3)
    assert start(at_hand).done
    at_hand.do("start_stage")
    at_hand.do("vent_closed")
    at_hand.hold(502.9, 5)
    assert at_hand.see().stage.phase == "pressurizing"
    at_hand.hold(503.1, 5)
    assert at_hand.see().stage.phase == "stabilizing"


def test_no_run_starts_without_a_reading(at_hand):
    """Silence is never a value."""
    at_hand.silence(1)
    assert start(at_hand).sentence == "Channel PT-101 gives no reading: the transmitter said nothing."


def test_no_run_starts_on_a_disk_that_is_nearly_full(at_hand):
    """Room for a run is checked before it begins."""
    at_hand.space.free = 49_000_000
    at_hand.hold(0.2, 3)
    assert start(at_hand).sentence == "Only 49 MB are free where the records lie; a run needs 50 MB."


def test_a_stage_does_not_start_under_pressure(at_hand):
    """The vent must have been open: 1 % of 500 psi counts as released."""
    at_hand.hold(0.2, 3)
    assert start(at_hand).done
    at_hand.hold(40, 1)
    answer = at_hand.ask("start_stage")
    assert answer.sentence.startswith("There are still 39.8 psi on the valve; at most 5.0 psi is allowed here.")


def test_what_does_not_fit_is_refused_with_what_would(at_hand):
    """A refusal names the state and the possible requests."""
    answer = at_hand.ask("vent_closed")
    assert answer.sentence == "'vent_closed' is not possible while no stage is under way; possible now: start_run."


# Bad days ---------------------------------------------------------------------------------------


def test_a_cable_pulled_in_the_hold_starts_it_again_and_then_loses_the_stage(at_hand):
    """A gap over 1 s breaks the hold; 30 s without a reading lose the stage. Never an acceptance."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    at_hand.silence(2)
    assert at_hand.see().stage.phase == "pressurizing"
    assert at_hand.see().signal.pressure is None
    at_hand.silence(30)
    update = at_hand.see()
    assert update.stage.phase == "closed"
    assert (update.stage.ended, update.stage.finding) == ("lost", None)


LOST = (
    "Pressure was not seen released: treat the valve as under pressure. Release it slowly and look at the bench's own "
    "gauge before anything else. "
)
AGAIN = "Next: the shell test again (attempt 2). Start it when the valve is mounted."
CAUTIONS_WHEN_LOST = (
    "Pressure was not seen released: treat the valve as under pressure.",
    "Release the pressure before you touch bolts, blanks or hoses.",
    "Pressure can stay locked behind the closed disc: vent both sides before you open anything.",
)


@pytest.mark.parametrize("seconds", [0.6, 2, 29])
def test_nobody_is_told_to_pump_while_the_pressure_is_not_known(at_hand, seconds):
    """Common practice: what cannot be read is under pressure. From the first moment, not only from 1 s on."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(512)
    at_hand.silence(seconds)
    update = at_hand.see()
    assert update.stage.ended == ""
    assert update.instruction == (
        "The pressure is not known: treat the valve as under pressure. Stop pumping and look at the bench's own gauge. "
        "Check the cable, the supply and the address of this transmitter. "
        "If no reading comes back, release the pressure slowly."
    )
    assert update.cautions == (
        "Pressure stores energy: stand clear of blanks, hoses and the line of the bolts.",
        "Never tighten anything under pressure.",
        "Release the pressure before you touch bolts, blanks or hoses.",
    )
    at_hand.hold(512, 0.2)
    assert "not known" not in at_hand.see().instruction


def test_of_a_pulled_cable_the_remedy_is_in_the_instruction(at_hand):
    """And of a release that cannot be followed, that it goes on by another gauge."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(512)
    at_hand.session.take(PortLost(at_hand.clock.seconds, "Port x cannot be used: it was unplugged.", "Check the plug."))
    assert at_hand.see().instruction == (
        "The pressure is not known: treat the valve as under pressure. Stop pumping and look at the bench's own gauge. "
        "Check the plug. If no reading comes back, release the pressure slowly."
    )
    at_hand.do("stop", reason="")
    assert at_hand.see().instruction == (
        "The pressure is not known: treat the valve as under pressure. Go on releasing it slowly, by the bench's own "
        "gauge. Check the plug."
    )


def test_after_a_lost_stage_nothing_is_mounted_before_the_pressure_is_released(at_hand):
    """Until the transmitter itself shows it: at 512 psi again it is no better known to be released."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(512)
    at_hand.silence(32)
    assert (at_hand.see().instruction, at_hand.see().cautions) == (LOST + AGAIN, CAUTIONS_WHEN_LOST)
    at_hand.hold(512, 1)
    assert (at_hand.see().instruction, at_hand.see().cautions) == (LOST + AGAIN, CAUTIONS_WHEN_LOST)
    at_hand.hold(0.2, 1)
    assert (at_hand.see().instruction, at_hand.see().cautions) == (AGAIN, CAUTIONS_WHEN_LOST[2:])


def test_after_a_release_that_was_not_seen_the_next_valve_waits_too(at_hand):
    """The run is closed, the body is not known to be empty; a stage that was seen released needs no such word."""
    at_hand.shell()
    at_hand.silence(5)
    assert at_hand.see().instruction == "Next: the seat test. Start it when the valve is mounted."
    at_hand.do("end_run")
    assert at_hand.see().instruction == "Mount the next valve with its vent open, then choose it."
    at_hand.start("HL-4-0117")
    at_hand.to_hold(512)
    at_hand.silence(32)
    at_hand.do("end_run")
    update = at_hand.see()
    assert update.instruction == LOST + "Mount the next valve with its vent open, then choose it."
    assert update.cautions == CAUTIONS_WHEN_LOST


def test_a_pressure_seen_between_stages_is_no_time_to_mount(at_hand):
    """Somebody pumps although no stage is under way."""
    at_hand.shell()
    at_hand.hold(100, 1)
    assert at_hand.see().instruction == LOST + "Next: the seat test. Start it when the valve is mounted."


def test_after_an_interruption_of_the_recorder_the_valve_counts_as_under_pressure(at_hand):
    """Until a run begins, which asks for a zero."""
    at_hand.session.interrupted = True
    assert at_hand.see().instruction == LOST + "Mount the next valve with its vent open, then choose it."
    at_hand.start("HL-4-0117")
    assert at_hand.see().instruction == "Next: the shell test. Start it when the valve is mounted."


def test_a_station_behind_with_its_work_does_not_take_waiting_readings_for_silence(at_hand):
    """The clock is ahead of the queue by two seconds; the readings come in their own order and nothing breaks."""
    from testbench.station.acquisition import Arrived

    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    began = at_hand.clock.seconds
    at_hand.clock.seconds += 2.0
    at_hand.session.tick()
    for tenth in range(1, 21):
        at_hand.session.take(Arrived(began + tenth / 10, b"+0505.%02d\r\n" % tenth))
        at_hand.session.tick()
    assert at_hand.see().stage.phase == "holding"


def test_a_port_reader_that_died_is_silence_all_the_same(at_hand):
    """No port event at all for 5 s."""
    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    at_hand.clock.seconds += 5.1
    at_hand.session.tick()
    assert at_hand.see().stage.phase == "pressurizing"


def test_a_frozen_reading_in_the_hold_is_a_fault_not_a_steady_pressure(at_hand):
    """The same digits for 10 s: the hold breaks although lines keep coming."""
    from testbench.station.acquisition import Arrived

    at_hand.start("HL-4-0117")
    at_hand.to_hold(505)
    for _ in range(120):
        at_hand.clock.seconds += 0.1
        at_hand.session.take(Arrived(at_hand.clock.seconds, b"+0505.00\r\n"))
        at_hand.session.tick()
    update = at_hand.see()
    assert update.stage.phase == "pressurizing"
    assert update.signal.state == "stale"
    assert update.signal.sentence == "No reading: the reading stood still to the last digit. Check the transmitter."


def test_above_the_upper_limit_the_stage_trips_and_an_engineer_is_asked_for(at_hand):
    """Law 2."""
    at_hand.start("HL-4-0117")
    at_hand.do("start_stage")
    at_hand.do("vent_closed")
    at_hand.hold(551, 1)
    at_hand.hold(0.2, 2)
    stage = at_hand.session.run.stages[0]
    assert (stage.ended, stage.finding) == ("tripped", None)
    assert stage.reason == "Pressure rose above the upper limit of 550 psi; an engineer must look at this valve."


def test_a_full_disk_holds_the_verdict_back_until_there_is_room(at_hand):
    """Nothing is announced that is not on disk, and nothing is lost."""
    at_hand.shell("HL-8-0119")
    at_hand.to_hold(253)
    at_hand.hold(253, 125)
    at_hand.store.full = True
    answer = at_hand.ask("observe", criterion=0, seen="no leakage")
    assert not answer.done
    assert answer.sentence == (
        "The records in testbench.db cannot be used: the disk is full. "
        "What you asked for is not on disk yet; it is kept and tried again."
    )
    at_hand.hold(0.2, 5)
    assert at_hand.store.sealed == []
    assert at_hand.see().run.verdict is None
    at_hand.store.full = False
    at_hand.hold(0.2, 5)
    record, traces = at_hand.store.sealed[0]
    assert record.verdict is Verdict.ACCEPTED
    assert [len(trace) for trace in traces] == [stage.trace.samples for stage in record.stages]
    assert len(at_hand.store.samples[1]) == len(traces[1])


def test_an_interrupted_run_is_closed_as_lost_with_its_closed_stages_kept(at_hand):
    """Killed in the hold of the seat test: the shell test stays accepted, the run is void."""
    at_hand.shell("HL-8-0119")
    at_hand.to_hold(253)
    at_hand.hold(253, 20)
    found = OpenRun(
        run="B1-000001",
        opening=at_hand.store.opened[0],
        traces={index: trace_of(samples) for index, samples in at_hand.store.samples.items() if index >= 0},
        opened=at_hand.clock.start,
        rejected_lines={},
        journal=tuple(JournalLine(-1, line) for line in at_hand.store.journal),
    )
    record, traces = lost_record(found, datetime(2026, 11, 25, 9, tzinfo=UTC))
    assert [(s.stage, s.ended) for s in record.stages] == [("shell test", "completed"), ("seat test", "lost")]
    assert record.stages[0].finding.verdict is Verdict.ACCEPTED
    assert (record.verdict, record.ending) == (None, "lost")
    assert record.reason == (
        "The seat test is void (lost): The recorder or its power was interrupted; a hold is never resumed."
    )
    assert [len(trace) for trace in traces] == [stage.trace.samples for stage in record.stages]
    assert rejudged(record, traces) == record


def trace_of(samples):
    from testbench.run.samples import Trace

    return Trace.of(samples)


def test_a_serial_number_that_no_document_can_print_is_refused_before_the_test(bench, order):
    """Not after an hour on the bench."""
    from tests.station.conftest import BenchInHand

    valve = order.valves[0].model_copy(update={"serial": "漢-7"})
    at_hand = BenchInHand(bench, order.model_copy(update={"valves": (valve,)}))
    at_hand.hold(0.2, 3)
    answer = at_hand.ask("start_run", order="HL-2041", serial="漢-7", operator="Mara Quill")
    assert answer.sentence == "'漢-7' holds the character U+6F22, which no installed font can print."
    assert at_hand.store.opened == []


@pytest.mark.parametrize("wanted", [None, CertificateType.INSPECTION_CERTIFICATE_3_1])
def test_the_document_that_the_order_asks_for_stands_in_the_record(at_hand, order, wanted):
    """By its number in EN 10204; where the order names none the record is as it was before this was asked."""
    asked = order.model_copy(update={"certificate_type": wanted})
    at_hand.session.outside = replace(at_hand.session.outside, load_orders=lambda: ((asked,), ()))
    at_hand.shell()
    at_hand.seat(volume="0.7 mL")
    record, traces = at_hand.store.sealed[0]
    assert record.certificate_type is wanted
    assert (b'"certificate_type":"3.1"' in canonical(record)) == (wanted is not None)
    assert (b"certificate_type" in canonical(record)) == (wanted is not None)
    assert rejudged(record, traces) == record


@pytest.mark.parametrize(
    ("bench_form", "language", "kept"),
    [
        (None, None, None),
        (ReportForm(units="bar"), None, ReportForm(units="bar")),
        (None, "de", ReportForm(language="de")),
        (ReportForm(language="es", units="psi", page="Letter"), "de",
         ReportForm(language="de", units="psi", page="Letter")),
    ],
)  # fmt: skip
def test_the_record_keeps_the_form_of_its_documents(at_hand, order, bench_form, language, kept):
    """The bench's, in the order's language where it names one; nothing where neither chose."""
    asked = order.model_copy(update={"language": language})
    at_hand.session.bench = at_hand.session.bench.model_copy(update={"report": bench_form})
    at_hand.session.outside = replace(at_hand.session.outside, load_orders=lambda: ((asked,), ()))
    at_hand.shell()
    at_hand.seat(volume="0.7 mL")
    record, traces = at_hand.store.sealed[0]
    assert record.report == kept
    assert (b'"report"' in canonical(record)) == (kept is not None)
    assert rejudged(record, traces) == record


def test_no_valve_is_tested_for_a_page_in_a_language_that_is_not_at_hand(at_hand, order):
    """Refused when the run is to begin, with what there is."""
    asked = order.model_copy(update={"language": "fr"})
    outside = replace(at_hand.session.outside, load_orders=lambda: ((asked,), ()), check_language=check_language)
    at_hand.session.outside = outside
    at_hand.hold(0.2, 3)
    answer = at_hand.ask("start_run", order="HL-2041", serial=order.valves[0].serial, operator="Mara Quill")
    assert answer.sentence == "There is no language 'fr' for documents; at hand are en, de, es."
    assert at_hand.store.opened == []
