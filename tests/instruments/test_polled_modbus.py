"""The polling driver against pymodbus's server, which shares no code with it: over a pair of ttys and over TCP."""

import socket

import pytest
from pymodbus import FramerType
from pymodbus.constants import ExcCodes

from testbench.framing.checksums import crc16
from testbench.framing.readings import Reading, RejectReason
from testbench.station.acquisition import PortLost, PortOpened
from tests.instruments.conftest import COUNTER, Device
from tests.instruments.conftest import TIME_OUT_S as T


def with_unit(data: bytes, unit: int, *, rtu: bool) -> bytes:
    """A sound frame of another unit."""
    if not rtu:
        return data[:6] + bytes([unit]) + data[7:]
    body = bytes([unit]) + data[1:-2]
    return body + crc16(body).to_bytes(2, "little")


def all_fresh(polls, device) -> bool:
    """Whether each value was served between its query and its answer."""
    return all(
        event.sent_s <= device.served_at[event.found.counts] <= event.at_s
        for event in polls.polled
        if isinstance(event.found, Reading)
    )


def test_every_poll_is_a_value_of_its_own(modbus, poll):
    """One hundred polls: the register counts them, each value lies between its two stamps."""
    device, settings = modbus
    polls = poll(**settings).until(lambda p: len(p.values) >= 100)
    counts = [value.counts for value in polls.values]
    assert counts == list(range(counts[0], counts[0] + 100))
    assert polls.rejected == []
    assert all_fresh(polls, device)
    assert isinstance(polls.others[0], PortOpened)


def test_a_float_register_is_read(modbus, poll):
    """250.13 as float32, rounded to two decimals; NaN when the sensor is gone."""
    device, settings = modbus
    settings |= {"values": ({"address": 2, "type": "float32", "decimals": 2},)}
    polls = poll(**settings).until(lambda p: len(p.values) >= 3)
    assert set(polls.values) == {Reading(25013)}
    device.float_bits = (0x7FC0, 0)
    polls.until(lambda p: len(p.rejected) >= 3)
    assert polls.reasons == {RejectReason.NOT_FINITE}


def test_exception_answers_are_named_and_followed_by_values_at_once(modbus, poll):
    """Every third query is refused with exception 4; the line goes on at its pace."""
    device, settings = modbus
    device.refuse = lambda number: ExcCodes.DEVICE_FAILURE if number % 3 == 0 else None
    polls = poll(**settings).until(lambda p: len(p.values) >= 20)
    assert {item.detail for item in polls.rejected} == {"exception 4: server device failure"}
    assert len(polls.rejected) >= 9
    assert all_fresh(polls, device)


@pytest.mark.parametrize(
    ("spoil", "reasons"),
    [
        ("none", {RejectReason.NO_ANSWER}),
        ("unit", {RejectReason.FOREIGN_UNIT}),
        ("cut", {RejectReason.CUT}),
    ],
)
def test_a_spoilt_answer_is_never_a_value_and_the_line_recovers(modbus, poll, spoil, reasons):
    """Answer 5 stays out, is another unit's, or breaks off."""
    device, settings = modbus
    rtu = settings["protocol"] != "modbus-tcp"
    spoilt = {"none": lambda _: b"", "unit": lambda d: with_unit(d, 7, rtu=rtu), "cut": lambda d: d[:-1]}[spoil]
    device.spoil = lambda number, data: spoilt(data) if number == 5 else data
    polls = poll(**settings).until(lambda p: len(p.values) >= 20)
    assert 5 not in [value.counts for value in polls.values]
    also = {RejectReason.DOUBTFUL}
    if not rtu and spoil == "unit":
        also = set()  # under the right number and of the right length: an answer, though a wrong one
    if not rtu and spoil == "cut":  # the missing byte is taken from the next frame, and the connection is made again
        also = {RejectReason.LATE, RejectReason.BROKEN_STREAM}
    assert polls.reasons == reasons | also
    assert all_fresh(polls, device)


@pytest.mark.parametrize("late", [1.3, 2.3])
def test_answers_after_the_time_out_never_become_values(modbus, poll, late):
    """Every twelfth answer is late by a third of a time-out or more: not one value is stale, and values go on."""
    device, settings = modbus
    settings |= {"answer_within_s": T}
    device.delay = lambda number: late * T if number % 12 == 5 else 0.0
    polls = poll(**settings).until(lambda p: len(p.values) >= 40)
    assert all_fresh(polls, device)
    assert RejectReason.NO_ANSWER in polls.reasons
    assert polls.reader.poller.late > 0 or RejectReason.DOUBTFUL in polls.reasons


def test_a_device_that_is_always_late_gives_no_value_at_all(modbus, poll):
    """1.2 time-outs for every answer: common clients hand out the previous one from then on."""
    device, settings = modbus
    settings |= {"answer_within_s": T}
    device.delay = lambda _: 1.2 * T
    polls = poll(**settings).until(lambda p: len(p.rejected) >= 8)
    assert polls.values == []
    assert RejectReason.NO_ANSWER in polls.reasons


def test_registers_that_the_device_does_not_have_are_refused_by_name(modbus, poll):
    """Exception 2, from the server itself."""
    _, settings = modbus
    settings |= {"values": ({"address": 5000, "type": "uint16", "scale": "1", "decimals": 0},)}
    polls = poll(**settings).until(lambda p: len(p.rejected) >= 3)
    assert {item.detail for item in polls.rejected} == {"exception 2: illegal data address"}


def test_nothing_but_the_query_is_ever_sent(ttys, clock, poll):
    """Through values, exceptions, lost and late answers: all bytes on the line are repetitions of the one query."""
    device = Device(clock, framer=FramerType.RTU, port=ttys.theirs, baudrate=115200, parity="N").start()
    device.refuse = lambda number: ExcCodes.DEVICE_FAILURE if number % 7 == 3 else None
    device.delay = lambda number: 1.5 * T if number % 7 == 5 else 0.0
    polls = poll(
        protocol="modbus-rtu", port=ttys.ours, baud=115200, function=3, values=COUNTER,
        poll_every_s=0.01, answer_within_s=T,
    ).until(lambda p: p.reader.poller.asked >= 30)  # fmt: skip
    polls.reader.stop()
    device.close()
    query = bytes.fromhex("010300000001840A")  # as pymodbus builds it, see tests/framing/test_modbus
    assert len(ttys.heard) >= 30 * len(query)
    assert ttys.heard == query * (len(ttys.heard) // len(query))


def test_a_device_that_went_away_is_asked_again_when_it_is_back(clock, poll):
    """The server stops and comes back on the same TCP port: lost is said once, then values again."""
    device = Device(clock, framer=FramerType.SOCKET, address=("127.0.0.1", 0)).start()
    port = device.tcp_port
    polls = poll(
        protocol="modbus-tcp", host="127.0.0.1", tcp_port=port, function=4, values=COUNTER,
        poll_every_s=0.01, answer_within_s=T,
    ).until(lambda p: len(p.values) >= 5)  # fmt: skip
    device.close()
    polls.until(lambda p: sum(isinstance(event, PortLost) for event in p.others) >= 2)
    lost = [event for event in polls.others if isinstance(event, PortLost)]
    where = f"Device 127.0.0.1:{port} cannot be reached"
    assert [event.sentence for event in lost] == [
        f"{where}: it was unplugged, or the other end hung up.",
        f"{where}: [Errno 111] Connection refused.",
    ]
    assert lost[0].remedy == "Check the device's power, its network cable, and 'host' and 'tcp_port' in bench.toml."
    again = Device(clock, framer=FramerType.SOCKET, address=("127.0.0.1", port)).start()
    values = len(polls.values)
    polls.until(lambda p: len(p.values) >= values + 5)
    again.close()


def test_a_server_that_speaks_another_protocol_is_hung_up_on(poll):
    """A web server on the port of the device."""
    listener = socket.create_server(("127.0.0.1", 0))
    polls = poll(
        protocol="modbus-tcp", host="127.0.0.1", tcp_port=listener.getsockname()[1], function=4, values=COUNTER,
        poll_every_s=0.05, answer_within_s=T,
    )  # fmt: skip
    connection, _ = listener.accept()
    connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
    polls.until(lambda p: any(isinstance(event, PortLost) for event in p.others))
    lost = next(event for event in polls.others if isinstance(event, PortLost))
    assert lost.sentence.endswith("cannot be reached: what the other end sends is not this protocol.")
    polls.reader.stop()
    connection.close()
    listener.close()
