"""The valves that can be chosen, as lines; and what is said of a search."""

from collections.abc import Sequence

from testbench.station.messages import OrderLine

Line = tuple[str, str, tuple[str, str]]
"""Serial number, what else is known, and the order and serial number that it stands for."""


def lines_of(orders: Sequence[OrderLine]) -> list[Line]:
    """A line for each valve that is listed."""
    return [
        (valve.serial, f"{valve.state} · {valve.valve} · {order.order} {order.customer}", (order.order, valve.serial))
        for order in orders
        for valve in order.valves
    ]


def unlisted(orders: Sequence[OrderLine]) -> int:
    """How many valves there are that are not listed."""
    return sum(max(0, order.in_all - len(order.valves)) for order in orders)


def said_of(text: str, found: Sequence[OrderLine]) -> tuple[str, str]:
    """What a search came to, and what to do; nothing where it found one valve."""
    listed, more = len(lines_of(found)), unlisted(found)
    if not listed:
        return f"{text} is on no open order.", "Read the number on the valve again."
    if listed == 1:
        return "", ""
    rest = f" {more} more are not listed." if more else ""
    return f"{text}: {listed} valves.{rest}", "Choose one with the arrow keys, or type more of the number."
