"""What a sensor at the vessel says was caught: worked examples of each kind, and what is refused."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import VesselNotReadError
from testbench.quantities import Temperature, Volume
from testbench.run.observations import Collection, VesselRead
from testbench.run.vessel import VesselSensor, ml_per_gram

S = 10_000


def sensor(readings, **changes) -> VesselSensor:
    facts = {
        "tag": "WT-101", "instrument": "scale 0–200 g", "serial": "B-0007", "unit": "mL", "decimals": 2,
        "expanded_uncertainty": "0.05", "lowest": "0", "highest": "200", "longest_gap_ms": 2000,
        "readings": tuple(readings),
    }  # fmt: skip
    return VesselSensor.model_validate(facts | changes)


def rising(seconds=61, per_s=1, first=1000):
    """One hundredth more each second, ten readings a second."""
    return [(tenth * S // 10, first + tenth * per_s // 10) for tenth in range(10 * seconds)]


def refused(found: VesselSensor, since=0, until=60 * S) -> str:
    with pytest.raises(VesselNotReadError) as refusal:
        found.caught(since, until)
    assert refusal.value.remedy == "Read the vessel yourself and enter the volume."
    return str(refusal.value)


def test_a_vessel_tells_by_the_difference_of_two_readings():
    """10.00 mL to 10.60 mL in 60 s; U = √2 · 0.05 mL, rounded up."""
    volume, u = sensor(rising()).caught(0, 60 * S)
    assert (volume, str(u)) == (Volume.parse("0.60 mL"), "0.070711 mL")


def test_a_scale_tells_by_the_mass_of_water():
    """0.60 g at 20 °C is 0.60174 mL: 1.0029 mL/g in air (ISO 8655-6, from memory)."""
    per_gram = ml_per_gram(Temperature.of(20, "degC"))
    assert float(per_gram) == pytest.approx(1.0029, abs=5e-5)
    found = sensor(rising(), unit="g", ml_per_unit=f"{float(per_gram):.6f}")
    assert found.caught(0, 60 * S)[0].to("mL") == pytest.approx(0.60 * 1.0029, abs=5e-5)


@pytest.mark.parametrize(("celsius", "ml"), [(15, "1.0020"), (20, "1.0029"), (25, "1.0040")])
def test_a_gram_of_water_in_air(celsius, ml):
    """Z factors at 1013 hPa as the tables of ISO 8655-6 print them, from memory."""
    assert f"{float(ml_per_gram(Temperature.of(celsius, 'degC'))):.4f}" == ml


def test_a_level_tells_by_the_cross_section():
    """0.60 mm in a vessel of 5.5 mL/mm."""
    volume, u = sensor(rising(), unit="mm", ml_per_unit="5.5").caught(0, 60 * S)
    assert volume == Volume.parse("3.30 mL")
    assert u.to("mL") == pytest.approx(5.5 * 0.05 * math.sqrt(2), abs=1e-6)


def test_a_flow_meter_tells_by_the_integral():
    """2.00 mL/min for 90 s is 3 mL; a zero that is 0.05 mL/min off makes 0.075 mL."""
    flow = [(tenth * S // 10, 200) for tenth in range(1000)]
    volume, u = sensor(flow, unit="mL/min").caught(0, 90 * S)
    assert (volume, u) == (Volume.parse("3 mL"), Volume.parse("0.075 mL"))


def test_a_flow_that_grows_is_integrated_along_its_course():
    """0 to 6 mL/min in 60 s: 3 mL; trapezoids are exact on a line."""
    flow = [(tenth * S // 10, tenth) for tenth in range(601)]
    assert sensor(flow, unit="mL/min").caught(0, 60 * S)[0].to("mL") == pytest.approx(3.0, abs=1e-6)


@pytest.mark.parametrize(("fall", "told"), [(7, True), (8, False)])
def test_a_content_that_falls_was_moved_or_spilled(fall, told):
    """Two readings of U = 0.05 mL may differ by 0.0707 mL; what fell more is refused."""
    readings = rising(per_s=0)
    readings[300:] = [(at, counts - fall) for at, counts in readings[300:]]
    found = sensor(readings)
    if told:
        assert found.caught(0, 60 * S)[0] == Volume.parse("0 mL")
    else:
        assert refused(found) == (
            "The sensor WT-101 does not tell what was caught: its content fell by 0.08 mL, so that the vessel was "
            "moved or spilled."
        )


@pytest.mark.parametrize(("missing", "told"), [(19, True), (20, False)])
def test_a_silence_of_two_seconds_is_too_long(missing, told):
    """longest_gap_ms = 2000: 19 readings missing leave 2.0 s, 20 leave 2.1 s."""
    readings = rising()
    del readings[100 : 100 + missing]
    if told:
        sensor(readings).caught(0, 60 * S)
    else:
        assert refused(sensor(readings)) == (
            "The sensor WT-101 does not tell what was caught: it was silent for 2.1 s, at most 2 s is allowed."
        )


@pytest.mark.parametrize("which", ["before", "after", "never", "once"])
def test_both_marks_need_a_reading_near_them(which):
    """The last one before each."""
    readings = rising()
    kept = {"before": readings[30:], "after": readings[:570], "never": [], "once": readings[:1]}[which]
    said = refused(sensor(kept))
    assert ("gave" if which in {"never", "once"} else "silent for") in said


@pytest.mark.parametrize(("counts", "told"), [(20_000, True), (20_001, False)])
def test_a_reading_outside_the_range_is_none(counts, told):
    """200.00 mL is the end of its range."""
    readings = [*rising(), (61 * S, counts)]
    if told:
        sensor(readings).caught(0, 61 * S)
    else:
        assert refused(sensor(readings), until=61 * S) == (
            "The sensor WT-101 does not tell what was caught: it read 200.01 mL, its range is 0 to 200."
        )


def test_a_collection_is_worked_out_again_from_the_readings():
    """Whatever the record says; what a person read is left alone; what they do not tell is no volume."""
    wrong = Volume.parse("9 mL")
    told = Collection(
        since=0, until=60 * S, volume=wrong, volume_uncertainty=wrong, instrument="WT-101",
        readings=(VesselRead(at=30 * S, volume=wrong, instrument="WT-101"),),
    )  # fmt: skip
    again = sensor(rising()).again(told)
    assert (again.volume, again.readings[0].volume) == (Volume.parse("0.6 mL"), Volume.parse("0.3 mL"))
    assert str(again.volume_uncertainty) == "0.070711 mL"
    typed = told.model_copy(update={"instrument": ""})
    assert sensor(rising()).again(typed) == typed
    assert sensor([]).again(told).volume is None


@given(st.lists(st.integers(0, 30), min_size=62, max_size=62), st.integers(0, 10_000))
def test_only_the_difference_counts(steps, tare):
    """Whatever stands on the scale already, and whenever it rose in between."""
    total, readings = tare, []
    for second, step in enumerate(steps):
        total += step
        readings.append((second * S, total))
    volume, _ = sensor(readings, highest="99999").caught(S, 61 * S)
    assert volume.to("mL") == pytest.approx((readings[61][1] - readings[1][1]) / 100, abs=1e-6)
