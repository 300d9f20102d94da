"""The valve as ordered."""

import pytest
from pydantic import ValidationError

from testbench.errors import FactMissingError
from testbench.procedure.requirements import requirements_for
from testbench.procedure.valve import Order


@pytest.mark.parametrize("written", ["NPS 8", "NPS 8.0", "DN 200", "NPS 8 (DN 200)"])
def test_a_size_is_written_under_either_name(valve, written: str):
    """All four are the same valve, and it is kept as NPS 8."""
    found = valve(size=written)
    assert valve(size=found.size) == found
    assert (found.size.nps, found.size.dn) == ("8", 200)
    assert found.model_dump(mode="json")["size"] == "NPS 8"


@pytest.mark.parametrize("written", ["8", "8 in", "NPS", "NPS8", "nps 8", "DN 200 mm", "NPS 8 or so", "DN -200", ""])
def test_another_way_of_writing_a_size_is_refused(valve, written: str):
    """No guess is made about inches and millimetres."""
    with pytest.raises(ValidationError, match="a size is written 'NPS 8' or 'DN 200', not '"):
        valve(size=written)


def test_two_names_that_contradict_each_other_are_refused(valve):
    """An order that says NPS 8 (DN 150) is wrong somewhere; nobody here knows where."""
    with pytest.raises(ValidationError, match="NPS 8 is DN 200, not DN 150"):
        valve(size="NPS 8 (DN 150)")


@pytest.mark.parametrize("written", ["NPS 7", "DN 175"])
def test_a_size_that_does_not_exist_is_refused(valve, written: str):
    """With the list of sizes there are."""
    with pytest.raises(ValidationError, match=f"Size {written} is not in the table of nominal sizes"):
        valve(size=written)


def test_the_rating_has_no_default(procedure, valve):
    """The rated pressure comes from the order or the nameplate, never from the size."""
    facts = valve().model_dump(mode="json")
    del facts["rated"]
    order = {"number": "HL-2041", "customer": "Ellery Water Board", "procedure": "x", "valves": [facts]}
    (unrated,) = Order.model_validate(order).valves
    with pytest.raises(FactMissingError) as refusal:
        requirements_for(procedure, unrated)
    assert str(refusal.value) == (
        "The valve's rated pressure is not stated; this procedure cannot tell it from class, material or PN."
    )


@pytest.mark.parametrize("serial", ["", "HL-4\n0117", "HL\t4", "x" * 41])
def test_a_serial_number_is_one_line_of_print(valve, serial: str):
    """Control characters of a scanner do not become part of a serial number."""
    with pytest.raises(ValidationError):
        valve(serial=serial)


def test_a_valve_cannot_be_changed(valve):
    """What was ordered stays; a correction is a new order line."""
    with pytest.raises(ValidationError, match="Instance is frozen"):
        valve().serial = "HL-4-0118"
