"""Devices at the other end of a line: pymodbus's server with faults, and a pair of ttys to reach it by."""

import asyncio
import contextlib
import os
import pty
import queue
import select
import threading
import tty

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from testbench.framing.readings import Reading, Rejected
from testbench.instruments.clocks import SystemClock
from testbench.instruments.polled import PollingReader
from testbench.station.acquisition import Polled
from testbench.station.line_settings import LINE_SETTINGS


class TtyPair:
    """Two ttys joined by a thread, as by a crossed cable."""

    def __init__(self):
        self.heard = bytearray()
        """All that came from our side."""
        self._ends = [pty.openpty() for _ in range(2)]
        for _, slave in self._ends:
            tty.setraw(slave)
        self.theirs, self.ours = (os.ttyname(slave) for _, slave in self._ends)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._pump)
        self._thread.start()

    def _pump(self):
        theirs, ours = (master for master, _ in self._ends)
        while not self._stop.is_set():
            for end in select.select([theirs, ours], [], [], 0.02)[0]:
                with contextlib.suppress(OSError):
                    data = os.read(end, 4096)
                    if end == ours:
                        self.heard += data
                    os.write(ours if end == theirs else theirs, data)

    def close(self):
        self._stop.set()
        self._thread.join()
        for master, slave in self._ends:
            os.close(slave)
            os.close(master)


class Device:
    """pymodbus's server; register 0 counts the queries that it has served, register 2 and 3 hold a float32.

    ``delays`` and ``spoil`` are its faults: what it needs for query n, and what becomes of the bytes of answer n.
    """

    def __init__(self, clock, **server):
        self.served_at: list[float] = []
        self.delay = lambda _: 0.0
        self.spoil = lambda _, data: data
        self.refuse = lambda _: None
        self.float_bits = (0x437A, 0x2148)  # 250.13 as float32
        self._clock, self._server = clock, server
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()
        self._answers = 0

    async def _action(self, function, start, address, count, registers, values):
        number = len(self.served_at)
        self.served_at.append(self._clock.elapsed_s())
        registers[0 - start] = number
        registers[2 - start], registers[3 - start] = self.float_bits
        await asyncio.sleep(self.delay(number))
        return self.refuse(number)

    def _trace(self, sending, data):
        if not sending:
            return data
        self._answers += 1
        return self.spoil(self._answers - 1, data)

    async def _serve(self):
        context = SimDevice(1, simdata=[SimData(0, values=[0] * 8, datatype=DataType.REGISTERS)], action=self._action)
        kind = ModbusSerialServer if "port" in self._server else ModbusTcpServer
        self.server = kind(context, trace_packet=self._trace, **self._server)
        await self.server.serve_forever(background=True)

    def start(self):
        asyncio.run_coroutine_threadsafe(self._serve(), self._loop).result(10)
        return self

    def stop(self):
        asyncio.run_coroutine_threadsafe(self.server.shutdown(), self._loop).result(10)

    def close(self):
        with contextlib.suppress(Exception):
            self.stop()
        asyncio.run_coroutine_threadsafe(self._end_all(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    async def _end_all(self):
        owed = asyncio.all_tasks() - {asyncio.current_task()}
        for task in owed:
            task.cancel()
        await asyncio.gather(*owed, return_exceptions=True)

    @property
    def tcp_port(self):
        return self.server.transport.sockets[0].getsockname()[1]


class Polls:
    """What a polling reader delivered."""

    def __init__(self):
        self.events = queue.SimpleQueue()
        self.polled: list[Polled] = []
        self.others = []

    def until(self, enough, timeout=20):
        """Take events until a condition on those so far holds."""
        while not enough(self):
            event = self.events.get(timeout=timeout)
            if isinstance(event, Polled):
                self.polled.append(event)
            else:
                self.others.append(event)
        return self

    @property
    def values(self):
        return [event.found for event in self.polled if isinstance(event.found, Reading)]

    @property
    def rejected(self):
        return [event.found for event in self.polled if isinstance(event.found, Rejected)]

    @property
    def reasons(self):
        return {item.reason for item in self.rejected}


@pytest.fixture
def clock():
    return SystemClock()


@pytest.fixture
def ttys():
    pair = TtyPair()
    yield pair
    pair.close()


@pytest.fixture
def poll(clock):
    """Start readers by their settings; they are stopped at the end."""
    readers = []

    def start(**settings):
        polls = Polls()
        reader = PollingReader(LINE_SETTINGS.validate_python(settings), clock, polls.events.put)
        readers.append(reader)
        reader.start()
        polls.reader = reader
        return polls

    yield start
    for reader in readers:
        reader.stop()


COUNTER = ({"address": 0, "type": "uint16", "scale": "1", "decimals": 0},)
TIME_OUT_S = 0.1
AMPLE_S = 0.5
"""A time-out that a busy machine does not miss, for devices that answer at once."""


@pytest.fixture(params=["modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp"])
def modbus(request, clock):
    """A device behind one of the three transports, and the settings that reach it."""
    settings = {
        "protocol": request.param, "function": 4, "values": COUNTER,
        "poll_every_s": 0.01, "answer_within_s": AMPLE_S,
    }  # fmt: skip
    pair = None
    if request.param == "modbus-rtu":
        pair = TtyPair()
        device = Device(clock, framer=FramerType.RTU, port=pair.theirs, baudrate=115200, parity="N").start()
        settings |= {"port": pair.ours, "baud": 115200}
    else:
        framer = FramerType.SOCKET if request.param == "modbus-tcp" else FramerType.RTU
        device = Device(clock, framer=framer, address=("127.0.0.1", 0)).start()
        settings |= {"host": "127.0.0.1", "tcp_port": device.tcp_port}
    yield device, settings
    device.close()
    if pair is not None:
        pair.close()
