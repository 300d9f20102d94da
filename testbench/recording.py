"""The recorder put together: line, clock, store, link, session and documents of one home, until it is told to end."""

import json
import math
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from testbench import __version__
from testbench.archive import notice
from testbench.documents import finish
from testbench.stamping import how_many_wait
from testbench.wiring import Home, check_language, check_printable, fit_key, only_recorder, open_store, program

if TYPE_CHECKING:
    from testbench.instruments.captures import RunCaptures
    from testbench.instruments.connecting import Reader
    from testbench.instruments.replays import Replay
    from testbench.link.server import LinkServer
    from testbench.procedure.stages import Procedure
    from testbench.station.acquisition import PortEvent
    from testbench.station.bench import Bench
    from testbench.station.loop import Inbox, Recorder
    from testbench.station.ports import Clock
    from testbench.station.session import Session
    from testbench.store.repository import SqliteStore

UPDATE_EVERY_S = 0.05
UPDATE_EVERY_FAST_S = 0.02  # on a rig's faster clock a person's glance is shorter, too
GATHER_S = 0.01


def run_recorder(home: Home, capture: Path | None = None, speed: float = 1.0) -> None:
    """Be the recorder of a home until told to end. Ignores a closing terminal.

    Args:
        home: the bench.
        capture: a file to read the channel from, instead of its port; every run is then one that was replayed.
        speed: of the replay, times faster than life.
    """
    from testbench.identity import signing_of
    from testbench.instruments.captures import left_behind
    from testbench.instruments.replays import replay_of
    from testbench.link.server import LinkServer
    from testbench.procedure_files.loader import OrderShelf, find_procedure
    from testbench.station.blanks import declared
    from testbench.station.loop import Heard, Inbox
    from testbench.station.recovery import close_interrupted
    from testbench.station.session import Outside, Session

    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    replay = None if capture is None else replay_of(capture, speed)
    bench = home.bench() if replay is None else replay.bench(home.bench())
    fit_key(home)
    with only_recorder(home):
        store, clock = open_store(home), _clock(bench) if replay is None else replay.clock
        raw = _raw(home, bench, clock)
        recovered = close_interrupted(store, clock.utc(), partial(left_behind, home.folder / "captures"))

        def procedure(name: str) -> "tuple[Procedure, str]":
            return find_procedure(name, home.folder)

        documents = IssuedByChild(home)
        outside = Outside(
            clock, store, documents, _FreeSpace(home.folder), procedure, __version__,
            OrderShelf(home.folder), check_printable, partial(declared, store),
            raw[0], tuple(raw[1:]), replayed=replay is not None,
            signing=signing_of(home, store, clock, bench, replay), check_language=check_language,
        )  # fmt: skip
        session = Session(bench, outside)
        documents.stamping = _stamping(home, bench, session, store)
        session.interrupted = bool(recovered)
        _take_up(home, store, documents)
        _say_first(session, recovered, notice(home), replay)
        _say_waiting(session, how_many_wait(home, store))
        inbox: Inbox = Inbox()
        server = LinkServer(home.folder, lambda client, line: inbox.put(Heard(client, line)))
        readers = _readers(bench, clock, inbox, raw, replay)
        server.start()
        for reader in readers:
            reader.start()
        try:
            _loop(session, inbox, server, own_clock=bench.simulation is None and replay is None).run(
                time.monotonic  # noqa: TID251 - pacing of the screen only
            )
        finally:
            for reader in readers:
                reader.stop()
            server.close()
            store.close()


def _say_first(session: "Session", recovered: list[str], overdue: str, replay: "Replay | None") -> None:
    for sentence in recovered:
        session.notify(sentence, grave=True)
    if replay is not None and (cut_off := replay.capture.without_end(replay.line.where)):
        sys.stderr.write(f"{cut_off}\n")
        session.notify(cut_off, grave=True)
    if overdue:
        session.notify(overdue)


def _say_waiting(session: "Session", waiting: int) -> None:
    if waiting:
        documents = f"{waiting} document{' waits for its' if waiting == 1 else 's wait for their'} time stamp"
        session.notify(f"{documents}; the authority is asked while no run is open.")


def _stamping(home: Home, bench: "Bench", session: "Session", store: "SqliteStore") -> "StampingByChild":
    return StampingByChild(home, bench, lambda: not session.run_open, partial(how_many_wait, home, store))


def _loop(session: "Session", inbox: "Inbox", server: "LinkServer", *, own_clock: bool) -> "Recorder":
    """The recorder's one thread. A clock that is not its own may run faster than life, and has none beside it."""
    from testbench.instruments.clocks import moment
    from testbench.station.loop import Recorder

    if own_clock:
        return Recorder(session, inbox, server, UPDATE_EVERY_S, moment, gather_s=GATHER_S)
    return Recorder(session, inbox, server, UPDATE_EVERY_FAST_S)


def _take_up(home: Home, store: "SqliteStore", documents: "IssuedByChild") -> None:
    """Order the documents again that were under way when the recorder was killed."""
    from testbench.station.sign_off import owed_for_document

    finish(home, store)
    for summary in store.history():
        if summary.verdict in {"accepted", "rejected"} and not summary.document:
            record, _ = store.load(summary.run)
            if owed_for_document(record, store.signatures_of(summary.run)) is None:
                documents.order(summary.run)


def _raw(home: Home, bench: "Bench", clock: "Clock") -> "list[RunCaptures | None]":
    """What keeps the raw bytes of each line with a pressure channel, where bench.toml asks for it."""
    from testbench.instruments.captures import RunCaptures
    from testbench.station.bench import ChannelEntry

    folder, lines = home.folder / "captures", [line[0] for line in bench.lines]
    return [
        RunCaptures(folder, first, clock, f"-line-{number}" if number > 1 else "")
        if bench.keep_raw and isinstance(first, ChannelEntry)
        else None
        for number, first in enumerate(lines, 1)
    ]


def _readers(
    bench: "Bench", clock: "Clock", inbox: "Inbox", raw: "list[RunCaptures | None]", replay: "Replay | None"
) -> "list[Reader]":
    """One for each line of the bench; a replay stands in for that of the deciding channel."""
    from testbench.instruments.connecting import connect
    from testbench.station.loop import OfLine

    def deliver(number: int, event: "PortEvent") -> None:
        inbox.put(OfLine(number, event))

    taps = [None if kept is None else kept.tap for kept in raw]
    first, *others = (instruments[0].line for instruments in bench.lines)
    readers = [connect(first, clock, inbox.put, taps[0], None if replay is None else replay.line)]
    for number, other in enumerate(others, 1):
        readers.append(connect(other, clock, partial(deliver, number), taps[number]))
    return readers


def _clock(bench: "Bench") -> "Clock":
    from testbench.instruments.clocks import RigClock, SystemClock

    if bench.simulation is not None and bench.simulation.clock:
        return RigClock(Path(bench.simulation.clock))
    return SystemClock()


class _FreeSpace:
    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def free_bytes(self) -> int:
        return shutil.disk_usage(self._folder).free


class IssuedByChild:
    """Documents written by a child process each: drawing and signing never hold up the bench."""

    def __init__(self, home: Home) -> None:
        self._home = home
        self._working: list[tuple[str, subprocess.Popen[str]]] = []
        self.stamping: StampingByChild | None = None

    def order(self, run: str) -> None:
        """Begin to write the document of a run."""
        self._working.append((run, _child(self._home, subprocess.PIPE, "issue", run, "--leave-waiting")))

    def written(self) -> list[tuple[str, str, str]]:
        """What was finished since the last call."""
        done = [(run, child) for run, child in self._working if child.poll() is not None]
        self._working = [pair for pair in self._working if pair not in done]
        told = [(run, *child.communicate()) for run, child in done]
        if self.stamping is not None:
            if any(_answered(out) for _, out, _ in told):
                self.stamping.soon()
            if not self._working:
                self.stamping.look()
        return [_outcome(*one) for one in told]


class StampingByChild:
    """Time stamps for the documents that wait for one, by a child process while no run is open.

    Args:
        home: the bench.
        bench: says how often.
        idle: whether no run is open; where one is opened meanwhile, the child is ended, which it may be at any point.
        waiting: how many documents wait; asked only when it is time.
    """

    def __init__(self, home: Home, bench: "Bench", idle: Callable[[], bool], waiting: Callable[[], int]) -> None:
        self._home, self._idle, self._waiting = home, idle, waiting
        self._every_s = math.inf if bench.time_stamp is None else 60 * bench.time_stamp.again_after_min
        self._due = 0.0
        self._child: subprocess.Popen[str] | None = None

    def soon(self) -> None:
        """The authority has answered: it is time for those that wait."""
        self._due = 0.0

    def look(self) -> None:
        """Let time pass."""
        if self._child is not None:
            if self._child.poll() is None:
                if not self._idle():
                    self._child.terminate()
                return
            self._child = None
        now = time.monotonic()  # noqa: TID251 - pacing; a rig's clock may be faster than any authority
        if now < self._due or not self._idle():
            return
        self._due = now + self._every_s
        if self._waiting():
            self._child = _child(self._home, subprocess.DEVNULL, "stamp", "--waiting")


def _child(home: Home, heard: int, *words: str) -> "subprocess.Popen[str]":
    command = [*program(), "certificate", *words, "--home", str(home.folder), "--json"]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=heard, stderr=heard, text=True)


def _answered(out: str) -> bool:
    """Whether a document was written with its time stamp."""
    try:
        return not json.loads(out)["waiting"]
    except (json.JSONDecodeError, KeyError):
        return False


def _outcome(run: str, out: str, err: str) -> tuple[str, str, str]:
    try:
        issued = json.loads(out)
    except json.JSONDecodeError:
        why = err.strip().splitlines()[0] if err.strip() else "No document was written."
        return run, "", f"Run {run} is kept; its page is still owed: {why} Write it with 'testbench certificate issue'."
    waits = " It waits for its time stamp." if issued["waiting"] else ""
    return run, issued["document"], f"Run {run}: {issued['kind']} written to {issued['document']}.{waits}"
