"""Telling the rig what to do: every command is answered, what cannot be done is refused and changes nothing."""

import json
import selectors
import socket
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbench.errors import RigBusyError, RigCommandError, RigNotRunningError, RigStartFailedError, SizeUnknownError
from testbench.rig.client import RigClient
from testbench.rig.commands import carry_out, handles, read_command
from testbench.rig.control import ControlSocket
from testbench.rig.physics import RigPhysics

KNOWN = (
    "mount, fill, vent, pump, isolate, release, relief, drain_inlet, dry, draw_off, vessel, look, fault, shift, "
    "state, quit"
)


def told(rig: RigPhysics, command: str, **values) -> dict:
    return carry_out(rig, read_command(json.dumps({"command": command, **values}).encode()))


@pytest.fixture
def rig():
    made = RigPhysics()
    told(made, "mount", serial="HL-4-0117")
    return made


def test_the_hands_turn_what_they_name(rig):
    """One command, one handle."""
    assert handles(rig) == {
        "serial": "HL-4-0117",
        "side": "shell",
        "supply": False,
        "vent": "open",
        "release": "open",
        "isolated": False,
        "pump_psi": None,
        "vessel": "away",
        "burette": "closed",
    }
    told(rig, "fill")
    told(rig, "vent", position="closed")
    told(rig, "release", position="closed")
    told(rig, "pump", set_psi=256)
    told(rig, "isolate")
    told(rig, "relief", set_psi=280)
    told(rig, "vessel", position="under")
    assert handles(rig) == {
        "serial": "HL-4-0117",
        "side": "shell",
        "supply": True,
        "vent": "closed",
        "release": "closed",
        "isolated": True,
        "pump_psi": 256.0,
        "vessel": "under",
        "burette": "closed",
    }
    assert rig.relief_psi == 280
    assert told(rig, "vessel", position="away") == {"collected_ml": 0.0}
    told(rig, "fill", on=False)
    told(rig, "pump", on=False)
    told(rig, "drain_inlet")
    assert (rig.supply_on, rig.pump_psi, rig.side) == (False, None, "seat")


def test_looking_tells_what_a_person_sees_and_state_what_nobody_can(rig):
    """Eyes see no millilitres of trapped air."""
    rig.outside_ml = 1.0
    assert told(rig, "look") == {"shell": "wet", "where": "cover joint", "seat": "dry", "vent": "bubbles"}
    told(rig, "dry")
    assert told(rig, "look")["shell"] == "dry"
    assert set(told(rig, "state")) == {"at_s", "psi", "water_ml", "air_ml", "relief_psi", "ventings"}


def test_any_valve_can_be_made_up_for_a_story(rig):
    """Size and leaks can be given; for the ordered valves they are known."""
    told(rig, "mount", serial="X-9", nps="12", shell_leak_ml_h=5, leaks_at="flange", trapped=[0.02])
    assert rig.valve.nps == "12"
    assert rig.valve.shell_leak.ml_per_h == 5
    assert (rig.valve.leaks_at, rig.valve.trapped) == ("flange", (0.02,))
    told(rig, "mount", serial="HL-6-0118", seat_leak_ml_h=0)
    assert (rig.valve.nps, rig.valve.seat_leak.ml_per_h) == ("6", 0)


@pytest.mark.parametrize(
    ("line", "found"),
    [
        (b'{"command":"open"}', '{"command":"open"}'),
        (b"hello", "hello"),
        (b"\xff\xfe", "\ufffd\ufffd"),
        (b'{"command":"vent","position":"ajar"}', "vent.position: Input should be 'open' or 'closed'"),
        (b'{"command":"fill","fast":true}', "fill.fast: Extra inputs are not permitted"),
        (b'{"command":"pump","set_psi":-1}', "pump.set_psi: Input should be greater than 0"),
    ],
)
def test_what_is_no_command_is_refused_with_the_place(line, found):
    """What, where, found, allowed."""
    with pytest.raises(RigCommandError) as refusal:
        read_command(line)
    assert str(refusal.value) == f"The rig does not understand '{found}'; it knows {KNOWN}."


def test_a_missing_value_is_named(rig):
    """A pump needs a set pressure, an unknown valve a size that exists."""
    with pytest.raises(RigCommandError) as refusal:
        told(rig, "pump")
    assert str(refusal.value) == (
        "The rig does not understand 'pump' without 'set_psi'; it knows pump with a set pressure in psi."
    )
    with pytest.raises(RigCommandError) as refusal:
        told(rig, "mount", serial="X-9")
    assert str(refusal.value) == (
        "The rig does not understand 'mount X-9' without 'nps'; "
        "it knows HL-4-0117, HL-6-0118, HL-8-0119 and others by their size."
    )
    with pytest.raises(SizeUnknownError):
        told(rig, "mount", serial="X-9", nps="5")
    assert rig.valve.serial == "HL-4-0117"


@pytest.mark.parametrize(
    ("command", "values", "doing"),
    [
        ("mount", {"serial": "HL-6-0118"}, "mount a valve"),
        ("drain_inlet", {}, "drain the inlet"),
        ("vent", {"position": "open"}, "open the vent"),
    ],
)
def test_nothing_is_opened_under_pressure(rig, command, values, doing):
    """At 5 psi it may be, above it may not; not even in a simulation."""
    told(rig, "vent", position="closed")
    rig.psi = 5.1
    with pytest.raises(RigBusyError) as refusal:
        told(rig, command, **values)
    assert str(refusal.value) == f"The rig does not {doing}: the pressure is 5.1 psi, above 5 psi."
    rig.psi = 5.0
    told(rig, command, **values)


def test_there_must_be_something_to_do_it_with(rig):
    """No vessel, no valve."""
    with pytest.raises(RigBusyError) as refusal:
        told(rig, "vessel", position="away")
    assert str(refusal.value) == "The rig does not take the vessel away: no vessel is under the inlet."
    for command, doing in (("fill", "fill"), ("look", "look at a valve"), ("drain_inlet", "drain the inlet")):
        with pytest.raises(RigBusyError) as refusal:
            told(RigPhysics(), command)
        assert str(refusal.value) == f"The rig does not {doing}: no valve is mounted."


# The socket -------------------------------------------------------------------------------------


class Echo:
    """A control socket that answers with what it heard, served in a thread."""

    def __init__(self, path) -> None:
        self.selector = selectors.SelectSelector()
        self.control = ControlSocket(path, self.selector, lambda line: b'{"heard":' + line + b"}")
        self.thread = threading.Thread(target=self._serve)
        self.wake, self.sleep = socket.socketpair()
        self.selector.register(self.sleep, selectors.EVENT_READ, None)
        self.thread.start()

    def _serve(self) -> None:
        while True:
            for key, _ in self.selector.select():
                if key.data is None:
                    return
                key.data()

    def __enter__(self) -> "Echo":
        return self

    def __exit__(self, *error: object) -> None:
        self.stop()

    def stop(self) -> None:
        self.wake.send(b"x")
        self.thread.join()
        self.control.close()
        self.selector.close()
        self.wake.close()
        self.sleep.close()


@pytest.fixture
def echo(tmp_path):
    with Echo(tmp_path / "rig.sock") as made:
        yield made


@given(commands=st.lists(st.dictionaries(st.text(), st.integers() | st.text()), max_size=5), data=st.data())
def test_where_the_lines_are_cut_makes_no_difference(tmp_path_factory, commands, data):
    """Half lines wait for their other half; several in one delivery are answered one by one."""
    path = tmp_path_factory.mktemp("cut") / "rig.sock"
    sent = b"".join(json.dumps(command).encode() + b"\n" for command in commands)
    cut = data.draw(st.integers(0, len(sent)))
    with Echo(path), socket.socket(socket.AF_UNIX) as client:
        client.connect(str(path))
        client.sendall(sent[:cut])
        client.sendall(sent[cut:])
        with client.makefile("rb") as lines:
            answers = [json.loads(lines.readline())["heard"] for _ in commands]
    assert answers == commands


def test_a_path_longer_than_the_kernel_takes_works_all_the_same(tmp_path):
    """A Unix-domain address holds 107 bytes; homes may lie deeper."""
    folder = tmp_path / ("deep" * 20) / ("deeper" * 20)
    folder.mkdir(parents=True)
    with Echo(folder / "rig.sock"), RigClient(folder / "rig.sock") as hands:
        assert hands.ask({"a": 1}) == {"heard": {"a": 1}}
    assert not (folder / "rig.sock").exists()


def test_what_a_dead_rig_left_is_taken_away_and_a_living_one_is_left_alone(echo, tmp_path):
    """Two rigs on one socket would turn each other's handles."""
    with pytest.raises(RigStartFailedError) as refusal:
        ControlSocket(tmp_path / "rig.sock", echo.selector, lambda line: line)
    assert str(refusal.value) == f"The simulated rig cannot use {tmp_path / 'rig.sock'}: another rig answers there."
    with socket.socket(socket.AF_UNIX) as left_behind:
        left_behind.bind(str(tmp_path / "old.sock"))
    with Echo(tmp_path / "old.sock"), RigClient(tmp_path / "old.sock") as hands:
        assert hands.tell("look") == {"heard": {"command": "look"}}


def test_an_endless_line_is_hung_up_on(echo, tmp_path):
    """The buffer is bounded."""
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(tmp_path / "rig.sock"))
        with pytest.raises((BrokenPipeError, ConnectionResetError)):
            client.sendall(b"x" * 100_000_000)


def test_a_rig_that_is_not_there_is_said_to_be_not_there(tmp_path):
    """The remedy is to start it."""
    with pytest.raises(RigNotRunningError) as refusal:
        RigClient(tmp_path / "rig.sock")
    assert str(refusal.value) == f"No simulated rig answers on {tmp_path / 'rig.sock'}."
    assert refusal.value.remedy == "Start it with 'testbench rig --control PATH'."


def test_a_rig_that_goes_away_is_noticed(tmp_path):
    """Not with a library's words."""
    with Echo(tmp_path / "rig.sock"):
        hands = RigClient(tmp_path / "rig.sock")
        hands.tell("look")
    with pytest.raises(RigNotRunningError):
        hands.tell("look")
    hands.close()
