"""The rig as a program: lines in time, commands in between, and no line ahead of its reader."""

import mmap
import os
import select
import signal
import struct

import pytest

from testbench.errors import RigStartFailedError
from testbench.framing.lines import LineFramer, Reading
from testbench.instruments.clocks import RigClock
from testbench.rig import server as program
from testbench.rig.client import RigClient
from testbench.rig.server import RigServer, ServerSettings
from testbench.rig.transmitter import Fault


class Wall:
    """A wall clock that moves only when it is looked at."""

    def __init__(self, step_s: float) -> None:
        self.seconds, self.step_s = 0.0, step_s

    def __call__(self) -> float:
        self.seconds += self.step_s
        return self.seconds


@pytest.fixture
def served(tmp_path, monkeypatch):
    """A rig with a published clock, plugged in, whose loop the test turns by hand."""
    monkeypatch.setattr(program, "now", Wall(0.3))
    settings = ServerSettings(
        control=tmp_path / "rig.sock", link=tmp_path / "tty", clock=tmp_path / "clock", serial="HL-4-0117"
    )
    rig = RigServer(settings, lambda facts: None)
    rig._open_clock()
    rig._plug()
    yield rig
    rig._wire.unplug()
    rig._clock.close()


def wait_for_line(descriptor: int) -> None:
    select.select([descriptor], [], [])


def test_the_time_of_a_line_is_published_before_the_line_is_there(served, tmp_path):
    """Whoever reads a line and then the clock gets that line's time: 0.1 s, 0.2 s, 0.3 s at 10 Hz."""
    clock = RigClock(tmp_path / "clock")
    far = os.open(tmp_path / "tty", os.O_RDONLY | os.O_NOCTTY)
    seen = []
    for _ in range(3):
        served.tick(0.1)
        wait_for_line(far)
        os.read(far, 4096)
        seen.append(clock.elapsed_s())
    os.close(far)
    assert seen == pytest.approx([0.1, 0.2, 0.3])


def test_no_time_passes_while_a_line_is_unread(served, tmp_path):
    """The rig waits for its reader, at most a second of the wall; then the reader counts as away."""
    far = os.open(tmp_path / "tty", os.O_RDONLY | os.O_NOCTTY)
    served.tick(0.1)
    wait_for_line(far)
    before = program.now.seconds
    served._wait_for_reader()
    assert served._reader_away
    assert 1.0 <= program.now.seconds - before <= 3.0
    before = program.now.seconds
    served._wait_for_reader()  # it does not wait again
    assert program.now.seconds - before < 1.0
    os.close(far)


def test_a_reader_that_was_away_finds_one_line_and_not_a_heap(served, tmp_path):
    """Lines that nobody is there to read are refused; when the old one is read the next ones come again."""
    far = os.open(tmp_path / "tty", os.O_RDONLY | os.O_NOCTTY)
    served.tick(0.1)
    wait_for_line(far)
    served._wait_for_reader()
    for _ in range(50):
        served.tick(0.1)
        served._wait_for_reader()
    assert os.read(far, 4096).removeprefix(b"SIMULATED RIG\r\n").count(b"\n") == 1
    assert served._wire.refused_bytes == 50 * 10
    served._wait_for_reader()
    served.tick(0.1)
    wait_for_line(far)
    assert os.read(far, 4096).count(b"\n") == 1
    assert served.rig.at_s == pytest.approx(5.2)
    os.close(far)


@pytest.mark.parametrize("fault", [Fault.SILENT, Fault.UNPLUGGED])
def test_time_goes_on_while_the_line_is_dead(served, tmp_path, fault):
    """Silence has a length, also on the rig's clock."""
    served._answer(b'{"command":"fault","kind":"%s"}' % fault.encode())
    for _ in range(30):
        served._wait_for_reader()
        served.tick(0.1)
    page = (tmp_path / "clock").read_bytes()
    assert struct.unpack("<d", page)[0] == pytest.approx(3.0)


def test_the_clock_file_is_eight_bytes_that_a_reader_can_map_and_goes_with_the_rig(served, tmp_path):
    """One float64 of seconds, little-endian; a recorder never finds the clock of a rig that is no more."""
    with (tmp_path / "clock").open("rb") as file:
        page = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    served.tick(0.1)
    assert len(page) == 8
    assert struct.unpack("<d", page)[0] == pytest.approx(0.1)
    served._clock.close()
    assert not (tmp_path / "clock").exists()
    served._open_clock()


def test_a_clock_that_cannot_be_made_stops_the_start(tmp_path):
    """The refusal names the place and what is wrong; nothing is left behind."""
    settings = ServerSettings(control=tmp_path / "rig.sock", clock=tmp_path / "no such folder" / "clock")
    with pytest.raises(RigStartFailedError) as refusal:
        RigServer(settings, lambda facts: None).run()
    assert str(refusal.value) == f"The simulated rig cannot use {settings.clock}: No such file or directory."
    assert list(tmp_path.iterdir()) == []


# The program itself -----------------------------------------------------------------------------


def readings(path: str, count: int) -> list[int]:
    """Reads a port as the recorder does until enough lines were readings."""
    far, framer, found = os.open(path, os.O_RDONLY | os.O_NOCTTY), LineFramer(), []
    while len(found) < count:
        wait_for_line(far)
        found += [line.counts for line in framer.feed(os.read(far, 4096)) if isinstance(line, Reading)]
    os.close(far)
    return found


def test_the_program_writes_lines_and_obeys(start_rig, tmp_path):
    """Fill, vent, pump, look: the pressure comes up on the line."""
    rig = start_rig("--link", str(tmp_path / "tty"), "--clock", str(tmp_path / "clock"), "--speed", "200")
    assert rig.facts == {
        "port": str(tmp_path / "tty"),
        "control": str(tmp_path / "rig.sock"),
        "clock": str(tmp_path / "clock"),
    }
    with RigClient(tmp_path / "rig.sock") as hands:
        assert hands.tell("mount", serial="HL-4-0117")["done"]
        assert max(readings(rig.facts["port"], 5)) < 50
        hands.tell("release", position="closed")
        hands.tell("fill")
        while hands.tell("look")["vent"] != "solid":
            readings(rig.facts["port"], 5)
        hands.tell("fill", on=False)
        hands.tell("vent", position="closed")
        hands.tell("pump", set_psi=256)
        while readings(rig.facts["port"], 5)[-1] < 25_100:
            pass
        state = hands.tell("state")
        assert 250 < state["psi"] <= 256
        assert state["handles"]["pump_psi"] == 256
        assert hands.tell("quit")["done"]
    assert rig.process.wait() == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == []


def test_the_program_says_where_it_is_again_after_a_replug(start_rig, tmp_path):
    """Unplugged and plugged in again, the link leads to the new terminal."""
    rig = start_rig("--link", str(tmp_path / "tty"), "--speed", "50")
    with RigClient(tmp_path / "rig.sock") as hands:
        hands.tell("fault", kind="unplugged")
        assert not (tmp_path / "tty").exists()
        hands.tell("fault", kind="none")
        assert rig.next_facts() == rig.facts
        assert len(readings(rig.facts["port"], 3)) >= 3


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_the_program_cleanly(start_rig, tmp_path, number):
    """Exit status 0, no socket, link or clock left behind."""
    rig = start_rig("--link", str(tmp_path / "tty"), "--clock", str(tmp_path / "clock"))
    rig.process.send_signal(number)
    assert rig.process.wait() == 0
    assert list(tmp_path.iterdir()) == []


def test_the_program_listens_on_this_machine_only(start_rig):
    """A TCP port instead of a terminal; any other address is refused."""
    rig = start_rig("--listen", "127.0.0.1:0", "--speed", "50")
    assert rig.facts["port"].startswith("socket://127.0.0.1:")
    with pytest.raises(AssertionError, match="reachable from this machine only"):
        start_rig("--listen", "0.0.0.0:5020")
