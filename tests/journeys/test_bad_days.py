"""Killed programs, missing ports, wrong homes: one plain sentence, nothing lost, never an acceptance."""

import os
import re
import signal
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from testbench.rig.client import RigClient
from testbench.store.reading import RunReader
from testbench.wiring import attach_or_start
from tests.journeys.program import PIN, PROGRAM, Watcher, call, facts_of, until

SERIAL = "HL-4-0117"


def recorder_of(home: Path) -> int:
    """Process id of the recorder of a home."""
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = entry.read_bytes().split(b"\0")
        except OSError:
            continue
        if b"recorder" in words and str(home).encode() in words:
            return int(entry.parent.name)
    return 0


def into_the_hold(demonstration) -> Watcher:
    """Bring the first valve's shell test to its hold, by hand."""
    watcher = Watcher(demonstration.home)
    with RigClient(demonstration.control) as rig:
        rig.tell("mount", serial=SERIAL)
        watcher.wait(lambda update: update.signal.state == "good")
        until(lambda: watcher.send("start_run", order="HL-2041", serial=SERIAL, operator="Mara Quill", pin=PIN).done)
        assert watcher.send("start_stage").done
        rig.tell("release", position="closed")
        rig.tell("vent", position="open")
        rig.tell("fill", on=True)
        until(lambda: rig.tell("look")["vent"] == "solid")
        rig.tell("fill", on=False)
        rig.tell("vent", position="closed")
        assert watcher.send("vent_closed").done
        rig.tell("pump", set_psi=515)
        watcher.wait(lambda update: update.signal.pressure and update.signal.pressure > 513)
        rig.tell("isolate", on=True)
    watcher.wait(lambda update: update.stage.phase == "holding")
    return watcher


def test_a_recorder_killed_in_the_hold_closes_the_run_as_lost_at_its_next_start(simulated):
    """kill -9: every acknowledged sample is on disk, the hold is not resumed, the rest goes on."""
    watcher = into_the_hold(simulated)
    run = watcher.update.run.run
    folder = simulated.home.folder
    os.kill(recorder_of(folder), signal.SIGKILL)
    until(lambda: watcher.look() and not watcher.link.connected)
    watcher.close()
    attach_or_start(simulated.home).close()
    again = Watcher(simulated.home)
    update = again.wait(lambda update: update.orders)
    assert (
        f"Run {run} of HL-4-0117 was interrupted and is closed as lost: The shell test is void (lost): "
        "The recorder or its power was interrupted; a hold is never resumed."
    ) in [notice.sentence for notice in update.notices]
    again.close()
    judged = facts_of("judge", run, "--home", folder)
    assert (judged["verdict"], judged["same"]) == ("void", True)
    with RunReader.beside(simulated.home.database) as store:
        record, traces = store.load(run)
        assert store.accepted_run_of(SERIAL) is None
    assert record.stages[0].ended == "lost"
    assert len(traces[0]) > 100
    refused = call("certificate", "issue", run, "--home", folder)
    assert refused.returncode == 1
    assert f"Run {run} gets neither certificate nor rejection report" in refused.stderr


def test_a_screen_that_dies_or_freezes_ends_no_test_and_loses_no_sample(simulated):
    """Another screen attaches and finds the stage where it is, with its whole trace."""
    watcher = into_the_hold(simulated)
    code = (
        "import socket, sys, time\n"
        "s = socket.socket(socket.AF_UNIX); s.connect(sys.argv[1])\n"
        's.sendall(b\'{"request":"attach"}\\n\'); print(1, flush=True); time.sleep(600)'
    )
    address = str(simulated.home.folder / "recorder.sock")
    frozen = subprocess.Popen([sys.executable, "-c", code, address], stdout=subprocess.PIPE)
    frozen.stdout.readline()
    os.kill(frozen.pid, signal.SIGSTOP)
    watcher.close()
    late = Watcher(simulated.home)
    late.wait(lambda update: late.whole)
    assert late.whole.stage.phase == "holding"
    times = [at for at, _ in late.whole.trace]
    assert max(b - a for a, b in pairwise(times)) < 1.0
    frozen.kill()
    frozen.wait()
    frozen.stdout.close()
    late.close()


def test_a_pulled_cable_is_said_and_the_line_comes_back(simulated):
    """The rig unplugs its terminal and plugs it in again."""
    watcher = into_the_hold(simulated)
    with RigClient(simulated.control) as rig:
        rig.tell("fault", kind="unplugged")
        update = watcher.wait(lambda update: update.signal.state == "lost")
        assert update.signal.pressure is None
        assert str(simulated.home.folder / "rig.tty") in update.signal.sentence
        rig.tell("fault", kind="none")
        watcher.wait(lambda update: update.signal.state == "good")
    watcher.close()


def test_a_second_recorder_is_refused(simulated):
    """Two would read one port."""
    done = call("recorder", "--home", simulated.home.folder)
    assert done.returncode == 1
    assert done.stderr.splitlines()[0] == f"A recorder is already running for {simulated.home.folder}."


@pytest.mark.parametrize("command", [["run"], ["judge", "B1-000001"], ["history"], ["recorder"]])
def test_a_folder_that_is_no_home_is_refused_with_what_to_do(tmp_path, command):
    """Every command that needs a home."""
    done = call(*command, "--home", tmp_path)
    assert done.returncode == 1
    assert done.stderr == (
        f"There is no bench home in {tmp_path}: bench.toml was not found.\n"
        "→ Run 'testbench init --home DIR' to make it.\n"
    )


def test_an_unknown_run_is_refused(simulated):
    """With where to look."""
    done = call("judge", "B1-999999", "--home", simulated.home.folder)
    assert done.stderr == (
        f"There is no run B1-999999 in {simulated.home.folder}.\n→ List the runs with 'testbench history'.\n"
    )


def test_a_home_is_made_once_and_its_key_is_for_its_owner_only(tmp_path):
    """A second init changes nothing."""
    home = tmp_path / "home"
    assert call("init", "--home", home).returncode == 0
    keys = [file for file in (home / "keys").iterdir() if "cert" not in file.name]
    kept = {"ledger.pem": 0o600, "station-key.pem": 0o600, "pepper": 0o600}
    assert {file.name: file.stat().st_mode & 0o777 for file in keys} == kept
    before = [file.read_bytes() for file in keys]
    done = call("init", "--home", home)
    assert done.returncode == 1
    assert done.stderr.splitlines()[0] == f"{home} already holds a bench home; nothing was changed."
    assert [file.read_bytes() for file in keys] == before


def test_a_folder_that_cannot_be_written_is_refused_in_one_sentence():
    """Nobody, not even root, makes a folder in /sys."""
    done = call("init", "--home", "/sys/testbench")
    assert done.returncode == 1
    assert re.fullmatch(
        r"The home folder /sys/testbench cannot be written: (Operation not permitted|Permission denied)\.",
        done.stderr.splitlines()[0],
    )


def test_the_ten_line_client_of_the_readme_works(simulated):
    """The link is an open door."""
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    code = re.search(r"<!-- client -->\n+```python\n(.*?)```", readme, re.DOTALL)[1]
    assert len(code.splitlines()) <= 10
    client = subprocess.Popen(
        [sys.executable, "-u", "-c", code, str(simulated.home.folder)], stdout=subprocess.PIPE, text=True
    )
    lines = [client.stdout.readline() for _ in range(3)]
    client.kill()
    client.wait()
    client.stdout.close()
    assert any("psi" in line and "Mount the next valve" in line for line in lines)


def test_help_imports_no_heavy_library():
    """--help stays quick: nothing of the database, the PDF or the screen is loaded."""
    code = (
        "import sys; from testbench.cli.main import cli; cli(['--help'], standalone_mode=False); "
        "print(sorted(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = done.stdout.rpartition("[")[2]
    for name in ("sqlalchemy", "reportlab", "pyhanko", "textual", "numpy", "pydantic", "serial", "alembic"):
        assert f"'{name}'" not in loaded


def test_every_command_of_the_help_exists():
    """And says what it does."""
    done = call("--help")
    for name in re.findall(r"^  (\w+)  ", done.stdout, re.MULTILINE):
        assert subprocess.run([*PROGRAM, name, "--help"], capture_output=True, check=False).returncode == 0, name


def test_the_screen_without_a_terminal_is_refused_and_starts_nothing(tmp_path):
    """Called from a script it would draw into nowhere for ever."""
    home = tmp_path / "home"
    assert call("init", "--home", home).returncode == 0
    done = call("run", "--home", home)
    assert (done.returncode, done.stderr.splitlines()[0]) == (1, "The operator's screen needs a terminal.")
    assert not (home / "recorder.sock").exists()


def test_a_recorder_ends_when_it_is_told_to_but_not_in_a_run(simulated):
    """``recorder --stop``: refused while a run is open, with the way out."""
    watcher = into_the_hold(simulated)
    refused = call("recorder", "--stop", "--home", simulated.home.folder)
    assert refused.returncode == 1
    assert "goes on: 'shutdown' is not possible while a run is open" in refused.stderr
    assert watcher.send("stop", reason="the journey ends").done
    with RigClient(simulated.control) as rig:
        rig.tell("release", position="open")
    watcher.wait(lambda update: update.stage.phase == "closed")
    assert watcher.send("end_run").done
    watcher.close()
    assert call("recorder", "--stop", "--home", simulated.home.folder).returncode == 0
    again = call("recorder", "--stop", "--home", simulated.home.folder)
    assert again.stderr.splitlines()[0] == f"No recorder is running for {simulated.home.folder}."


def leaves(group, words=()):
    """Every command that can be called, as its words."""
    import click

    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        if isinstance(found, click.Group):
            yield from leaves(found, (*words, name))
        else:
            yield (*words, name), found


def test_every_command_takes_a_home():
    """Whether it needs one or not."""
    from testbench.cli.main import cli

    found = dict(leaves(cli))
    assert len(found) > 15
    assert [words for words, command in found.items() if not any("--home" in p.opts for p in command.params)] == []
