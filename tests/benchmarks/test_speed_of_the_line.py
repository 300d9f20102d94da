"""What the line costs: recorder, store and screen together, beside a plain ``readline()`` loop in the same run.

Figures are printed (``pytest tests/benchmarks -m benchmark -s``); no time is asserted, only that nothing was lost,
doubled or misread. Goals, on the machine of the figures in DEVELOPERS.md: at most 20 % of one core at 1 kHz and 8 %
at 100 Hz, 80 MB, stamp error p99 3 ms, oldest uncommitted sample p95 300 ms, visible p95 150 ms. ``LINE_SECONDS``
sets how long each is measured; the goal of nothing lost is stated for 600 s.
"""

import os
import time

import numpy as np
import pytest

from tests.benchmarks.line_writer import WAVE
from tests.benchmarks.processes import LEVEL, WorkingBench, cost, marks_of, out_of_order, percentiles, plain, say
from tests.journeys.program import Watcher

SECONDS = float(os.environ.get("LINE_SECONDS", "20"))
TICK_NS = 100_000


@pytest.mark.benchmark
@pytest.mark.timeout(SECONDS + 120)
@pytest.mark.parametrize("hertz", [100, 1000])
@pytest.mark.parametrize("screen", [True, False], ids=["screen", "no screen"])
def test_a_hold_is_recorded_and_shown(tmp_path, hertz, screen):
    """The whole program, with a hold under way."""
    with WorkingBench(tmp_path, hertz, screen=screen) as bench:
        pids = [bench.recorder.pid, *([bench.screen.process.pid] if screen else [])]
        before, began = [cost(pid) for pid in pids], time.monotonic_ns()
        time.sleep(SECONDS)
        after, ended = [cost(pid) for pid in pids], time.monotonic_ns()
        stamps, said = bench.writer.end()
        time.sleep(1)
        at, counts = bench.samples()
    taken_s = (ended - began) / 1e9
    plain_used, plain_late_ms, plain_wrong = plain(tmp_path / "plain", hertz, min(SECONDS, 20))
    used = [100 * (b.cpu_s - a.cpu_s) / taken_s for a, b in zip(before, after, strict=True)]
    begun = time.perf_counter()
    sum(range(10**7))
    say(f"\nyardstick: sum(range(10**7)) took {time.perf_counter() - begun:.2f} s, 0.14 s where the goals were set")
    say(f"{hertz} Hz x 4 values, {taken_s:.0f} s, {'with' if screen else 'without'} screen")
    say(f"  CPU of one core [%]: recorder {used[0]:.1f}, screen {sum(used[1:]):.1f}, together {sum(used):.1f}")
    say(
        f"  memory [MB], RSS / PSS: recorder {after[0].rss_mb:.0f} / {after[0].pss_mb:.0f}"
        + "".join(f", screen {c.rss_mb:.0f} / {c.pss_mb:.0f}" for c in after[1:])
        + f", grown by {sum(b.rss_mb - a.rss_mb for a, b in zip(before, after, strict=True)):.2f}"
    )
    _say_times(bench, at, counts, stamps, said, screen=screen)
    channels = [counts, *bench.beside]
    wrong = sum(map(out_of_order, channels))
    written = len(channels) * (said["lines"] - said["levels"][1][0])
    stored = sum(int(np.count_nonzero(one >= LEVEL)) for one in channels)
    say(f"  of {len(channels)} channels: values written {written}, stored {stored}, out of order or misread {wrong}; "
        f"refused by the line {said['refused_bytes']} bytes, rejected {bench.rejected}, gaps {bench.gaps}")  # fmt: skip
    held_up = said["held_up_s"]
    say(f"  the machine held the writer up {len(held_up)} times, at most {max(held_up, default=0.0):.2f} s")
    say(f"  plain readline() loop that stores and shows nothing: CPU {plain_used:.1f} % "
        f"(recorder {used[0] / plain_used:.1f} times that), out of order {plain_wrong}, "
        f"stamp behind the writer's [ms]: {percentiles(plain_late_ms)}")  # fmt: skip
    assert (len(channels), said["refused_bytes"], wrong, written - stored) == (4, 0, 0, 0)


@pytest.mark.benchmark
@pytest.mark.timeout(SECONDS + 120)
@pytest.mark.parametrize("slower_ms", [100, 400])
def test_a_slow_disk_loses_nothing(tmp_path, slower_ms):
    """Every commit so much later: stamps stay what they are, the oldest uncommitted sample gets older (goal 1 s)."""
    with WorkingBench(tmp_path, 1000, slower_ms / 1000) as bench:
        time.sleep(min(SECONDS, 20))
        stamps, said = bench.writer.end()
        time.sleep(2)
        at, counts = bench.samples()
    say(f"\n1000 Hz x 4 values, every commit {slower_ms} ms slower")
    _say_times(bench, at, counts, stamps, said, screen=True)
    lost = said["lines"] - said["levels"][1][0] - int(np.count_nonzero(counts >= LEVEL))
    assert (said["refused_bytes"], out_of_order(counts), lost) == (0, 0, 0)


@pytest.mark.benchmark
@pytest.mark.timeout(180)
def test_a_pulled_cable_is_seen_and_the_line_comes_back(tmp_path):
    """The far end of the pseudo-terminal goes away and another one takes its name. Goals: 0.5 s and 1.5 s."""
    seen_ms, back_ms = [], []
    with WorkingBench(tmp_path, 100, screen=False) as bench:
        watcher = Watcher(bench.home)
        for _ in range(6):
            bench.writer.unplug()
            begun = time.perf_counter()
            watcher.wait(lambda update: update.signal.state == "lost")
            seen_ms.append((time.perf_counter() - begun) * 1e3)
            time.sleep(1.5)  # long enough for the longest pause between two tries to open
            bench.writer.plug_in()
            begun = time.perf_counter()
            watcher.wait(lambda update: update.signal.state == "good")
            back_ms.append((time.perf_counter() - begun) * 1e3)
        watcher.close()
        time.sleep(0.5)
        _, counts = bench.samples()
    say(f"\nunplugged, on the screen after [ms]: {', '.join(f'{ms:.0f}' for ms in seen_ms)}")
    say(f"plugged in, a reading on the screen after [ms]: {', '.join(f'{ms:.0f}' for ms in back_ms)}")
    stored = set((counts[counts > 1]).tolist())
    assert stored <= set(range(LEVEL, LEVEL + WAVE))


def _say_times(bench, at, counts, stamps, said, *, screen) -> None:
    """Stamps, commits and pictures, each against the writer's own stamp of the line."""
    pressed = counts >= LEVEL
    arrived, sent = at[pressed] * TICK_NS, stamps[said["levels"][1][0] :]
    if arrived.size != sent.size:
        return
    # The run began at some tick of the recorder's clock: the quickest line tells which, to a few ten microseconds.
    since = int(np.min(arrived - sent))
    late_ms = (arrived - sent - since) / 1e6
    say(f"  arrival stamp behind the writer's, less the quickest [ms], p50 / p95 / p99 / max: {percentiles(late_ms)}")
    first = int(arrived[0] - since)
    taken = [c for c in marks_of(bench.commits) if c["at_ns"] > first]
    ages = np.array([c["at_ns"] + since - c["oldest"] * TICK_NS for c in taken]) / 1e6
    say(f"  oldest uncommitted sample when its commit was done [ms]: {percentiles(ages)}; {len(taken)} commits")
    if screen:
        drawn = [d for d in marks_of(bench.screen.marks) if d["pressure"] is not None]
        waits = _visible(drawn, sent, said["levels"][1][0])
        say(f"  sample visible after [ms]: {percentiles(waits)}; {len(drawn)} pictures")


def _visible(drawn, sent, first) -> np.ndarray:
    """From the writing of each line to the first picture of it or of a newer one [ms]."""
    times = np.array([d["at_ns"] for d in drawn])
    shown = np.array([round(d["pressure"] * 100) - LEVEL for d in drawn])
    newest = np.searchsorted(sent, times) - 1  # the newest line by then; what is shown is one of the last few hundred
    number = newest - (newest + first - shown) % WAVE
    waits = [at - sent[a + 1 : b + 1] for a, b, at in zip(number[:-1], number[1:], times[1:], strict=True)]
    return np.concatenate(waits) / 1e6
