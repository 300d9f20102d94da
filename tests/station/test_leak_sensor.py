"""A sensor at the collecting vessel: the recorder reads it itself, and the operator types nothing."""

import json
from dataclasses import replace

import pytest

from testbench.errors import FileRefusedError
from testbench.procedure_files.loader import bench_template, load_bench
from testbench.quantities import Volume
from testbench.run.evaluation import rejudged, same_decision
from testbench.run.record import RunRecord, Verdict, canonical
from testbench.station.acquisition import Arrived, PortOpened, Quiet
from testbench.station.bench import Bench
from tests.station.conftest import BenchInHand
from tests.station.test_rules_of_the_trade import counted

SCALE = {
    "tag": "WT-101", "instrument": "scale 0–200 g", "serial": "B-0007", "unit": "g", "decimals": 2, "whole_digits": 3,
    "expanded_uncertainty": "0.05", "highest": "200", "line": {"port": "/dev/scale"},
}  # fmt: skip


def weighing(bench: Bench, **changes) -> Bench:
    facts = json.loads(bench.model_dump_json()) | {"water_temperature": "20 degC"}
    facts["collecting"]["sensor"] = SCALE | changes
    return Bench.model_validate(facts)


class Weighed(BenchInHand):
    """What drips into the vessel is what the scale shows, ten times a second."""

    def __init__(self, bench, order):
        super().__init__(bench, order)
        self.grams, self.per_s, self.silent_scale = 50.0, 0.0, False
        self.session.take(PortOpened(self.clock.seconds, ""), 1)
        self.session.take(Arrived(self.clock.seconds, b"\r\n"), 1)

    def line(self, psi):
        super().line(psi)
        self.grams += self.per_s / 10
        at = self.clock.seconds
        self.session.take(Quiet(at) if self.silent_scale else Arrived(at, f"{self.grams:+07.2f}\r\n".encode()), 1)

    @property
    def said(self):
        return [notice.sentence for notice in self.see().notices]

    @property
    def offered(self):
        return [action.request for action in self.see().actions]

    def collect(self, seconds=60):
        self.to_hold(253)
        self.do("collection_started")
        self.hold(253, seconds)
        self.do("collection_ended")


@pytest.fixture
def weighed(bench, order):
    at_hand = Weighed(weighing(bench), order)
    at_hand.shell()
    return at_hand


def test_the_recorder_reads_the_scale_and_nobody_types(weighed):
    """0.01 g/s for 60 s: 0.60 g are 0.602 mL at 20 °C; the volume is entered when the collection is ended."""
    weighed.per_s = 0.01
    weighed.collect()
    assert "collected" not in weighed.offered
    weighed.hold(253, 1)
    weighed.hold(0.2, 2)
    record, traces = weighed.store.sealed[0]
    seat = record.stages[1]
    (caught,) = seat.collections
    assert (caught.instrument, caught.operator) == ("WT-101", "Mara Quill")
    assert caught.volume.to("mL") == pytest.approx(0.602, abs=0.011)
    assert caught.volume_uncertainty.to("mL") == pytest.approx(0.0709, abs=0.0001)
    assert (record.verdict, seat.vessel.ml_per_unit[:6]) == (Verdict.ACCEPTED, "1.0028")
    assert 590 <= len(seat.vessel.readings) <= 625
    assert same_decision(rejudged(record, traces), record)
    assert RunRecord.model_validate_json(canonical(record)) == record


def test_the_volume_is_worked_out_again_when_the_run_is_judged(weighed):
    """A volume in the record that the readings do not bear out decides nothing."""
    weighed.per_s = 0.01
    weighed.collect()
    weighed.hold(253, 1)
    weighed.hold(0.2, 2)
    record, traces = weighed.store.sealed[0]
    seat = record.stages[1]
    since = seat.collections[0].since
    more = tuple((at, counts + max(0, at - since) // 1000) for at, counts in seat.vessel.readings)
    leaky = seat.vessel.model_copy(update={"readings": more})
    changed = record.model_copy(update={"stages": (record.stages[0], seat.model_copy(update={"vessel": leaky}))})
    assert rejudged(changed, traces).verdict is Verdict.REJECTED
    bare = seat.vessel.model_copy(update={"readings": ()})
    changed = record.model_copy(update={"stages": (record.stages[0], seat.model_copy(update={"vessel": bare}))})
    assert rejudged(changed, traces).verdict is Verdict.INCONCLUSIVE


def test_readings_in_between_come_from_the_sensor_too(weighed):
    """At each "vessel read", so that a rate that is not steady shows."""
    weighed.per_s = 0.02
    weighed.to_hold(253)
    weighed.do("collection_started")
    weighed.hold(253, 30)
    weighed.do("vessel_read")
    weighed.hold(253, 30)
    weighed.do("collection_ended")
    weighed.hold(253, 1)
    weighed.hold(0.2, 2)
    (caught,) = weighed.store.sealed[0][0].stages[1].collections
    (read,) = caught.readings
    assert (read.instrument, caught.instrument) == ("WT-101", "WT-101")
    assert read.volume.to("mL") == pytest.approx(0.602, abs=0.011)
    assert caught.volume.to("mL") == pytest.approx(1.203, abs=0.011)


@pytest.mark.parametrize(("spoil", "sentence"), [
    ("silent", "it was silent for 3.0 s, at most 2 s is allowed"),
    ("fallen", "its content fell by 5.00 g, so that the vessel was moved or spilled"),
    ("range", "it read 205.00 g, its range is 0 to 200"),
])  # fmt: skip
def test_where_the_sensor_does_not_tell_the_operator_reads_the_vessel(weighed, spoil, sentence):
    """One sentence, and the volume is asked for as ever."""
    weighed.to_hold(253)
    weighed.do("collection_started")
    weighed.hold(253, 40)
    if spoil == "silent":
        weighed.silent_scale = True
        weighed.hold(253, 2.9)
        weighed.silent_scale = False
    weighed.grams += {"silent": 0, "fallen": -5, "range": 155}[spoil]
    weighed.hold(253, 20)
    weighed.do("collection_ended")
    told = f"The sensor WT-101 does not tell what was caught: {sentence}."
    assert f"{told} Read the vessel yourself and enter the volume." in weighed.said
    assert weighed.offered[0] == "collected"
    weighed.do("collected", volume="0.7 mL")
    weighed.hold(253, 1)
    weighed.hold(0.2, 2)
    record = weighed.store.sealed[0][0]
    assert (record.verdict, record.stages[1].vessel) == (Verdict.ACCEPTED, None)
    (caught,) = record.stages[1].collections
    assert (caught.instrument, caught.volume) == ("", Volume.parse("0.7 mL"))


def test_without_a_temperature_of_the_water_a_scale_tells_no_volume(bench, order):
    """The thermometer is silent and nobody stated one."""
    made = weighing(bench).model_copy(update={"water_temperature": None})
    weighed = Weighed(made, order)
    weighed.shell()
    weighed.collect()
    assert weighed.said[-1] == (
        "The sensor WT-101 does not tell what was caught: the temperature of the water is not known, and so is its "
        "density. Read the vessel yourself and enter the volume."
    )


def test_a_bench_without_a_sensor_keeps_nothing_of_one(at_hand):
    """Old records keep their bytes."""
    at_hand.shell()
    at_hand.seat(volume="0.7 mL")
    written = canonical(at_hand.store.sealed[0][0])
    assert b'"vessel"' not in written
    assert b'"instrument":""' not in written


# bench.toml --------------------------------------------------------------------------------------

LINES = len(bench_template().splitlines())
"""Before the table of the sensor."""
SENSOR = """
[collecting.sensor]
tag = "WT-101"
instrument = "scale 0-200 g"
serial = "B-0007"
unit = "g"
expanded_uncertainty = "0.05"
highest = "200"
line = { port = "/dev/scale" }
"""


@pytest.mark.parametrize(("old", "new", "sentence"), [
    ("", "", (
        f"bench.toml:{LINES + 6}: collecting.sensor.unit: found 'g' without a temperature of the water, which its "
        "density needs; state water_temperature, or describe a [temperature] channel."
    )),
    ('unit = "g"', 'unit = "mm"',
     f"bench.toml:{LINES + 2}: collecting.sensor.ml_per_mm: found nothing, a level in mm needs it."),
    ('unit = "g"', 'unit = "mL"\nml_per_mm = "5"',
     f"bench.toml:{LINES + 7}: collecting.sensor.ml_per_mm: found 5, mL needs none."),
    ('highest = "200"', 'highest = "0"', f"bench.toml:{LINES + 2}: collecting.sensor: lowest must lie below highest."),
    ('"0.05"', '"0"', None),
])  # fmt: skip
def test_a_sensor_that_cannot_tell_a_volume_is_refused(tmp_path, old, new, sentence):
    """Place and remedy."""
    (tmp_path / "bench.toml").write_text(bench_template() + SENSOR.replace(old, new))
    with pytest.raises(FileRefusedError) as refusal:
        load_bench(tmp_path)
    if sentence is not None:
        assert str(refusal.value).replace(f"{tmp_path}/", "") == sentence
    else:
        assert "collecting.sensor.expanded_uncertainty: found '0'" in str(refusal.value)


def test_what_the_criterion_counts_a_person_counts(weighed):
    """Drops, 16 to the mL: the scale is not asked."""
    weighed.to_hold(253)
    stage = weighed.session.stage
    counting = stage.rules.requirement.model_copy(update={"criteria": (counted(16),)})
    stage.rules = replace(stage.rules, requirement=counting)
    weighed.do("collection_started")
    weighed.hold(253, 60)
    weighed.do("collection_ended")
    assert weighed.offered[0] == "collected"
    assert not [said for said in weighed.said if "WT-101" in said]
