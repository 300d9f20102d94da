"""Several pressure channels on one bench: one decides, all are kept, and those that are compared must agree."""

import json
from dataclasses import replace

import pytest

from testbench.quantities import Pressure
from testbench.run.evaluation import rejudged, same_decision
from testbench.run.machine import Ending
from testbench.run.record import RunRecord, Verdict, canonical
from testbench.station.acquisition import Arrived, PortLost, PortOpened, Quiet
from testbench.station.bench import Bench
from tests.station.conftest import BenchInHand

DISAGREE = (
    "PT-101 reads 504.8 psi and PT-102 484.8 psi: 20.0 psi apart, at most 1.8 psi is allowed; "
    "an engineer must look at this bench."
)


def several(bench: Bench, **more) -> Bench:
    """The bench with a second transmitter on a line of its own, compared with the first."""
    one = json.loads(bench.channel.model_dump_json())
    two = {
        **one,
        "tag": "PT-102",
        "serial": "T-0043",
        "line": one["line"] | {"port": "/dev/second"},
        "calibration": one["calibration"] | {"certificate_number": "CAL-26-0312", "expanded_uncertainty": "1.5 psi"},
    }
    facts = json.loads(bench.model_dump_json()) | {"channels": [one, two], "deciding": "PT-101"}
    del facts["channel"]
    return Bench.model_validate(facts | {"cross_check": [{"channels": ["PT-101", "PT-102"]}]} | more)


class Two(BenchInHand):
    """Both lines at once; ``apart`` is what the second transmitter shows more than the first."""

    def __init__(self, bench, order):
        super().__init__(bench, order)
        self.apart, self.second_silent, self.late = 0.0, False, []
        self.lag = 0
        self.session.take(PortOpened(self.clock.seconds, ""), 1)
        self.session.take(Arrived(self.clock.seconds, b"\r\n"), 1)

    def line(self, psi):
        super().line(psi)
        self.late.append(psi + self.apart)
        shown = self.late[-1 - min(self.lag, len(self.late) - 1)]
        text = b"" if self.second_silent else f"{shown + 0.01 * (self.noise - 1):+08.2f}\r\n".encode()
        event = Arrived(self.clock.seconds, text) if text else Quiet(self.clock.seconds)
        self.session.take(event, 1)

    @property
    def said(self):
        return [notice.sentence for notice in self.see().notices]


@pytest.fixture
def two(bench, order):
    return Two(several(bench), order)


def test_every_channel_is_kept_compared_and_sealed(two):
    """Samples of the second channel are with the first's on disk while the run is open, and sealed as its trace."""
    two.shell()
    two.seat(volume="0.7 mL")
    (record, traces) = two.store.sealed[0]
    assert record.verdict is Verdict.ACCEPTED
    for index, (stage, trace) in enumerate(zip(record.stages, traces, strict=True)):
        (named,), (beside,) = stage.beside, trace.beside
        assert (named.tag, named.trace.samples, named.trace.sha256) == ("PT-102", len(beside), beside.sha256())
        assert [s.counts for s in two.store.beside[index, "PT-102"]] == beside.counts.tolist()
        assert stage.finding.criteria[-1].sentence == (
            "PT-101 and PT-102 agree: at most 0.00 psi apart, 1.80 psi is allowed."
        )
    (second,) = record.beside
    assert (second.channel.serial, second.channel.scale.zero_millicounts, second.zero_check.passed) == (
        "T-0043", 20_000, True
    )  # fmt: skip
    assert second.line is not None
    assert same_decision(rejudged(record, traces), record)
    assert RunRecord.model_validate_json(canonical(record)) == record


def test_the_overview_of_an_accepted_stage_names_its_own_criterion(two):
    """Not that the channels agree: that is a condition of the test, not what it shows of the valve."""
    two.shell()
    two.seat(volume="0.7 mL")
    lines = [line.sentence for line in two.see().run.stages]
    assert not [line for line in lines if "PT-102" in line]
    assert lines[1].startswith("0.7 mL in 60.0 s")


def test_a_bench_with_one_channel_writes_what_it_always_wrote(at_hand):
    """Nothing of several channels stands in its record."""
    at_hand.shell()
    written = canonical(at_hand.session.run)
    assert b'"beside"' not in written
    assert b"cross" not in written


def test_channels_that_disagree_trip_the_stage_with_both_values(two):
    """Whichever of the two is wrong, nobody knows the pressure."""
    two.start("HL-4-0117")
    two.to_hold(505)
    two.apart = -20
    two.hold(505, 3.2)
    assert two.see().stage.ended == "tripped"
    assert two.see().stage.reason == DISAGREE
    two.apart = 0
    two.hold(0.2, 2)
    record = two.store.sealed[0][0]
    assert (record.stages[0].ended, record.verdict) == (Ending.TRIPPED, None)
    assert record.reason == f"The shell test tripped: {DISAGREE}"


@pytest.mark.parametrize(("seconds", "tripped"), [(2.9, False), (3.2, True)])
def test_a_disagreement_must_last(two, seconds, tripped):
    """lag_s = 1 until the window holds nothing that agrees, lasting_s = 2, and the reading that ends the moment."""
    two.start("HL-4-0117")
    two.to_hold(505)
    two.apart = -20
    two.hold(505, seconds)
    assert (two.see().stage.ended == "tripped") is tripped


def test_each_run_is_compared_from_its_own_first_tick(two):
    """A second run of the same zero: nothing that was read before it counts, and its ticks begin anew."""
    two.start("HL-4-0117")
    two.hold(0.2, 60)
    first = two.session.run
    two.do("end_run")
    two.start("HL-4-0117")
    assert two.session.run.beside[0].channel == first.beside[0].channel
    two.apart = 4
    two.hold(0.2, 4)
    assert "PT-101 reads 0.0 psi and PT-102 4.0 psi: 4.0 psi apart, at most 1.8 psi is allowed." in two.said


@pytest.mark.parametrize(("apart", "tripped"), [(1.80, False), (1.85, True)])
def test_a_difference_up_to_both_uncertainties_is_none(two, apart, tripped):
    """U = 1.0 psi and 1.5 psi: root of the sum of squares 1.803 psi; the digits of the simulated noise lie within."""
    two.start("HL-4-0117")
    two.to_hold(505)
    two.apart = apart
    two.hold(505, 20)
    assert (two.see().stage.ended == "tripped") is tripped


def test_a_stated_difference_goes_before_the_uncertainties(bench, order):
    """allowed = "0.5 psi" in bench.toml."""
    two = Two(several(bench, cross_check=[{"channels": ["PT-102", "PT-101"], "allowed": "0.5 psi"}]), order)
    two.start("HL-4-0117")
    two.to_hold(505)
    two.apart = -0.6
    two.hold(505, 4)
    assert two.see().stage.reason == (
        "PT-102 reads 504.2 psi and PT-101 504.8 psi: 0.6 psi apart, at most 0.5 psi is allowed; "
        "an engineer must look at this bench."
    )


@pytest.mark.parametrize(("lag", "tripped"), [(9, False), (13, True)])
def test_a_channel_may_be_slower_while_the_pressure_moves(two, lag, tripped):
    """100 psi/s: 0.9 s behind is within lag_s = 1, 1.3 s is not; the noise of two lines and one sample beside."""
    two.start("HL-4-0117")
    two.do("start_stage")
    two.do("vent_closed")
    two.lag = lag
    for tenth in range(50):
        two.hold(10.0 * tenth, 0.1)
    assert (two.see().stage.ended == "tripped") is tripped


def test_a_silent_channel_that_must_be_compared_breaks_the_hold(two):
    """What was not compared counts for nothing; the stage waits for it, and goes on when it is back."""
    two.start("HL-4-0117")
    two.to_hold(505)
    two.second_silent = True
    two.hold(505, 4)
    assert (two.see().stage.phase, two.see().stage.restarts) == ("stabilizing", 1)
    assert "PT-102 gave no reading to compare for longer than 1 s; the hold starts again from zero." in two.said
    two.hold(505, 60)
    assert two.see().stage.phase == "stabilizing"
    two.second_silent = False
    two.hold(505, 40)
    assert two.see().stage.phase == "holding"


def test_what_a_silent_channel_read_long_ago_is_not_held_against_the_other(two):
    """Lost while filling: the stage waits for it and does not trip on its last reading, nor when it is back."""
    two.start("HL-4-0117")
    two.do("start_stage")
    two.do("vent_closed")
    two.second_silent = True
    two.hold(505, 20)
    two.second_silent = False
    two.hold(505, 40)
    assert (two.see().stage.ended, two.see().stage.phase) == ("", "holding")


def test_the_evaluation_does_not_trust_the_machine(two):
    """The same stage with other samples of the second channel: inconclusive, with the sentence."""
    two.shell()
    two.seat(volume="0.7 mL")
    record, traces = two.store.sealed[0]
    stage, trace = record.stages[0], traces[0]
    (beside,) = trace.beside
    worse = replace(beside, counts=beside.counts - 2000 * (beside.at > stage.hold_since))
    again = rejudged(record, (replace(trace, beside=(worse,)), traces[1]))
    assert again.verdict is Verdict.INCONCLUSIVE
    assert again.stages[0].finding.criteria[-1].sentence == f"{DISAGREE.partition(';')[0]}."
    hold = (beside.at < stage.hold_since + 300_000) | (beside.at > stage.hold_since + 330_000)
    thinner = replace(beside, at=beside.at[hold], counts=beside.counts[hold])
    again = rejudged(record, (replace(trace, beside=(thinner,)), traces[1]))
    assert again.stages[0].finding.criteria[-1].sentence == (
        "PT-102 gave nothing to compare for 3.2 s of the hold, at most 1 s is allowed."
    )


def test_between_the_stages_a_disagreement_is_said_and_no_stage_is_started(two):
    """It may be a blocked line: first find out which is wrong."""
    two.start("HL-4-0117")
    two.apart = 4
    two.hold(0.2, 4)
    assert "PT-101 reads 0.0 psi and PT-102 4.0 psi: 4.0 psi apart, at most 1.8 psi is allowed." in two.said
    answer = two.ask("start_stage")
    assert answer.sentence == "PT-101 reads 0.0 psi and PT-102 4.0 psi: 4.0 psi apart, at most 1.8 psi is allowed."
    assert answer.remedy == "Release the pressure and find out which of the two is wrong; believe neither until then."


def test_nothing_is_released_while_a_compared_channel_reads_pressure(two):
    """The deciding transmitter may sit behind a closed valve. The instruction to open waits for both."""
    two.start("HL-4-0117")
    two.to_hold(505)
    two.do("stop", reason="trying out")
    two.apart = 300
    two.hold(0.2, 3)
    assert two.see().stage.phase == "depressurizing"
    assert "There are still 300.0 psi (PT-102): the pressure is not released." in two.said
    two.apart = 0
    two.hold(0.2, 1)
    assert two.see().stage.phase == "closed"


@pytest.mark.parametrize(("spoil", "sentence"), [
    ("silent", "Channel PT-102 gives no reading: the transmitter said nothing."),
    ("lost", "Channel PT-102 gives no reading: Port Y is not there."),
    ("zero", "Channel PT-102 reads 40.20 psi at atmosphere; at most 2.50 psi is allowed."),
])  # fmt: skip
def test_a_run_needs_every_channel(two, spoil, sentence):
    """Each is held to what the deciding one is held to, and the refusal names it."""
    two.apart = 40 if spoil == "zero" else 0
    two.hold(0.2, 3)
    if spoil == "silent":
        two.second_silent = True
        two.hold(0.2, 1)
    if spoil == "lost":
        two.session.take(PortLost(two.clock.seconds, "Port Y is not there.", "Plug it in."), 1)
    answer = two.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    assert (answer.done, answer.sentence) == (False, sentence)


def test_a_run_needs_the_calibration_of_every_channel(bench, order):
    """Overdue, missing, or too small for the stages where it is compared."""
    spoilt = several(bench)
    second = spoilt.channels[1]
    calibration = second.calibration
    cases = {
        None: "Channel PT-102 has no calibration for transmitter T-0043",
        calibration.model_copy(update={"due_on": calibration.calibrated_on}): "Calibration of channel PT-102",
        calibration.model_copy(update={"highest": Pressure.of(540, "psi")}): "Channel PT-102",
    }
    for found, begins in cases.items():
        changed = second.model_copy(update={"calibration": found})
        two = Two(spoilt.model_copy(update={"channels": (spoilt.channels[0], changed)}), order)
        two.hold(0.2, 3)
        answer = two.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
        assert not answer.done
        assert "PT-102" in answer.sentence, (begins, answer.sentence)


def test_the_screen_hears_of_every_channel(two):
    """Tag, corrected reading, state; blank as soon as there is none."""
    two.start("HL-4-0117")
    two.to_hold(505)
    (beside,) = two.see().beside
    assert (beside.tag, beside.signal.state, beside.signal.unit) == ("PT-102", "good", "psi")
    assert beside.signal.pressure == pytest.approx(504.8, abs=0.02)
    two.second_silent = True
    two.hold(505, 0.6)
    (beside,) = two.see().beside
    assert (beside.signal.state, beside.signal.pressure) == ("stale", None)
    assert beside.signal.sentence.startswith("No reading: the transmitter said nothing.")


# Shared lines and absolute transmitters ---------------------------------------------------------


def on_one_line(bench):
    """Two values of one line, such as ``+0250.13,+0250.10``."""
    number = {"part": "number", "decimals": 2, "whole_digits": 4}
    parts = [number | {"name": "a"}, {"part": "separator", "text": ","}, number | {"name": "b"}]
    line = {"protocol": "ascii-line", "port": "/dev/first", "baud": 9600, "parts": parts}
    facts = json.loads(several(bench).model_dump_json())
    del facts["channel"]
    for one, value in zip(facts["channels"], ("a", "b"), strict=True):
        one |= {"line": line, "value": value, "decimals": 2}
    return Bench.model_validate(facts)


def test_a_shared_line_is_decoded_once_for_all_its_channels(bench, order, monkeypatch):
    """Each channel takes its own value; the bytes go through one decoder."""
    from testbench.framing.lines import GrammarFramer

    fed = []
    whole = GrammarFramer.feed
    monkeypatch.setattr(GrammarFramer, "feed", lambda self, data: (fed.append(data), whole(self, data))[1])
    at_hand = BenchInHand(on_one_line(bench), order)
    at_hand.session.take(Arrived(101.0, b"+0250.13,+0250.10\r\n"))
    (beside,) = at_hand.see().beside
    assert (at_hand.see().signal.pressure, beside.signal.pressure) == (250.13, 250.10)
    assert fed.count(b"+0250.13,+0250.10\r\n") == 1


def test_a_lost_port_is_lost_for_every_channel_on_it(bench, order):
    """One cable, two channels."""
    at_hand = BenchInHand(on_one_line(bench), order)
    at_hand.session.take(Arrived(101.0, b"+0250.13,+0250.10\r\n"))
    at_hand.session.take(PortLost(101.1, "Port X is not there.", "Plug it in."))
    (beside,) = at_hand.see().beside
    assert (at_hand.see().signal.state, beside.signal.state) == ("lost", "lost")


class Absolute(BenchInHand):
    """Shows what an absolute transmitter shows."""

    def line(self, psi):
        super().line(psi + 14.692)


def absolute(bench, **changes):
    channel = json.loads(bench.channel.model_dump_json()) | {"reference": "absolute"} | changes
    barometer = {"pressure": "1013 hPa", "expanded_uncertainty": "10 hPa", "stated": "works barometer, Mara Quill"}
    del channel["atmosphere"]
    return Bench.model_validate(
        json.loads(bench.model_dump_json()) | {"channel": channel, "channels": (), "barometer": barometer}
    )


def test_an_absolute_transmitter_measures_gauge_pressure(bench, order):
    """The zero at atmosphere takes the atmosphere off; screen, limits and record are gauge."""
    at_hand = Absolute(absolute(bench), order)
    at_hand.hold(0.2, 1)
    assert at_hand.see().signal.pressure == pytest.approx(0.2, abs=0.02)
    at_hand.shell()
    (stage,) = at_hand.session.run.stages
    assert stage.finding.verdict is Verdict.ACCEPTED
    assert stage.finding.lowest.to("psi") == pytest.approx(504.8, abs=0.02)
    channel = at_hand.session.run.channel
    assert (str(channel.atmosphere.pressure), channel.atmosphere.stated) == ("1013 hPa", "works barometer, Mara Quill")
    assert str(channel.expanded_uncertainty) == "1.011 psi"  # √(1.0² + 0.145²), rounded up


@pytest.mark.parametrize(("psi", "done"), [(2.49, True), (2.52, False), (-2.49, True), (-2.52, False)])
def test_the_zero_of_an_absolute_transmitter_is_the_atmosphere(bench, order, psi, done):
    """2.5 psi either way of 14.692 psi for the NPS 4 valve; a gauge transmitter in its place would be refused."""
    at_hand = Absolute(absolute(bench), order)
    at_hand.hold(psi, 3)
    answer = at_hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    assert answer.done is done, answer.sentence


def test_a_gauge_transmitter_called_absolute_is_refused(bench, order):
    """It shows 0 where 14.7 psi are due."""
    at_hand = BenchInHand(absolute(bench), order)
    at_hand.hold(0.2, 3)
    answer = at_hand.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    assert answer.sentence == "Channel PT-101 reads -14.49 psi at atmosphere; at most 2.50 psi is allowed."


# A channel as second gauge ----------------------------------------------------------------------


@pytest.fixture
def gauged(bench, order):
    """The second transmitter checks the first one; nothing is compared live."""
    return Two(several(bench, cross_check=[], second_gauge="PT-102"), order)


def test_each_completed_hold_is_a_check_against_the_second_gauge(gauged):
    """Means of the last 5 s, both U, in the register; so the daily work keeps gauge_check_every_h."""
    gauged.apart = 0.3
    gauged.shell()
    (kept,) = gauged.store.gauge_checks
    check = kept.check
    assert (kept.channel, kept.serial, kept.certificate_number) == ("PT-101", "T-0042", "CAL-26-0311")
    assert (check.gauge, check.by, check.agrees) == ("PT-102, T-0043", "Mara Quill", True)
    assert (check.indicated.text(2), check.gauge_indicated.text(2)) == ("504.80 psi", "504.80 psi")
    assert (str(check.uncertainty), str(check.gauge_uncertainty)) == ("1 psi", "1.5 psi")
    gauged.seat(volume="0.7 mL")
    record, traces = gauged.store.sealed[0]
    assert [found.indicated.text(0) for found in record.channel.checked_since] == ["505 psi", "253 psi"]
    assert record.verdict is Verdict.ACCEPTED
    assert same_decision(rejudged(record, traces), record)


def test_the_daily_work_keeps_the_check_fresh(bench, order):
    """gauge_check_every_h = 24: the hold of the day before counts; without any check no run starts."""
    entry = several(bench, cross_check=[], second_gauge="PT-102")
    first = entry.channels[0].model_copy(update={"gauge_check_every_h": 24})
    made = entry.model_copy(update={"channels": (first, entry.channels[1]), "channel": first})
    gauged = Two(made, order)
    gauged.hold(0.2, 3)
    answer = gauged.ask("start_run", order="HL-2041", serial="HL-4-0117", operator="Mara Quill")
    assert "no older than 24 h" in answer.sentence or "24 h" in answer.sentence
    other = Two(entry, order)
    other.shell()
    gauged.store.gauge_checks = other.store.gauge_checks
    gauged.start("HL-4-0117")


def test_a_second_gauge_that_disagrees_binds_the_run_as_it_does_today(gauged):
    """The stage is judged with it, and no other is started."""
    gauged.start("HL-4-0117")
    gauged.to_hold(505)
    gauged.apart = 2
    gauged.hold(505, 125)
    gauged.do("observe", criterion=0, seen="no leakage")
    gauged.hold(0.2, 2)
    record = gauged.store.sealed[0][0]
    assert (record.verdict, record.stages[0].finding.verdict) == (None, Verdict.INCONCLUSIVE)
    assert record.reason.startswith("The seat test was not carried out. A second gauge disagreed with PT-101")
    assert record.channel.disproved_by.gauge == "PT-102, T-0043"
    assert "506.80 psi on PT-102, T-0043" in record.stages[0].finding.criteria[0].sentence


@pytest.mark.parametrize("spoil", ["silent", "stopped"])
def test_without_readings_or_without_a_hold_there_is_no_check(gauged, spoil):
    """Nothing is guessed."""
    gauged.start("HL-4-0117")
    gauged.to_hold(505)
    if spoil == "silent":
        gauged.second_silent = True
        gauged.hold(505, 125)
        gauged.do("observe", criterion=0, seen="no leakage")
    else:
        gauged.hold(505, 5)
        gauged.do("stop", reason="trying out")
    gauged.hold(0.2, 2)
    assert gauged.store.gauge_checks == []


def test_a_refusing_disk_loses_the_check_and_nothing_else(gauged):
    """The stage is closed, the refusal is said; the next hold makes another."""
    gauged.start("HL-4-0117")
    gauged.to_hold(505)
    gauged.hold(505, 125)
    gauged.do("observe", criterion=0, seen="no leakage")
    gauged.store.full = True
    gauged.hold(0.2, 1)
    assert gauged.store.gauge_checks == []
    gauged.store.full = False
    gauged.hold(0.2, 2)
    assert gauged.session.run.stages[0].finding.verdict is Verdict.ACCEPTED


def test_a_channel_whose_reader_is_gone_is_silent(two):
    """Not even told that it is quiet, for five seconds."""
    two.start("HL-4-0117")
    two.to_hold(505)
    line = two.line
    two.line = lambda psi: BenchInHand.line(two, psi)
    two.hold(505, 5)
    assert two.see().stage.phase == "holding"
    two.hold(505, 1)
    assert two.see().stage.restarts == 1
    two.line = line
    two.hold(505, 40)
    assert two.see().stage.phase == "holding"


def test_the_raw_bytes_of_each_line_are_kept(bench, order):
    """One file a line; the record of the channel names its own."""
    from testbench.station.session import Session
    from tests.station.test_line_of_a_run import Kept

    class Second(Kept):
        def end(self):
            return (f"{self.begun[-1]}-line-2.capture", "cd" * 32)

    two = Two(several(bench), order)
    outside = replace(two.session.outside, raw=Kept(), raw_beside=(Second(),))
    two.session = Session(several(bench), outside)
    two.viewer._session = two.session
    for line in (0, 1):
        two.session.take(PortOpened(two.clock.seconds, "", counting=True), line)
        two.session.take(Arrived(two.clock.seconds, b"\r\n"), line)
    two.start("HL-4-0117")
    two.do("end_run")
    record = two.store.sealed[0][0]
    assert (record.line.raw_file, record.beside[0].line.raw_file) == ("B1-000001.capture", "B1-000001-line-2.capture")
