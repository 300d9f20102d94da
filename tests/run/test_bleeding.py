"""C measured in place: what is drawn off, what is refused, what is kept."""

import pytest

from testbench.errors import LossNotSeenError, MarkRefusedError, PressureMovesError, RequestRefusedError
from testbench.quantities import Temperature, Volume
from testbench.run.bleeding import Bleeding, compliance_in_place
from testbench.run.machine import Ending, Phase
from testbench.run.observations import Drawn, Seen
from testbench.run.progress import Action
from testbench.run.samples import GapReason
from tests.house_with_decay import BURETTE
from tests.run.conftest import RESTLESS
from tests.run.decaying import body


def ml(number: float) -> Volume:
    return Volume.of(str(number), "mL")


def test_three_volumes_give_c_and_the_pressure_is_raised_again(shop):
    """1 mL costs 10 psi: C = 0.1 mL/psi. U = 2·√(0.5 psi/10 psi² + 0.01 mL/1 mL²) = 10 %."""
    attempt = body(shop).with_c()
    assert attempt.state.phase is Phase.PRESSURIZING
    assert attempt.sentences[-4:] == [
        "1 mL cost 10.00 psi, 1 of 3.",
        "1 mL cost 10.00 psi, 2 of 3.",
        "1 mL cost 10.00 psi, 3 of 3.",
        "C = 0.100 mL/psi with U = 0.011 mL/psi. Raise the pressure again.",
    ]
    assert [str(drawn.volume) for drawn in attempt.state.drawn] == ["1 mL"] * 3
    assert [drawn.burette for drawn in attempt.state.drawn] == ["burette"] * 3


def test_c_follows_from_the_marks_and_the_samples_alone(shop):
    """Nothing of the machine that took the marks is needed."""
    attempt = body(shop).with_c()
    found = compliance_in_place(attempt.state.drawn, attempt.trace(), attempt.channel, attempt.stage.requirement)
    c, u = (1e6 * size * 6894.757 for size in (found.m3_per_pa, found.standard_uncertainty))  # mL/psi
    assert c == pytest.approx(0.1, rel=0.005)
    assert u == pytest.approx(0.0051, rel=0.02)


@pytest.mark.parametrize("moved", ["elsewhere", "rising"])
def test_marks_that_the_samples_do_not_show_give_no_c(shop, moved):
    """A record whose samples were taken away, or put in another order, is not believed."""
    attempt = body(shop).with_c()
    drawn = attempt.state.drawn
    if moved == "elsewhere":
        drawn = tuple(one.model_copy(update={"until": 10**9}) for one in drawn)
    else:
        drawn = tuple(one.model_copy(update={"since": one.until, "until": one.since}) for one in drawn)
    assert compliance_in_place(drawn, attempt.trace(), attempt.channel, attempt.stage.requirement) is None


def test_a_leak_does_not_pass_for_a_volume(shop):
    """2 psi/min go by themselves; each volume still costs 10 psi."""
    attempt = body(shop).stabilizing()
    attempt.per_min = -2.0
    attempt.pass_time(4, bound=RESTLESS).ask(Action.MEASURE_C)
    for _ in range(3):
        attempt.draw_off(after_s=10).ask(Action.DRAWN_OFF)
    assert attempt.sentences[-1].startswith("C = 0.100 mL/psi with U = 0.011")


# Where it is offered ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "offered"), [({}, True), ({"burette": None}, False), ({"pump": "making up"}, False)]
)
def test_c_is_offered_where_the_body_is_closed_in_and_there_is_a_burette(shop, changes, offered):
    """A pump that makes up hides every loss."""
    attempt = body(shop, **changes).stabilizing()
    assert (Action.MEASURE_C in attempt.stage.possible(attempt.state)) is offered


def test_gas_is_never_drawn_off(shop):
    """A litre of compressed gas is another thing than a millilitre of water."""
    rules = body(shop).stage.requirement.model_copy(update={"fluid": "gas"})
    assert Bleeding.of(rules, BURETTE, shop.channel()) is None


@pytest.mark.parametrize("phase", [Phase.PRESSURIZING, Phase.HOLDING])
def test_c_is_measured_while_stabilizing_only(shop, phase):
    """Not while the pump runs, and nothing is drawn off in a hold."""
    attempt = body(shop).with_c()
    if phase is Phase.HOLDING:
        attempt.pass_time(6)
    assert attempt.state.phase is phase
    with pytest.raises(RequestRefusedError):
        attempt.ask(Action.MEASURE_C)


# What is refused --------------------------------------------------------------------------------


def refused(attempt, action: Action, error) -> str:
    before = attempt.state
    with pytest.raises(error) as refusal:
        attempt.ask(action)
    assert attempt.state is before
    return str(refusal.value)


@pytest.mark.parametrize(("per_min", "refuses"), [(12.0, False), (-12.0, False), (13.5, True), (-13.5, True)])
def test_a_pressure_that_moves_is_no_level_to_begin_from(shop, per_min, refuses):
    """5 % of 250 psi a minute, as for a hold: 12.5 psi/min."""
    attempt = body(shop).stabilizing()
    attempt.per_min = per_min
    attempt.pass_time(4, bound=RESTLESS)
    if refuses:
        sentence = refused(attempt, Action.MEASURE_C, PressureMovesError)
        assert sentence == f"The pressure still moves by {per_min:+.1f} psi/min; it must stand still before it is read."
    else:
        assert attempt.ask(Action.MEASURE_C).state.phase is Phase.BLEEDING


def test_a_mark_is_refused_while_the_pressure_still_moves(shop):
    """The burette is not quite closed: −6 psi/min, 10 psi lost so far. Closed at last, the mark is taken."""
    attempt = body(shop).stabilizing().ask(Action.MEASURE_C).draw_off(0.5)
    attempt.per_min = -6.0
    attempt.pass_time(5, bound=RESTLESS)
    assert refused(attempt, Action.DRAWN_OFF, PressureMovesError) == (
        "The pressure still moves by -6.0 psi/min; it must stand still before it is read."
    )
    attempt.per_min = 0.0
    attempt.psi -= 4
    assert attempt.pass_time(4, bound=RESTLESS).ask(Action.DRAWN_OFF).events[-1] == "drawn off"


def test_a_mark_without_a_loss_is_refused(shop):
    """Nothing was drawn off."""
    attempt = body(shop).stabilizing().ask(Action.MEASURE_C).pass_time(10, bound=RESTLESS)
    sentence = refused(attempt, Action.DRAWN_OFF, LossNotSeenError)
    assert sentence == "Since the last mark 0.00 psi were lost; that is no more than noise."


@pytest.mark.parametrize(("after_s", "refuses"), [(2.9, True), (3.1, False)])
def test_a_mark_comes_at_least_three_seconds_after_the_last(shop, after_s, refuses):
    """Their readings must not be the same ones."""
    attempt = body(shop).stabilizing().ask(Action.MEASURE_C)
    attempt.psi -= 10
    attempt.pass_time(after_s, bound=RESTLESS)
    if refuses:
        assert refused(attempt, Action.DRAWN_OFF, MarkRefusedError) == (
            "This mark was not taken: the last mark is too near; needed: at least 3 s after it."
        )
    else:
        attempt.ask(Action.DRAWN_OFF)


@pytest.mark.parametrize("action", [Action.MEASURE_C, Action.DRAWN_OFF])
def test_a_mark_needs_readings_up_to_it(shop, action):
    """A second of silence is too much of three."""
    attempt = body(shop).stabilizing()
    if action is Action.DRAWN_OFF:
        attempt.ask(Action.MEASURE_C).draw_off()
    attempt.now += 9_000
    assert refused(attempt, action, MarkRefusedError) == (
        "This mark was not taken: too few readings in the last 3 s; needed: readings without a break."
    )


def test_a_loss_that_noise_hides_asks_for_more(shop):
    """1 mL costs 10 psi at a scatter of 0.8 psi: more is drawn off at one go, and from then on at once."""
    attempt = body(shop).stabilizing()
    attempt.scatter = 0.8
    attempt.pass_time(4, bound=RESTLESS).ask(Action.MEASURE_C)
    attempt.draw_off().ask(Action.DRAWN_OFF)
    assert (attempt.events[-1], attempt.state.unread, attempt.state.drawn) == ("draw more", 1, ())
    more = attempt.state.to_draw
    assert attempt.sentences[-1].endswith(
        f"too little to be read to a few per cent. Draw off {more} mL more, close the burette, then say so."
    )
    attempt.draw_off(more).ask(Action.DRAWN_OFF)
    drawn = attempt.state.drawn[0]
    assert drawn.volume == ml(1 + more)
    assert drawn.volume_uncertainty == Volume.parse("0.02 mL") * (1 + more)
    assert (attempt.state.unread, attempt.state.to_draw) == (0, 1 + more)


def test_a_pressure_that_was_not_at_rest_before_is_read_anew_from_here(shop):
    """The pump had run up to the first mark: that volume counts for nothing."""
    attempt = body(shop).stabilizing(255)
    attempt.per_min = 11.0
    attempt.pass_time(3, bound=RESTLESS).ask(Action.MEASURE_C)
    attempt.per_min = 0.0
    attempt.draw_off(after_s=20).ask(Action.DRAWN_OFF)
    assert attempt.sentences[-1] == (
        "Before it the pressure was not at rest: 1 mL cannot be read. "
        "Draw off 1 mL again, close the burette, then say so."
    )
    assert (attempt.state.drawn, attempt.state.unread) == ((), 0)
    assert attempt.draw_off().ask(Action.DRAWN_OFF).sentences[-1] == "1 mL cost 10.00 psi, 1 of 3."


# What ends it -----------------------------------------------------------------------------------


def test_c_can_be_left_unmeasured(shop):
    """What was drawn off so far counts for nothing."""
    attempt = body(shop).stabilizing().ask(Action.MEASURE_C).draw_off().ask(Action.DRAWN_OFF).ask(Action.LEAVE_C)
    assert (attempt.state.phase, attempt.state.drawn) == (Phase.PRESSURIZING, ())


def test_venting_again_makes_c_unknown(shop):
    """Another filling holds other air."""
    attempt = body(shop).with_c().ask(Action.VENT_AGAIN)
    assert (attempt.state.phase, attempt.state.drawn) == (Phase.RELEASING_TO_VENT, ())


def test_c_outlasts_a_hold_that_is_broken_off(shop):
    """The filling is the same."""
    attempt = body(shop).hold_of(0)
    attempt.psi = 240
    attempt.pass_time(0.2)
    assert attempt.state.restarts == 1
    assert len(attempt.state.drawn) == 3


def test_measuring_again_replaces_what_was_measured(shop):
    """While stabilizing it is offered again."""
    attempt = body(shop).with_c().pass_time(4, bound=RESTLESS).ask(Action.MEASURE_C)
    assert attempt.state.drawn == ()


def bleeding(shop):
    return body(shop).stabilizing().ask(Action.MEASURE_C).draw_off()


def test_a_falling_pressure_is_what_bleeding_is_for(shop):
    """Below the acceptance limit nothing starts again."""
    attempt = bleeding(shop)
    attempt.psi = 100
    assert attempt.pass_time(10, bound=RESTLESS).state.phase is Phase.BLEEDING


def test_it_can_be_stopped_trips_and_is_lost(shop):
    """As in every phase under pressure."""
    assert bleeding(shop).ask(Action.STOP, "burette leaks").state.ending is Ending.STOPPED
    tripped = bleeding(shop)
    tripped.psi = 276
    assert tripped.pass_time(0.1).state.ending is Ending.TRIPPED
    assert bleeding(shop).silent(30.2, GapReason.UNPLUGGED).state.ending is Ending.LOST
    assert bleeding(shop).ask(Action.VENT_AGAIN).state.phase is Phase.RELEASING_TO_VENT


def test_leakage_is_seen_while_bleeding_as_at_any_pressure(shop):
    """A resilient seat drips: the stage can be concluded."""
    from testbench.run.progress import Stage

    shell = shop.shell_test()
    decaying = body(shop).stage.decaying
    attempt = body(shop)
    attempt.stage = Stage(shell.stage.requirement, attempt.stage.thresholds, decaying)
    attempt.stabilizing().ask(Action.MEASURE_C).see(Seen.LEAKAGE, "cover joint").ask(Action.CONCLUDE)
    assert (attempt.state.phase, attempt.state.ending) == (Phase.DEPRESSURIZING, Ending.COMPLETED)


def test_c_far_above_that_of_the_water_is_air_or_a_flexible_rig(shop):
    """0.1 mL/psi. 10 L of water at 20 °C alone give 0.0315 mL/psi, 3.2 times less; 11 L give 0.0346, 2.9 times less."""
    for litres, told in (("10 L", True), ("11 L", False)):
        facts = {"cavity": Volume.parse(litres), "water_temperature": Temperature.of(20, "degC")}
        sentence = body(shop, facts=facts).with_c().sentences[-1]
        assert ("3.2 times that of the water alone: air or a flexible rig. Vent again." in sentence) is told


def test_a_drawn_volume_reads_back_as_it_was():
    """From the bytes of a record."""
    drawn = Drawn(since=1, until=2, volume=ml(1), volume_uncertainty=ml(0.02), burette="burette")
    assert Drawn.model_validate_json(drawn.model_dump_json()) == drawn
