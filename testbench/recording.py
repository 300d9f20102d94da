"""The recorder put together: line, clock, store, link, session and documents of one home, until it is told to end."""

import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from testbench import __version__
from testbench.errors import RecorderRunningError
from testbench.wiring import Home, check_printable, fit_key, open_store, program

if TYPE_CHECKING:
    from testbench.instruments.captures import RunCaptures
    from testbench.instruments.connecting import Reader
    from testbench.instruments.replays import Replay
    from testbench.procedure.stages import Procedure
    from testbench.station.bench import Bench
    from testbench.station.loop import Inbox
    from testbench.station.ports import Clock
    from testbench.store.repository import SqliteStore

UPDATE_EVERY_S = 0.05
UPDATE_EVERY_FAST_S = 0.02  # on a rig's faster clock a person's glance is shorter, too


def run_recorder(home: Home, capture: Path | None = None, speed: float = 1.0) -> None:
    """Be the recorder of a home until told to end. Ignores a closing terminal.

    Args:
        home: the bench.
        capture: a file to read the channel from, instead of its port; every run is then one that was replayed.
        speed: of the replay, times faster than life.
    """
    from testbench.instruments.captures import RunCaptures
    from testbench.instruments.clocks import moment
    from testbench.instruments.replays import replay_of
    from testbench.link.server import LinkServer
    from testbench.procedure_files.loader import OrderShelf, find_procedure
    from testbench.station.blanks import declared
    from testbench.station.loop import Heard, Inbox, Recorder
    from testbench.station.recovery import close_interrupted
    from testbench.station.session import Outside, Session

    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    replay = None if capture is None else replay_of(capture, speed)
    bench = home.bench() if replay is None else replay.bench(home.bench())
    fit_key(home)
    with _only_recorder(home):
        store = open_store(home)
        clock = _clock(bench) if replay is None else replay.clock
        raw = RunCaptures(home.folder / "captures", bench.channel, clock) if bench.keep_raw else None
        recovered = close_interrupted(store, clock.utc())

        def procedure(name: str) -> "tuple[Procedure, str]":
            return find_procedure(name, home.folder)

        documents = IssuedByChild(home)
        outside = Outside(
            clock, store, documents, _FreeSpace(home.folder), procedure, __version__,
            OrderShelf(home.folder), check_printable, partial(declared, store),
            raw, replayed=replay is not None,
        )  # fmt: skip
        session = Session(bench, outside)
        _take_up(store, documents)
        for sentence in recovered:
            session.notify(sentence, grave=True)
        inbox: Inbox = Inbox()
        server = LinkServer(home.folder, lambda client, line: inbox.put(Heard(client, line)))
        readers = _readers(bench, clock, inbox, raw, replay)
        server.start()
        for reader in readers:
            reader.start()
        pace = UPDATE_EVERY_S if bench.simulation is None else UPDATE_EVERY_FAST_S
        try:
            clocks = moment if bench.simulation is None and replay is None else None
            Recorder(session, inbox, server, pace, clocks).run(time.monotonic)  # noqa: TID251 - pacing of the screen only
        finally:
            for reader in readers:
                reader.stop()
            server.close()
            store.close()


def _take_up(store: "SqliteStore", documents: "IssuedByChild") -> None:
    """Order the documents again that were under way when the recorder was killed."""
    for summary in store.history():
        if summary.verdict in {"accepted", "rejected"} and not summary.document:
            documents.order(summary.run)


def _readers(
    bench: "Bench", clock: "Clock", inbox: "Inbox", raw: "RunCaptures | None", replay: "Replay | None"
) -> "list[Reader]":
    """One for each line of the bench; a replay stands in for that of the deciding channel."""
    from testbench.instruments.connecting import connect
    from testbench.station.loop import OfThermometer

    line = None if replay is None else replay.line
    readers = [connect(bench.channel.line, clock, inbox.put, None if raw is None else raw.tap, line)]
    if bench.temperature is not None:
        readers.append(connect(bench.temperature.line, clock, lambda event: inbox.put(OfThermometer(event))))
    return readers


def _clock(bench: "Bench") -> "Clock":
    from testbench.instruments.clocks import RigClock, SystemClock

    if bench.simulation is not None and bench.simulation.clock:
        return RigClock(Path(bench.simulation.clock))
    return SystemClock()


@contextmanager
def _only_recorder(home: Home) -> Iterator[None]:
    """Two recorders would read one port."""
    with (home.folder / "recorder.lock").open("a+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as failure:
            raise RecorderRunningError(str(home.folder)) from failure
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        yield


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

    def order(self, run: str) -> None:
        """Begin to write the document of a run."""
        command = [*program(), "certificate", "issue", run, "--home", str(self._home.folder), "--json"]
        child = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self._working.append((run, child))

    def written(self) -> list[tuple[str, str, str]]:
        """What was finished since the last call."""
        done = [(run, child) for run, child in self._working if child.poll() is not None]
        self._working = [pair for pair in self._working if pair not in done]
        return [_outcome(run, *child.communicate()) for run, child in done]


def _outcome(run: str, out: str, err: str) -> tuple[str, str, str]:
    try:
        issued = json.loads(out)
    except json.JSONDecodeError:
        return run, "", err.strip().splitlines()[0] if err.strip() else f"Run {run}: no document was written."
    return run, issued["document"], f"Run {run}: {issued['kind']} written to {issued['document']}."
