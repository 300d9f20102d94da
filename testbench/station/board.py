"""The order board: how each order stands, from the newest run of each of its valves. A function of values."""

from collections import Counter
from collections.abc import Container, Mapping, Sequence

from testbench.procedure.valve import Order, Value

STATES = ("to do", "accepted", "rejected", "inconclusive", "void")


class BoardLine(Value):
    """One order in numbers of valves; the states add up to ``valves``, the released are among the accepted."""

    order: str
    customer: str
    procedure: str
    valves: int
    to_do: int
    accepted: int
    rejected: int
    inconclusive: int
    void: int
    released: int | None
    """By their newest run; None where nobody is registered who could release."""
    recalled: int = 0
    """Valves whose newest run is recalled; they stand among the others, too."""
    without_certificate: int = 0
    """Of the released (where nobody can release, of the accepted): no certificate was issued, or it was withdrawn."""


def state_of(order: Order, serial: str, states: Mapping[tuple[str, str], str]) -> str:
    """How a valve stands: by its newest closed run, or to do."""
    return states.get((order.number, serial), "to do")


def board(
    orders: Sequence[Order],
    states: Mapping[tuple[str, str], str],
    released: Container[tuple[str, str]] | None = None,
    recalled: Container[tuple[str, str]] = (),
    without_certificate: Container[tuple[str, str]] = (),
) -> tuple[BoardLine, ...]:
    """The lines of the board, in the order of ``orders``.

    Args:
        orders: as they stand on file.
        states: (order, serial) → verdict or "void" of the newest closed run (``RunStore.states_of``).
        released: (order, serial) of the valves that were released; None where nobody can be.
            One that was tested again since counts only while it is accepted, and one that is recalled not at all.
        recalled: (order, serial) of the valves whose newest run is recalled.
        without_certificate: (order, serial) of the valves whose newest run was accepted and has no certificate that
            counts (``RunReader.without_certificate``).
    """
    lines = []
    for order in orders:
        found = {valve.serial: state_of(order, valve.serial, states) for valve in order.valves}
        count = Counter(found.values())
        good = {(order.number, serial) for serial, state in found.items() if state == "accepted"}
        out = {key for key in good if (released is None or key in released) and key not in recalled}
        lines.append(
            BoardLine.model_validate({
                "order": order.number,
                "customer": order.customer,
                "procedure": order.procedure,
                "valves": len(order.valves),
                **{state.replace(" ", "_"): count[state] for state in STATES},
                "released": None if released is None else len(out),
                "without_certificate": sum(key in without_certificate for key in out),
                "recalled": sum((order.number, valve.serial) in recalled for valve in order.valves),
            })
        )
    return tuple(lines)
