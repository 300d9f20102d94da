"""What a procedure file may not say. Each test spoils one thing in the shipped file."""

from typing import Any

import pytest
from pydantic import ValidationError

from testbench.procedure.limits import SizeBand
from testbench.procedure.stages import Procedure, Requirements, requirements_for

SHELL, SEAT = 0, 1


def refusal(written: dict[str, Any]) -> str:
    """The one complaint about the file."""
    with pytest.raises(ValidationError) as refused:
        Procedure.model_validate(written)
    (first,) = refused.value.errors()
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
        (lambda file: file["stages"][SEAT]["criteria"][1], "stages[1].criteria[1]"),
        (lambda file: file["stages"][SEAT]["criteria"][1]["settle"], "stages[1].criteria[1].settle"),
        (lambda file: file["signal"]["longest_gap"], "signal.longest_gap"),
        (lambda file: file["bench"]["safe_below_percent"], "bench.safe_below_percent"),
        (lambda file: file["stabilization"]["window"], "stabilization.window"),
    ],
)
def test_no_number_anywhere_escapes_that_rule(written: dict[str, Any], spoil, place: str):
    """Hold times, criteria, times of the collection, signal, bench and stabilization alike."""
    spoil(written)["source"] = "hearsay"
    assert refusal(written) == f"{place}.source: 'hearsay' is not under [sources]"


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
    assert refusal(written) == "hold: NPS 8 stands in two size bands"


def test_a_size_in_two_bands_is_seen_however_it_is_written(written: dict[str, Any]):
    """ "2.50" and "2.5" are one size."""
    written["stages"][SHELL]["hold"][0]["nps"] = ["2", "2.50"]
    assert refusal(written) == "hold: NPS 2.5 stands in two size bands"


def test_a_band_with_a_size_that_does_not_exist_is_refused(written: dict[str, Any]):
    """NPS 7 is no size, so its hold time would never be used."""
    written["stages"][SHELL]["hold"][1]["nps"] = ["7"]
    assert refusal(written).startswith("Size NPS 7 is not in the table of nominal sizes; it holds 2, 2.5, ")


@pytest.mark.parametrize("seat", ["metal", "resilient"])
def test_a_seat_without_a_criterion_is_refused(written: dict[str, Any], seat: str):
    """A stage that asks nothing of a seat would accept it for nothing."""
    criteria = written["stages"][SEAT]["criteria"]
    written["stages"][SEAT]["criteria"] = [rule for rule in criteria if rule["seats"] != [seat]]
    assert refusal(written) == f"criteria: no criterion for a {seat} seat"


@pytest.mark.parametrize("factor", ["1", "1.0", "0.9"])
def test_an_upper_limit_at_or_below_the_required_pressure_is_refused(written: dict[str, Any], factor: str):
    """Between required pressure and upper limit there must be room."""
    written["stages"][SHELL]["upper_limit"]["factor"] = factor
    assert refusal(written) == "upper_limit: the factor must be above 1"


def test_a_test_at_no_pressure_is_refused(written: dict[str, Any]):
    """A factor of 0 on the rating is no test."""
    written["stages"][SEAT]["pressure"]["factor"] = "0"
    assert refusal(written) == "pressure: the factor must be above 0"


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
    assert refusal(written) == "stages: a stage stands there twice"


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
