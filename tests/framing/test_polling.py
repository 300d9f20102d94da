"""The course of a polled line in simulated time: when queries go out, and that no answer is taken for another's."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.framing.checksums import crc16
from testbench.framing.modbus import Block, Function, ReadQuery, TcpConversation
from testbench.framing.polling import Answered, Poller, Timing
from testbench.framing.readings import Reading, Rejected, RejectReason
from testbench.framing.registers import RegisterMap, RegisterType, RegisterValue

T = 0.1  # the time-out
BLOCK = Block(ReadQuery(1, Function.INPUT_REGISTERS, 0, 1), RegisterMap((RegisterValue(0, RegisterType.UINT16),)))


def answer(number: int) -> bytes:
    """What unit 1 answers; its register holds the number of the query, so that a stale answer can be told."""
    body = bytes([1, 4, 2]) + number.to_bytes(2, "big")
    return body + crc16(body).to_bytes(2, "little")


class Line:
    """A poller and a device on a line without hardware; time jumps from event to event."""

    def __init__(self, every_s=0.02, gap_s=0.0, poller=None):
        self.poller = poller or Poller(BLOCK.rtu(), Timing(every_s, T, gap_s))
        self.now = 0.0
        self.sent: list[float] = []
        self.coming: list[tuple[float, bytes]] = []
        self.results: list[tuple[int, Answered]] = []
        self.poller.opened(0.0)

    def run(self, until, delay):
        """Let time pass.

        Args:
            until: to this moment.
            delay: what the device needs for the query of this number; None: it loses it.
        """
        while True:
            arrival = min(self.coming, default=(float("inf"), b""))
            self.now = min(arrival[0], self.poller.next_s)
            if self.now > until:
                return
            if arrival[0] <= self.poller.next_s:
                self.coming.remove(arrival)
                self.note(self.poller.feed(self.now, arrival[1]))
                continue
            query, settled = self.poller.wake(self.now)
            self.note(settled)
            if query:
                number = len(self.sent)
                self.sent.append(self.now)
                needed = delay(number)
                if needed is not None:
                    self.coming.append((self.now + needed, answer(number)))

    def note(self, settled):
        self.results += [(len(self.sent) - 1, item) for item in settled]

    def readings(self):
        """Number of the query that was open, and number of the query that was answered."""
        return [(asked, item.found.counts) for asked, item in self.results if isinstance(item.found, Reading)]

    def reasons(self):
        return [item.found.reason for _, item in self.results if isinstance(item.found, Rejected)]


def test_a_device_that_answers_in_time_is_asked_at_its_pace():
    """Every 20 ms, by absolute times, so that no delay adds up."""
    line = Line(every_s=0.02)
    line.run(2.09, lambda number: 0.015 if number % 2 else 0.001)
    assert [number for number, _ in line.readings()] == list(range(len(line.sent)))[: len(line.readings())]
    assert line.sent == pytest.approx([T + 0.02 * number for number in range(100)])
    assert line.reasons() == []


def test_both_ends_of_a_poll_are_stamped():
    """The value was measured between them."""
    line = Line()
    line.run(0.15, lambda _: 0.005)
    answered = line.results[0][1]
    assert (answered.sent_s, answered.at_s) == pytest.approx((0.1, 0.105))


def test_a_slow_device_gets_its_next_query_after_the_silence_of_its_protocol():
    """MODBUS over Serial Line V1.02, 2.5.1.1 (from memory): 3.5 characters, 1.75 ms above 19 200 baud."""
    line = Line(every_s=0.001, gap_s=0.00175)
    line.run(1.0, lambda _: 0.005)
    distances = [later - earlier for earlier, later in pairwise(line.sent)]
    assert distances == pytest.approx([0.00675] * len(distances))


def test_an_answer_that_stays_out_costs_five_time_outs():
    """Time-out, one more of silence, the doubtful answer, three of silence; then values again."""
    line = Line()
    line.run(2.0, lambda number: None if number == 3 else 0.001)
    assert [number for number, _ in line.readings()][:6] == [0, 1, 2, 5, 6, 7]
    assert line.reasons() == [RejectReason.NO_ANSWER, RejectReason.DOUBTFUL]
    assert line.sent[4] - line.sent[3] == pytest.approx(2 * T)
    assert line.sent[5] - line.sent[3] == pytest.approx(5 * T + 0.001)


@pytest.mark.parametrize("late", [1.01, 1.5, 1.99, 2.0, 2.01, 2.5, 2.99])
def test_an_answer_after_the_time_out_is_never_matched_to_a_later_query(late):
    """One late answer among prompt ones, at any time up to three time-outs."""
    line = Line()
    line.run(3.0, lambda number: late * T if number == 5 else 0.001)
    assert all(asked == answered for asked, answered in line.readings())
    assert len(line.readings()) > 50
    assert {RejectReason.LATE, RejectReason.DOUBTFUL} & set(line.reasons())


@given(delay=st.floats(1.001, 30))
def test_a_device_that_always_answers_too_late_gives_no_value(delay):
    """Reference measurements: common clients hand out the previous answer from then on."""
    line = Line()
    line.run(60 * T, lambda _: delay * T)
    assert line.readings() == []
    assert len(line.sent) > 3


@given(delays=st.lists(st.none() | st.floats(0.001, 2.999), min_size=1, max_size=60))
def test_whatever_a_device_does_within_three_time_outs_no_value_is_stale(delays):
    """Lost, prompt and late answers in any order, even overtaking each other."""
    line = Line()
    line.run(100 * T, lambda number: (delays[number % len(delays)] or 0) * T or None)
    assert all(asked == answered for asked, answered in line.readings())


@given(lost=st.sets(st.integers(0, 40)), delay=st.floats(0.001, 0.99))
def test_a_sound_device_with_losses_gives_every_other_value(lost, delay):
    """Distrust costs the answers around a loss, never the line."""
    line = Line()
    line.run(60 * T + 5 * T * len(lost), lambda number: None if number in lost else delay * T)
    answered = {number for number, _ in line.readings()}
    assert set(range(43, len(line.sent) - 1)) <= answered


def test_bytes_that_nobody_asked_for_are_followed_by_silence():
    """Another master on the line, or an answer to another program: nothing is sent into it."""
    line = Line()
    line.coming = [(0.211 + 0.05 * n, b"\x07") for n in range(40)]
    line.run(5.0, lambda _: 0.001)
    assert not [sent for sent in line.sent if 0.211 < sent < 0.211 + 0.05 * 39 + 3 * T]
    assert line.poller.late == 40
    assert line.sent[-1] > 4.9


def test_a_program_that_stood_still_does_not_believe_what_it_finds():
    """Suspended between query and answer: the answer lies in the buffer, and when it came is not known."""
    poller = Poller(BLOCK.rtu(), Timing(0.02, T))
    poller.opened(0.0)
    assert poller.wake(T)[0] == BLOCK.query.rtu()
    found = poller.feed(60.0, answer(0))
    assert [item.found.reason for item in found] == [RejectReason.NO_ANSWER, RejectReason.LATE]


def test_after_a_standstill_missed_queries_are_not_made_up_for():
    """One query, then the old pace."""
    poller = Poller(BLOCK.rtu(), Timing(0.02, T))
    poller.opened(0.0)
    sent = []
    for now in (T, 10.003):
        assert poller.wake(now)[0]
        poller.feed(now + 0.001, answer(0))
    while poller.next_s < 10.09:
        sent.append(poller.next_s)
        assert poller.wake(poller.next_s)[0]
        poller.feed(sent[-1] + 0.001, answer(0))
    assert sent == pytest.approx([10.02, 10.04, 10.06, 10.08])


def test_on_tcp_a_late_answer_is_told_by_its_number():
    """MODBUS Messaging on TCP/IP V1.0b (from memory): the transaction identifier pairs query and answer.

    The answer beside it is doubtful all the same, and the wait for it no longer than for any other.
    """
    poller = Poller(TcpConversation(BLOCK), Timing(0.02, T))
    poller.opened(0.0)
    first, _ = poller.wake(T)
    assert poller.wake(2 * T)[1][0].found == Rejected(b"", RejectReason.NO_ANSWER)
    second, _ = poller.wake(3 * T)
    late = first[:2] + bytes([0, 0, 0, 5, 1, 4, 2, 0, 77])
    found = poller.feed(3 * T + 0.01, late)
    assert [item.found for item in found] == [Rejected(late, RejectReason.LATE)]
    own = second[:2] + bytes([0, 0, 0, 5, 1, 4, 2, 0, 78])
    assert poller.next_s == pytest.approx(4 * T)
    assert poller.feed(3 * T + 0.02, own)[0].found == Rejected(own, RejectReason.DOUBTFUL)
    third, _ = poller.wake(6 * T + 0.02)
    assert poller.feed(6 * T + 0.03, third[:2] + own[2:])[0].found == Reading(78)


def test_on_tcp_a_late_answer_under_the_newest_number_is_no_value_either():
    """pymodbus 3.16.1's server answers so: the number on a late answer is that of the query which came last."""
    poller = Poller(TcpConversation(BLOCK), Timing(0.02, T))
    poller.opened(0.0)
    poller.wake(T)
    poller.wake(2 * T)
    second, _ = poller.wake(3 * T)
    stale = second[:2] + bytes([0, 0, 0, 5, 1, 4, 2, 0, 77])
    assert poller.feed(3 * T + 0.01, stale)[0].found == Rejected(stale, RejectReason.DOUBTFUL)
