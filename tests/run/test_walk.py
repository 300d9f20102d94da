"""A stage walked at random, beside a slow oracle that reads the law of the hold off the whole history every time."""

import math
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from testbench.errors import (
    LossNotSeenError,
    MarkRefusedError,
    ObservationRefusedError,
    PressureMovesError,
    RequestRefusedError,
)
from testbench.quantities import Volume
from testbench.run.decay import Basis
from testbench.run.decaying import Decaying
from testbench.run.machine import Ending, Phase
from testbench.run.observations import Collection, Seen
from testbench.run.progress import Action
from testbench.run.record import Verdict
from testbench.run.samples import TICKS_PER_S, GapReason
from tests.house_with_decay import BURETTE
from tests.run.conftest import DAY

DWELL, LONGEST_GAP, LOST_AFTER = 5 * TICKS_PER_S, 1 * TICKS_PER_S, 30 * TICKS_PER_S
ANSWERS = {Action.OBSERVE, Action.COLLECTED, Action.RIG_LEAK}  # they carry what was seen and have calls of their own
PRESSED = {Phase.PRESSURIZING, Phase.STABILIZING, Phase.BLEEDING, Phase.HOLDING, Phase.OBSERVING}
MARKS = {Action.MEASURE_C, Action.DRAWN_OFF}


@dataclass(frozen=True)
class Read:
    """A reading in the oracle's history."""

    at: int
    counts: int
    steady: bool


@dataclass(frozen=True)
class Silence:
    """A moment at which nothing usable was there, so long after the newest reading."""

    long: bool


def hold_of(history: list[Read | Silence], acceptance: int, hold: int) -> tuple[str, int | None, int | None]:
    """Phase, begin and end of the hold, from everything that was seen since the vent was closed.

    The law in words: only the newest stretch of readings counts, none below the acceptance limit and none more than
    1 s after the one before. It must hold a steady stretch of 5 s and after it a stretch as long as the hold; and
    it must last until somebody has said what was seen.
    """
    stretch = unbroken(history, acceptance)[-1]
    begin = next((end.at for end in stretch if steady_until(stretch, end)), None)
    if begin is None:
        return (Phase.STABILIZING if stretch else Phase.PRESSURIZING), None, None
    over = next((seen.at for seen in stretch if seen.at - begin >= hold), None)
    return (Phase.HOLDING if over is None else Phase.OBSERVING), begin, over


def unbroken(history: list[Read | Silence], acceptance: int) -> list[list[Read]]:
    """The stretches of readings at or above the acceptance limit, cut at every long silence; the last may be empty."""
    stretches: list[list[Read]] = [[]]
    before: Read | None = None
    for seen in history:
        if isinstance(seen, Silence):
            if seen.long:
                stretches.append([])
            continue
        if before is not None and seen.at - before.at > LONGEST_GAP:
            stretches.append([])
        if seen.counts < acceptance:
            stretches.append([])
        else:
            stretches[-1].append(seen)
        before = seen
    return stretches


def steady_until(stretch: list[Read], end: Read) -> bool:
    """Whether every reading of the last 5 s before this one was steady, and the stretch is at least so old."""
    newest = [seen for seen in stretch if seen.at <= end.at]
    steady: list[Read] = []
    for seen in reversed(newest):
        if not seen.steady:
            break
        steady.append(seen)
    return bool(steady) and end.at - steady[-1].at >= DWELL


RARELY = st.integers(0, 11).map(lambda number: number == 7)


class Walk(RuleBasedStateMachine):
    """Any readings, any silences, any requests, in any order."""

    attempt = None
    level = 0
    hold = 15 * TICKS_PER_S

    def __init__(self) -> None:
        super().__init__()
        self.attempt = self.new_attempt()
        self.limits = self.attempt.stage.thresholds
        self.history: list[Read | Silence] = []
        self.seen_leak = False
        self.exceeded = False

    # What can happen

    @initialize(filled=st.sampled_from([True, True, True, False]))
    def begin(self, *, filled: bool) -> None:
        if filled:
            self.a_request(Action.VENT_CLOSED, "")

    @rule(
        after_s=st.sampled_from([0.05, 0.1, 0.5, 1.0, 1.0001, 3.0]),
        level=st.sampled_from(["fine", "acceptance", "upper", "short", "short", "safe", "not safe", "none"]),
        steady=st.sampled_from([True, True, True, False]),
    )
    def a_reading(self, after_s: float, level: str, *, steady: bool) -> None:
        limits = self.limits
        counts = {
            "fine": limits.acceptance + 100,
            "acceptance": limits.acceptance,
            "upper": limits.upper,
            "short": limits.acceptance - 1,
            "safe": limits.safe,
            "not safe": limits.safe + 1,
            "none": 0,
        }[level]
        self.read(counts, after_s, steady=steady)

    @rule(seconds=st.integers(1, 22), every_s=st.sampled_from([0.5, 1.0]))
    def a_good_stretch(self, seconds: int, every_s: float) -> None:
        for _ in range(math.ceil(seconds / every_s)):
            self.read(self.limits.acceptance, every_s, steady=True)

    @rule(what=RARELY)
    def as_the_screen_says(self, *, what: bool) -> None:
        """Do what comes next, so that many walks come to the end; now and then the operator sees a leak."""
        state = self.attempt.state
        match state.phase:
            case Phase.FILLING:
                self.a_request(Action.VENT_CLOSED, "")
            case Phase.PRESSURIZING | Phase.STABILIZING:
                self.a_good_stretch(6, 1.0)
            case Phase.HOLDING:
                self.hold_on()
            case Phase.BLEEDING:
                self.bleed()
            case Phase.OBSERVING:
                self.an_observation(Seen.LEAKAGE if what else Seen.NO_LEAKAGE, "cover joint")
                self.a_volume("50 mL" if what else "0.3 mL")
            case _:
                self.read(0, 0.5, steady=True)

    as_the_screen_says_again = as_the_screen_says_once_more = as_the_screen_says

    @rule(now=RARELY)
    def too_high(self, *, now: bool) -> None:
        if now:
            self.read(self.limits.upper + 1, 0.1, steady=True)

    @rule(seconds=st.sampled_from([0.3, 1.0, 1.1, 5.0]), reason=st.sampled_from(GapReason))
    def a_silence(self, seconds: float, reason: GapReason) -> None:
        for _ in range(round(seconds * 10)):
            if self.attempt.state.phase is Phase.CLOSED:
                return
            last = self.attempt.state.last
            self.attempt.silent(0.1, reason)
            self.history.append(Silence(long=last is not None and self.attempt.now - last > LONGEST_GAP))

    @rule(now=RARELY, seconds=st.sampled_from([30.0, 30.1]))
    def a_long_silence(self, seconds: float, *, now: bool) -> None:
        if now:
            self.a_silence(seconds, GapReason.UNPLUGGED)

    @rule(now=RARELY, reason=st.sampled_from(["", "hose burst"]))
    def a_stop(self, reason: str, *, now: bool) -> None:
        if now:
            self.a_request(Action.STOP, reason)

    @rule(now=RARELY, where=st.sampled_from(["hose", " "]))
    def the_rig_leaks(self, where: str, *, now: bool) -> None:
        """The stage is void with its reason, whatever else was caught; never once leakage of the valve was said."""
        before = self.attempt.state
        if not now:
            return
        try:
            self.attempt.take(self.attempt.stage.rig_leaked(before, self.attempt.now, where))
        except (RequestRefusedError, ObservationRefusedError):
            assert self.attempt.state is before
            return
        assert before.phase in PRESSED
        assert not self.seen_leak
        assert (self.attempt.state.rig_leak, self.attempt.state.ending) == ("hose", Ending.STOPPED)

    @rule(action=st.sampled_from(sorted(set(Action) - {Action.STOP})), reason=st.just(""))
    def a_request(self, action: Action, reason: str) -> None:
        before, offered = self.attempt.state, self.attempt.stage.possible(self.attempt.state)
        if action not in offered or action in ANSWERS:
            with pytest.raises(RequestRefusedError):
                self.attempt.ask(action, reason)
            assert self.attempt.state is before
            return
        try:
            self.attempt.ask(action, reason)
        except ObservationRefusedError:
            assert action in {Action.COLLECTION_STARTED, Action.COLLECTION_ENDED}
            assert self.attempt.state is before
        except (MarkRefusedError, PressureMovesError, LossNotSeenError):
            assert action in MARKS
            assert self.attempt.state is before
        if action is Action.VENT_CLOSED or before.phase is Phase.BLEEDING != self.attempt.state.phase:
            self.history = []  # what was read while volumes were drawn off belongs to no stretch

    @rule(seen=st.sampled_from(Seen), where=st.sampled_from(["", "cover joint"]))
    def an_observation(self, seen: Seen, where: str) -> None:
        before = self.attempt.state
        try:
            self.attempt.see(seen, where)
        except (RequestRefusedError, ObservationRefusedError):
            assert self.attempt.state is before
            return
        assert before.phase in PRESSED
        assert seen is Seen.LEAKAGE or before.phase is Phase.OBSERVING
        self.seen_leak |= seen is Seen.LEAKAGE

    @rule(volume=st.sampled_from(["0 mL", "0.3 mL", "50 mL", "-1 mL"]))
    def a_volume(self, volume: str) -> None:
        before = self.attempt.state
        try:
            self.attempt.read_volume(volume)
        except (RequestRefusedError, ObservationRefusedError):
            assert self.attempt.state is before

    # What must hold after each step

    @invariant()
    def the_operator_can_stop_until_the_release(self) -> None:
        state = self.attempt.state
        stoppable = state.phase not in {Phase.DEPRESSURIZING, Phase.CLOSED}
        assert (Action.STOP in self.attempt.stage.possible(state)) is stoppable

    @invariant()
    def an_ending_belongs_to_the_last_phases(self) -> None:
        state = self.attempt.state
        assert (state.ending is not None) is (state.phase in {Phase.DEPRESSURIZING, Phase.CLOSED})
        assert bool(state.reason) is (state.ending not in {None, Ending.COMPLETED})

    @invariant()
    def a_closed_stage_saw_the_release_or_lost_the_signal(self) -> None:
        state = self.attempt.state
        if state.phase is Phase.CLOSED and "signal lost" not in self.attempt.events:
            assert self.attempt.samples[-1].counts <= self.limits.safe
        if state.phase is Phase.DEPRESSURIZING and self.attempt.samples and self.attempt.samples[-1].at > state.since:
            assert self.attempt.samples[-1].counts > self.limits.safe

    @invariant()
    def too_high_a_pressure_and_nothing_else_trips(self) -> None:
        ending = self.attempt.state.ending
        if self.exceeded:
            assert ending is not None
        assert ending is not Ending.TRIPPED or self.exceeded

    @invariant()
    def a_hold_lies_within_its_limits(self) -> None:
        state = self.attempt.state
        if state.hold_since is None:
            assert state.hold_until is None
            return
        end = self.attempt.now if state.hold_until is None else state.hold_until
        inside = [sample for sample in self.attempt.samples if state.hold_since <= sample.at <= end]
        if state.phase in {Phase.HOLDING, Phase.OBSERVING}:
            assert all(self.limits.acceptance <= sample.counts <= self.limits.upper for sample in inside)
            stamps = [sample.at for sample in inside]
            assert all(after - at <= LONGEST_GAP for at, after in pairwise(stamps))
        if state.hold_until is not None:
            assert state.hold_until - state.hold_since >= self.hold

    @invariant()
    def a_completed_stage_was_held_and_looked_at_or_leaked(self) -> None:
        state = self.attempt.state
        if state.ending is Ending.COMPLETED and not self.seen_leak:
            assert state.hold_until is not None
            self.completed_without_a_leak(state)

    def teardown(self) -> None:
        """Closed stages are judged: the evaluation agrees with the machine, and never accepts a leak."""
        state = self.attempt.state
        if state.phase is not Phase.CLOSED:
            return
        finding = self.attempt.finding()
        assert (finding is None) is (state.ending is not Ending.COMPLETED)
        if finding is None:
            return
        if self.seen_leak:
            assert finding.verdict is Verdict.REJECTED
        elif "signal lost" not in self.attempt.events and not self.exceeded:
            conforming = {found.criterion for found in finding.criteria if found.conformity == "conforms"}
            assert {"instrument", "hold", "pressure released"} <= conforming
            assert self.expected(finding.verdict)

    # The parts

    def read(self, counts: int, after_s: float, *, steady: bool) -> None:
        if self.attempt.state.phase is Phase.CLOSED:
            return  # what is read now belongs to no stage
        self.attempt.read(counts, after_s=after_s, bound=0.0 if steady else 1000.0)
        self.history.append(Read(self.attempt.now, counts, steady))
        self.exceeded |= counts > self.limits.upper


class ShellWalk(Walk):
    """A stage that is looked at: the oracle tells phase and hold exactly."""

    def hold_on(self) -> None:
        self.a_good_stretch(16, 1.0)

    def completed_without_a_leak(self, state) -> None:
        assert [answer.seen for answer in state.observations] == [Seen.NO_LEAKAGE]
        assert state.observations[0].at >= state.hold_until

    def expected(self, verdict: Verdict) -> bool:
        return verdict is Verdict.ACCEPTED

    @invariant()
    def phase_and_hold_are_what_the_history_demands(self) -> None:
        state = self.attempt.state
        if state.phase not in PRESSED - {Phase.BLEEDING}:
            return
        phase, begin, over = hold_of(self.history, self.limits.acceptance, self.hold)
        assert (state.phase, state.hold_since, state.hold_until) == (phase, begin, over)


class BleedingWalk(ShellWalk):
    """The same on a bench with a burette: what is drawn off never reaches into a hold."""

    def bleed(self) -> None:
        """Draw off, rest, say so; or whatever else the walk has in mind."""
        self.level -= 1000
        for _ in range(40):
            self.read(self.level, 0.1, steady=False)
        self.a_request(Action.DRAWN_OFF, "")

    @rule()
    def rest_and_measure(self) -> None:
        """Come to rest a good deal above the acceptance limit, and ask for C; often enough to get somewhere."""
        if self.attempt.state.phase not in {Phase.PRESSURIZING, Phase.STABILIZING}:
            return
        self.level = self.limits.acceptance + 4000
        for _ in range(40):
            self.read(self.level, 0.1, steady=False)
        self.a_request(Action.MEASURE_C, "")

    @invariant()
    def what_was_drawn_off_lies_before_the_hold(self) -> None:
        state = self.attempt.state
        assert (state.bleed_since is not None) is (state.phase is Phase.BLEEDING)
        assert len(state.drawn) in ({0, 1, 2} if state.phase is Phase.BLEEDING else {0, 3})
        assert all(drawn.since < drawn.until for drawn in state.drawn)
        assert all(one.until == after.since for one, after in pairwise(state.drawn))
        if state.drawn and state.hold_since is not None:
            assert state.drawn[-1].until < state.hold_since

    @invariant()
    def c_is_known_where_it_was_measured(self) -> None:
        state = self.attempt.state
        if len(state.drawn) == 3:
            found = self.attempt.stage.decaying.basis.compliance(state.drawn, self.attempt.trace())
            assert found.m3_per_pa > found.standard_uncertainty > 0


class SeatWalk(Walk):
    """A stage that is collected."""

    def hold_on(self) -> None:
        state = self.attempt.state
        if state.collecting_since is not None:
            self.a_good_stretch(31, 1.0)
            self.a_request(Action.COLLECTION_ENDED, "")
        elif self.attempt.stage.owes_collection(state):
            self.a_good_stretch(6, 1.0)
            self.a_request(Action.COLLECTION_STARTED, "")
        else:
            self.a_good_stretch(1, 1.0)

    @rule()
    def once_more(self) -> None:
        """Extend an undecided hold, and collect again."""
        if Action.EXTEND in self.attempt.stage.possible(self.attempt.state):
            self.a_request(Action.EXTEND, "")
            self.hold_on()

    def completed_without_a_leak(self, state) -> None:
        assert state.collections
        for caught in state.collections:
            assert caught.volume is not None
            assert state.hold_since + 5 * TICKS_PER_S <= caught.since
            assert caught.until - caught.since >= 30 * TICKS_PER_S
            assert caught.until <= state.hold_until

    def expected(self, verdict: Verdict) -> bool:
        volumes = {str(volume) for caught in self.attempt.state.collections for volume in volumes_of(caught)}
        if any(contradict(*pair) for pair in combinations(self.attempt.state.collections, 2)):
            # Two that cannot both be right: whatever the newest says, this is not accepted.
            return verdict in {Verdict.REJECTED, Verdict.INCONCLUSIVE}
        if "50 mL" not in volumes:
            return verdict in {Verdict.ACCEPTED, Verdict.INCONCLUSIVE}
        # A vessel that held more in between than at the end was misread: that decides nothing.
        return verdict in {Verdict.REJECTED, Verdict.INCONCLUSIVE}


def contradict(first: Collection, second: Collection) -> bool:
    """Whether two rates lie further apart than √(U₁² + U₂²); U is 0.5 mL and 1 s."""
    seconds = [(caught.until - caught.since) / TICKS_PER_S for caught in (first, second)]
    rates = [caught.volume.to("mL") / time for caught, time in zip((first, second), seconds, strict=True)]
    squares = [(0.5 / time) ** 2 + (rate / time) ** 2 for rate, time in zip(rates, seconds, strict=True)]
    return abs(rates[0] - rates[1]) > math.sqrt(sum(squares)) * 1.0000001


def volumes_of(caught: Collection) -> list[Volume | None]:
    return [*(read.volume for read in caught.readings), caught.volume]


@pytest.mark.parametrize("kind", [ShellWalk, SeatWalk, BleedingWalk])
def test_a_stage_walked_at_random_keeps_every_law(shop, kind: type[Walk]):
    """Hypothesis looks for a history of readings, silences and requests in which a law is broken."""
    start = shop.seat_test if kind is SeatWalk else shop.shell_test

    class Walked(kind):  # type: ignore[misc, valid-type]
        def new_attempt(self):
            attempt = start("NPS 2")
            # Readings come as they like here; what that does to the state of the signal has tests of its own.
            rules = attempt.stage.requirement.model_copy(update={"validity": None})
            decaying = None
            if kind is BleedingWalk:
                decaying = Decaying.of(Basis(rules, attempt.channel, DAY), BURETTE)
            return replace(attempt, stage=replace(attempt.stage, requirement=rules, decaying=decaying))

    run_state_machine_as_test(Walked, settings=settings(max_examples=100, stateful_step_count=50, deadline=None))


@pytest.mark.parametrize(
    ("history", "expected"),
    [
        ([], (Phase.PRESSURIZING, None, None)),
        ([Read(0, 100, steady=True)], (Phase.STABILIZING, None, None)),
        ([Read(i * TICKS_PER_S, 100, steady=True) for i in range(6)], (Phase.HOLDING, 50_000, None)),
        ([Read(i * TICKS_PER_S, 100, steady=i != 3) for i in range(9)], (Phase.STABILIZING, None, None)),
        ([Read(i * TICKS_PER_S, 100, steady=True) for i in range(21)], (Phase.OBSERVING, 50_000, 200_000)),
        (
            [Read(i * TICKS_PER_S, 99 if i == 10 else 100, steady=True) for i in range(17)],
            (Phase.HOLDING, 160_000, None),
        ),
    ],
)
def test_the_oracle_itself(history, expected):
    """The slow law, worked by hand: acceptance limit 100, dwell 5 s, hold 15 s."""
    assert hold_of(history, 100, 15 * TICKS_PER_S) == expected
