"""Captures as text: byte for byte, good up to the last whole line, and changed by nobody."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import CaptureDamagedError
from testbench.framing.capture import SEALED_EVERY, CaptureText, Header, Step, StepKind, read_capture

HEADER = Header("0.1.0", "2026-11-25T08:00:00.000+00:00", 0.5, {"tag": "PT-101"})
UTC = "2026-11-25T08:01:00.000+00:00"

WITH_BYTES = {StepKind.RECEIVED, StepKind.SENT}
counters = st.lists(st.integers(0, 2**31), min_size=5, max_size=5).map(lambda five: " ".join(map(str, five)))
steps_of = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(sorted(WITH_BYTES)), st.binary(max_size=40).map(lambda data: data.decode("latin-1"))),
        st.tuples(st.just(StepKind.COUNTED), counters),
        st.tuples(st.sampled_from(sorted(set(StepKind) - WITH_BYTES - {StepKind.COUNTED})), st.text(max_size=20)),
    ),
    max_size=30,
)
times = st.floats(0, 10, allow_nan=False)


def written(steps, *, end=True):
    text = CaptureText()
    data = text.header(HEADER)
    for step in steps:
        data += text.step(step)
        if text.owes_seal:
            data += text.seal(step.at_s, UTC)
    return data + (text.seal(99.0, UTC, end=True) if end else b"")


@given(steps=steps_of, waits=st.lists(times, min_size=30, max_size=30))
def test_what_was_written_is_read_again(steps, waits):
    """Every byte and every stamp, to the last bit."""
    at, wanted = 0.5, []
    for (kind, said), wait in zip(steps, waits, strict=False):
        at += wait
        wanted.append(Step(at, StepKind(kind), said))
    found = read_capture("x", written(wanted))
    assert (found.header, list(found.steps), found.ended, found.unsealed) == (HEADER, wanted, True, 0)


STEPS = [Step.of(1.0 + n / 10, StepKind.RECEIVED, bytes([n, 255 - n, 13, 10])) for n in range(5)]


def test_a_capture_that_was_cut_off_is_good_up_to_its_last_whole_line():
    """Cut at every byte: always a beginning of the steps, never a half one."""
    whole = written(STEPS)
    first = whole.index(b"\n") + 1
    for cut in range(first, len(whole)):
        found = read_capture("x", whole[:cut])
        assert list(found.steps) == STEPS[: whole[first:cut].count(b"\n")]
        assert (found.ended, found.unsealed) == (False, len(found.steps))


def test_nothing_may_be_changed_before_a_seal():
    """Every single byte of a sealed capture, one at a time."""
    whole = written(STEPS)
    last = whole.rindex(b"\n", 0, -1) + 1
    for place in range(last):
        changed = whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :]
        with pytest.raises(CaptureDamagedError):
            read_capture("x", changed)


def test_a_seal_stands_every_few_hundred_steps():
    """What a crash leaves unvouched for is no more than that."""
    many = [Step(1.0, StepKind.QUIET) for _ in range(SEALED_EVERY + 3)]
    assert read_capture("x", written(many, end=False)).unsealed == 3


BEGUN = written([], end=False)


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "Capture x, line 1: found no whole line."),
        (b"+0250.13\r\n", "Capture x, line 1: found no JSON object."),
        (b"[]\n", "Capture x, line 1: found no JSON object."),
        (b'{"capture": 2, "at": 0, "channel": {}}\n', "Capture x, line 1: found no header of a capture."),
        (BEGUN + b'{"at": 1}\n', "Capture x, line 2: found no step of a capture."),
        (BEGUN + b'{"at": 0.4, "quiet": ""}\n', "Capture x, line 2: found the time 0.4 after a later one."),
        (BEGUN + b'{"at": NaN, "quiet": ""}\n', "Capture x, line 2: found the time nan after a later one."),
        (
            BEGUN + b'{"at": 1, "received": "\\u0100"}\n',
            "Capture x, line 2: found characters that are no bytes.",
        ),
        (
            BEGUN + b'{"at": 1, "counted": "0 0 -1 0 0"}\n',
            "Capture x, line 2: found counters that are not 5 whole numbers.",
        ),
        (written([]) + b'{"at": 100, "quiet": ""}\n', "Capture x, line 3: found a line after the end."),
        (
            BEGUN + b'{"at": 1, "sha256": "00"}\n',
            "Capture x, line 2: found a seal that does not fit the lines before it.",
        ),
    ],
)  # fmt: skip
def test_what_is_no_capture_is_refused_with_its_line(data, sentence):
    """Nothing is guessed."""
    with pytest.raises(CaptureDamagedError) as refusal:
        read_capture("x", data)
    assert str(refusal.value) == sentence
    assert refusal.value.remedy == "Take the capture again, or use a copy that nobody changed."
