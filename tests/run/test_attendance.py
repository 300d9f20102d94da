"""Hold points and witness points (common practice of inspection and test plans; the order's terms prevail)."""

from datetime import date, timedelta

import pytest

from testbench.errors import AttendanceNotSaidError, HoldPointError, OtherPartyError
from testbench.procedure.valve import WitnessPoint
from testbench.run.attendance import Attendee, attend, notice_in_words

GIVEN = date(2026, 11, 18)
POINT = WitnessPoint(
    stage="shell test", point="witness point", party="Ellery Water Board", notify="its inspection desk", notice_days=5,
    notice_given_on=GIVEN,
)  # fmt: skip
HOLD = POINT.model_copy(update={"point": "hold point"})
INES = Attendee(name="Ines Marlow", party="Ellery Water Board")


@pytest.mark.parametrize(("days", "in_time"), [(4, False), (5, True), (6, True)])
def test_notice_is_in_time_from_the_agreed_day_on(days, in_time):
    """Five days are agreed: four are too few, five are enough."""
    found, said = notice_in_words(POINT, GIVEN + timedelta(days=days))
    assert found is in_time
    assert said == f"notice to its inspection desk on 2026-11-18, {days} days before; 5 are agreed"


def test_one_day_is_one_day():
    """In the words of the record."""
    short = POINT.model_copy(update={"notice_days": 1})
    _, said = notice_in_words(short, GIVEN + timedelta(days=1))
    assert said == "notice to its inspection desk on 2026-11-18, 1 day before; 1 is agreed"
    _, said = notice_in_words(short.model_copy(update={"notice_given_on": None}), GIVEN)
    assert said == "no notice to its inspection desk is on the order; 1 day is agreed"


def test_notice_after_the_test_is_said_as_such():
    """Given on the 18th for a test on the 17th."""
    assert notice_in_words(POINT.model_copy(update={"notice_days": 0}), GIVEN - timedelta(days=1)) == (
        False, "notice to its inspection desk on 2026-11-18, 1 day after this test; 0 are agreed",
    )  # fmt: skip


def test_no_notice_is_said():
    """An order that does not tell when notice was given tells that it was not."""
    missing = POINT.model_copy(update={"notice_given_on": None})
    assert notice_in_words(missing, GIVEN) == (
        False, "no notice to its inspection desk is on the order; 5 days are agreed",
    )  # fmt: skip


@pytest.mark.parametrize("point", [POINT, HOLD])
def test_somebody_must_say_who_attends(point):
    """There is no default answer."""
    with pytest.raises(AttendanceNotSaidError) as refusal:
        attend(point, None, GIVEN)
    said = f"The shell test is a {point.point} of Ellery Water Board; who attends was not said."
    assert str(refusal.value) == said


def test_a_witness_point_is_passed_without_the_witness():
    """And the record says that nobody attended, and how notice stood."""
    kept = attend(POINT, (), GIVEN + timedelta(days=4))
    assert kept.attended == ()
    assert "4 days before; 5 are agreed" in kept.notice


def test_a_hold_point_is_not():
    """Neither with notice in time nor without."""
    with pytest.raises(HoldPointError) as refusal:
        attend(HOLD, (), GIVEN + timedelta(days=9))
    assert str(refusal.value) == (
        "The shell test is a hold point of Ellery Water Board and does not begin: nobody attends "
        "(notice to its inspection desk on 2026-11-18, 9 days before; 5 are agreed)."
    )
    assert attend(HOLD, (INES,), GIVEN).attended == (INES,)


OTHER = Attendee(name="Nell Orrin", party="Port Ellery Harbour Office")


@pytest.mark.parametrize(
    ("attended", "witnesses", "why"),
    [((OTHER,), None, "nobody attends for it, but Nell Orrin for Port Ellery Harbour Office"),
     ((OTHER,), ("Nell Orrin",), "nobody attends for it, but Nell Orrin for Port Ellery Harbour Office"),
     ((INES,), (), "Ines Marlow is not registered as a witness here; registered is nobody"),
     ((INES, OTHER), ("Nell Orrin",), "Ines Marlow is not registered as a witness here; registered is Nell Orrin")],
)  # fmt: skip
def test_a_hold_point_opens_for_a_registered_witness_of_its_party_only(attended, witnesses, why):
    """Where nobody is registered the operator's word has to do, which the record says by its unauthenticated name."""
    with pytest.raises(HoldPointError) as refusal:
        attend(HOLD, attended, GIVEN + timedelta(days=1), witnesses)
    assert str(refusal.value) == (
        f"The shell test is a hold point of Ellery Water Board and does not begin: {why} "
        "(notice to its inspection desk on 2026-11-18, 1 day before; 5 are agreed)."
    )


def test_others_are_named_beside_the_witness():
    """In any spelling of spaces and capitals of the party; the record keeps the names as they are registered."""
    ines = Attendee(name="Ines  Marlow", party="ellery water  board")
    kept = attend(HOLD, (OTHER, ines), GIVEN, ("Ines Marlow",))
    assert kept.attended == (OTHER, Attendee(name="Ines Marlow", party="ellery water board"))
    assert attend(POINT, (INES, OTHER), GIVEN).attended == (INES, OTHER)


def test_who_attends_a_witness_point_for_others_only_is_not_its_witness():
    """Else a page would read as if the party had been there."""
    with pytest.raises(OtherPartyError) as refusal:
        attend(POINT, (OTHER,), GIVEN)
    assert str(refusal.value) == (
        "The shell test is a witness point of Ellery Water Board; nobody attends for it, but Nell Orrin for Port "
        "Ellery Harbour Office."
    )
