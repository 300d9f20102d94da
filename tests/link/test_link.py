"""The socket between recorder and screens."""

import json
import queue
import socket

import pytest

from testbench.errors import RecorderNotRunningError, RecorderRunningError
from testbench.link.client import LinkClient
from testbench.link.server import LinkServer
from testbench.station import messages as m


@pytest.fixture
def heard():
    return queue.SimpleQueue()


@pytest.fixture
def server(tmp_path, heard):
    made = LinkServer(tmp_path, lambda client, line: heard.put((client, line)))
    made.start()
    yield made
    made.close()


def test_a_request_reaches_the_recorder_and_its_answer_comes_back_to_the_one_who_asked(server, heard, tmp_path):
    """Two screens: only one is answered, both see what is broadcast."""
    one, two = LinkClient(tmp_path), LinkClient(tmp_path)
    one.send(m.StartStage(request="start_stage", id=5))
    client, line = heard.get(timeout=5)
    assert m.read_request(line) == m.StartStage(request="start_stage", id=5)
    server.answer(client, m.write(m.Answer(id=5, done=True)))
    assert one.receive(5) == [m.Answer(id=5, done=True)]
    two.send(m.Attach(request="attach", id=1))
    heard.get(timeout=5)
    server.broadcast(m.write(m.Answer(id=0, done=True)))
    assert one.receive(5) == two.receive(5) == [m.Answer(id=0, done=True)]
    one.close()
    two.close()


def test_a_screen_that_never_reads_does_not_hold_up_the_recorder(server, heard, tmp_path):
    """Updates for it are dropped; the others get theirs."""
    deaf, listening = LinkClient(tmp_path), LinkClient(tmp_path)
    for screen in (deaf, listening):
        screen.send(m.Attach(request="attach"))
        heard.get(timeout=5)
    line = m.write(m.Answer(id=1, done=False, sentence="x" * 60_000))
    got = 0
    for _ in range(100):
        server.broadcast(line)
        got += len(listening.receive(0))
    while got < 100 and (more := listening.receive(2)):
        got += len(more)
    assert got == 100
    deaf.close()
    listening.close()


def test_a_long_home_path_is_no_obstacle(tmp_path, heard):
    """Socket paths end at 107 bytes; home folders may be longer."""
    home = tmp_path / ("a" * 100) / ("b" * 100)
    home.mkdir(parents=True)
    server = LinkServer(home, lambda client, line: heard.put(line))
    server.start()
    client = LinkClient(home)
    client.send(m.EndRun(request="end_run"))
    assert heard.get(timeout=5)
    client.close()
    server.close()


def test_nobody_at_home_is_said_in_one_sentence(tmp_path):
    """No recorder, no hanging."""
    with pytest.raises(RecorderNotRunningError) as refusal:
        LinkClient(tmp_path)
    assert str(refusal.value) == f"No recorder is running for {tmp_path}."


def test_a_second_recorder_is_refused_and_a_socket_left_behind_is_not_in_the_way(server, tmp_path, heard):
    """Two recorders would read one port."""
    with pytest.raises(RecorderRunningError):
        LinkServer(tmp_path, lambda client, line: None)
    other = tmp_path / "other"
    other.mkdir()
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(other / "recorder.sock"))
    left.close()  # the file stays, as after a kill
    LinkServer(other, lambda client, line: None).close()


def test_the_socket_is_for_its_owner_only(server, tmp_path):
    """Mode 0600."""
    assert (tmp_path / "recorder.sock").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (b"open the valve", "This is not a request: the line: Invalid JSON: expected value at line 1 column 1."),
        (b'{"request":"observe","criterion":0}', "This is not a request: observe.seen: Field required."),
    ],
)
def test_a_line_that_is_no_request_is_refused_with_its_place(line, sentence):
    """There is no default answer for an observation."""
    from testbench.errors import RequestUnreadableError

    with pytest.raises(RequestUnreadableError) as refusal:
        m.read_request(line)
    assert str(refusal.value) == sentence


def test_the_schema_names_every_request():
    """The open door: what a foreign display may say."""
    text = json.dumps(m.schema())
    for name in ("start_run", "start_stage", "vent_closed", "observe", "collected", "stop", "attach"):
        assert f'"{name}"' in text
