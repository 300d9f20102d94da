"""What the screens are offered of orders of any length, and the order board."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.procedure.valve import Order, Valve
from testbench.station import messages as m
from testbench.station.board import STATES, board
from testbench.station.offering import FOUND, LISTED, LISTED_OF_AN_ORDER, offered, search
from testbench.station.view import Viewer

FACTS = {"type": "swing-check", "size": "NPS 8", "rated": "250 psi", "seat": "metal"}


def long(number: str, count: int, prefix: str = "HL-8-") -> Order:
    valves = [Valve.model_validate({"serial": f"{prefix}{n:05d}", **FACTS}) for n in range(count)]
    return Order(number=number, customer="Ellery Water Board", procedure="waterworks-swing-check", valves=tuple(valves))


# The board --------------------------------------------------------------------------------------


@given(st.lists(st.sampled_from(STATES), min_size=1, max_size=20), st.sets(st.integers(0, 19)))
def test_the_states_of_an_order_add_up(stands, out):
    """Each valve stands in one column; of what was released that counts which is still accepted."""
    order = long("A", len(stands))
    serials = [valve.serial for valve in order.valves]
    states = {("A", serial): state for serial, state in zip(serials, stands, strict=True) if state != "to do"}
    released = {("A", f"HL-8-{n:05d}") for n in out}
    (line,) = board([order], states, released)
    counted = {"to do": line.to_do, **{state: getattr(line, state) for state in STATES[1:]}}
    assert counted == {state: stands.count(state) for state in STATES}
    assert sum(counted.values()) == line.valves
    assert line.released == sum(n in out and state == "accepted" for n, state in enumerate(stands))


@pytest.mark.parametrize(
    ("released", "recalled", "without"),
    [(None, (), 2), ({0, 1}, (), 1), ({1}, (), 0), (set(), (), 0), ({0, 1}, {0}, 0), (None, {0, 2}, 0)],
)
def test_a_released_valve_without_a_certificate_is_counted(released, recalled, without):
    """Of three accepted valves the first and the third have none; not of those that do not stand as released."""
    order = long("A", 3)
    keys = [("A", valve.serial) for valve in order.valves]
    released = None if released is None else {keys[n] for n in released}
    states = dict.fromkeys(keys, "accepted")
    (line,) = board([order], states, released, {keys[n] for n in recalled}, {keys[0], keys[2]})
    assert line.without_certificate == without


def test_what_another_order_says_of_a_number_does_not_count():
    """A state belongs to order and serial number; where nobody is registered nobody releases."""
    (line,) = board([long("A", 1)], {("B", "HL-8-00000"): "accepted"})
    assert (line.to_do, line.accepted, line.released) == (1, 0, None)


# What is offered --------------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "listed"), [(99, 99), (100, 100), (101, 100), (10_000, 100)])
def test_a_long_order_is_listed_in_part(count, listed):
    """And says how many there are."""
    (line,) = offered([long("A", count)], {})
    assert (len(line.valves), line.in_all) == (listed, count)
    assert LISTED_OF_AN_ORDER == 100


def test_what_is_to_do_comes_first_in_a_long_order():
    """Then what may come again, what was accepted last; in a short order the sequence stays."""
    order = long("A", 102)
    stands = dict(zip(range(4), ("accepted", "rejected", "void", "inconclusive"), strict=True))
    states = {("A", f"HL-8-{n:05d}"): state for n, state in stands.items()}
    (line,) = offered([order], states)
    assert [valve.serial[-3:] for valve in line.valves] == [f"{n:03d}" for n in (*range(4, 102), 3, 2)]
    short = order.model_copy(update={"valves": order.valves[:4]})
    assert [valve.state for valve in offered([short], states)[0].valves] == list(stands.values())


def test_many_orders_are_bounded_together():
    """A thousand valves in all; every order is named."""
    lines = offered([long(f"A{n}", 150) for n in range(30)], {})
    assert [len(line.valves) for line in lines] == [100] * 10 + [0] * 20
    assert sum(len(line.valves) for line in lines) == LISTED
    assert all(line.in_all == 150 for line in lines)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("HL-8-00012", ["HL-8-00012"]),
        (" hl-8-00012 ", ["HL-8-00012"]),
        ("HL-8-0001", [f"HL-8-0001{n}" for n in range(10)]),
        ("8-00013", ["HL-8-00013"]),
        ("HL-9", []),
    ],
)
def test_a_number_is_found_whole_else_by_its_beginning_else_by_a_part(text, found):
    """A whole number is not hidden among those that begin with it."""
    lines = search([long("A", 300), long("B", 20, prefix="X-")], {}, text)
    assert [valve.serial for line in lines for valve in line.valves] == found


def test_a_search_is_bounded_and_says_how_many_there_are():
    """Fifty over all orders."""
    lines = search([long("A", 40), long("B", 40), long("C", 40)], {}, "HL")
    assert [(len(line.valves), line.in_all) for line in lines] == [(40, 40), (10, 40), (0, 40)]
    assert sum(len(line.valves) for line in lines) == FOUND


# Over the session -------------------------------------------------------------------------------


def test_orders_are_told_when_they_change_and_to_whoever_comes(at_hand):
    """Not twenty times a second; what one who comes is told, the others must still hear."""
    newcomer = at_hand.viewer.update(whole_trace=True)
    first = at_hand.see()
    assert newcomer.orders == first.orders
    assert len(first.orders[0].valves) == 3
    assert at_hand.see().orders is None
    assert at_hand.see().orders_revision == first.orders_revision
    at_hand.session.read_orders()
    assert at_hand.see().orders is None  # read again, and the same
    at_hand.session.states = {("HL-2041", "HL-4-0117"): "accepted"}
    assert at_hand.viewer.update(whole_trace=True).orders[0].valves[0].state == "accepted"
    changed = at_hand.see()
    assert changed.orders_revision == first.orders_revision + 1
    assert changed.orders[0].valves[0].state == "accepted"


def test_nothing_is_offered_while_a_run_is_open(at_hand):
    """Said once; and again what there is when it is closed."""
    at_hand.see()
    at_hand.start("HL-4-0117")
    opened = at_hand.see()
    assert (opened.orders, at_hand.see().orders) == ((), None)
    at_hand.do("end_run")
    assert len(at_hand.see().orders[0].valves) == 3


def test_an_order_of_ten_thousand_does_not_grow_the_updates(at_hand):
    """What is sent over and over is as small as with three valves; the first telling is bounded."""
    small = len(m.write(at_hand.viewer.update()))
    at_hand.see()
    usual = len(m.write(at_hand.see()))
    at_hand.session.orders = (long("HL-2050", 10_000),)
    told = len(m.write(at_hand.see()))
    assert len(m.write(at_hand.see())) == usual < small
    assert told < 200 * LISTED_OF_AN_ORDER


def test_a_valve_that_is_not_listed_is_found_and_tested(at_hand):
    """By the answer to one request; refused while a run is open."""
    much = long("HL-2050", 10_000)
    at_hand.session.outside = replace(at_hand.session.outside, load_orders=lambda: ((much,), ()))
    at_hand.session.read_orders()
    answer = at_hand.ask("find_valve", text="HL-8-09999")
    (line,) = answer.found
    assert (answer.done, line.order, line.valves[0].serial, line.in_all) == (True, "HL-2050", "HL-8-09999", 1)
    at_hand.hold(0.2, 3)
    at_hand.do("start_run", order="HL-2050", serial="HL-8-09999", operator="Mara Quill")
    refused = at_hand.ask("find_valve", text="HL-8-09999")
    assert (refused.done, refused.found) == (False, None)
    assert refused.sentence == "'find_valve' is not possible while a run is open; possible now: start_stage, end_run."


def test_a_viewer_begins_with_a_revision_that_no_screen_holds(at_hand):
    """A screen that holds nothing (0) sees that it has missed the orders."""
    assert Viewer(at_hand.session).update().orders_revision >= 1
