"""The orders on file and how their valves stand, for the commands that show them."""

from collections.abc import Mapping, Set
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from testbench.cli.output import home_of

if TYPE_CHECKING:
    from testbench.procedure.valve import Order


@dataclass(frozen=True, slots=True)
class OnFile:
    """Orders, states, and the files that were refused."""

    orders: "tuple[Order, ...]"
    states: Mapping[tuple[str, str], str]
    released: frozenset[tuple[str, str]] | None
    """(order, serial) of what was released; None where nobody is registered, so that nobody can release."""
    recalled: Set[tuple[str, str]]
    """Valves whose newest run is recalled."""
    without_certificate: Set[tuple[str, str]]
    """Valves whose newest run was accepted and has no certificate that counts."""

    def order(self, number: str) -> "Order":
        """One order.

        Raises:
            OrderUnknownError: there is none of this number.
        """
        from testbench.errors import OrderUnknownError

        for order in self.orders:
            if order.number == number:
                return order
        raise OrderUnknownError(number, tuple(order.number for order in self.orders))


def on_file(home: Path | None) -> OnFile:
    """Read the orders of a home; a file that is refused is said and left out."""
    from testbench.procedure_files.loader import load_orders
    from testbench.wiring import Home, read_store

    folder = home_of(home)
    with read_store(Home(folder)) as store:
        orders, refused = load_orders(folder)
        for refusal in refused:
            click.echo(f"REFUSED {refusal}", err=True)
        released = store.released_of(orders) if store.people() else None
        without = store.without_certificate(orders)
        return OnFile(orders, store.states_of(orders), released, store.recalled_valves(orders), without)
