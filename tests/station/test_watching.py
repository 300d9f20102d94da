"""What is told of the line of a channel that is watched."""

import pytest

from testbench.framing.readings import Reading, Rejected, RejectReason
from testbench.station.acquisition import Arrived, Polled, PortOpened, Quiet
from testbench.station.watching import SHOWN_BYTES, Watch, escaped


def watched(bench, arrivals: list[float]) -> Watch:
    watch = Watch(bench.channel)
    watch.take(PortOpened(0.0, ""))
    watch.take(Arrived(0.0, b"\r\n"))
    for number, at_s in enumerate(arrivals):
        watch.take(Arrived(at_s, f"{250 + number % 7 / 100:+08.2f}\r\n".encode()))
    return watch


def test_the_derived_line_of_the_arrivals_is_told(bench):
    """Ten a second by a clock that is 100 ppm slow, every fourth 6 ms late."""
    watch = watched(bench, [1 + 0.10001 * n + (0.006 if n % 4 == 0 else 0) for n in range(1_000)])
    found = watch.facts()["sample_time"]
    assert found["derived"] == "by line fit"
    assert found["period_s"] == pytest.approx(0.10001, abs=2e-7)
    assert (found["samples"], found["missing"], found["nominal_hz"]) == (1_000, 0, 10.0)
    assert found["drift_ppm"] == pytest.approx(100, abs=2)
    assert found["residual_rms_s"] == pytest.approx(0.003, abs=1e-4)
    assert found["residual_max_s"] == pytest.approx(0.006, abs=2e-4)


def test_an_unusual_rate_has_no_drift(bench):
    """Eleven a second: against what?"""
    found = watched(bench, [1 + n / 11 for n in range(100)]).facts()["sample_time"]
    assert (found["nominal_hz"], found["drift_ppm"]) == (None, None)


@pytest.mark.parametrize("arrivals", [[], [1.0], [1 + n / 10 for n in range(19)]])
def test_of_few_arrivals_no_line_is_told(bench, arrivals):
    """The other figures are."""
    facts = watched(bench, arrivals).facts()
    assert (facts["values"], facts["sample_time"]) == (len(arrivals), None)


def test_of_a_polled_channel_no_line_is_told(bench):
    """It has no clock of its own; what answers take is told instead."""
    watch = Watch(bench.channel)
    for number in range(100):
        watch.take(Polled(1 + number / 10, 1 + number / 10 - 0.02, Reading(25_000 + number % 7)))
    assert watch.facts()["sample_time"] is None
    assert watch.facts()["slowest_answer_s"] == pytest.approx(0.02)


def test_the_newest_rejected_bytes_are_told_with_their_reason(bench):
    """Escaped, the last three; and the fault does not send elsewhere for them."""
    watch = Watch(bench.channel)
    watch.take(PortOpened(0.0, ""))
    watch.take(Arrived(0.1, b"\r\n"))
    for number in range(5):
        watch.take(Arrived(1 + number, b"P=25%d\xff\\\r\n" % number))
    facts = watch.facts()
    why = "line does not fit the number format"
    assert facts["rejected_newest"] == [{"bytes": f"P=25{n}\\xff\\\\\\r", "reason": why} for n in (2, 3, 4)]
    assert facts["fault"] == (
        "No reading: bytes arrived but none was a valid line. "
        "Compare the newest rejected bytes, shown here, with the form of the line in its settings."
    )
    assert watch.sentence == (
        "No reading: bytes arrived but none was a valid line. "
        "Compare what it sends with the form in bench.toml; without a recorder 'testbench channel watch' shows it."
    )


@pytest.mark.parametrize(
    ("raw", "shown"),
    [(b"A" * SHOWN_BYTES, "A" * 64), (b"A" * (SHOWN_BYTES + 1), "A" * 64 + "… (65 bytes)"), (b"\x1b[2J", "\\x1b[2J")],
)
def test_what_is_shown_of_bytes_is_bounded_and_moves_no_cursor(raw, shown):
    """64 of them at most."""
    assert escaped(raw) == shown


def test_a_line_that_never_gave_a_reading_is_one_gap_from_its_start(bench):
    """With its reason: silent first, garbage as soon as there is some."""
    watch = Watch(bench.channel)
    assert (watch.facts()["gaps"], watch.facts()["gap_reasons"]) == (0, {})
    watch.take(PortOpened(0.0, ""))
    watch.take(Quiet(2.0))
    assert (watch.facts()["gaps"], watch.facts()["gap_reasons"]) == (1, {"the transmitter said nothing": 1})
    watch.take(Arrived(3.0, b"\r\nP\r\n"))
    assert watch.facts()["gap_reasons"] == {"bytes arrived but none was a valid line": 1}


@pytest.mark.parametrize(("first_s", "gaps"), [(1.0, {}), (1.1, {"the transmitter said nothing": 1})])
def test_a_long_silence_before_the_first_reading_is_a_gap(bench, first_s, gaps):
    """Longer than twice stale_after_s = 0.5 s, for the first line may be half of one."""
    watch = watched(bench, [first_s])
    assert watch.facts()["gap_reasons"] == gaps


def polled(bench, *answers: tuple[float, RejectReason | None]) -> Watch:
    watch = Watch(bench.channel)
    watch.take(PortOpened(0.0, ""))
    for number, (at_s, reason) in enumerate(answers):
        found = Reading(25_000 + number) if reason is None else Rejected(b"", reason)
        watch.take(Polled(at_s, at_s - 0.3, found))
    return watch


def test_a_device_late_with_every_second_answer_is_not_called_silent(bench):
    """Its late answer comes while the reading before is still fresh; the silence after it is the recorder's own."""
    watch = polled(bench, (1.0, None), (1.4, RejectReason.NO_ANSWER), (1.45, RejectReason.LATE))
    watch.take(Quiet(1.6))
    assert watch.sentence == (
        "No reading: answers came after the time allowed. Raise answer_within_s to three times the slowest answer."
    )
    watch.take(Polled(2.4, 2.3, Reading(25_010)))
    assert watch.facts()["gap_reasons"] == {"answers came after the time allowed": 1}


def test_a_device_that_dies_after_a_late_answer_is_called_silent(bench):
    """The query after it stays without an answer, too, and nothing more comes."""
    reasons = (RejectReason.NO_ANSWER, RejectReason.LATE, RejectReason.NO_ANSWER)
    watch = polled(bench, (1.0, None), *((1.1 + n / 10, reason) for n, reason in enumerate(reasons)))
    watch.take(Quiet(1.6))
    assert watch.facts()["gap_reasons"] == {"the transmitter said nothing": 1}
    watch = polled(bench, (1.0, None), (1.2, RejectReason.LATE), (1.3, None))
    watch.take(Quiet(1.9))
    assert watch.facts()["gap_reasons"] == {"the transmitter said nothing": 1}
