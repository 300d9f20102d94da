"""Writes the captured faults of this folder; run it from the top of the project. The bytes are typed, not recorded."""

from pathlib import Path

from testbench.framing.capture import CaptureText, Header, Step, StepKind
from testbench.framing.checksums import crc16

HERE = Path(__file__).parent
UTC = "2026-11-25T08:00:00.000+00:00"
PLAIN = {"tag": "PT-101", "instrument": "pressure transmitter 0-1000 psi", "serial": "T-0042", "unit": "psi"}
ASCII = {**PLAIN, "decimals": 2, "line": {"port": "/dev/ttyUSB0"}}
MODBUS = {
    **PLAIN,
    "line": {
        "protocol": "modbus-rtu", "port": "/dev/ttyUSB0", "baud": 19200, "function": 4,
        "poll_every_s": 0.5, "answer_within_s": 0.1,
        "values": [{"address": 0, "type": "uint16", "scale": "0.01", "decimals": 2}],
    },
}  # fmt: skip
EVEN = {**PLAIN, "decimals": 2, "line": {"port": "/dev/ttyUSB0", "parity": "even"}}
HASTY = {**ASCII, "frozen_after_s": 1.0}
WORDY = {
    **PLAIN,
    "line": {
        "protocol": "ascii-line", "port": "/dev/ttyUSB0", "instead": {"OVER": "over range"},
        "parts": [{"part": "number", "decimals": 2, "whole_digits": 4}],
    },
}  # fmt: skip
FLOAT = {
    **PLAIN,
    "line": MODBUS["line"] | {"values": [{"address": 0, "type": "float32", "decimals": 2}]},
}  # fmt: skip
QUERY, FLOAT_QUERY = (
    asked + crc16(asked).to_bytes(2, "little")
    for asked in (bytes.fromhex("010400000001"), bytes.fromhex("010400000002"))
)


def answer(counts: int, unit: int = 1) -> bytes:
    body = bytes([unit, 4, 2]) + counts.to_bytes(2, "big")
    return body + crc16(body).to_bytes(2, "little")


def float_answer(bits: str) -> bytes:
    body = bytes([1, 4, 4]) + bytes.fromhex(bits)
    return body + crc16(body).to_bytes(2, "little")


def exception(code: int) -> bytes:
    body = bytes([1, 0x84, code])
    return body + crc16(body).to_bytes(2, "little")


def line(counts: int) -> bytes:
    return f"{counts / 100:+08.2f}\r\n".encode()


def stream(*chunks, every=0.1):
    """Chunks one after the other; None is a silence."""
    steps = [Step(0.0, StepKind.OPENED, "exclusive")]
    for number, data in enumerate(chunks, 1):
        at = round(number * every, 6)
        steps.append(Step(at, StepKind.QUIET) if data is None else Step.of(at, StepKind.RECEIVED, data))
    return steps


def polls(*answers, query=QUERY):
    """A query every 0.5 s; what came 0.01 s later, or after so many seconds; None where nothing did."""
    steps = [Step(0.0, StepKind.OPENED, "exclusive")]
    for number, said in enumerate(answers):
        at = round(0.1 + 0.5 * number, 6)
        data, after = said if isinstance(said, tuple) else (said, 0.01)
        heard = [] if data is None else [Step.of(round(at + after, 6), StepKind.RECEIVED, data)]
        given_up = [Step(round(at + 0.1, 6), StepKind.QUIET)]
        steps += [Step.of(at, StepKind.SENT, query), *sorted(heard + given_up, key=lambda step: step.at_s)]
    return steps


HEAP = b"".join(line(25013 + n % 5) for n in range(60))
FAULTS = {
    "garbage": (ASCII, stream(b"13\r\n", line(25013), *[b"\x93?\xa7\x01\r\n"] * 8, line(25014))),
    "wrong-baud": (ASCII, stream(*[b"\xf8\x80\x00\xe0\xc3\x1c\xf8\x00\x9e\xf1" * 2] * 12)),
    "cut-line": (ASCII, stream(b"\r\n", line(25013), b"+02", b"50.", b"\r\n", line(25015), b"+0250.1", b"6\r\n")),
    "unplugged": (
        ASCII,
        [
            *stream(b"0.13\r\n", line(25013)),
            Step(0.25, StepKind.CLOSED, "it was unplugged"),
            Step(0.3, StepKind.REFUSED, "Port /dev/ttyUSB0 is not there."), Step(0.5, StepKind.QUIET),
            Step(1.4, StepKind.OPENED, "exclusive"), Step.of(1.41, StepKind.RECEIVED, b"50.13\r\n" + line(25014)),
        ],
    ),
    "heap": (ASCII, [
        *stream(b"\r\n", line(25013)), Step.of(6.0, StepKind.RECEIVED, HEAP),
        Step.of(6.1, StepKind.RECEIVED, line(25014)),
    ]),
    "echo": (MODBUS, polls(answer(25013), *[QUERY] * 4)),
    "late-answer": (MODBUS, polls(answer(25013), (answer(11111), 0.15), answer(25014), answer(25015))),
    "exception": (MODBUS, polls(answer(25013), *[exception(4)] * 4)),
    "no-answer": (MODBUS, polls(answer(25013), None, None, answer(25014), answer(25015))),
    "cut-answer": (MODBUS, polls(answer(25013), *[answer(25014)[:-2]] * 3)),
    "two-masters": (MODBUS, polls(answer(25013), *[bytes.fromhex("010300000002C40B")] * 3)),
    "other-unit": (MODBUS, polls(answer(25013), *[answer(7777, unit=7)] * 3)),
    # \xff\x00x is how the kernel marks a byte x with a parity error: POSIX termios, PARMRK.
    "parity-errors": (EVEN, stream(b"\r\n", line(25013), *[b"+02\xff\x0050.99\r\n"] * 8, line(25014))),
    "frozen": (HASTY, stream(b"\r\n", *[line(25013 + n) for n in range(3)], *[line(25015)] * 15, line(25016))),
    "over-range": (WORDY, stream(b"\r\n", line(25013), *[b"OVER\r\n"] * 8, line(25014))),
    # A quiet NaN and 250.13, 250.14 psi as float32: IEEE 754.
    "no-number": (FLOAT, polls(
        float_answer("437a2148"), *[float_answer("7fc00000")] * 3, float_answer("437a23d7"), query=FLOAT_QUERY
    )),
}  # fmt: skip


def written(channel, steps) -> bytes:
    text = CaptureText()
    data = text.header(Header("0.1.0", UTC, 0.0, channel)) + b"".join(text.step(step) for step in steps)
    return data + text.seal(steps[-1].at_s, UTC, end=True)


if __name__ == "__main__":
    for name, (channel, steps) in FAULTS.items():
        (HERE / f"{name}.capture").write_bytes(written(channel, steps))
