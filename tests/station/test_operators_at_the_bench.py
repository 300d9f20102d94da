"""Operators start runs with their PIN and sign them once they are sealed; a signature never holds up the bench."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from testbench.certificate.data import statements
from testbench.credentials.secrets import Argon2Secrets
from testbench.errors import RequestUnreadableError
from testbench.procedure.valve import Order, WitnessPoint
from testbench.run.signature import Method, Role
from testbench.station import messages as m
from testbench.station.acquisition import ClockSet
from testbench.station.at_the_bench import Signing
from testbench.station.bench import Bench
from testbench.station.clock_watch import ClockStatus
from testbench.station.desk import Around, Desk
from testbench.station.people import OWNER, Change
from testbench.station.ports import UnsignedRun
from testbench.station.session import Session
from testbench.station.view import Viewer
from testbench.store.repository import SqliteStore
from tests.station.conftest import BenchInHand

PIN = "7394"


class StaffedBench(BenchInHand):
    """A bench in hand whose people are registered; runs lie in memory, people in a file."""

    def __init__(self, bench: Bench, order: Order, folder: Path) -> None:
        super().__init__(bench, order)
        self.records = SqliteStore(folder / "testbench.db", "B1")
        self.status = ClockStatus.watched_since("2026-11-25T05:00:00.000Z")
        around = Around(
            "B1", bench.people, self.clock.utc, lambda: self.status.text, lambda bits: (1 << bits) - 1, statements()
        )
        self.people = Desk(self.records, Argon2Secrets(folder / "keys", cheap=True), around)
        password = {Method.PASSWORD: "the tide at Port Ellery"}
        self.people.add(OWNER, "ashe", "Tobin Ashe", (Role.ENGINEER, Role.REVIEWER), password)
        self.people.add("ashe", "quill", "Mara Quill", (Role.OPERATOR,), {Method.PIN: PIN})
        signing = Signing(self.people, self._load, self._unsigned, self.records.signatures_of, self.status)
        self.session = Session(bench, replace(self.session.outside, signing=signing))
        self.viewer = Viewer(self.session)
        self.hold(0.2, 1)

    def _load(self, run: str):
        return next(record for record, _ in self.store.sealed if record.run == run)

    def _unsigned(self) -> tuple[UnsignedRun, ...]:
        return tuple(
            UnsignedRun(record.run, record.valve.serial, record.operator, record.verdict)
            for record, _ in reversed(self.store.sealed)
            if record.operator_id and not self.records.signatures_of(record.run)
        )

    def start(self, serial: str, **other: object) -> None:
        self.hold(0.2, 3)
        answer = self.started(serial, **other)
        assert answer.done, answer.sentence

    def started(self, serial: str = "HL-4-0117", **other: object) -> m.Answer:
        facts = {"order": "HL-2041", "serial": serial, "operator": "Mara Quill", "pin": PIN}
        return self.ask("start_run", **{**facts, **other})

    def rejected(self) -> None:
        """A whole run that ends with a leaking shell."""
        self.start("HL-4-0117")
        self.to_hold(505)
        self.do("observe", criterion=0, seen="leakage", where="cover joint")
        self.do("conclude")
        self.hold(0.2, 2)
        if self.session.run_open:
            self.do("end_run")


@pytest.fixture
def staffed(bench: Bench, order: Order, tmp_path: Path) -> Iterator[StaffedBench]:
    made = StaffedBench(bench, order, tmp_path)
    yield made
    made.records.close()


# Starting ---------------------------------------------------------------------------------------


def test_registered_operators_replace_those_of_the_bench_file(staffed):
    """Said once, when both are there."""
    staffed.see()
    said = "Operators are registered: they start a run with their PIN; those of bench.toml are ignored."
    assert [notice.sentence for notice in staffed.see().notices] == [said]
    assert (staffed.see().operators, staffed.see().pin_needed) == (("Mara Quill",), True)
    staffed.session.read_orders()
    assert len(staffed.see().notices) == 1


def test_a_run_is_started_with_the_pin_and_names_who_it_was(staffed):
    """Printed name and id stand in the record from its opening on."""
    staffed.start("HL-4-0117")
    assert (staffed.session.run.operator, staffed.session.run.operator_id) == ("Mara Quill", "quill")
    opened = json.loads(staffed.store.opened[0])
    assert (opened["operator"], opened["operator_id"]) == ("Mara Quill", "quill")


@pytest.mark.parametrize("other", [{"pin": "1111"}, {"pin": ""}, {"operator": "Nobody"}])
def test_a_wrong_pin_starts_nothing(staffed, other):
    """Same words for a wrong person and a wrong PIN."""
    staffed.hold(0.2, 3)
    answer = staffed.started(**other)
    name = other.get("operator", "Mara Quill")
    assert (answer.done, answer.sentence) == (False, f"'{name}' and what was entered do not belong together.")
    assert answer.remedy == "Enter both again; an engineer can set a new PIN or password."
    assert not staffed.session.run_open
    assert staffed.store.opened == []


def test_the_fifth_wrong_pin_locks_and_time_unlocks(staffed):
    """The person who is locked is told so, and until when."""
    staffed.hold(0.2, 3)
    for _ in range(5):
        assert "do not belong together" in staffed.started(pin="1111").sentence
    assert staffed.started().sentence.startswith("'Mara Quill' is locked until 2026-11-25T08:02:44")
    staffed.hold(0.2, 61)
    assert staffed.started().done


def test_who_is_no_operator_or_disabled_starts_nothing(staffed):
    """Even where no enabled operator is left: names in bench.toml do not come back."""
    staffed.people.add("ashe", "marlow", "Ines Marlow", (Role.WITNESS,), {Method.PIN: "6170"})
    staffed.people.change("ashe", "quill", Change.DISABLED)
    staffed.hold(0.2, 3)
    assert staffed.started().sentence == "'quill' is disabled on this bench."
    assert staffed.started(operator="marlow", pin="6170").sentence == (
        "'marlow' is witness; this needs the role operator."
    )
    assert not staffed.session.run_open


def test_without_registered_operators_all_is_as_it_was(at_hand):
    """A name, no PIN; the record says nothing of an id, to the byte."""
    at_hand.start("HL-4-0117")
    assert at_hand.see().pin_needed is False
    assert "operator_id" not in at_hand.store.opened[0]


# Signing ----------------------------------------------------------------------------------------


def test_a_sealed_run_waits_for_its_operator_and_holds_up_nothing(staffed):
    """The next run may start; the list of what waits is there again afterwards."""
    staffed.rejected()
    seen = staffed.see()
    assert [action.request for action in seen.actions] == ["start_run", "sign"]
    assert seen.instruction.startswith("Run B1-000001 waits for the signature of Mara Quill, now or later. Mount the")
    assert [(one.run, one.serial, one.operator) for one in seen.unsigned] == [("B1-000001", "HL-4-0117", "Mara Quill")]
    assert seen.unsigned[0].statement.endswith("Verdict: rejected.")
    staffed.start("HL-6-0118")
    assert staffed.see().unsigned == ()
    answer = staffed.ask("sign", run="B1-000001", pin=PIN)
    assert answer.sentence.startswith("'sign' is not possible while no run waits for its operator's signature")
    staffed.do("end_run")
    assert [one.run for one in staffed.see().unsigned] == ["B1-000002", "B1-000001"]
    assert staffed.see().instruction.startswith("Run B1-000002 waits for the signature of Mara Quill, now or later. 1 ")


def test_screens_hear_of_the_newest_few(staffed):
    """Several times a second; all of them are counted, and older ones come up."""
    many = tuple(UnsignedRun(f"B1-{number:06d}", "HL-4-0117", "Mara Quill", None) for number in range(13, 0, -1))
    staffed.session.operators._signing = replace(staffed.session.operators._signing, unsigned=lambda: many)
    staffed.session.read_orders()
    seen = staffed.see()
    assert [one.run for one in seen.unsigned] == [one.run for one in many[:12]]
    assert "12 more wait." in seen.instruction


def test_a_rejection_report_waits_for_the_signature_of_its_operator(staffed):
    """Not written when the run is sealed; written when it is signed."""
    staffed.rejected()
    assert staffed.desk.asked == []
    refused = staffed.ask("sign", run="B1-000001", pin="1111")
    assert refused.sentence == "'quill' and what was entered do not belong together."
    assert staffed.desk.asked == []
    staffed.do("sign", run="B1-000001", pin=PIN)
    assert staffed.desk.asked == ["B1-000001"]
    assert staffed.see().unsigned == ()
    assert staffed.see().notices[-1].sentence == "Run B1-000001 is signed as performed by Mara Quill."
    (one,) = staffed.records.signatures_of("B1-000001")
    assert one.binds(staffed.store.sealed[0][0])


def test_a_certificate_waits_for_more_than_its_operator(staffed):
    """Only the release writes it."""
    staffed.shell()
    staffed.seat(volume="0.2 mL")
    assert staffed.store.sealed[0][0].verdict == "accepted"
    staffed.do("sign", run="B1-000001", pin=PIN)
    assert staffed.desk.asked == []


def test_no_secret_is_looked_at_while_a_stage_is_under_way(staffed):
    """It would keep a reading waiting for longer than one may wait."""
    staffed.rejected()
    staffed.start("HL-6-0118")
    staffed.do("start_stage")
    before = len(staffed.records.tries_of("quill", Method.PIN))
    answer = staffed.ask("sign", run="B1-000001", pin=PIN)
    assert answer.sentence.startswith("'sign' is not possible while a stage is under way")
    assert len(staffed.records.tries_of("quill", Method.PIN)) == before


def test_a_signature_tells_that_the_clock_was_set(staffed):
    """What the recorder saw of the clock stands in it."""
    staffed.rejected()
    staffed.session.take(ClockSet(staffed.clock.seconds, -75.04))
    staffed.do("sign", run="B1-000001", pin=PIN)
    (one,) = staffed.records.signatures_of("B1-000001")
    assert one.clock_status.startswith("set by -75.0 s at 2026-11-25T08:")


# The PIN stays in the request -------------------------------------------------------------------


def test_the_pin_shows_itself_on_the_wire_only():
    """Not dumped, not printed, not logged."""
    line = b'{"request": "start_run", "order": "O", "serial": "S", "operator": "quill", "pin": "7394"}'
    for request in (m.read_request(line), m.read_request(b'{"request": "sign", "run": "R", "pin": "7394"}')):
        for shown in (request.model_dump_json(), repr(request), str(request), repr(request.model_dump())):
            assert "7394" not in shown
        assert b'"pin":"7394"' in m.write(request)
        assert m.read_request(m.write(request)) == request


@pytest.mark.parametrize(
    "line",
    [b'{"request": "sign", "pin": "7394"}', b'{"request": "sign", "run": "R", "pin": "7394", "more": 1}',
     b'{"request": "sing", "run": "R", "pin": "7394"}', b'{"request": "sign", "run": "R", "pin": ["7394"]}',
     b'{"request": "sign", "run": "R", "pin": "739473947394739473947394"}', b'{"request": "sign", "pin": "7394"'],
)  # fmt: skip
def test_a_request_that_cannot_be_read_does_not_repeat_the_pin(line):
    """Neither in the refusal nor in what a traceback would print of its cause."""
    with pytest.raises(RequestUnreadableError) as refusal:
        m.read_request(line)
    assert "7394" not in str(refusal.value)
    assert "7394" not in str(refusal.value.__cause__)


def test_nothing_that_is_kept_or_shown_holds_the_pin(staffed):
    """Updates, notices, journal and record of a whole run that was signed, with a wrong try in it."""
    staffed.hold(0.2, 3)
    staffed.started(pin="7395")
    staffed.rejected()
    staffed.do("sign", run="B1-000001", pin=PIN)
    shown = m.write(staffed.see()).decode() + repr(staffed.store.journal) + staffed.store.sealed[0][0].model_dump_json()
    shown += "".join(one.model_dump_json() for one in staffed.records.signatures_of("B1-000001"))
    assert '"7394"' not in shown
    assert "7395" not in shown


# Witness points ---------------------------------------------------------------------------------

POINT = WitnessPoint.model_validate({
    "stage": "shell test", "point": "hold point", "party": "Ellery Water Board", "notify": "its inspection desk",
    "notice_days": 5, "notice_given_on": "2026-11-18",
})  # fmt: skip


def witnessed(bench: Bench, order: Order, **other: object) -> BenchInHand:
    point = POINT.model_copy(update=other)
    return BenchInHand(bench, order.model_copy(update={"witness_points": (point,)}))


def test_a_hold_point_is_passed_only_with_its_witness(bench, order):
    """Asked before the stage, refused without an answer and without a witness, kept in the record."""
    hand = witnessed(bench, order)
    hand.start("HL-4-0117")
    seen = hand.see()
    assert seen.run.attends == "Ellery Water Board"
    assert seen.instruction == (
        "Next: the shell test. Hold point of Ellery Water Board: notice to its inspection desk on 2026-11-18, 7 days "
        "before; 5 are agreed. Start it when the valve is mounted."
    )
    assert hand.ask("start_stage").sentence == (
        "The shell test is a hold point of Ellery Water Board; who attends was not said."
    )
    assert hand.ask("start_stage", attended=[]).sentence.startswith("The shell test is a hold point")
    assert not hand.session.stage_open
    hand.do("start_stage", attended=[{"name": "Ines Marlow", "party": "Ellery Water Board"}])
    assert hand.see().run.attends == ""
    hand.do("stop", reason="enough")
    hand.hold(0.2, 2)
    hand.do("end_run")
    ((record, _),) = hand.store.sealed
    assert record.witness_points == (POINT,)
    assert [one.name for one in record.stages[0].attendance.attended] == ["Ines Marlow"]


def test_where_people_are_registered_a_hold_point_asks_for_a_registered_witness(bench, order, tmp_path):
    """Of its own party and enabled; over the link as at the screen."""
    hand = StaffedBench(bench, order.model_copy(update={"witness_points": (POINT,)}), tmp_path)
    hand.start("HL-4-0117")
    notice = "(notice to its inspection desk on 2026-11-18, 7 days before; 5 are agreed)"
    refused = "The shell test is a hold point of Ellery Water Board and does not begin: "
    ines = {"name": "Ines Marlow", "party": "Ellery Water Board"}
    answer = hand.ask("start_stage", attended=[{"name": "Somebody", "party": "Other party"}])
    assert answer.sentence == f"{refused}nobody attends for it, but Somebody for Other party {notice}."
    unknown = f"{refused}Ines Marlow is not registered as a witness here; registered is nobody {notice}."
    assert hand.ask("start_stage", attended=[ines]).sentence == unknown
    hand.people.add("ashe", "marlow", "Ines Marlow", (Role.WITNESS,), {Method.PIN: "6170"})
    hand.people.change("ashe", "marlow", Change.DISABLED)
    assert hand.ask("start_stage", attended=[ines]).sentence == unknown
    assert not hand.session.stage_open
    hand.people.change("ashe", "marlow", Change.ENABLED)
    hand.do("start_stage", attended=[ines])
    assert [one.name for one in hand.session.stage.attendance.attended] == ["Ines Marlow"]
    hand.records.close()


def test_a_witness_point_is_passed_without(bench, order):
    """With too short a notice, which the record says."""
    hand = witnessed(bench, order, point="witness point", notice_given_on=None)
    hand.start("HL-4-0117")
    hand.do("start_stage", attended=[])
    assert hand.session.stage.attendance.notice == (
        "no notice to its inspection desk is on the order; 5 days are agreed"
    )


def test_a_stage_without_a_point_is_started_as_ever(bench, order):
    """And its record holds nothing of it."""
    hand = witnessed(bench, order, stage="seat test")
    hand.start("HL-4-0117")
    hand.do("start_stage")
    assert hand.session.stage.attendance is None


def test_a_point_that_fits_no_stage_is_refused_before_the_run(bench, order):
    """A misspelt stage would never be asked about."""
    hand = witnessed(bench, order, stage="shel test")
    hand.hold(0.2, 3)
    answer = hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    assert answer.sentence == (
        "Order HL-2041 names a witness point for 'shel test'; stages are shell test, seat test, each once."
    )
