"""Pressure decay at the station: what the screen is told, what is refused, what a run begins with."""

from dataclasses import replace

import pytest
from pydantic import ValidationError

from testbench.errors import BlankRefusedError
from testbench.procedure.valve import Order
from testbench.quantities import Temperature, Volume
from testbench.run.bleeding import Burette
from testbench.station.bench import Bench
from testbench.station.blanks import declare, declared
from tests.house_with_decay import BURETTE, blank, house
from tests.station.conftest import BenchInHand

VALVE = {
    "serial": "HL-12-0201", "type": "swing-check", "size": "NPS 12", "rated": "250 psi", "seat": "metal",
    "cavity": "15 L",
}  # fmt: skip
"""C of the water alone is half of what is measured here."""


class DecayInHand(BenchInHand):
    """A bench with a burette, and the house procedure that lets a decay decide."""

    def __init__(self, bench: Bench, blanks=(), **rules) -> None:
        order = Order.model_validate({
            "number": "HL-2041", "customer": "Ellery Water Board", "procedure": "our-seat", "valves": [VALVE],
        })  # fmt: skip
        warm = bench.water_temperature or Temperature.of(20, "degC")
        super().__init__(bench.model_copy(update={"bleeding": BURETTE, "water_temperature": warm}), order)
        procedure = house(**rules)
        self.session.outside = replace(
            self.session.outside, find_procedure=lambda name: (procedure, "0" * 64), blanks=lambda: tuple(blanks)
        )

    def stabilizing(self, psi: float = 262) -> None:
        self.start(VALVE["serial"])
        self.do("start_stage")
        self.do("vent_closed")
        self.hold(psi, 5)
        assert self.see().stage.phase == "stabilizing"

    def with_c(self) -> None:
        """Three volumes, 10 psi each."""
        self.stabilizing()
        self.do("measure_c")
        for level in (252, 242, 232):
            self.hold(level, 8)
            self.do("drawn_off")


FEW = tuple(blank(number, "0.00") for number in (1, 2))


def offered(at_hand) -> dict[str, str]:
    return {action.request: action.label for action in at_hand.see().actions}


def test_measuring_c_is_guided_from_the_first_volume_to_the_last(bench):
    """What to do, with the caution where the hazard is met; then the pressure is raised again."""
    at_hand = DecayInHand(bench, FEW)
    at_hand.stabilizing()
    assert offered(at_hand)["measure_c"] == "Measure C"
    at_hand.do("measure_c")
    update = at_hand.see()
    assert update.instruction == "Draw off 1 mL at the burette, close it, wait, then say so. 1 of 3."
    assert update.cautions == (
        "Open only a metering valve made for this pressure. Stand clear of its outlet.",
        "Pressure stores energy: stand clear of blanks, hoses and the line of the bolts.",
        "Never tighten anything under pressure.",
    )
    assert list(offered(at_hand).items())[:2] == [("drawn_off", "Drawn off, closed"), ("leave_c", "Leave C")]
    assert (update.stage.draw_off, update.stage.drawn_off) == (Volume.parse("1 mL"), 0)
    at_hand.hold(252, 8)
    at_hand.do("drawn_off")
    update = at_hand.see()
    assert update.instruction.endswith("2 of 3.")
    assert update.stage.drawn_off == 1
    for level in (242, 232):
        at_hand.hold(level, 8)
        at_hand.do("drawn_off")
    update = at_hand.see()
    assert update.stage.phase == "pressurizing"
    assert update.notices[-1].sentence == "C = 0.100 mL/psi with U = 0.011 mL/psi. Raise the pressure again."
    assert update.instruction == "Raise the pressure at the outlet slowly to about 263 psi. Never above 275 psi."


def test_a_mark_too_soon_is_refused_and_nothing_changes(bench):
    """With what is wrong and what to do."""
    at_hand = DecayInHand(bench, FEW)
    at_hand.stabilizing()
    at_hand.do("measure_c")
    at_hand.hold(252, 2)
    answer = at_hand.ask("drawn_off")
    assert (answer.done, answer.sentence) == (
        False, "This mark was not taken: the last mark is too near; needed: at least 3 s after it.",
    )  # fmt: skip
    assert answer.remedy == "Wait a few seconds with the burette closed, then say so again."
    assert at_hand.see().stage.drawn_off == 0


def test_the_gate_stands_on_the_screen_and_the_hold_waits_for_nobody(bench):
    """No vessel is asked for; the decay decides at the end of the hold."""
    at_hand = DecayInHand(bench, FEW)
    at_hand.with_c()
    at_hand.hold(262, 40)
    update = at_hand.see()
    assert update.stage.phase == "holding"
    assert update.stage.gate.startswith("Pressure decay can decide 120 mL/h on this bench in ")
    assert update.notices[-1].sentence == update.stage.gate
    assert update.instruction == "The pressure decay decides. Leave pump and valves alone until the hold is over."
    assert "collection_started" not in offered(at_hand)
    at_hand.hold(262, 60)
    at_hand.hold(0.2, 2)
    record, _ = at_hand.store.sealed[0]
    assert record.verdict == "accepted"
    assert record.stages[0].finding.decay.gate == update.stage.gate
    assert [str(one.volume) for one in record.stages[0].drawn] == ["1 mL"] * 3
    assert len(record.blanks) == 2


def test_an_undecided_decay_offers_to_collect_on_the_same_keys(bench):
    """Rising all through the hold: nothing is decided."""
    at_hand = DecayInHand(bench, FEW)
    at_hand.with_c()
    at_hand.hold(262, 26)
    for tenth in range(620):
        at_hand.hold(262 + tenth * 0.002, 0.1)
    update = at_hand.see()
    assert update.stage.phase == "observing"
    assert offered(at_hand)["extend"] == "Extend and collect"
    assert offered(at_hand)["leave_undecided"] == "Leave it undecided"
    assert update.instruction == (
        "Nothing is decided: the pressure rises by more than its uncertainty: the body is warming, or something feeds "
        "it. Extend the hold, or leave it undecided."
    )
    at_hand.do("extend")
    assert at_hand.see().stage.phase == "holding"
    assert "collection_started" in offered(at_hand)


def test_air_on_the_way_up_is_said_in_the_instruction(bench):
    """Stop, vent again; the caution on trapped air stands first."""
    at_hand = DecayInHand(bench, FEW)
    at_hand.start(VALVE["serial"])
    at_hand.do("start_stage")
    at_hand.do("vent_closed")
    psi = 0.0
    while not at_hand.session.stage.state.air:
        for _ in range(100):
            psi += 2 / 1000 / (0.1 + 200 * 14.696 / (14.696 + psi) ** 2)
        at_hand.hold(psi, 0.1)
        assert psi < 200
    update = at_hand.see()
    assert update.instruction == "Stop the pump. Air or a flexible rig: vent again before raising further."
    assert update.cautions[0] == "Trapped air bursts: vent until no bubble comes."
    assert update.notices[-1].grave
    at_hand.do("vent_again")


def test_only_blank_runs_that_fit_go_into_a_run(bench):
    """Of this bench, not too old, at about this pressure."""
    others = (blank(3, "0.0", bench="B2"), blank(4, "0.0", at="2026-10-20T08:00:00.000Z"))
    at_hand = DecayInHand(bench, (*FEW, *others))
    at_hand.start(VALVE["serial"])
    assert at_hand.session.run.blanks == FEW


def test_a_run_keeps_the_temperature_that_the_bench_states(bench):
    """Where no channel measures it."""
    at_hand = DecayInHand(bench.model_copy(update={"water_temperature": Temperature.of(18, "degC")}))
    at_hand.start(VALVE["serial"])
    assert at_hand.session.run.water_temperature == Temperature.of(18, "degC")


# What a bench may say ---------------------------------------------------------------------------


@pytest.mark.parametrize(("celsius", "taken"), [("0", True), ("60", True), ("-0.1", False), ("60.1", False)])
def test_water_is_liquid_and_not_hot(bench, celsius, taken):
    """0 to 60 °C."""
    facts = bench.model_dump(mode="json", exclude_none=True) | {"water_temperature": f"{celsius} degC"}
    if taken:
        assert Bench.model_validate(facts).water_temperature == Temperature.of(celsius, "degC")
    else:
        with pytest.raises(ValidationError, match="0 °C to 60 °C"):
            Bench.model_validate(facts)


@pytest.mark.parametrize(("volume", "u"), [("1 mL", "0 mL"), ("0.02 mL", "0.02 mL"), ("-1 mL", "0.02 mL")])
def test_a_burette_is_known_better_than_what_is_drawn(volume, u):
    """Its uncertainty is above nothing and below the volume."""
    with pytest.raises(ValidationError, match="volume_uncertainty must be above 0 and below the volume"):
        Burette.model_validate({"name": "burette", "volume": volume, "volume_uncertainty": u})


# The register -----------------------------------------------------------------------------------


class Kept:
    """Keeps blank runs in a list."""

    def __init__(self) -> None:
        self.bodies: list[str] = []

    def add_blank(self, body: str) -> None:
        self.bodies.append(body)

    def blanks(self):
        return self.bodies


def test_a_blank_run_is_declared_once(bench):
    """The same hold twice would weigh twice."""
    register = Kept()
    for found in FEW:
        declare(register, found)
    assert declared(register) == FEW
    with pytest.raises(BlankRefusedError) as refusal:
        declare(register, FEW[0])
    assert str(refusal.value) == "Run B1-000001 gives no blank run: the seat test, attempt 1, is one already."
    assert declared(register) == FEW
