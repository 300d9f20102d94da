"""Captured faults, each read through the same reader as a live line: what became a value, what the gap is called."""

import queue
from pathlib import Path

import pytest

from testbench.instruments.connecting import connect
from testbench.instruments.replays import replay_of
from testbench.station.acquisition import PortLost
from testbench.station.watching import Watch
from tests.captures.make import FAULTS, written

HERE = Path(__file__).parent


def replayed(file):
    """What a watch makes of a whole capture, and every value of it."""
    replay, events = replay_of(file, None), queue.SimpleQueue()
    reader, watch = connect(replay.channel.line, replay.clock, events.put, None, replay.line), Watch(replay.channel)
    reader.start()
    reader._thread.join(20)
    said, values = [], []
    while not events.empty():
        event = events.get()
        if isinstance(event, PortLost) and event.sentence == f"Capture {file.name} has ended.":
            break
        before = watch.values
        watch.take(event)
        if watch.values > before:
            values.append(watch.facts()["last"])
        if not said or said[-1] != watch.sentence:
            said.append(watch.sentence)
    return watch.facts(), values, [sentence for sentence in said if sentence]


def test_every_fault_is_here_as_it_was_typed():
    """tests/captures/make.py writes them."""
    assert {path.stem for path in HERE.glob("*.capture")} == set(FAULTS)
    for name, (channel, steps) in FAULTS.items():
        assert (HERE / f"{name}.capture").read_bytes() == written(channel, steps)


BEGINNING = "No reading: the transmitter said nothing. Check the cable, the supply and the address of this transmitter."


@pytest.mark.parametrize(
    ("name", "values", "gaps", "sentence"),
    [
        (
            "garbage", [250.13, 250.14], {"bytes arrived but none was a valid line": 1},
            ("No reading: bytes arrived but none was a valid line. "
            "Compare what it sends with the form in bench.toml; "
            "without a recorder 'testbench channel watch' shows it."),
        ),
        (
            "wrong-baud", [], {"bytes arrived damaged or without a line end: wrong baud rate or framing?": 1},
            ("No reading: bytes arrived damaged or without a line end: wrong baud rate or framing? "
            "Check baud, byte_size and parity in bench.toml; 'testbench channel find --listen' tries them."),
        ),
        ("cut-line", [250.13, 250.15, 250.16], {}, BEGINNING),
        (
            "unplugged", [250.13, 250.14], {"the port went away": 1},
            "Port /dev/ttyUSB0 is not there. This is a replay: nothing is connected.",
        ),
        (
            "heap", [250.13, 250.14], {"readings came in one heap, too late to be placed in time": 1},
            ("No reading: readings came in one heap, too late to be placed in time. "
            "Wait; if it comes again, look what holds this machine or its adapter up."),
        ),
        (
            "echo", [250.13], {"our own query came back instead of an answer": 1},
            ("No reading: our own query came back instead of an answer. "
            "Set echoed = true if the adapter echoes; else the transmitter is away."),
        ),
        (
            "late-answer", [250.13, 250.14, 250.15], {"answers came after the time allowed": 1},
            "No reading: answers came after the time allowed. Raise answer_within_s to three times the slowest answer.",
        ),
        (
            "exception", [250.13], {"the transmitter refused the query": 1},
            ("No reading: the transmitter refused the query (exception 4: server device failure). "
            "Check function and addresses in bench.toml with the transmitter's manual."),
        ),
        ("no-answer", [250.13, 250.15], {"the transmitter said nothing": 1}, BEGINNING),
        (
            "cut-answer", [250.13], {"answers broke off": 1},
            "No reading: answers broke off (5 bytes). Check the cable; let no second program read this port.",
        ),
        (
            "two-masters", [250.13], {"two programs or devices spoke on the line at once": 1},
            ("No reading: two programs or devices spoke on the line at once (function 3, asked was 4). "
            "Let one program only use this port, and one master only ask on this line."),
        ),
        (
            "other-unit", [250.13], {"another unit answered": 1},
            ("No reading: another unit answered (unit 7, asked was 1). "
            "Check unit_id in bench.toml and the address set in the transmitter."),
        ),
        (
            "parity-errors", [250.13, 250.14],
            {"bytes arrived damaged or without a line end: wrong baud rate or framing?": 1},
            ("No reading: bytes arrived damaged or without a line end: wrong baud rate or framing? "
            "Check baud, byte_size and parity in bench.toml; 'testbench channel find --listen' tries them."),
        ),
        (
            "frozen", [250.13, 250.14, *[250.15] * 11, 250.16], {"the reading stood still to the last digit": 1},
            "No reading: the reading stood still to the last digit. Check the transmitter.",
        ),
        (
            "over-range", [250.13, 250.14], {"the reading was outside the transmitter's range": 1},
            ("No reading: the reading was outside the transmitter's range. "
            "Check the transmitter and the pressure on another gauge."),
        ),
        (
            "no-number", [250.13, 250.14], {"the transmitter sent no number": 1},
            ("No reading: the transmitter sent no number (register 0 of the block holds nan). "
            "Check the sensor and its cable, and type and order in bench.toml."),
        ),
    ],
)  # fmt: skip
def test_a_captured_fault_is_named_and_never_a_value(name, values, gaps, sentence):
    """The late answer read 111.11, the other unit's 77.77, the two halves of the cut line 250.0 and 0.13."""
    facts, found, said = replayed(HERE / f"{name}.capture")
    assert found == values
    assert facts["gap_reasons"] == gaps
    assert facts["gaps"] == sum(gaps.values())
    assert sentence in said
