"""Pressure decay on the whole bench: simulated physics, the real session, and an operator who measures C."""

from dataclasses import replace

import pytest

from testbench.procedure.valve import Order
from testbench.quantities import LeakageRate, Temperature
from testbench.rig import commands
from testbench.rig.operator import SimulatedOperator
from testbench.rig.physics import Leak, MountedValve
from testbench.run.blanks import blank_of
from testbench.run.evaluation import rejudged
from testbench.run.record import BlankRun, Origin, RunRecord
from tests.house_with_decay import BURETTE, blank, house
from tests.rig.conftest import WholeBench

SERIAL = "HL-12-0201"
ORDER = {
    "number": "HL-2041",
    "customer": "Ellery Water Board",
    "procedure": "our-seat",
    "valves": [
        {
            "serial": SERIAL,
            "type": "swing-check",
            "size": "NPS 12",
            "rated": "250 psi",
            "seat": "metal",
            "cavity": "20.7 L",
        }
    ],
}
"""An NPS 12 body of the rig holds 41.5 L, its outlet chamber half of that."""


class DecayBench(WholeBench):
    """A bench with a burette, at whose order one valve is tested; keeps the traces."""

    def __init__(self, bench, monkeypatch, *, leak=0.0, trapped=(0.0005,), blanks=(), measures_c=True, **rules):
        mounted = MountedValve(SERIAL, "12", seat_leak=Leak(leak), trapped=trapped)
        monkeypatch.setattr(commands, "ORDERED", {SERIAL: mounted})
        facts = {"bleeding": BURETTE, "water_temperature": Temperature.of(20, "degC")}
        super().__init__(bench.model_copy(update=facts), Order.model_validate(ORDER))
        procedure = house(**rules)
        self.session.outside = replace(
            self.session.outside, find_procedure=lambda name: (procedure, "0" * 64), blanks=lambda: tuple(blanks)
        )
        self.operator = SimulatedOperator("Mara Quill", measures_c=measures_c)
        self.traces = []
        sealed = self.store.seal
        self.store.seal = lambda record, traces: self.traces.append(traces) or sealed(record, traces)

    def tested(self, glance_s: float = 0.5) -> RunRecord:
        while not self.store.sealed:
            self.pass_time(glance_s)
            self.show()
            assert self.rig.at_s < 3600, (self.notices, self.operator.said[-3:])
        return self.store.sealed[0]

    def c_ml_psi(self) -> float:
        """The rig's own C at this moment."""
        return self.rig._chamber.compliance(self.rig.water_ml, self.rig.air_ml, self.rig.psi)


def drift(bench, monkeypatch) -> tuple[BlankRun, ...]:
    """Three blank runs of the rig itself, on a tight body: its settling and warming are in them."""
    declared = []
    for share in (0.0004, 0.0005, 0.0006):  # no two fillings leave the same air
        record = DecayBench(bench, monkeypatch, trapped=(share,)).tested()
        declared.append(blank_of(record, None, "Tobin Ashe", "blind flange on the outlet"))
    return tuple(declared)


@pytest.fixture(scope="module")
def the_drift():
    """Made once: three runs on the rig."""
    import tomllib
    from datetime import date

    from testbench.station.bench import Bench
    from tests.conftest import SCENARIO

    text = (SCENARIO / "bench.toml").read_text().replace("@PORT@", "/dev/null").replace("@CLOCK@", "")
    text = text.replace("@CALIBRATED@", str(date(2026, 3, 11))).replace("@DUE@", str(date(2027, 3, 10)))
    with pytest.MonkeyPatch.context() as patch:
        return drift(Bench.model_validate(tomllib.loads(text)), patch)


def monitor(record: RunRecord):
    return record.stages[-1].finding.decay


@pytest.mark.parametrize("leak", [0.0, 5.0, 12.0])
def test_a_known_leak_is_found_within_its_uncertainty(bench, monkeypatch, the_drift, leak):
    """0, 5 and 12 mL/h at 250 psi; C measured in place, the rig's own drift taken off, nothing collected."""
    at_bench = DecayBench(bench, monkeypatch, leak=leak, blanks=the_drift)
    record = at_bench.tested()
    found = monitor(record)
    rate, u = (LeakageRate.parse(text).to("mL/h") for text in (found.rate, found.uncertainty))
    mean = record.stages[-1].finding.lowest.to("psi")
    true = leak * (mean / 250) ** 0.5
    assert abs(rate - true) <= u, (rate, true, u)
    assert u < 4
    assert found.blanks == 3
    assert record.verdict == "accepted"
    assert record.stages[-1].collections == ()
    assert rejudged(record, at_bench.traces[0]) == record


def test_c_measured_in_place_is_that_of_the_body(bench, monkeypatch, the_drift):
    """Drawn off in three volumes of 1 mL, each about 10 psi."""
    at_bench = DecayBench(bench, monkeypatch, blanks=the_drift)
    seen = 0.0
    while not at_bench.store.sealed:
        at_bench.pass_time(0.5)
        at_bench.show()
        if at_bench.session.stage and at_bench.session.stage.state.phase == "holding":
            seen = at_bench.c_ml_psi()
    found = monitor(at_bench.store.sealed[0])
    c, u = (float(text.removesuffix(" mL/psi")) for text in (found.compliance, found.compliance_uncertainty))
    assert c == pytest.approx(seen, rel=0.02)
    assert abs(c - seen) < u
    assert float(found.air_ratio) == pytest.approx(1.5, abs=0.2)  # water and a soft iron body


def test_the_gate_says_before_the_hold_that_a_tight_body_can_be_decided(bench, monkeypatch, the_drift):
    """120 mL/h are allowed: seconds would do; the hold lasts the 60 s that are required."""
    at_bench = DecayBench(bench, monkeypatch, blanks=the_drift)
    record = at_bench.tested()
    said = next(sentence for sentence in at_bench.notices if "ressure decay can" in sentence)
    assert said.startswith("Pressure decay can decide 120 mL/h on this bench in ")
    assert monitor(record).gate == said
    assert 60_000 <= record.stages[-1].finding.held_ms <= 60_200
    places = [phase for _, _, phase in at_bench.phases]
    first, again = places.index("bleeding"), places.index("holding")
    assert places[first : first + 4] == ["bleeding", "pressurizing", "stabilizing", "holding"]
    assert again > first


def test_a_leak_far_above_its_limit_is_rejected_by_decay(bench, monkeypatch, the_drift):
    """20 mL/h where 6 mL/h are allowed (0.5 mL/h an inch)."""
    at_bench = DecayBench(bench, monkeypatch, leak=20.0, blanks=the_drift, per_inch="0.5 mL/h")
    record = at_bench.tested()
    assert record.verdict == "rejected"
    decided = next(one for one in record.stages[-1].finding.criteria if one.criterion == "largest-leakage-rate")
    assert decided.required == "leakage by pressure decay"
    assert decided.sentence.endswith("6 mL/h is allowed: above the limit.")
    assert rejudged(record, at_bench.traces[0]) == record


def test_the_drift_of_the_bench_is_taken_off(bench, monkeypatch, the_drift):
    """The same hold of a tight body without it shows a leak that is not there."""
    slopes = [one.slope_per_min.to("psi") for one in the_drift]
    assert max(slopes) < -0.1
    corrected = DecayBench(bench, monkeypatch, blanks=the_drift).tested()
    nothing = tuple(blank(number, "0.00") for number in (1, 2))
    bare = DecayBench(bench, monkeypatch, blanks=nothing).tested()
    rates = [abs(LeakageRate.parse(monitor(one).rate).to("mL/h")) for one in (corrected, bare)]
    assert rates[0] < 0.2 * rates[1]


def test_trapped_air_is_said_before_the_test_pressure_is_reached(bench, monkeypatch, the_drift):
    """2 % of the chamber is air: at 50 psi C is more than 10 times its own. The operator vents again at once."""
    at_bench = DecayBench(bench, monkeypatch, trapped=(0.02, 0.0005), blanks=the_drift)
    record = at_bench.tested()
    said = next(sentence for sentence in at_bench.notices if "air or a flexible rig" in sentence)
    assert said.endswith("air or a flexible rig. Vent again before raising further.")
    order = [phase for _, _, phase in at_bench.phases]
    assert order[:4] == ["filling", "pressurizing", "releasing to vent", "filling"]
    assert record.verdict == "accepted"


def test_a_well_vented_body_is_not_taken_for_air(bench, monkeypatch, the_drift):
    """Half a per mille stays in every body."""
    at_bench = DecayBench(bench, monkeypatch, blanks=the_drift)
    at_bench.tested()
    assert not any("air" in sentence for sentence in at_bench.notices)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"measures_c": False}, "C was not measured in place"),
        ({"blanks": ()}, "of blank runs 0 fit, 2 are needed for the drift"),
        ({"decay": None}, "the procedure has the leakage collected"),
    ],
)
def test_where_the_decay_cannot_decide_the_leakage_is_collected(bench, monkeypatch, the_drift, changes, why):
    """The gate says why, and the stage goes on as it always did."""
    at_bench = DecayBench(bench, monkeypatch, **({"blanks": the_drift, "leak": 5.0} | changes))
    record = at_bench.tested()
    stage = record.stages[-1]
    assert stage.finding.decay.gate == (
        f"Pressure decay cannot decide 120.0 mL/h on this bench: {why}; collect the leakage."
    )
    assert len(stage.collections) == 1
    assert stage.finding.verdict == "accepted"


def test_a_pump_that_makes_up_is_told_and_its_leakage_collected(bench, monkeypatch, the_drift):
    """C is not offered, the gate is silent, the record says why."""
    at_bench = DecayBench(bench, monkeypatch, leak=40.0, blanks=the_drift, pump="making up")
    record = at_bench.tested()
    assert record.stages[-1].drawn == ()
    assert monitor(record).sentence == ("The pump made up during the hold: its pressure shows nothing of a leakage.")
    assert record.origin is Origin.SIMULATED
