"""The decay of a hold: the monitor, the gate, and the verdict where a procedure allows it."""

from datetime import date
from fractions import Fraction

import pytest

from testbench.errors import BlankRefusedError
from testbench.metrology.decision_rule import Conformity
from testbench.procedure.requirements import requirements_for
from testbench.quantities import LeakageRate, Pressure, Temperature, Volume
from testbench.run.blanks import blank_of, usable
from testbench.run.decay import Basis, fitting
from testbench.run.decisions import decision_of
from testbench.run.evaluation import rejudged
from testbench.run.machine import Phase
from testbench.run.observations import Seen
from testbench.run.progress import Action
from testbench.run.record import Origin, RunRecord, Verdict, WaterTemperature, canonical
from tests.house_with_decay import DECAY, blank, house
from tests.run.conftest import DAY
from tests.run.decaying import BLANKS, FACTS, body

RATE = "largest-leakage-rate"


def judged(attempt):
    """The finding of a stage, and what it says of the rate."""
    finding = attempt.finding()
    return finding, next(one for one in finding.criteria if one.criterion == RATE)


# The monitor ------------------------------------------------------------------------------------


def test_every_closed_in_hold_is_watched_and_its_slope_told(shop):
    """A shell test has no limit: the slope stands there, beside the criteria, and judges nothing."""
    attempt = shop.shell_test().holding()
    for tenth in range(601):
        attempt.read(attempt.fine - tenth // 30 + (tenth % 2))
    finding = attempt.see(Seen.NO_LEAKAGE).released().finding()
    assert finding.verdict is Verdict.ACCEPTED
    assert finding.decay.sentence.startswith("The pressure changed by -0.1994 ± 0.0017 ")
    assert finding.decay.sentence.endswith("psi/min (95 %). C was not measured.")
    assert Pressure.parse(f"{finding.decay.slope_per_min}").to("psi") == pytest.approx(-0.20, abs=0.005)
    assert (finding.decay.rate, finding.decay.gate, finding.decay.compliance) == ("", "", "")
    assert [one.criterion for one in finding.criteria] == [
        "instrument", "hold", "no-visible-leakage", "pressure released",
    ]  # fmt: skip


def test_a_pump_that_makes_up_is_said_and_nothing_computed(accepted_seat):
    """The shipped seat test: what passes is collected."""
    found = accepted_seat.finding().decay
    assert found.sentence == "The pump made up during the hold: its pressure shows nothing of a leakage."
    assert (found.slope_per_min, found.gate) == ("", "")


def test_with_c_the_leakage_rate_is_told_with_u(shop):
    """−5.4 psi/min, of them −0.4 are the bench's: 5 psi/min × 0.1 mL/psi = 30 mL/h; U is mostly that of C, 10 %."""
    finding, _ = judged(body(shop).whole_hold(30).let_off())
    found = finding.decay
    assert LeakageRate.parse(found.rate).to("mL/h") == pytest.approx(30, rel=0.005)
    assert LeakageRate.parse(found.uncertainty).to("mL/h") == pytest.approx(3.07, abs=0.1)
    assert (found.dominant, found.blanks, found.curved, found.flagged) == ("C", 3, False, 0)
    assert found.sentence == (
        "The pressure changed by -5.4001 ± 0.0057 psi/min (95 %). C = 0.100 mL/psi with U = 0.011 mL/psi; "
        "Q = 30.0 mL/h with U = 3.1 mL/h, drift of 3 blank runs taken off."
    )


def test_without_blank_runs_the_rate_says_that_the_drift_is_not_known(shop):
    """It is told, and decides nothing."""
    attempt = body(shop, blanks=()).whole_hold(30)
    assert attempt.state.decay_s is None
    assert (
        "drift not known."
        in attempt.stage.decaying.basis.monitor(
            attempt.stage.decaying.basis.decayed(
                attempt.trace().between(attempt.state.hold_since, attempt.now), attempt.trace(), attempt.state.drawn
            )
        ).sentence
    )


def warming_by(attempt, kelvin_per_min: float) -> WaterTemperature:
    """A reading a second of water that warms evenly from 20 °C, to a hundredth of a kelvin."""
    since, until = attempt.state.hold_since, attempt.state.hold_until or attempt.now
    ticks = range(since, until + 1, 10_000)
    readings = tuple((tick, round(2000 + kelvin_per_min * (tick - since) / 6000)) for tick in ticks)
    return WaterTemperature(
        tag="TT-101", instrument="resistance thermometer", serial="W-0007", unit="degC", decimals=2,
        expanded_uncertainty_k="0.5", readings=readings,
    )  # fmt: skip


CAVITY = Volume.parse("15 L")


@pytest.mark.parametrize(("kelvin_per_min", "expected"), [(0.0, 26.0), (0.2, 60.4), (-0.1, 8.8)])
def test_the_water_s_change_of_temperature_is_taken_off_where_no_blank_runs_are(shop, kelvin_per_min, expected):
    """The pressure falls by 4.33 psi/min: 26 mL/h at C = 0.1 mL/psi.

    β lies between (α − 36e-6/K)·V/C and α·V/C, with α = 209.2e-6/K at 20 °C and 250 psi (IF97): 28.7 psi/K in the
    middle. Warming by 0.2 K/min would have raised the pressure by 5.7 psi/min: the leak is 34 mL/h larger.
    """
    attempt = body(shop, blanks=(), facts={"cavity": CAVITY}).whole_hold(23.6)
    basis, hold = attempt.stage.decaying.basis, attempt.trace().between(attempt.state.hold_since, attempt.now)
    found = basis.decayed(hold, attempt.trace(), attempt.state.drawn, warming_by(attempt, kelvin_per_min))
    assert found.warming.pressure_per_kelvin_pa == pytest.approx(28.68 * 6894.757, rel=0.01)
    assert found.rate.rate.to("mL/h") == pytest.approx(expected, abs=1.0)
    assert abs(found.rate.rate.to("mL/h") - expected) < found.rate.standard_uncertainty.to("mL/h") * 2
    assert basis.monitor(found).sentence.endswith("the water's change of temperature taken off.")


@pytest.mark.parametrize(
    ("blanks", "facts", "celsius"),
    [(BLANKS, {"cavity": CAVITY}, 0.0), ((), {}, 0.0), ((), {"cavity": CAVITY}, 60.0)],
    ids=["blank runs tell the drift", "the cavity is not known", "no liquid water"],
)
def test_a_temperature_explains_nothing_where_it_cannot(shop, blanks, facts, celsius):
    """Then it is left out of the account, and the sentence does not name it."""
    attempt = body(shop, blanks=blanks, facts=facts).whole_hold(23.6)
    measured = warming_by(attempt, 0.2)
    moved = tuple((tick, counts + round(100 * celsius)) for tick, counts in measured.readings)
    basis, hold = attempt.stage.decaying.basis, attempt.trace().between(attempt.state.hold_since, attempt.now)
    changed = measured.model_copy(update={"readings": moved})
    found = basis.decayed(hold, attempt.trace(), attempt.state.drawn, changed)
    assert found.warming is None
    assert "temperature" not in basis.monitor(found).sentence


def test_air_or_a_flexible_rig_is_told_instead_of_a_leak(shop):
    """10 L of water at 20 °C would give a third of C: nothing is concluded, and the leakage is collected."""
    facts = {"cavity": Volume.parse("10 L"), "water_temperature": Temperature.of(20, "degC")}
    attempt = body(shop, facts=facts).hold_of(0)
    assert attempt.state.decay_s is None
    assert attempt.state.gate == (
        "Pressure decay cannot decide 120 mL/h on this bench: air or a flexible rig dominates "
        "(C is 3.2 times that of the water alone); vent again or collect the leakage."
    )


def test_a_single_outlier_is_flagged_and_left_out(shop):
    """One reading 5 psi high: kept, told, and without weight."""
    attempt = body(shop).hold_of(0)
    attempt.pass_time(30)
    attempt.psi -= 5
    attempt.pass_time(0.1)
    attempt.psi += 5
    finding, _ = judged(attempt.pass_time(30).let_off())
    assert finding.decay.flagged == 1
    assert LeakageRate.parse(finding.decay.rate).to("mL/h") == pytest.approx(0, abs=0.1)


# The gate ---------------------------------------------------------------------------------------


def test_a_drift_just_below_the_limit_is_taken_off(shop):
    """−20 psi/min at C = 0.1 mL/psi look like 120 mL/h, which are allowed."""
    blanks = [blank(number, "-19.99", at=BLANKS[0].at) for number in (1, 2)]
    assert "Pressure decay can decide 120 mL/h" in body(shop, blanks=blanks).hold_of(0).state.gate


def test_blank_runs_that_agree_know_the_drift_no_better_than_each_of_them(shop):
    """Two of −0.40 ± 30 psi/min (95 %): 30/1.96 psi/min are 91.8 mL/h, as a standard uncertainty."""
    blanks = [blank(number, "-0.40", at=BLANKS[0].at, half_width_per_min=Pressure.of(30, "psi")) for number in (1, 2)]
    attempt = body(shop, blanks=blanks).hold_of(0)
    assert attempt.state.decay_s is None
    assert attempt.state.gate == (
        "Pressure decay cannot decide 120 mL/h on this bench: however long it holds, the spread of the blank runs "
        "dominates (u = 92 mL/h after 240 s); collect the leakage."
    )


def test_the_gate_is_said_with_the_first_moment_of_the_hold(shop):
    """Can it, in how many seconds, what dominates; then nothing need be collected."""
    attempt = body(shop).hold_of(0)
    assert attempt.events[-2:] == ["steady", "gate"]
    assert attempt.sentences[-1] == attempt.state.gate
    assert attempt.state.gate.startswith("Pressure decay can decide 120 mL/h on this bench in 3 s; C dominates")
    assert Action.COLLECTION_STARTED not in attempt.stage.possible(attempt.state)
    assert attempt.stage.hold_s(attempt.state) == 60


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"decay": None}, "the procedure has the leakage collected"),
        ({"blanks": ()}, "of blank runs 0 fit, 2 are needed for the drift"),
        ({"blanks": BLANKS[:1]}, "of blank runs 1 fit, 2 are needed for the drift"),
        ({"facts": FACTS | {"cavity": None}}, "air could not be told from water (cavity is not given)"),
        (
            {"facts": FACTS | {"water_temperature": None}},
            "air could not be told from water (water_temperature is not given)",
        ),
        (
            {"blanks": [blank(n, "-20.01", at=BLANKS[0].at) for n in (1, 2)]},
            "the bench's own drift looks like 120.06 mL/h",
        ),
    ],
)
def test_where_it_cannot_decide_the_gate_says_why_and_the_leakage_is_collected(shop, changes, why):
    """As it always was."""
    attempt = body(shop, **changes).hold_of(0)
    assert attempt.state.gate == f"Pressure decay cannot decide 120.0 mL/h on this bench: {why}; collect the leakage."
    assert attempt.pass_time(6).state.decay_s is None
    assert Action.COLLECTION_STARTED in attempt.stage.possible(attempt.state)


def test_without_c_the_gate_asks_for_collecting(shop):
    """Nobody measured it."""
    attempt = body(shop).stabilizing().pass_time(6)
    assert attempt.state.phase is Phase.HOLDING
    assert "C was not measured in place; collect the leakage." in attempt.state.gate


def test_a_spread_of_the_blank_runs_stands_in_the_way_of_a_small_limit(shop):
    """0.1 mL/h an inch, 1.2 mL/h in all: 0.2 psi/min. Blank runs that differ by 0.4 psi/min cannot tell that."""
    spread = [blank(n, f"{-0.10 + by:.2f}", at=BLANKS[0].at) for n, by in enumerate((0.2, -0.2, 0.0), 1)]
    attempt = body(shop, blanks=spread, per_inch="0.1 mL/h").hold_of(0)
    assert attempt.state.decay_s is None
    assert "the spread of the blank runs dominates" in attempt.state.gate
    assert attempt.state.gate.endswith("collect the leakage.")


def test_a_hold_lasts_as_long_as_the_decay_needs(shop):
    """Noise of 3 psi on a limit of 6 mL/h: more than the 60 s that are required, at most the 240 s that are allowed."""
    attempt = body(shop, u="0.1", per_inch="0.5 mL/h").with_c(266)
    attempt.scatter = 3.0
    attempt.settled()
    needed = attempt.state.decay_s
    assert 60 < needed <= 240
    attempt.pass_time(needed - 1)
    assert attempt.state.phase is Phase.HOLDING
    attempt.pass_time(1.1)
    assert attempt.state.phase is not Phase.HOLDING
    assert f"in {needed} s;" in attempt.state.gate


@pytest.mark.parametrize(("longest", "decides"), [(240, True), (60, False)])
def test_no_hold_is_longer_than_the_procedure_allows(shop, longest, decides):
    """The same noise: with 60 s at most the gate says how long it would take."""
    decay = DECAY | {"longest_hold": {"s": longest, "source": "house"}}
    attempt = body(shop, u="0.1", per_inch="0.5 mL/h", decay=decay).with_c(266)
    attempt.scatter = 3.0
    attempt.settled()
    assert (attempt.state.decay_s is not None) is decides
    assert ("extend the hold or collect the leakage." in attempt.state.gate) is not decides


def test_a_hold_that_is_broken_off_asks_the_gate_anew(shop):
    """What was said before belongs to the hold that is gone."""
    attempt = body(shop).hold_of(0)
    attempt.psi = 240
    attempt.pass_time(0.1)
    assert (attempt.state.gate, attempt.state.decay_s, attempt.state.collections_asked) == ("", None, 1)
    attempt.per_min, attempt.psi = 0.0, 270
    assert attempt.settled().state.decay_s == 60


# The verdict ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ml_h", "shown", "conformity", "verdict"),
    [
        (0, "0.00 mL/h with U = 0.31", Conformity.CONFORMS, Verdict.ACCEPTED),
        (107, "107 mL/h with U = 11", Conformity.CONFORMS, Verdict.ACCEPTED),
        (109.5, "110 mL/h with U = 12", Conformity.WITHIN_GUARD_BAND, None),
        (133, "133 mL/h with U = 14", Conformity.WITHIN_GUARD_BAND, None),
        (134.5, "135 mL/h with U = 14", Conformity.DOES_NOT_CONFORM, Verdict.REJECTED),
    ],
)
def test_the_decay_is_decided_by_u_on_both_sides_of_the_limit(shop, ml_h, shown, conformity, verdict):
    """120 mL/h, U = 10.2 % of the rate: up to 108.9 accepted, from 133.6 on rejected; between, the stage waits."""
    attempt = body(shop).whole_hold(ml_h, 274.9)
    assert attempt.state.hold_until is not None
    if verdict is None:
        assert attempt.state.phase is Phase.OBSERVING
        attempt.ask(Action.LEAVE_UNDECIDED)
    assert attempt.state.phase is Phase.DEPRESSURIZING
    finding, rate = judged(attempt.let_off())
    assert rate.conformity is conformity
    assert finding.verdict is (verdict or Verdict.INCONCLUSIVE)
    assert (rate.required, rate.limit) == ("leakage by pressure decay", "120 mL/h")
    assert rate.sentence.startswith(f"By pressure decay: {shown} mL/h; 120 mL/h is allowed: ")
    assert attempt.state.collections == ()


def test_the_sentence_and_the_words_of_the_decision_agree(shop):
    """Measured value, U, k, rule, guard band and risk, as for every comparison with a limit."""
    attempt = body(shop).whole_hold(30).let_off()
    _, rate = judged(attempt)
    assert rate.sentence == "By pressure decay: 30.0 mL/h with U = 3.1 mL/h; 120 mL/h is allowed: within the limit."
    words = decision_of(rate, attempt.stage.requirement).words
    assert words.startswith("30.0 mL/h measured, at most 120 mL/h allowed; U = 3.1 mL/h (k = 2), rule: guarded")
    assert words.endswith("conforms; risk that this is wrong below 0.01 %.")


def test_what_is_collected_outranks_a_decay_that_decided_nothing(shop):
    """Too near the limit, and C dominates: the hold goes on, 60 s of collecting show 96 mL/h, and that decides."""
    attempt = body(shop).whole_hold(112, 274.9)
    assert attempt.stage.possible(attempt.state)[:2] == (Action.EXTEND, Action.LEAVE_UNDECIDED)
    undecided = attempt.stage.undecided(attempt.state)
    assert undecided.collect
    assert attempt.sentences[-1].endswith(
        "too near the limit to tell; collect the leakage. "
        "Extend the hold and collect the leakage, or leave it undecided."
    )
    attempt.per_min = 0.0
    attempt.ask(Action.EXTEND)
    assert attempt.state.phase is Phase.HOLDING
    assert attempt.sentences[-1] == "The hold goes on: collect the leakage."
    attempt.pass_time(1).ask(Action.COLLECTION_STARTED).pass_time(60).ask(Action.COLLECTION_ENDED).pass_time(0.2)
    assert attempt.state.phase is Phase.OBSERVING
    finding, rate = judged(attempt.read_volume("1.6 mL", "0.1 mL").let_off())
    assert (finding.verdict, rate.required) == (Verdict.ACCEPTED, "collected leakage")


def test_where_a_longer_hold_would_do_it_is_offered_and_goes_on(shop):
    """57 of 60 mL/h: undecided after 60 s, decided after 120."""
    attempt = body(shop, u="0.1", per_inch="5 mL/h").with_c(272.5)
    attempt.scatter = 2.0
    attempt.settled()
    attempt.per_min = -57 / 6 - 0.40
    attempt.pass_time(60)
    assert attempt.state.phase is Phase.OBSERVING
    assert not attempt.stage.undecided(attempt.state).collect
    assert attempt.sentences[-1].endswith("extend the hold. Extend the hold to 120 s, or leave it undecided.")
    attempt.ask(Action.EXTEND)
    assert attempt.sentences[-1] == "The hold goes on to 120 s."
    assert (attempt.state.phase, attempt.stage.hold_s(attempt.state)) == (Phase.HOLDING, 120)
    attempt.pass_time(59)
    assert attempt.state.phase is Phase.HOLDING
    finding, rate = judged(attempt.pass_time(1.1).let_off())
    assert finding.held_ms >= 120_000
    assert (finding.verdict, rate.conformity) == (Verdict.ACCEPTED, Conformity.CONFORMS)


def test_a_hold_at_its_longest_is_not_extended_but_collected(shop):
    """60 s are all that the procedure allows."""
    decay = DECAY | {"longest_hold": {"s": 60, "source": "house"}}
    attempt = body(shop, u="0.1", per_inch="5 mL/h", decay=decay).with_c(272.5)
    attempt.scatter = 2.0
    attempt.settled()
    attempt.per_min = -57 / 6 - 0.40
    attempt.pass_time(60)
    assert attempt.stage.undecided(attempt.state).collect


def test_a_pressure_that_left_its_level_cannot_be_held_on(shop):
    """The stage goes on to its end, inconclusive."""
    attempt = body(shop).whole_hold(112, 274.9)
    attempt.psi = 249
    attempt.pass_time(0.1)
    assert attempt.state.phase is Phase.DEPRESSURIZING
    assert attempt.let_off().finding().verdict is Verdict.INCONCLUSIVE


def test_a_pressure_that_rises_decides_nothing(shop):
    """Something warms or feeds the body: it would hide a leak."""
    attempt = body(shop).hold_of(-12, 262).pass_time(60)
    finding, rate = judged(attempt.ask(Action.LEAVE_UNDECIDED).let_off())
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert rate.sentence == (
        "By pressure decay: Nothing is decided: the pressure rises by more than its uncertainty: "
        "the body is warming, or something feeds it."
    )


def test_a_bend_that_could_not_change_the_decision_does_not_hold_it_up(shop):
    """The water still gives its warmth to the body: −2 psi over 60 s, most of it at first. 120 mL/h are far away."""
    attempt = body(shop).hold_of(0)
    for second in range(61):
        attempt.per_min = -6 * 0.95**second
        attempt.pass_time(1)
    finding, rate = judged(attempt.let_off())
    assert finding.decay.curved
    assert ", not in a straight line." in finding.decay.sentence
    assert rate.conformity is Conformity.CONFORMS


def test_a_bend_near_the_limit_holds_it_up(shop):
    """The same where 12 mL/h are allowed: at first it would be above, at the end within."""
    attempt = body(shop, u="0.1", per_inch="1 mL/h").hold_of(0)
    for second in range(61):
        attempt.per_min = -6 * 0.95**second
        attempt.pass_time(1)
    assert attempt.state.phase is Phase.OBSERVING
    assert "not fall in a straight line" in attempt.stage.undecided(attempt.state).advice


# Judged again -----------------------------------------------------------------------------------


def record_of(shop, attempt, **rules) -> RunRecord:
    valve = shop.valve("NPS 12").model_copy(update={"cavity": FACTS["cavity"]})
    requirements = requirements_for(house(**rules), valve)
    temperature = FACTS["water_temperature"]
    return shop.run(
        attempt.judged(), valve=valve, requirements=requirements, blanks=BLANKS, water_temperature=temperature
    )


def test_a_decay_is_judged_again_from_the_record_and_its_samples(shop):
    """Read back from its bytes, blank runs, marks and all."""
    attempt = body(shop).whole_hold(30).let_off()
    record = record_of(shop, attempt)
    read = RunRecord.model_validate_json(canonical(record))
    assert read == record
    again = rejudged(read, [attempt.trace()])
    assert again == record
    assert again.stages[0].finding.decay.rate


def test_taking_the_blank_runs_from_a_record_takes_its_acceptance(shop):
    """The machine that once said that it could decide is not believed."""
    attempt = body(shop).whole_hold(30).let_off()
    bare = record_of(shop, attempt).model_copy(update={"blanks": ()})
    assert rejudged(bare, [attempt.trace()]).verdict is Verdict.INCONCLUSIVE


def test_a_record_from_before_the_decay_was_watched_stays_as_it_is(shop, accepted_shell, accepted_seat):
    """To the byte."""
    stages = [
        attempt.judged().model_copy(update={"finding": attempt.finding().model_copy(update={"decay": None})})
        for attempt in (accepted_shell, accepted_seat)
    ]
    record = shop.run(*stages)
    assert b"decay" not in canonical(record)
    assert rejudged(record, [accepted_shell.trace(), accepted_seat.trace()]) == record


# Air on the way up ------------------------------------------------------------------------------


def climbed(shop, air: float, *, top: float = 262.0):
    """Raised at a constant flow: C = 0.1 mL/psi and air that is so many mL at atmosphere; 2 mL/s."""
    attempt = body(shop)
    attempt.read(0).ask(Action.VENT_CLOSED)
    psi = 0.0
    while psi < top:
        for _ in range(100):
            psi += 2 / 1000 / (0.1 + air * 14.696 / (14.696 + psi) ** 2)
        attempt.read(round(100 * psi), bound=None)
        if attempt.state.air:
            break
    return attempt, psi


def test_air_is_said_on_the_way_up_and_once(shop):
    """100 mL: at 50 psi C is 4.5 times that without air. It is said there, and the operator can vent again."""
    attempt, psi = climbed(shop, 100)
    assert 50 <= psi < 60
    said = attempt.sentences[-1]
    assert said.startswith("C is at least 4.")
    assert said.endswith(" times that without air at 50 psi: air or a flexible rig. Vent again before raising further.")
    attempt.read(round(100 * psi) + 3000, bound=None)
    assert attempt.events.count("air") == 1
    assert attempt.ask(Action.VENT_AGAIN).state.air == ""


def test_little_air_is_not_worth_a_word(shop):
    """50 mL: 2.8 times at 50 psi, less above."""
    attempt, _ = climbed(shop, 50)
    assert "air" not in attempt.events


def test_the_rise_is_looked_at_from_a_fifth_of_the_required_pressure_on(shop):
    """2000 mL of air are not told before 50 psi, and not later than at the first mark."""
    attempt, psi = climbed(shop, 2000)
    assert attempt.state.air
    assert 50 <= psi < 60


# Blank runs -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "fits"),
    [
        ({}, True),
        ({"pressure": Pressure.parse("375 psi")}, True),
        ({"pressure": Pressure.parse("375.01 psi")}, False),
        ({"pressure": Pressure.of(Fraction(500, 3), "psi")}, True),
        ({"pressure": Pressure.parse("166.66 psi")}, False),
        ({"at": "2026-05-02T23:59:59.000Z"}, True),
        ({"at": "2026-05-01T23:59:59.000Z"}, False),
        ({"at": "2026-06-02T00:00:00.000Z"}, False),
        ({"fluid": "gas"}, False),
    ],
)
def test_a_blank_run_fits_by_fluid_pressure_and_age(shop, changes, fits):
    """250 psi required; a factor of 1.5 either way; 30 days before 2026-06-01, the day itself included."""
    requirement = requirements_for(house(), shop.valve("NPS 12")).stages[0]
    found = blank(1, "-0.4", **({"at": "2026-05-20T08:00:00.000Z"} | changes))
    assert bool(fitting([found], requirement, requirement.criteria[0].decay, DAY)) is fits


@pytest.mark.parametrize(("changes", "used"), [({}, True), ({"bench": "B2"}, False), ({"origin": Origin.LIVE}, False)])
def test_a_run_takes_the_blank_runs_of_its_own_bench_and_origin(shop, changes, used):
    """A simulation proves nothing of a real bench, nor one bench of another."""
    requirements = requirements_for(house(), shop.valve("NPS 12"))
    found = blank(1, "-0.4", **({"at": "2026-05-20T08:00:00.000Z"} | changes))
    assert bool(usable([found], requirements, "B1", Origin.SIMULATED, DAY)) is used


def test_a_procedure_without_decay_takes_no_blank_runs(shop):
    """Nothing would be done with them."""
    assert usable(BLANKS, shop.requirements(), "B1", Origin.SIMULATED, DAY) == ()


def test_a_hold_becomes_a_blank_run(shop):
    """Its slope, half-width, pressure, date and bench, and whose word it is."""
    record = record_of(shop, body(shop).whole_hold(0).let_off())
    found = blank_of(record, None, "Tobin Ashe", "blind flange")
    assert (found.run, found.stage, found.attempt, found.bench) == ("B1-000001", "seat test", 1, "B1")
    assert found.slope_per_min.to("psi") == pytest.approx(-0.40, abs=0.002)
    assert found.pressure == Pressure.parse("250 psi")
    assert (found.at, found.declared_by, found.why) == (record.started, "Tobin Ashe", "blind flange")
    assert date.fromisoformat(found.at[:10]) == DAY


def test_what_is_no_blank_run_is_refused(shop, accepted_shell, accepted_seat):
    """Each with its reason."""

    def refusal(record, number=None) -> str:
        with pytest.raises(BlankRefusedError) as refused:
            blank_of(record, number, "Tobin Ashe", "blind flange")
        return str(refused.value)

    both = shop.run(accepted_shell.judged(), accepted_seat.judged())
    said = "Run B1-000001 gives no blank run: "
    assert refusal(both) == said + "the seat test has no hold with the pump isolated."
    assert refusal(both, 3) == said + "it has 2 stage attempts, not a number 3."
    assert blank_of(both, 1, "Tobin Ashe", "blind flange").stage == "shell test"
    stopped = shop.shell_test().holding().ask(Action.STOP).released().judged()
    assert refusal(shop.run(stopped)) == said + "no stage of it was completed."
    assert refusal(shop.run(stopped), 1) == said + "the shell test has no hold with the pump isolated."
    leaky = shop.shell_test().held().see(Seen.LEAKAGE, "cover joint").released().judged()
    assert refusal(shop.run(leaky)) == said + "the shell test was rejected."
    rejected = shop.run(accepted_shell.judged(), leaky)
    assert refusal(rejected, 1) == said + "it was rejected, and its body is not known to be tight."


@pytest.mark.parametrize(
    ("by", "why", "said"),
    [
        (" ", "blind flange", "who says that the body was tight takes 1 to 200 characters"),
        ("Tobin Ashe", "", "how that is known takes 1 to 200 characters"),
        ("Tobin Ashe", "x" * 201, "how that is known takes 1 to 200 characters"),
    ],
)
def test_a_blank_run_without_a_name_or_a_reason_is_refused(shop, accepted_shell, by, why, said):
    """Somebody answers for the body; 200 characters are still taken."""
    record = shop.run(accepted_shell.judged())
    with pytest.raises(BlankRefusedError) as refused:
        blank_of(record, 1, by, why)
    assert str(refused.value) == f"Run B1-000001 gives no blank run: {said}."
    assert blank_of(record, 1, "Tobin Ashe", "x" * 200).why == "x" * 200


def test_a_basis_takes_everything_from_the_record(shop):
    """Blank runs, the valve's cavity, the temperature of the water, the day."""
    valve = shop.valve("NPS 12").model_copy(update={"cavity": Volume.parse("41.5 L")})
    facts = {"valve": valve, "blanks": BLANKS, "water_temperature": Temperature.of(18, "degC")}
    found = Basis.of(shop.requirements().stages[0], shop.run(**facts))
    assert (found.blanks, found.cavity, found.on) == (BLANKS, Volume.parse("41.5 L"), DAY)
    assert found.water_only_m3_per_pa == pytest.approx(41.5e-3 / 2.2e9, rel=0.03)
