"""What a procedure says of a pressure decay: its numbers, their sources, and what is refused."""

import pytest
from pydantic import ValidationError

from testbench.procedure.adoption import numbers_of
from testbench.procedure.requirements import requirements_for
from testbench.procedure.valve import Valve
from tests.house_with_decay import DECAY, house

VALVE = {"serial": "HL-12-0201", "type": "swing-check", "size": "NPS 12", "rated": "250 psi", "seat": "metal"}


def test_a_criterion_carries_where_a_decay_may_stand_for_it():
    """Longest hold, age and pressure of the blank runs, and whose numbers they are."""
    (criterion,) = requirements_for(house(), Valve.model_validate(VALVE)).stages[0].criteria
    found = criterion.decay
    assert (found.longest_hold_s, found.blank_days, found.blank_pressure_factor) == (240, 30, "1.5")
    assert found.source == "House rule of this procedure (revision 1) [house]"


def test_no_shipped_procedure_lets_a_decay_decide(procedures):
    """Direct observation is what the standards ask for."""
    written = [str(procedure.model_dump(mode="json")) for procedure in procedures.values()]
    assert not any("longest_hold" in text for text in written)


def test_a_criterion_without_it_is_written_as_before():
    """An old record keeps its bytes."""
    (criterion,) = requirements_for(house(decay=None), Valve.model_validate(VALVE)).stages[0].criteria
    assert "decay" not in criterion.model_dump(mode="json")


def test_every_number_of_it_is_listed_with_its_source():
    """For whoever adopts the procedure."""
    numbers = {number.place: number for number in numbers_of(house())}
    place = "stages[1].criteria[2].decay"
    assert numbers[place].number == "blank_days 30, blank_pressure_factor 1.5"
    assert numbers[f"{place}.longest_hold"].number == "s 240"
    assert numbers[place].grade == "house"


@pytest.mark.parametrize(
    ("wrong", "complaint"),
    [
        ({"blank_pressure_factor": "0.99"}, "must be at least 1; a blank run at the required pressure itself"),
        ({"blank_days": 0}, "Input should be greater than 0"),
        ({"longest_hold": {"s": 0, "source": "house"}}, "Input should be greater than 0"),
        ({"source": "nowhere"}, "'nowhere' is not under"),
        ({"longest": 240}, "Extra inputs are not permitted"),
    ],
)
def test_what_makes_no_sense_is_refused(wrong, complaint):
    """Each by its field."""
    with pytest.raises(ValidationError, match=complaint):
        house(decay=DECAY | wrong)


def test_a_blank_run_may_be_asked_for_at_the_very_pressure():
    """A factor of 1."""
    assert house(decay=DECAY | {"blank_pressure_factor": "1"})


@pytest.mark.parametrize(("cavity", "fine"), [("0.001 L", True), ("0 L", False), ("-1 L", False)])
def test_a_cavity_has_room(cavity, fine):
    """The order may state it; nothing or less is refused."""
    if fine:
        assert str(Valve.model_validate(VALVE | {"cavity": cavity}).cavity) == cavity
    else:
        with pytest.raises(ValidationError, match=f"found {cavity}, it must be above 0"):
            Valve.model_validate(VALVE | {"cavity": cavity})
    assert "cavity" not in Valve.model_validate(VALVE).model_dump(mode="json")
