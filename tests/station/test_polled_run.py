"""A run with a transmitter that is asked: both ends of every value on their way to the record."""

import numpy as np
import pytest

from testbench.framing.readings import Reading
from testbench.run.evaluation import rejudged
from testbench.run.record import Verdict
from testbench.run.timing import Stamps
from testbench.station.acquisition import Polled
from tests.station.conftest import BenchInHand

ANSWER_S = 0.023


class PolledBench(BenchInHand):
    """Ten polls a second, each answered in 23 ms."""

    def line(self, psi: float) -> None:
        self.noise = (self.noise + 1) % 3
        reading = Reading(round(psi * 100) + self.noise - 1)
        self.session.take(Polled(self.clock.seconds, self.clock.seconds - ANSWER_S, reading))


@pytest.fixture
def polled(bench, order) -> PolledBench:
    return PolledBench(bench, order)


def test_both_ends_of_every_value_are_in_the_record(polled):
    """In the chunks of the open run and in the sealed traces, on the clock of the run; it is judged by them again."""
    polled.shell()
    kept = polled.store.samples[0]
    assert {sample.at - sample.asked for sample in kept} == {230}
    polled.seat(volume="0.5 mL")
    ((record, traces),) = polled.store.sealed
    assert record.verdict is Verdict.ACCEPTED
    assert all(np.array_equal(trace.at - trace.asked, np.full(len(trace), 230)) for trace in traces)
    assert [stage.finding.timing.stamps for stage in record.stages] == [Stamps.POLLED] * 2
    assert record.stages[0].trace.sha256 == traces[0].sha256()
    assert rejudged(record, traces) == record


def test_a_hold_of_polled_values_is_one_query_longer(polled, bench, order):
    """A value asked for 59.977 s after the first answer is not enough; where nothing is asked the hold ends at 60 s."""
    lengths = []
    for at_hand in (polled, BenchInHand(bench, order)):
        at_hand.shell()
        at_hand.do("end_run")
        ((record, _),) = at_hand.store.sealed
        stage = record.stages[0]
        lengths.append((stage.hold_until - stage.hold_since, stage.finding.held_ms))
    assert lengths == [(601_000, 60_077), (600_000, 60_000)]
