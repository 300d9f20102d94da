"""The simulated operator: stories on the whole bench first, single decisions afterwards."""

import pytest

from testbench.errors import DemonstrationFailedError
from testbench.rig import commands
from testbench.rig.operator import PAUSE_UPDATES, SimulatedOperator
from testbench.rig.physics import Leak, MountedValve
from testbench.station import messages as m

# Stories ----------------------------------------------------------------------------------------


def verdicts(bench) -> dict[str, str]:
    return {run.valve.serial: str(run.verdict or "void") for run in bench.store.sealed}


@pytest.mark.parametrize("glance_s", [0.5, 8.0])
def test_the_three_ordered_valves_are_accepted_rejected_and_accepted(whole_bench, glance_s):
    """However often the operator looks at the screen: the invented order ends the same way, without one refusal."""
    whole_bench.work(glance_s=glance_s)
    assert verdicts(whole_bench) == {"HL-4-0117": "accepted", "HL-6-0118": "rejected", "HL-8-0119": "accepted"}
    assert whole_bench.operator.said == []
    assert whole_bench.operator.given_up == set()


def test_trapped_air_is_noticed_and_vented_before_the_hold(whole_bench):
    """The rise of the third valve's pressure tells of air; vented again it is steady, its hold never interrupted."""
    whole_bench.work(glance_s=1.0)
    assert any("air or a flexible rig" in sentence for sentence in whole_bench.notices)
    phases = [phase for _, stage, phase in whole_bench.phases if stage == "shell test"]
    assert phases.count("releasing to vent") == 1
    assert [stage.restarts for stage in whole_bench.store.sealed[2].stages] == [0, 0]


def test_the_collected_volumes_are_those_of_the_holes(whole_bench):
    """40 and 700 mL/h at 250 psi: never less than was timed, at most two glances more, read to 0.1 mL."""
    whole_bench.work(glance_s=0.5)
    for run, ml_per_h in zip(whole_bench.store.sealed, (40.0, 700.0), strict=False):
        caught = run.stages[1].collections[0]
        seconds = (caught.until - caught.since) / 10_000
        ml_per_s = ml_per_h / 3600
        assert ml_per_s * seconds - 0.05 <= caught.volume.to("mL") <= 1.02 * ml_per_s * (seconds + 1.0) + 0.05


def with_first_valve(monkeypatch, valve: MountedValve) -> None:
    monkeypatch.setattr(commands, "ORDERED", dict(commands.ORDERED) | {valve.serial: valve})


def work_on_first_valve(bench) -> None:
    """Until the first run is closed."""
    while not bench.store.sealed:
        bench.pass_time(1.0)
        bench.show()
        assert bench.rig.at_s < 3600, bench.operator.said[-3:]


def test_a_weeping_shell_is_reported_where_it_weeps_and_ends_the_valve(whole_bench, monkeypatch):
    """Leakage is said as soon as it is seen; the stage is concluded and the valve rejected."""
    with_first_valve(monkeypatch, MountedValve("HL-4-0117", "4", shell_leak=Leak(20.0), leaks_at="hinge-pin plugs"))
    work_on_first_valve(whole_bench)
    record = whole_bench.store.sealed[0]
    assert record.verdict == "rejected"
    assert [(seen.seen, seen.where) for seen in record.stages[0].observations] == [("leakage", "hinge-pin plugs")]
    assert len(record.stages) == 1


def test_a_leaking_resilient_seat_is_seen_and_not_taken_for_what_drains_down(whole_bench, monkeypatch):
    """The seat is judged once the inlet has drained."""
    leaking = MountedValve("HL-4-0117", "8", seat_leak=Leak(30.0))
    with_first_valve(monkeypatch, MountedValve("HL-8-0119", "8", seat_leak=leaking.seat_leak))
    whole_bench.work(glance_s=1.0)
    last = whole_bench.store.sealed[2]
    assert last.verdict == "rejected"
    assert [seen.where for seen in last.stages[1].observations] == ["seat, seen from the open inlet"]


def test_air_that_no_venting_frees_does_not_keep_the_operator_for_ever(whole_bench, monkeypatch):
    """After three ventings the operator waits; the air dissolves, the hold is made up, and the run comes to an end."""
    with_first_valve(monkeypatch, MountedValve("HL-4-0117", "4", trapped=(0.012,)))
    work_on_first_valve(whole_bench)
    phases = [phase for _, _, phase in whole_bench.phases]
    assert phases.count("releasing to vent") <= 3
    assert len(whole_bench.store.sealed) == 1


# Single decisions -------------------------------------------------------------------------------

HANDLES = {
    "serial": "HL-4-0117",
    "side": "shell",
    "supply": False,
    "vent": "closed",
    "release": "closed",
    "isolated": False,
    "pump_psi": None,
    "vessel": "away",
    "burette": "closed",
}


def update(*offered: str, **values) -> m.Update:
    """A hand-made screen."""
    facts = {
        "sequence": 1,
        "bench": "B1",
        "utc": "2026-11-25T08:00:00.000Z",
        "at_s": 100.0,
        "origin": "simulated",
        "signal": {"state": "good", "pressure": 0.1, "unit": "psi", "decimals": 2},
        "instruction": "",
        "actions": [{"request": name, "label": name} for name in offered],
        "operators": ["Mara Quill"],
    }
    return m.Update.model_validate(facts | values)


def run(**values) -> dict:
    stages = [{"stage": "shell test", "state": "under way"}, {"stage": "seat test", "state": "to do"}]
    return {
        "run": "B1-000001",
        "order": "HL-2041",
        "customer": "Ellery Water Board",
        "serial": "HL-4-0117",
        "valve": "",
        "operator": "Mara Quill",
        "procedure": "",
        "origin": "simulated",
        "stages": stages,
        "open": True,
    } | values


def stage(phase: str, **values) -> dict:
    return {
        "stage": "shell test",
        "attempt": 1,
        "phase": phase,
        "phase_s": 3.0,
        "required": 500.0,
        "acceptance_limit": 501.0,
        "upper_limit": 550.0,
        "safe_below": 5.0,
        "hold_s": 60,
        "change_limit_per_min": 2.5,
        "pressurized_side": "inlet",
        "pump_during_hold": "isolated",
        "criteria": [{"index": 0, "kind": "no-visible-leakage", "words": "", "look_at": ["cover joint"]}],
    } | values


def operator(**handles) -> SimulatedOperator:
    """One who knows how the rig's handles stand."""
    made = SimulatedOperator()
    assert made.see(update()).commands == ({"command": "state"},)
    made.rig_answered({"command": "state"}, {"done": True, "handles": HANDLES | handles})
    return made


ORDERS = [
    {
        "order": "HL-2041",
        "customer": "",
        "valves": [
            {"serial": "HL-4-0117", "valve": "", "state": "accepted"},
            {"serial": "HL-6-0118", "valve": "", "state": "to do"},
        ],
    }
]


def test_the_next_valve_that_is_to_do_is_mounted_and_its_run_started_after_a_look_at_zero():
    """What is accepted, rejected or void is left alone; the line is left open for the zero check."""
    mara = operator(pump_psi=100.0)
    step = mara.see(update("start_run", orders=ORDERS))
    assert step.commands == (
        {"command": "pump", "on": False},
        {"command": "release", "position": "open"},
        {"command": "mount", "serial": "HL-6-0118"},
    )
    for command in step.commands:
        assert mara.see(update("start_run", orders=ORDERS)) == type(step)()  # one thing at a time
        mara.rig_answered(command, {"done": True, "handles": HANDLES | {"serial": "HL-6-0118", "release": "open"}})
    assert mara.see(update("start_run", orders=ORDERS, at_s=103.9)).requests == ()
    assert mara.see(update(orders=ORDERS, at_s=104.0)).requests == ()  # only what the screen offers
    asked = mara.see(update("start_run", orders=ORDERS, at_s=104.0)).requests
    assert asked == (m.StartRun(id=1, request="start_run", order="HL-2041", serial="HL-6-0118", operator="Mara Quill"),)
    assert mara.see(update("start_run", orders=ORDERS, at_s=105.0)).requests == ()


def test_a_refusal_is_remembered_and_tried_again_a_little_later():
    """Nothing is flooded: a few updates pass first."""
    mara = operator()
    screen = update("vent_closed", run=run(), stage=stage("pressurizing"))
    mara.see(screen)
    mara.rig_answered({"command": "pump", "set_psi": 511.0}, {"done": False, "sentence": "The air is off."})
    assert mara.said == ["The air is off."]
    for _ in range(PAUSE_UPDATES):
        assert mara.see(screen).commands == ()
    assert mara.see(screen).commands == ({"command": "pump", "set_psi": 511.0},)


@pytest.mark.parametrize(
    ("acceptance", "upper", "unit", "set_psi"),
    [(501.0, 550.0, "psi", 511.0), (501.0, 503.0, "psi", 502.0), (34.54, 37.92, "bar", 511.0)],
)
def test_the_pump_is_set_a_little_above_the_acceptance_limit_and_never_near_the_upper_one(
    acceptance, upper, unit, set_psi
):
    """2 % above, but at most half way up; whatever unit the screen has."""
    mara = operator()
    signal = {"state": "good", "pressure": 0.1, "unit": unit, "decimals": 2}
    view = stage("pressurizing", acceptance_limit=acceptance, upper_limit=upper)
    assert mara.see(update(run=run(), stage=view, signal=signal)).commands == ({"command": "pump", "set_psi": set_psi},)


def test_the_pump_is_isolated_only_once_the_pressure_is_up():
    """On the way up the limit is passed before the set pressure is reached."""
    mara = operator(pump_psi=511.0)
    signal = {"state": "good", "unit": "psi", "decimals": 2}
    rising = update(run=run(), stage=stage("stabilizing"), signal=signal | {"pressure": 503.0})
    assert mara.see(rising).commands == ()
    there = update(run=run(), stage=stage("stabilizing"), signal=signal | {"pressure": 510.0})
    assert mara.see(there).commands == ({"command": "isolate", "on": True}, {"command": "pump", "on": False})


def test_a_pump_that_makes_up_is_left_on():
    """In a seat test it keeps the pressure while leakage is collected."""
    mara = operator(pump_psi=256.0, side="seat")
    signal = {"state": "good", "pressure": 256.0, "unit": "psi", "decimals": 2}
    view = stage("stabilizing", stage="seat test", pump_during_hold="making up", criteria=[])
    assert mara.see(update(run=run(), stage=view, signal=signal)).commands == ()


def test_advice_of_an_earlier_run_is_no_advice():
    """Only what was said since the pressure came up counts."""
    mara = operator(isolated=True)
    notice = {"at_s": 1.0, "utc": "2026-11-25T07:59:59.000Z", "sentence": "Not steady. Air may be trapped."}
    view = stage("stabilizing", criteria=[])
    assert mara.see(update("vent_again", run=run(), stage=view, notices=[notice])).requests == ()
    fresh = notice | {"utc": "2026-11-25T08:01:00.000Z"}
    asked = mara.see(update("vent_again", run=run(), stage=view, notices=[notice, fresh])).requests
    assert asked == (m.VentAgain(id=1, request="vent_again"),)


COLLECTED = {"index": 0, "kind": "largest-leakage-rate", "words": ""}


def test_the_vessel_goes_under_with_the_key_comes_away_after_it_and_is_read_to_a_tenth():
    """First the vessel, then the key; first the key, then the vessel: never less is caught than was timed."""
    mara = operator(pump_psi=256.0, side="seat")
    view = stage("holding", stage="seat test", pump_during_hold="making up", criteria=[COLLECTED])

    def see(*offered, left):
        return mara.see(update(*offered, run=run(), stage=view | {"collect_left_s": left}))

    assert see("collection_started", left=2.5).requests == ()
    step = see("collection_started", left=0.0)
    assert step.commands == ({"command": "vessel", "position": "under"},)
    assert step.requests == (m.CollectionStarted(id=1, request="collection_started"),)
    mara.rig_answered(step.commands[0], {"done": True, "handles": HANDLES | {"vessel": "under"}})
    mara.answered(m.Answer(id=1, done=True))
    assert see("collection_ended", left=0.1).requests == ()
    assert see("collection_ended", left=0.0).requests == (m.CollectionEnded(id=2, request="collection_ended"),)
    mara.answered(m.Answer(id=2, done=True))
    step = see("collected", left=None)
    assert (step.commands, step.requests) == (({"command": "vessel", "position": "away"},), ())
    mara.rig_answered(step.commands[0], {"done": True, "handles": HANDLES, "collected_ml": 5.8349})
    assert mara.caught() == 5.8349
    assert str(see("collected", left=None).requests[0].volume) == "5.8 mL"


@pytest.mark.parametrize(
    ("shell", "where", "seen"), [("dry", "", "no leakage"), ("wet", "cover joint", "leakage"), ("wet", "", "leakage")]
)
def test_after_the_hold_the_operator_looks_and_says_what_was_seen(shell, where, seen):
    """There is no default answer: without a look there is none."""
    mara = operator(isolated=True)
    screen = update("observe", run=run(), stage=stage("observing"))
    assert mara.see(screen).commands == ({"command": "look"},)
    look = {"done": True, "handles": HANDLES, "shell": shell, "where": where, "seat": "dry", "vent": "closed"}
    mara.rig_answered({"command": "look"}, look)
    asked = mara.see(screen).requests[0]
    assert asked.seen == seen
    assert asked.where == ("" if shell == "dry" else where or "the shell")


@pytest.mark.parametrize("phase", ["depressurizing", "releasing to vent"])
def test_pressure_is_released_when_the_screen_says_so(phase):
    """Pump off, supply off, release valve open."""
    mara = operator(pump_psi=511.0, supply=True)
    assert mara.see(update(run=run(), stage=stage(phase))).commands == (
        {"command": "pump", "on": False},
        {"command": "fill", "on": False},
        {"command": "release", "position": "open"},
    )


def test_the_next_stage_waits_until_the_pressure_is_gone():
    """And it is not started after a rejection, nor a fourth time."""
    mara = operator(release="open")
    offered = ("start_stage", "end_run")
    closed = stage("closed", ended="completed")
    done = [{"stage": "shell test", "state": "accepted"}, {"stage": "seat test", "state": "to do"}]
    under = {"state": "good", "pressure": 4.0, "unit": "psi", "decimals": 2}
    assert mara.see(update(*offered, run=run(stages=done), stage=closed, signal=under)).requests == ()
    assert mara.see(update(*offered, run=run(stages=done), stage=closed)).requests[0].request == "start_stage"
    mara.reconnected()
    mara = operator(release="open")
    bad = [{"stage": "shell test", "state": "rejected"}, {"stage": "seat test", "state": "to do"}]
    assert mara.see(update(*offered, run=run(stages=bad), stage=closed)).requests[0].request == "end_run"
    mara = operator(release="open")
    void = [{"stage": "shell test", "state": "void"}, {"stage": "seat test", "state": "to do"}]
    third = closed | {"attempt": 3}
    assert mara.see(update(*offered, run=run(stages=void), stage=third)).requests[0].request == "end_run"


def test_the_seat_test_begins_with_draining_the_inlet():
    """The disc is closed and the other chamber filled."""
    mara = operator(release="open")
    view = stage("filling", stage="seat test", pressurized_side="outlet")
    assert mara.see(update("vent_closed", run=run(), stage=view)).commands == ({"command": "drain_inlet"},)


def test_no_valve_left_is_the_end():
    """Nothing is to do and the screen says so."""
    mara = operator()
    orders = [ORDERS[0] | {"valves": ORDERS[0]["valves"][:1]}]
    assert mara.see(update("start_run", orders=orders)) == type(mara.see(update()))()
    assert mara.finished


def test_after_a_lost_connection_the_handles_are_looked_at_again():
    """Answers that never come are not waited for."""
    mara = operator(release="open")
    mara.see(update("start_stage", run=run(), stage=stage("closed")))
    mara.reconnected()
    assert mara.see(update()).commands == ({"command": "state"},)


@pytest.mark.parametrize(
    ("heard", "told"), [("At most 2.5 psi is allowed.", "At most 2.5 psi is allowed."), ("", "none.")]
)
def test_a_demonstration_that_fails_tells_what_was_refused_last(heard: str, told: str) -> None:
    """A refusal is a sentence already: one full stop ends both."""
    failed = DemonstrationFailedError("2 of 3 valves have a verdict", heard)
    assert str(failed) == (f"The demonstration was not completed: 2 of 3 valves have a verdict. Last refusal: {told}")
