"""A bench at work in processes of its own: a writer on a pseudo-terminal, the recorder, a screen; and their costs."""

import array
import json
import os
import pty
import signal
import subprocess
import sys
import termios
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from testbench.run.samples import to_s
from testbench.store.reading import RunReader
from testbench.wiring import Home, attach_if_running, make_home
from tests.benchmarks.line_writer import WAVE
from tests.journeys.program import Watcher, until

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
SCENARIO = ROOT / "testbench" / "rig" / "scenario"
SERIAL = "HL-4-0117"
LEVEL = 51_000  # counts of 0.01 psi; the shell is tested at 500 psi
LINE = """protocol = "ascii-line"
port = "@PORT@"
baud = 460800
parts = [
  { part = "number", name = "pressure", whole_digits = 4, decimals = 2 },
  { part = "separator", text = "," },
  { part = "number", name = "second", whole_digits = 4, decimals = 2 },
  { part = "separator", text = "," },
  { part = "number", name = "third", whole_digits = 4, decimals = 2 },
  { part = "separator", text = "," },
  { part = "number", name = "fourth", whole_digits = 4, decimals = 2 },
]
"""


def say(text: str) -> None:
    print(text, flush=True)  # noqa: T201 - the figures are what these files are for


def program(name: str, *words: object, **more) -> "subprocess.Popen[str]":
    """A program of this folder, with this project before any installed one."""
    environment = os.environ | {"PYTHONPATH": f"{ROOT}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"}
    command = [sys.executable, "-P", str(HERE / f"{name}.py"), *map(str, words)]
    return subprocess.Popen(command, env=environment, text=True, **more)


@dataclass(frozen=True, slots=True)
class Cost:
    """What a process has used."""

    cpu_s: float
    rss_mb: float
    pss_mb: float
    """Shared pages divided among those who share them."""


TICKS = os.sysconf("SC_CLK_TCK")


def cost(pid: int) -> Cost:
    """From the kernel's own books."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    rolled = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    kb = {line.split(":")[0]: int(line.split()[1]) for line in rolled[1:]}
    return Cost((int(fields[11]) + int(fields[12])) / TICKS, kb["Rss"] / 1024, kb["Pss"] / 1024)


class Writer:
    """The transmitter."""

    def __init__(self, folder: Path, hertz: float) -> None:
        self.link, self._stamps, self._hertz = folder / "line.tty", folder / "stamps", hertz
        self._level = 0
        self.plug_in()

    def plug_in(self) -> None:
        """Begin to write, under the name of the link."""
        self._process = program(
            "line_writer", self.link, self._hertz, self._stamps, self._level,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        assert self._process.stdout.readline() == "writing\n"

    def unplug(self) -> None:
        """The far end goes away, its name with it."""
        self.close()
        self.link.unlink()

    def level(self, counts: int) -> None:
        self._level = counts
        self._process.stdin.write(f"level {counts}\n")
        self._process.stdin.flush()

    def end(self) -> tuple[np.ndarray, dict]:
        """Stop writing; gives the stamps [ns] and how it went."""
        self._process.stdin.write("end\n")
        self._process.stdin.flush()
        said = json.loads(self._process.stdout.readline())
        self._process.wait(10)  # it stays a moment, so that what it wrote last is read
        self.close()
        stamps = array.array("q", self._stamps.read_bytes())
        return np.array(stamps, dtype=np.int64), said

    def close(self) -> None:
        self._process.terminate()
        self._process.wait(10)
        self._process.stdin.close()
        self._process.stdout.close()


def out_of_order(counts: np.ndarray) -> int:
    """How many values under pressure are not the next of the wave that value 1 runs through."""
    return int(np.count_nonzero(np.diff(counts[counts >= LEVEL]) % WAVE != 1))


class Screen:
    """The operator's screen on a terminal that is always read."""

    def __init__(self, home: Path, marks: Path) -> None:
        self.marks = marks
        self._master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (45, 160))
        more = {"stdin": slave, "stdout": slave, "stderr": slave, "start_new_session": True}
        self.process = program("marked_screen", home, marks, **more)
        os.close(slave)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        try:
            while os.read(self._master, 65536):
                pass
        except OSError:
            return

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(10)
        self._reader.join(5)
        os.close(self._master)


class WorkingBench:
    """Writer, recorder and screen with a hold under way, for as long as the ``with`` block lasts."""

    def __init__(self, folder: Path, hertz: float, slower_s: float = 0.0, *, screen: bool = True) -> None:
        self.folder, self.hertz, self._slower_s, self._with_screen = folder, hertz, slower_s, screen
        self.home = make_home(folder / "home", bench_toml(folder / "line.tty"))
        (folder / "home" / "orders" / "HL-2041.toml").write_text(
            (SCENARIO / "HL-2041.toml").read_text().replace("waterworks-swing-check", "long-hold")
        )
        (folder / "home" / "procedures" / "long-hold.toml").write_text(long_hold())
        (self.home.certificates / "earlier.pdf").touch()  # a bench that has issued pages need not look at its key again
        self.commits = folder / "commits"
        self._closing = ExitStack()

    def __enter__(self) -> "WorkingBench":
        try:
            self._begin()
        except BaseException:
            self._closing.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.close()

    def _begin(self) -> None:
        self.writer = Writer(self.folder, self.hertz)
        self._closing.callback(self.writer.close)
        self.recorder = program("marked_recorder", self.home.folder, self.commits, self._slower_s)
        self._closing.callback(_end, self.recorder)
        link = until(lambda: attach_if_running(Home(self.home.folder)))
        watcher = Watcher(self.home.folder, link)
        until(lambda: watcher.send("start_run", order="HL-2041", serial=SERIAL, operator="Mara Quill").done)
        assert watcher.send("start_stage").done
        assert watcher.send("vent_closed").done
        self.writer.level(LEVEL)
        watcher.wait(lambda update: update.stage and update.stage.phase == "holding")
        watcher.close()
        if self._with_screen:
            self.screen = Screen(self.home.folder, self.folder / "drawn")
            self._closing.callback(self.screen.close)
            time.sleep(2)  # its start is no part of what it costs

    def samples(self) -> tuple[np.ndarray, np.ndarray]:
        """All that is stored of the open run: ticks since it began, and counts."""
        with RunReader.beside(self.home.database) as store:
            [found] = store.open_runs()
        trace = found.traces[0]
        self.beside = [found.beside[0, tag].counts for tag in sorted(tag for stage, tag in found.beside if stage == 0)]
        self.rejected = sum(found.rejected_lines.values())
        self.gaps = [f"{to_s(gap.since):.1f} to {to_s(gap.until):.1f} s: {gap.reason}" for gap in trace.gaps]
        return trace.at, trace.counts


def plain(folder: Path, hertz: float, seconds: float) -> tuple[float, np.ndarray, int]:
    """A ``readline()`` loop on such a line: CPU of one core [%], ms from writing to stamp, lines lost or misread."""
    folder.mkdir()
    writer = Writer(folder, hertz)
    reader = program("readline_loop", writer.link, folder / "found")
    writer.level(LEVEL)
    time.sleep(1)
    before = cost(reader.pid).cpu_s
    time.sleep(seconds)
    used = 100 * (cost(reader.pid).cpu_s - before) / seconds
    stamps, said = writer.end()
    reader.wait(10)
    found = np.array(json.loads((folder / "found").read_text()), dtype=np.int64)
    pressed = found[found[:, 1] >= LEVEL]
    sent = stamps[-len(pressed) :]
    steps = np.diff(pressed[:, 1]) % WAVE
    assert said["refused_bytes"] == 0
    return used, (pressed[:, 0] - sent) / 1e6, int(np.count_nonzero(steps != 1))


def _end(process: "subprocess.Popen[str]") -> None:
    process.send_signal(signal.SIGTERM)
    process.wait(10)


def marks_of(file: Path) -> list[dict]:
    """What a marked program wrote; a line that is being written is left out."""
    return [json.loads(line) for line in file.read_text().splitlines() if line.endswith("}")]


def bench_toml(port: Path) -> str:
    """The bench of the demonstration with four pressure channels on one line, on its own clock."""
    today = date.today()
    text = (SCENARIO / "bench.toml").read_text().replace('port = "@PORT@"\nbaud = 9600\n', LINE)
    text = text.replace("decimals = 2\nwhole_digits = 4\nstale", 'value = "pressure"\nstale').replace(
        "[simulation]", ""
    )
    head, rest = text.split("[channel]")
    channel, tail = rest.split("[collecting]")
    channel = "[[channels]]" + channel.replace("[channel.", "[channels.")
    for number, name in enumerate(("pressure", "second", "third", "fourth"), 1):
        own = channel.replace("PT-101", f"PT-10{number}").replace("T-0042", f"T-004{number + 1}")
        head += own.replace('value = "pressure"', f'value = "{name}"')
    text = head.replace('paper = "A4"', 'paper = "A4"\ndeciding = "PT-101"') + "[collecting]" + tail
    return (
        text
        .replace("@PORT@", str(port))
        .replace('clock = "@CLOCK@"', "")
        .replace("@CALIBRATED@", str(today - timedelta(days=100)))
        .replace("@DUE@", str(today + timedelta(days=265)))
    )


def long_hold() -> str:
    """The house template with an hour of hold and steadiness that the wave of value 1 passes."""
    text = (ROOT / "procedures" / "house-template.toml").read_text()
    text = text.replace('id = "house-template"', 'id = "long-hold"')
    steady = "largest_change_percent_per_min = { factor = "
    text = text.replace(f'{steady}"0.5"', f'{steady}"50"')
    text = text.replace("window = { s = 20", "window = { s = 5").replace("dwell = { s = 5", "dwell = { s = 1")
    return text.replace('nps = ["2 to 6"], s = 60', 'nps = ["2 to 6"], s = 3600')


def percentiles(values: np.ndarray) -> str:
    """p50 / p95 / p99 / max."""
    return " / ".join(f"{found:.2f}" for found in (*np.percentile(values, [50, 95, 99]), values.max()))
