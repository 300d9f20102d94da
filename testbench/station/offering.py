"""Which valves the screens are offered: a list that stays short however long the orders are, and a search."""

from collections.abc import Callable, Iterable, Mapping, Sequence

from testbench.procedure.serials import compared
from testbench.procedure.valve import Order, Valve
from testbench.station import messages as m
from testbench.station.board import STATES, state_of

LISTED_OF_AN_ORDER = 100
LISTED = 1000
FOUND = 50

States = Mapping[tuple[str, str], str]
_RANK = {state: rank for rank, state in enumerate(("to do", "inconclusive", "void", "rejected", "accepted"))}
assert _RANK.keys() == set(STATES)


def offered(orders: Sequence[Order], states: States) -> tuple[m.OrderLine, ...]:
    """Every order with its valves; of a long one those that are to do, then those that may come again.

    At most ``LISTED_OF_AN_ORDER`` valves of an order and ``LISTED`` in all; the rest is found by ``search``.
    """
    room, lines = LISTED, []
    for order in orders:
        listed = _soonest(order, states, min(room, LISTED_OF_AN_ORDER))
        room -= len(listed)
        lines.append(_line(order, listed, len(order.valves), states))
    return tuple(lines)


def _soonest(order: Order, states: States, most: int) -> Sequence[Valve]:
    if len(order.valves) <= most:
        return order.valves
    return sorted(order.valves, key=lambda valve: _RANK[state_of(order, valve.serial, states)])[:most]


def search(orders: Sequence[Order], states: States, text: str) -> tuple[m.OrderLine, ...]:
    """The valves whose serial number is the text; else begins with it; else holds it. At most ``FOUND`` of them."""
    wanted = compared(text)
    ways: Sequence[Callable[[str], bool]] = (
        lambda serial: serial == wanted,
        lambda serial: serial.startswith(wanted),
        lambda serial: wanted in serial,
    )
    for fits in ways:
        if found := tuple(_found(orders, states, fits)):
            return found
    return ()


def _found(orders: Sequence[Order], states: States, fits: Callable[[str], bool]) -> Iterable[m.OrderLine]:
    room = FOUND
    for order in orders:
        found = [valve for valve in order.valves if fits(valve.serial.casefold())]
        if found:
            yield _line(order, found[:room], len(found), states)
            room -= min(room, len(found))


def _line(order: Order, valves: Sequence[Valve], in_all: int, states: States) -> m.OrderLine:
    return m.OrderLine(
        order=order.number,
        customer=order.customer,
        valves=tuple(
            m.ValveLine.model_validate({
                "serial": valve.serial,
                "valve": valve.in_one_line,
                "state": state_of(order, valve.serial, states),
            })
            for valve in valves
        ),
        in_all=in_all,
    )
