"""What a procedure asks reaches the bench: head, gauge range, adoption, counted leakage, weep at the stem."""

import tomllib
from datetime import date

import pytest

from testbench.procedure.adoption import Adoption, Confirmation, check_confirmations, numbers_of, to_confirm
from testbench.procedure.criteria import Counted, LargestLeakageRate, StemWeep, StemWeepRule
from testbench.procedure.stages import Procedure
from testbench.procedure_files.loader import find_procedure, shipped_folder
from testbench.quantities import LeakageRate
from testbench.run.machine import Ending
from testbench.run.observations import Collection, Observation, Seen
from testbench.run.record import Origin, Verdict
from tests.station.conftest import BenchInHand


def with_height(bench, metres):
    return bench.model_copy(update={"channel": bench.channel.model_copy(update={"height_above_valve_m": metres})})


@pytest.mark.parametrize(("metres", "reading", "phase"), [
    ("1", 499.57, "pressurizing"), ("1", 499.60, "stabilizing"), ("-1", 502.41, "pressurizing"),
    ("-1", 502.44, "stabilizing"),
])  # fmt: skip
def test_a_metre_of_water_between_transmitter_and_valve_counts(bench, order, metres, reading, phase):
    """GAU-3: 1 m of water is 1.42 psi. A transmitter above the valve shows less than the valve sees.

    Required 500 psi plus U = 1 psi: the reading must be 501 − 1.422 + 0.01 (zero) psi above, 501 + 1.422 below.
    """
    at_hand = BenchInHand(with_height(bench, metres), order)
    at_hand.hold(0.0, 3)
    at_hand.do("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    at_hand.do("start_stage")
    at_hand.do("vent_closed")
    at_hand.clock.seconds += 0.1
    at_hand.noise = 0
    at_hand.line(reading)
    assert at_hand.see().stage.phase == phase


def test_the_zero_check_knows_no_head(bench, order):
    """At atmosphere the transmitter itself must read zero, wherever it hangs."""
    at_hand = BenchInHand(with_height(bench, "2"), order)
    at_hand.hold(2.4, 3)
    at_hand.do("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")


def adoption_of(procedure: Procedure, digest: str) -> Adoption:
    confirmed = tuple(Confirmation(source=key, copy_seen="works copy 3") for key in to_confirm(procedure))
    check_confirmations(procedure, confirmed)
    return Adoption(
        procedure=procedure.id, revision=procedure.revision, sha256=digest, adopted_by="Tobin Ashe",
        at="2026-11-01T09:00:00+00:00", confirmed=confirmed,
    )  # fmt: skip


@pytest.mark.parametrize("adopted", [True, False])
def test_a_live_run_is_a_specimen_until_its_procedure_is_adopted(bench, order, adopted):
    """The record carries who adopted it; without that, no page of it certifies anything."""
    at_hand = BenchInHand(bench.model_copy(update={"simulation": None}), order)
    procedure, digest = find_procedure("waterworks-swing-check", None)
    if adopted:
        at_hand.store.adoptions[digest] = adoption_of(procedure, digest)
    at_hand.start("HL-4-0117")
    record = at_hand.session.run
    assert (record.origin, record.specimen) == (Origin.LIVE, not adopted)
    said = [notice.sentence for notice in at_hand.see().notices]
    warned = "Procedure waterworks-swing-check is not adopted: every page of this run is a SPECIMEN." in said
    assert warned is not adopted


@pytest.mark.parametrize("adopted", [True, False])
def test_a_gauge_study_tests_an_accepted_valve_again(bench, order, adopted):
    """Under a procedure that nobody adopted, which shows nothing for the valve; never where that could accept it."""
    at_hand = BenchInHand(bench.model_copy(update={"simulation": None}), order)
    procedure, digest = find_procedure("waterworks-swing-check", None)
    if adopted:
        at_hand.store.adoptions[digest] = adoption_of(procedure, digest)
    at_hand.store.accepted["HL-4-0117"] = "B1-000009"
    at_hand.hold(0.2, 3)
    answer = at_hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    if adopted:
        assert answer.sentence == "Serial number HL-4-0117 was already accepted in run B1-000009."
        assert answer.remedy == (
            "Check the serial number on the valve; ask the reviewer before testing it again. For a gauge study, order "
            "it under a procedure made for the study that nobody adopts."
        )
    else:
        assert answer.done
        assert at_hand.session.run.specimen


def test_a_simulated_run_stays_a_specimen_even_when_its_procedure_is_adopted(at_hand):
    """Law 8."""
    procedure, digest = find_procedure("waterworks-swing-check", None)
    at_hand.store.adoptions[digest] = adoption_of(procedure, digest)
    at_hand.start("HL-4-0117")
    assert at_hand.session.run.specimen


def test_an_adoption_lists_every_number_and_leaves_none_unconfirmed():
    """Every source graded memory, common practice or house is confirmed from a copy by somebody."""
    procedure, _ = find_procedure("waterworks-swing-check", None)
    numbers = {number.place: number for number in numbers_of(procedure)}
    assert "factor 2" in numbers["stages[1].pressure"].number
    assert "per_inch 1 fl_oz/h" in numbers["stages[2].criteria[2].limits[1]"].number
    assert "verify against your copy" in numbers["stages[2].criteria[2].limits[1]"].in_words
    assert set(to_confirm(procedure)) <= {number.source for number in numbers.values()}


def test_a_procedure_whose_file_changed_has_another_hash(tmp_path):
    """A changed file needs adopting again."""
    (tmp_path / "procedures").mkdir()
    text = (shipped_folder() / "waterworks-swing-check.toml").read_text()
    _, shipped = find_procedure("waterworks-swing-check", tmp_path)
    (tmp_path / "procedures" / "waterworks-swing-check.toml").write_text(text + "\n# changed\n")
    assert find_procedure("waterworks-swing-check", tmp_path)[1] != shipped
    assert tomllib.loads(text)["id"] == "waterworks-swing-check"


# Criteria ---------------------------------------------------------------------------------------


def judged_seat(at_hand, criterion, **answers):
    """The finding of a seat test with another criterion, judged from its record."""
    from testbench.run.evaluation import evaluate_stage

    at_hand.shell("HL-8-0119")
    at_hand.to_hold(253)
    at_hand.hold(253, 125)
    at_hand.do("observe", criterion=0, seen="no leakage")
    at_hand.hold(0.2, 2)
    record, traces = at_hand.store.sealed[0]
    stage = record.stages[1]
    changed = stage.model_copy(
        update={"requirement": stage.requirement.model_copy(update={"criteria": (criterion,)}), "observations": ()}
        | {name: make(stage) for name, make in answers.items()}
    )
    assert changed.ended is Ending.COMPLETED
    return evaluate_stage(changed, traces[1], record.channel, record.zero_check, date(2026, 11, 25))


def counted(most: float) -> LargestLeakageRate:
    drops = Counted(what="drops", per_ml="16", convention="16 drops are 1 mL")
    return LargestLeakageRate(
        limit=LeakageRate.of(most / 16, "mL/min"), counted=drops, collect_at="open side", settle_s=5, collect_s=30,
        time_uncertainty_s=1, source="API 598, per-size table",
    )  # fmt: skip


def dripped(number):
    def make(stage):
        drops = Counted(what="drops", per_ml="16", convention="")
        since = stage.hold_since + 100_000
        return (
            Collection(
                since=since, until=since + 600_000, volume=drops.volume(number), volume_uncertainty=drops.volume(1),
                drops=number, drops_per_ml="16",
            ),
        )  # fmt: skip

    return make


WITHIN = "14 drops in 60.0 s is 14.0 drops/min with U = 1.1 drops/min; 16.00 drops/min is allowed: within the limit."


@pytest.mark.parametrize(
    ("drops", "verdict", "words"),
    [
        (14, Verdict.ACCEPTED, WITHIN),
        (16, Verdict.INCONCLUSIVE, None),
        (18, Verdict.REJECTED, None),
    ],
)  # fmt: skip
def test_drops_are_judged_as_they_are_counted(at_hand, drops, verdict, words):
    """API-07: 16 drops a minute for NPS 8, metal seat, not a check valve; one drop is how well a count is known."""
    finding = judged_seat(at_hand, counted(16), collections=dripped(drops))
    assert finding.verdict is verdict
    if words:
        assert finding.criteria[2].sentence == words


@pytest.mark.parametrize(
    ("rule", "verdict"),
    [
        (StemWeepRule.ALLOWED, Verdict.ACCEPTED),
        (StemWeepRule.ALLOWED_IF_TIGHT_AT_RATING, Verdict.INCONCLUSIVE),
        (StemWeepRule.NOT_ALLOWED, Verdict.REJECTED),
    ],
)
def test_a_weep_at_the_stem_is_judged_by_the_standards_own_rule(at_hand, rule, verdict):
    """standards reference 10.4: MSS SP-61 and B16.34 allow it if tight at the rating, API 598 does not."""
    weep = StemWeep(look_at=("gland",), source="any", rule=rule)

    def seen(stage):
        return (Observation(at=stage.hold_until + 1, criterion=0, seen=Seen.LEAKAGE, where="gland"),)

    assert judged_seat(at_hand, weep, observations=seen).verdict is verdict


def test_a_dry_stem_conforms_and_an_unlooked_one_does_not(at_hand):
    """No default answer here either."""
    weep = StemWeep(look_at=("gland",), source="any", rule=StemWeepRule.ALLOWED)

    def dry(stage):
        return (Observation(at=stage.hold_until + 1, criterion=0, seen=Seen.NO_LEAKAGE),)

    assert judged_seat(at_hand, weep, observations=dry).verdict is Verdict.ACCEPTED
