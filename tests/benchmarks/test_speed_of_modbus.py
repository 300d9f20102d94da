"""How often a Modbus RTU device is asked, and whose answer is taken for whose, beside two other masters in one run.

Figures are printed (``pytest tests/benchmarks -m benchmark -s``); no time is asserted, only that our master hands out
no answer to an earlier query. The other two do, by their design: RTU has no transaction number. Goals: 10, 25 and 50
polls a second at 9600, 19200 and 115200.
"""

import importlib
import os
import queue
import subprocess
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from testbench.framing.readings import Reading
from testbench.instruments.clocks import SystemClock
from testbench.instruments.polled import PollingReader
from testbench.station.acquisition import Polled
from testbench.station.line_settings import LINE_SETTINGS
from tests.benchmarks.processes import program, say

SECONDS = float(os.environ.get("MODBUS_SECONDS", "5"))
DEVICE_S = 0.005
Found = list[tuple[float, int | None]]
"""When each query was sent [100 µs], and the moment that its answer holds; None where none was handed out."""


@contextmanager
def device(folder: Path, baud: int, late_every: int, late_s: float) -> Iterator[Path]:
    link = folder / f"modbus-{time.monotonic_ns()}.tty"
    process = program("modbus_responder", link, baud, DEVICE_S, late_every, late_s, stdout=subprocess.PIPE)
    assert process.stdout.readline() == "listening\n"
    yield link
    process.terminate()
    process.wait(10)
    process.stdout.close()


def ours(link: Path, baud: int, every_s: float, within_s: float) -> Found:
    settings = {
        "protocol": "modbus-rtu", "port": str(link), "baud": baud, "parity": "none", "function": 4,
        "poll_every_s": every_s, "answer_within_s": within_s,
        "values": [{"address": 0, "type": "uint32", "scale": "1", "decimals": 0}],
    }  # fmt: skip
    clock, events = SystemClock(), queue.SimpleQueue()
    reader = PollingReader(LINE_SETTINGS.validate_python(settings), clock, events.put)
    reader.start()
    time.sleep(SECONDS)
    reader.stop()
    polled = [event for event in iter_of(events) if isinstance(event, Polled)]
    began = clock._start_ns / 1e5
    return [(began + e.sent_s * 1e4, e.found.counts if isinstance(e.found, Reading) else None) for e in polled]


def iter_of(events: queue.SimpleQueue) -> Iterator[object]:
    while not events.empty():
        yield events.get()


def asked(ask: Callable[[], int | None], every_s: float) -> Found:
    """A plain loop round another master's call."""
    found, due = [], time.monotonic()
    end = due + SECONDS
    while due < end:
        time.sleep(max(0.0, due - time.monotonic()))
        sent = time.monotonic_ns() / 1e5
        found.append((sent, ask()))
        due = max(due + every_s, time.monotonic())
    return found


def with_pymodbus(link: Path, baud: int, every_s: float, within_s: float) -> Found:
    from pymodbus.client import ModbusSerialClient
    from pymodbus.exceptions import ModbusException

    client = ModbusSerialClient(str(link), baudrate=baud, timeout=within_s, retries=0)
    client.connect()

    def ask() -> int | None:
        try:
            found = client.read_input_registers(0, count=2, device_id=1)
        except ModbusException:
            return None
        return None if found.isError() else found.registers[0] << 16 | found.registers[1]

    found = asked(ask, every_s)
    client.close()
    return found


def with_minimalmodbus(link: Path, baud: int, every_s: float, within_s: float) -> Found:
    minimalmodbus = importlib.import_module("minimalmodbus")
    device = minimalmodbus.Instrument(str(link), 1)
    device.serial.baudrate, device.serial.timeout = baud, within_s

    def ask() -> int | None:
        try:
            return device.read_long(0, functioncode=4)
        except minimalmodbus.ModbusException:
            return None

    found = asked(ask, every_s)
    device.serial.close()
    return found


MASTERS = {"ours": ours, "pymodbus": with_pymodbus, "minimalmodbus": with_minimalmodbus}


@pytest.mark.benchmark
@pytest.mark.timeout(SECONDS * 6 + 60)
@pytest.mark.parametrize(("baud", "hertz"), [(9600, 10), (19200, 25), (115200, 50)])
def test_a_device_is_asked_often_enough_and_no_answer_is_taken_for_another(tmp_path, baud, hertz):
    """First a device in time, then one that answers each seventh query after the time-out."""
    warnings.simplefilter("ignore")
    within_s = 3 * (DEVICE_S + 17 * 11 / baud)
    say(f"\n{baud} baud, {hertz} polls a second, {SECONDS:.0f} s, time-out {within_s * 1e3:.0f} ms")
    for name, master in MASTERS.items():
        said = []
        for late_every in (0, 7):
            with device(tmp_path, baud, late_every, 1.5 * within_s) as link:
                found = master(link, baud, 1 / hertz, within_s)
            values = [(sent, value) for sent, value in found if value is not None]
            stale = sum(value < sent for sent, value in values)
            said.append((len(values) / SECONDS, stale, len(values)))
        (rate, *_), (_, stale, values) = said
        say(f"  {name:14} {rate:5.1f} values a second; with late answers {stale} stale of {values} handed out")
        if name == "ours":
            assert stale == 0
