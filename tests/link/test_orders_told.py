"""The orders cross the link when they change; a client puts them into every update, and asks for what it missed."""

import queue

import pytest

from testbench.link.client import LinkClient, OrdersTold
from testbench.link.server import LinkServer
from testbench.run.record import Origin
from testbench.station import messages as m

SIGNAL = m.Signal(state="good", unit="psi", decimals=2)


def line(order: str) -> m.OrderLine:
    return m.OrderLine(order=order, customer="Ellery Water Board", valves=())


def update(revision: int, *orders: str, told: bool = True) -> m.Update:
    return m.Update(
        sequence=1, bench="B1", utc="", at_s=0, origin=Origin.LIVE, signal=SIGNAL, instruction="",
        orders=tuple(map(line, orders)) if told else None, orders_revision=revision,
    )  # fmt: skip


def test_every_update_has_the_orders_told_last():
    """None on the wire is not none on order."""
    told = OrdersTold()
    assert told.put_in(update(1, "A")) == (update(1, "A"), False)
    assert told.put_in(update(1, told=False)) == (update(1, "A"), False)
    assert told.put_in(update(2)) == (update(2), False)  # nothing is on order now
    assert told.put_in(update(2, told=False)) == (update(2), False)


def test_a_missed_change_is_asked_for_once():
    """A slow screen was left out; until the answer comes it shows what it has."""
    told = OrdersTold()
    told.put_in(update(1, "A"))
    assert told.put_in(update(2, told=False)) == (update(2, "A"), True)
    assert told.put_in(update(2, told=False)) == (update(2, "A"), False)
    assert told.put_in(update(3, told=False))[1]
    assert told.put_in(update(3, "B")) == (update(3, "B"), False)
    assert told.put_in(update(3, told=False)) == (update(3, "B"), False)


def test_over_a_socket(tmp_path):
    """The client asks with attach by itself."""
    heard: queue.SimpleQueue[tuple[int, bytes]] = queue.SimpleQueue()
    server = LinkServer(tmp_path, lambda client, data: heard.put((client, data)))
    server.start()
    client = LinkClient(tmp_path)
    client.send(m.StartStage(request="start_stage"))
    heard.get(timeout=5)
    server.broadcast(m.write(update(7, told=False)))
    assert client.receive(5) == [update(7)]
    number, asked = heard.get(timeout=5)
    assert m.read_request(asked) == m.Attach(request="attach")
    server.answer(number, m.write(update(7, "A")))
    assert client.receive(5) == [update(7, "A")]
    client.close()
    server.close()


@pytest.mark.parametrize("text", ["", "x" * 201, "a\nb"])
def test_what_is_sought_is_one_line(text):
    """As everything that somebody types."""
    from testbench.errors import RequestUnreadableError

    with pytest.raises(RequestUnreadableError):
        m.read_request(m.write(m.FindValve.model_construct(request="find_valve", text=text)))
