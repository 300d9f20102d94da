"""What a procedure file may not say. Each test spoils one thing in the shipped file."""

from typing import Any

import pytest
from pydantic import ValidationError

from testbench.procedure.limits import SizeBand
from testbench.procedure.requirements import Requirements, requirements_for
from testbench.procedure.stages import Procedure

SHELL, SEAT = 0, 1


def refusal(written: dict[str, Any]) -> str:
    """The one complaint about the file."""
    with pytest.raises(ValidationError) as refused:
        Procedure.model_validate(written)
    first, *rest = refused.value.errors()
    assert all(error["type"] == "too_short" for error in rest)  # a list whose only row is refused counts as empty, too
    return str(first["msg"]).removeprefix("Value error, ")


def test_the_shipped_file_is_fine(written: dict[str, Any]):
    """What the tests below spoil is whole."""
    assert Procedure.model_validate(written).id == "waterworks-swing-check"


def test_a_number_must_name_a_source_that_exists(written: dict[str, Any]):
    """A number whose source is not described is refused, with its place."""
    written["stages"][SHELL]["pressure"]["source"] = "hearsay"
    assert refusal(written) == "stages[0].pressure.source: 'hearsay' is not under [sources]"


@pytest.mark.parametrize(
    ("spoil", "place"),
    [
        (lambda file: file["stages"][SEAT]["hold"][2], "stages[1].hold[2]"),
        (lambda file: file["stages"][SEAT]["criteria"][1]["limits"][0], "stages[1].criteria[1].limits[0]"),
        (lambda file: file["gauge_range"], "gauge_range"),
        (lambda file: file["stages"][SEAT]["criteria"][1]["settle"], "stages[1].criteria[1].settle"),
        (lambda file: file["signal"]["longest_gap"], "signal.longest_gap"),
        (lambda file: file["bench"]["safe_below_percent"], "bench.safe_below_percent"),
        (lambda file: file["stabilization"]["window"], "stabilization.window"),
    ],
)
def test_no_number_anywhere_escapes_that_rule(written: dict[str, Any], spoil, place: str):
    """Hold times, limits, times of the collection, gauge range, signal, bench and stabilization alike."""
    spoil(written)["source"] = "hearsay"
    assert refusal(written) == f"{place}.source: 'hearsay' is not under [sources]"


@pytest.mark.parametrize(
    ("written_rule", "rule"),
    [(None, "guarded"), ("guarded", "guarded"), ("guarded at 95 %", "guarded at 95 %"), ("simple", "simple")],
)
def test_a_procedure_may_choose_its_decision_rule(written: dict[str, Any], valve, written_rule, rule: str):
    """Guarded where it says nothing; every stage carries the rule, and its source stands with the others."""
    if written_rule is not None:
        written["decision"] = {"rule": written_rule, "source": "house"}
    stages = requirements_for(Procedure.model_validate(written), valve()).stages
    assert {stage.decision_rule for stage in stages} == {rule}
    named = any(source.startswith("decision rule: House rule") for source in stages[0].sources)
    assert named is (written_rule is not None)


def test_a_rule_that_is_none_is_refused(written: dict[str, Any]):
    """Nobody decides by a rule of his own making."""
    written["decision"] = {"rule": "generous", "source": "house"}
    assert refusal(written) == "Input should be 'guarded', 'guarded at 95 %' or 'simple'"


def test_the_rule_of_decision_needs_a_source(written: dict[str, Any]):
    """As every choice does."""
    written["decision"] = {"rule": "simple", "source": "hearsay"}
    assert refusal(written) == "decision.source: 'hearsay' is not under [sources]"


def test_the_state_of_the_signal_is_asked_of_every_stage(written: dict[str, Any], valve):
    """1 % flagged, 2 % missing, a gap of 2 %: in the requirement, without its source."""
    stage = requirements_for(Procedure.model_validate(written), valve()).stages[0]
    assert stage.validity.model_dump() == {"flagged_percent": "1", "missing_percent": "2", "gap_percent": "2"}
    del written["signal"]["validity"]
    assert refusal(written) == "Field required"


def test_a_number_without_a_source_is_refused(written: dict[str, Any]):
    """There are no bare numbers."""
    del written["stages"][SHELL]["upper_limit"]["source"]
    assert refusal(written) == "Field required"


def test_a_key_it_does_not_know_is_refused(written: dict[str, Any]):
    """A typing mistake in a limit can never mean "no limit"."""
    written["stages"][SEAT]["criteria"][1]["limit_per_inhc"] = "1 fl_oz/h"
    assert refusal(written) == "Extra inputs are not permitted"


def test_a_size_in_two_bands_is_refused(written: dict[str, Any]):
    """Which of two hold times counts must not depend on the order of lines."""
    written["stages"][SHELL]["hold"][0]["nps"] = ["2", "8"]
    assert refusal(written) == "NPS 8 stands in two size bands"


def test_a_size_in_two_bands_is_seen_however_it_is_written(written: dict[str, Any]):
    """ "2.50" and "2.5" are one size."""
    written["stages"][SHELL]["hold"][0]["nps"] = ["2", "2.50"]
    assert refusal(written) == "NPS 2.5 stands in two size bands"


@pytest.mark.parametrize(
    ("bands", "missing"),
    [(["2.5 to 5"], "6"), (["2.5", "4 to 6"], "3"), (["3 to 6"], "2.5")],
)
def test_a_size_left_out_between_two_others_is_refused(written: dict[str, Any], bands: list[str], missing: str):
    """A forgotten size must not surface at the bench."""
    written["stages"][SHELL]["hold"][1]["nps"] = bands
    assert refusal(written) == f"NPS {missing} lies between the sizes listed and stands in no size band"


@pytest.mark.parametrize("written_as", ["12 to 8", "8 to 2.5"])
def test_sizes_are_named_upwards(written: dict[str, Any], written_as: str):
    """ "12 to 8" may be a slip for something else."""
    written["stages"][SHELL]["hold"][2]["nps"] = [written_as]
    assert refusal(written) == f"'{written_as}' runs backwards"


def test_sizes_from_one_to_another_are_those_of_the_table():
    """ "2 to 4" is NPS 2, 2.5, 3 and 4; nothing between is invented."""
    assert SizeBand(nps=("2 to 4", "8"), s=60, source="house").nps == ("2", "2.5", "3", "4", "8")


def test_a_band_with_a_size_that_does_not_exist_is_refused(written: dict[str, Any]):
    """NPS 7 is no size, so its hold time would never be used."""
    written["stages"][SHELL]["hold"][1]["nps"] = ["7"]
    assert refusal(written).startswith("Size NPS 7 is not in the table of nominal sizes; it holds 2, 2.5, ")


@pytest.mark.parametrize("seat", ["metal", "resilient"])
def test_a_seat_without_a_criterion_is_refused(written: dict[str, Any], seat: str):
    """A stage that asks nothing of a seat would accept it for nothing."""
    criteria = written["stages"][SEAT]["criteria"]
    written["stages"][SEAT]["criteria"] = [rule for rule in criteria if rule["seats"] != [seat]]
    assert refusal(written) == f"stages[1].criteria: no criterion for a {seat} seat of a swing-check valve"


def test_a_seat_whose_criterion_has_no_limit_for_it_is_refused(written: dict[str, Any]):
    """A criterion for both seats with a limit for one is a hole."""
    written["stages"][SEAT]["criteria"] = [written["stages"][SEAT]["criteria"][1]]
    del written["stages"][SEAT]["criteria"][0]["seats"]
    written["stages"][SEAT]["criteria"][0]["limits"][0]["seats"] = ["metal"]
    assert refusal(written) == "stages[1].criteria: no limit for a resilient seat of a swing-check valve"


@pytest.mark.parametrize("rate", ["0 mL/h", "-1 mL/h"])
def test_a_limit_of_nothing_is_not_a_rate(written: dict[str, Any], rate: str):
    """Where nothing may leak, somebody looks; a rate of zero can never be measured."""
    written["stages"][SEAT]["criteria"][1]["limits"][0]["per_inch"] = rate
    assert refusal(written) == f"per_inch: found {rate}, it must be above 0; 'none' is no-visible-leakage"


@pytest.mark.parametrize(
    ("least", "most", "fine"), [("1.5", "4", True), ("1", "2", True), ("0.9", "4", False), ("4", "1.5", False)]
)
def test_a_gauge_range_is_named_upwards(written: dict[str, Any], least: str, most: str, *, fine: bool):
    """A gauge that ends below the test pressure suits no test."""
    written["gauge_range"] |= {"least_times": least, "most_times": most}
    if fine:
        assert Procedure.model_validate(written).gauge_range
    else:
        assert refusal(written) == "least_times: must be at least 1 and below most_times"


@pytest.mark.parametrize(
    ("step", "complaint"),
    [
        ({"psi": "25 psi", "bar": "25 psi"}, "bar: found 25 psi, it must be in bar"),
        ({"psi": "0 psi"}, "psi: found 0 psi, it must be above 0"),
        ({}, "psi: a pressure in psi or in bar is needed"),
    ],
)
def test_a_rounding_step_is_a_pressure_in_its_own_unit(written: dict[str, Any], step: dict[str, str], complaint: str):
    """The psi and the bar step are two roundings, never converted."""
    written["stages"][SHELL]["pressure"]["round_up_to"] = step | {"source": "house"}
    assert refusal(written) == complaint


@pytest.mark.parametrize(
    ("place", "outside", "complaint"),
    [
        ("types", ["gate"], "stages[1].criteria[1].types: gate is not among the procedure's valve_types"),
        ("leak_rates", ["A"], "stages[1].criteria[1].leak_rates: A is not among the procedure's leak_rates"),
    ],
)
def test_a_rule_for_valves_outside_the_procedure_is_refused(
    written: dict[str, Any], place: str, outside: list[str], complaint: str
):
    """It would never be used, so somebody meant something else."""
    written["stages"][SEAT]["criteria"][1][place] = outside
    assert refusal(written) == complaint


@pytest.mark.parametrize("factor", ["1", "1.0", "0.9"])
def test_an_upper_limit_at_or_below_the_required_pressure_is_refused(written: dict[str, Any], factor: str):
    """Between required pressure and upper limit there must be room."""
    written["stages"][SHELL]["upper_limit"]["factor"] = factor
    assert refusal(written) == "factor: must be above 1"


def test_a_test_at_no_pressure_is_refused(written: dict[str, Any]):
    """A factor of 0 on the rating is no test."""
    written["stages"][SEAT]["pressure"]["factor"] = "0"
    assert refusal(written) == "factor: must be above 0"


@pytest.mark.parametrize(("percent", "fine"), [("99.9", True), ("100", False), ("150", False)])
def test_released_cannot_mean_at_test_pressure(written: dict[str, Any], percent: str, fine: bool):
    """With "1" mistyped as "100" the instruction to open the valve would come at full pressure."""
    written["bench"]["safe_below_percent"]["factor"] = percent
    if fine:
        assert Procedure.model_validate(written).bench.safe_below_percent.factor == percent
    else:
        assert refusal(written) == "safe_below_percent: must be below 100; at test pressure nothing is released"


@pytest.mark.parametrize("factor", ["-1", "1e3", "2,0", "", "two", "nan", "٢"])
def test_a_factor_is_a_plain_number(written: dict[str, Any], factor: str):
    """Signs, exponents and commas are refused."""
    written["stages"][SHELL]["pressure"]["factor"] = factor
    assert refusal(written).startswith("String should match pattern")


def test_a_factor_is_written_as_text(written: dict[str, Any]):
    """1.1 as a binary number is not 1.1; a text is exact."""
    written["stages"][SHELL]["pressure"]["factor"] = 2.0
    assert refusal(written) == "Input should be a valid string"


@pytest.mark.parametrize("seconds", [0, -1])
def test_a_hold_of_no_time_is_refused(written: dict[str, Any], seconds: int):
    """Every hold lasts at least a second."""
    written["stages"][SHELL]["hold"][0]["s"] = seconds
    assert refusal(written) == "Input should be greater than 0"


def test_a_stage_stands_in_a_procedure_once(written: dict[str, Any]):
    """Two shell tests would make it unclear which one counts."""
    written["stages"].append(written["stages"][SHELL])
    assert refusal(written) == "stages: the shell test stands there twice for the same valves"


def test_a_procedure_without_stages_is_refused(written: dict[str, Any]):
    """A procedure that demands nothing would accept everything."""
    written["stages"] = []
    assert refusal(written) == "Tuple should have at least 1 item after validation, not 0"


def test_requirements_that_demand_nothing_are_refused(procedure: Procedure, valve):
    """Neither can a record claim that no stage, or no criterion, was demanded."""
    found = requirements_for(procedure, valve()).model_dump(mode="json")
    with pytest.raises(ValidationError, match="at least 1 item"):
        Requirements.model_validate(found | {"stages": []})
    found["stages"][0]["criteria"] = []
    with pytest.raises(ValidationError, match="at least 1 item"):
        Requirements.model_validate(found)


def test_requirements_read_back_as_they_were(procedure: Procedure, valve):
    """A record carries the requirements; read again they are the same."""
    for seat in ("metal", "resilient"):
        found = requirements_for(procedure, valve(seat=seat))
        assert Requirements.model_validate(found.model_dump(mode="json")) == found


def test_a_band_keeps_sizes_under_their_usual_names():
    """A band that lists "2.50" holds for NPS 2.5."""
    assert SizeBand(nps=("2.50", "8"), s=60, source="house").nps == ("2.5", "8")
